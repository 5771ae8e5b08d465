"""Foreign programs that some tests judge us by.

Where one is missing the test says so and is skipped; with ``LAMPWARDEN_PEERS=required``, as in CI, it fails.
"""

import os
import shutil
from typing import NoReturn

import pytest

PLACES = ("/usr/sbin", "/usr/local/sbin")
"""Where Debian keeps servers, which is not on a user's PATH."""


def required() -> bool:
    """Whether a missing peer is a failure."""
    return os.environ.get("LAMPWARDEN_PEERS") == "required"


def find(program: str) -> str | None:
    """Path of a program, or None."""
    path = os.pathsep.join((os.environ.get("PATH", ""), *PLACES))
    return shutil.which(program, path=path)


def need(program: str, package: str) -> str:
    """Path of a program; without it the test is skipped, or fails where peers are required."""
    found = find(program)
    if found is None:
        missing(f"{program} (Debian package {package})")
    return found


def missing(what: str) -> NoReturn:
    """A peer is not here: skip, or fail where peers are required."""
    text = f"not installed: {what}"
    if required():
        pytest.fail(text)
    pytest.skip(text)
