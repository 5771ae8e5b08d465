"""The measuring package computes and does nothing else."""

import ast
import sys
from pathlib import Path

import lampwarden.daemon.measure
import pytest

FOLDER = Path(lampwarden.daemon.measure.__file__).parent
MODULES = sorted(FOLDER.glob("*.py"))
ALLOWED_OURS = {"...protocol.errors", "...protocol.units"}
#: Standard modules through which something outside could be read, written, waited for or drawn by chance.
BARRED = {
    "asyncio", "datetime", "io", "json", "logging", "multiprocessing", "os", "pathlib", "random", "secrets", "select",
    "signal", "socket", "sqlite3", "subprocess", "tempfile", "threading", "time", "urllib",
}  # fmt: skip


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add("." * node.level + (node.module or ""))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.stem)
def test_module_imports_numpy_the_standard_library_and_errors_only(path: Path) -> None:
    for name in imports(path):
        if name.startswith("..."):
            assert name in ALLOWED_OURS
        elif name.startswith(".."):
            pytest.fail(f"{path.name} reaches into the daemon: {name}")
        elif not name.startswith("."):
            top = name.split(".")[0]
            assert top == "numpy" or (top in sys.stdlib_module_names and top not in BARRED), name


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.stem)
def test_module_calls_nothing_that_reads_writes_or_draws_by_itself(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            assert name not in {"open", "print", "input", "np.random.default_rng", "np.random.seed"}, name
