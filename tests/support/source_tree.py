"""The source tree as data: which module imports which, read with ``ast`` and never by importing."""

import ast
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = "lampwarden"
LAYERS = ("protocol", "drivers", "daemon", "simulators")


@dataclass(frozen=True, slots=True)
class Module:
    """One source file of the package."""

    name: str
    """Dotted, from the package's root: ``lampwarden.daemon.lamp``."""
    path: Path
    imports: frozenset[str]
    """Full names of everything that is imported anywhere in the file, also inside functions and for typing only."""

    @property
    def layer(self) -> str:
        parts = self.name.split(".")
        return parts[1] if len(parts) > 1 else ""

    def imports_top(self) -> set[str]:
        """First parts of what is imported: ``asyncio``, ``numpy``, ``lampwarden``."""
        return {name.split(".")[0] for name in self.imports}

    def ours(self) -> set[str]:
        """What is imported of the package itself."""
        return {name for name in self.imports if name == PACKAGE or name.startswith(PACKAGE + ".")}


def package_files() -> Iterator[Path]:
    yield ROOT / "__init__.py"
    for layer in LAYERS:
        yield from sorted((ROOT / layer).rglob("*.py"))


def module_name(path: Path) -> str:
    parts = [PACKAGE, *path.relative_to(ROOT).with_suffix("").parts]
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported_names(path: Path) -> frozenset[str]:
    """Everything that a file imports, with relative imports resolved."""
    own = module_name(path).split(".")
    package = own if path.name == "__init__.py" else own[:-1]
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), str(path))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            full = ".".join([*base, *((node.module or "").split(".") if node.module else [])])
            found.update(f"{full}.{alias.name}" for alias in node.names)
    return frozenset(found)


def modules() -> Mapping[str, Module]:
    """All modules of the package by name."""
    return {
        module_name(path): Module(module_name(path), path, imported_names(path))
        for path in package_files()
        if path.is_file()
    }


def resolve(name: str, known: Mapping[str, Module]) -> str | None:
    """The module that an imported name lives in: the name itself or the part before its last dot."""
    if name in known:
        return name
    parent = name.rpartition(".")[0]
    return parent if parent in known else None


def reachable(start: str, known: Mapping[str, Module]) -> set[str]:
    """All modules of ours that importing ``start`` may bring in, itself included."""
    seen: set[str] = set()
    todo = [start]
    while todo:
        name = todo.pop()
        if name in seen:
            continue
        seen.add(name)
        todo += [target for i in known[name].ours() if (target := resolve(i, known)) is not None]
    return seen
