"""What is installed: every package, every data file, and nothing that belongs to one machine."""

import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from support.source_tree import LAYERS, PACKAGE, ROOT

PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

HIDDEN = {".git", ".venv", ".hypothesis", ".pytest_cache", ".ruff_cache", ".mypy_cache", "__pycache__", "build", "dist"}
BINARY = {".png", ".jpg", ".ico", ".woff2", ".sqlite", ".pyc", ".gz", ".zip"}


def files_of_the_project() -> list[Path]:
    found = []
    for path in sorted(ROOT.rglob("*")):
        parts = path.relative_to(ROOT).parts
        if path.is_file() and not HIDDEN & set(parts) and not any(part.endswith(".egg-info") for part in parts):
            found.append(path)
    return found


def test_every_folder_with_an_init_is_packaged_and_nothing_else() -> None:
    folders = {PACKAGE}
    for layer in LAYERS:
        for init in (ROOT / layer).rglob("__init__.py"):
            folders.add(".".join([PACKAGE, *init.parent.relative_to(ROOT).parts]))
    listed = PYPROJECT["tool"]["setuptools"]["packages"]
    assert len(listed) == len(set(listed))
    assert set(listed) == folders


def test_every_folder_of_python_files_is_a_package() -> None:
    """A folder without ``__init__.py`` would be left out of the wheel without a word."""
    for layer in LAYERS:
        for path in (ROOT / layer).rglob("*.py"):
            assert (path.parent / "__init__.py").is_file(), path


def data_files() -> set[str]:
    """What the package needs beside its modules, as paths in a wheel."""
    found = {f"{PACKAGE}/py.typed"}
    for layer in LAYERS:
        for path in (ROOT / layer).rglob("*"):
            if path.is_file() and path.suffix not in {".py", ".pyc", ".md"}:
                found.add(f"{PACKAGE}/{path.relative_to(ROOT).as_posix()}")
    return found


@pytest.mark.slow
def test_a_built_wheel_has_every_module_and_data_file(tmp_path: Path) -> None:
    source = tmp_path / "source"
    shutil.copytree(ROOT, source, ignore=shutil.ignore_patterns(*HIDDEN, "tests"))
    script = "import sys; from setuptools import build_meta; print(build_meta.build_wheel(sys.argv[1]))"
    built = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script, str(tmp_path)],
        cwd=source,
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )
    assert built.returncode == 0, built.stderr[-2000:]
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        inside = set(archive.namelist())
    modules = {f"{PACKAGE}/__init__.py"}
    for layer in LAYERS:
        modules |= {f"{PACKAGE}/{p.relative_to(ROOT).as_posix()}" for p in (ROOT / layer).rglob("*.py")}
    assert modules <= inside
    profiles = {name for name in data_files() if "/profiles/" in name}
    assert len(profiles) >= 5, "profiles are shipped"
    assert data_files() <= inside
    tops = {name.split("/")[0] for name in inside}
    assert {top for top in tops if not top.endswith(".dist-info")} == {PACKAGE}, "no bare name is claimed"
    assert not [name for name in inside if "/tests/" in name]


# Written in pieces, so that this file does not cite what it forbids.
FOLDERS = ("home", "Users", "root", "work", "tmp", "mnt", "private", "workspace")
PATH_OF_A_MACHINE = re.compile(r"(?<![\w.$}:/-])/(?:" + "|".join(FOLDERS) + r")/\w|\b[A-Za-z]:\\\\?(?:Users|home)\b")
HOST_OF_A_REGISTRY = re.compile(
    r"\b[\w-]+(?:\.[\w-]+)*\.(?:internal|corp)\b(?!\()|index-url|extra-index", re.IGNORECASE
)


@pytest.mark.parametrize(
    "text", ["see /" + "home/me/x", '"/' + 'tmp/bench"', "(/" + "work/main)", "C:\\" + "Users\\me"]
)
def test_the_search_finds_paths_of_machines(text: str) -> None:
    assert PATH_OF_A_MACHINE.search(text)


@pytest.mark.parametrize("text", ["/dev/ttyUSB0", "docs/home/x", "http://host/work/x", "/proc/sys/kernel", "a/tmp/b"])
def test_the_search_lets_other_paths_pass(text: str) -> None:
    assert not PATH_OF_A_MACHINE.search(text)


def test_no_file_cites_a_path_or_host_of_one_machine() -> None:
    for path in files_of_the_project():
        if path.suffix in BINARY:
            continue
        text = path.read_text(encoding="utf-8")
        for pattern in (PATH_OF_A_MACHINE, HOST_OF_A_REGISTRY):
            found = pattern.search(text)
            if found is not None and path != Path(__file__):
                line = text.count("\n", 0, found.start()) + 1
                raise AssertionError(f"{path.relative_to(ROOT)}:{line} cites {found.group()!r}")


def test_the_command_of_the_package_exists() -> None:
    from importlib import import_module

    module, _, function = PYPROJECT["project"]["scripts"]["lampwarden"].partition(":")
    assert callable(getattr(import_module(module), function))


def test_the_version_is_told_once() -> None:
    from lampwarden import __version__

    assert PYPROJECT["project"]["version"] == __version__


def test_the_package_says_that_it_is_typed() -> None:
    assert (ROOT / "py.typed").is_file()
