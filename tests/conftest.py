"""For all tests: generated examples are the same in every run, and none is judged by the wall clock."""

from hypothesis import settings

settings.register_profile("bench", deadline=None, derandomize=True)
settings.load_profile("bench")
