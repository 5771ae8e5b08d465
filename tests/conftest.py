"""For all tests: generated examples are the same in every run, no wall clock judges, fast tests come first."""

import pytest
from hypothesis import settings

settings.register_profile("bench", deadline=None, derandomize=True)
settings.load_profile("bench")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What fails should fail soon: slow tests run last, in their order."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is not None)
