"""Which drivers there are, by name.

Three sources, the nearer first: profiles in a folder beside ``bench.toml`` and in the user's configuration folder, the
profiles that come with the package, and Python drivers of other distributions, found by the entry point group
``lampwarden.drivers``. A profile's name is its file's name without ``.toml``. Files and entry points are read when they
are asked for: a broken profile that nobody uses stops nobody.
"""

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from importlib.metadata import EntryPoint, entry_points
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

from ..protocol.errors import ConfigurationError, reason_of
from .plan import Driver
from .profile import parse_profile
from .profile_drivers import driver_of

ENTRY_POINT_GROUP: Final = "lampwarden.drivers"
PROFILE_FOLDER: Final = "profiles"
_SUFFIX: Final = ".toml"


def user_profile_folder() -> Path:
    """Where a user's own profiles are (XDG Base Directory Specification 0.8: ``$XDG_CONFIG_HOME``, ``~/.config``)."""
    base = os.environ.get("XDG_CONFIG_HOME") or ""
    root = Path(base) if Path(base).is_absolute() else Path.home() / ".config"
    return root / "lampwarden" / PROFILE_FOLDER


class Registry:
    """The drivers that a bench can name.

    Args:
        bench_folder: Folder of ``bench.toml``; its ``profiles/`` comes first.
        user_folder: The user's profiles; None is :func:`user_profile_folder`.
        entries: Entry points of outside drivers; None finds those that are installed.
    """

    def __init__(
        self,
        bench_folder: Path | None = None,
        *,
        user_folder: Path | None = None,
        entries: Sequence[EntryPoint] | None = None,
    ) -> None:
        folders: list[Traversable] = []
        if bench_folder is not None:
            folders.append(bench_folder / PROFILE_FOLDER)
        folders.append(user_folder or user_profile_folder())
        folders.append(files(__package__) / PROFILE_FOLDER)
        self._files: dict[str, Traversable] = {}
        for folder in folders:
            for name, file in _profiles_in(folder):
                self._files.setdefault(name, file)
        found = entry_points(group=ENTRY_POINT_GROUP) if entries is None else entries
        self._entries = {entry.name: entry for entry in found}

    def names(self) -> tuple[str, ...]:
        """All names, sorted."""
        return tuple(sorted(self._files.keys() | self._entries.keys()))

    def find(self, name: str) -> Driver:
        """Return a driver by name.

        Raises:
            ConfigurationError: There is none (the known ones are listed), or its file or entry point is broken.
        """
        if name in self._files:
            return _read(name, self._files[name])
        if name in self._entries:
            return _load(self._entries[name])
        raise ConfigurationError(
            f"there is no profile {name!r}", where="profile", mend=f"known are {', '.join(self.names())}"
        )

    def describe(self) -> tuple[tuple[str, Driver | ConfigurationError], ...]:
        """All drivers, or what is wrong with them, for a list."""
        listed: list[tuple[str, Driver | ConfigurationError]] = []
        for name in self.names():
            try:
                listed.append((name, self.find(name)))
            except ConfigurationError as error:
                listed.append((name, error))
        return tuple(listed)


def _profiles_in(folder: Traversable) -> Iterator[tuple[str, Traversable]]:
    try:
        found = sorted(folder.iterdir(), key=lambda file: file.name)
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as error:
        raise ConfigurationError(f"profiles cannot be listed: {reason_of(error)}", where=str(folder)) from error
    for file in found:
        if file.name.endswith(_SUFFIX):
            yield file.name.removesuffix(_SUFFIX), file


def _read(name: str, file: Traversable) -> Driver:
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"cannot be read: {reason_of(error)}", where=str(file)) from error
    return driver_of(parse_profile(text, where=str(file)), name, source=str(file))


def _load(entry: EntryPoint) -> Driver:
    where = f"entry point {entry.name} ({entry.value})"
    try:
        loaded: object = entry.load()
    except Exception as error:  # foreign code may fail in any way; it is named, and the daemon goes on
        raise ConfigurationError(f"cannot be loaded: {error}", where=where, mend="reinstall it") from error
    if not isinstance(loaded, Driver):
        raise ConfigurationError(
            f"is a {type(loaded).__name__}, not a Driver", where=where, mend="see lampwarden.drivers.plan.Driver"
        )
    return replace(loaded, is_foreign=True)
