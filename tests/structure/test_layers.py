"""Arrows between the layers run downwards only: daemon → drivers → protocol; simulators stand aside."""

import ast
import sys

import pytest
from support.source_tree import LAYERS, PACKAGE, ROOT, Module, imported_names, modules, reachable, resolve

MODULES = modules()

ALLOWED = {
    "protocol": {"protocol"},
    "drivers": {"drivers", "protocol"},
    "daemon": {"daemon", "drivers", "protocol", "simulators"},  # simulators: see below
    "simulators": {"simulators", "protocol"},
}
GLUE_MODULES = ("simulation", "simulate", "demo", "campaign", "campaign_faults")
GLUE = {f"{PACKAGE}.daemon.simulated.{name}" for name in GLUE_MODULES}
"""The one room of the daemon that starts simulators."""

NO_IO = {"serial", "usb", "usbip", "socket", "time", "threading", "asyncio", "select", "selectors", "subprocess"}

PURE = {
    "collections", "dataclasses", "enum", "functools", "itertools", "math", "operator", "statistics", "typing", "numpy",
}  # fmt: skip
"""What a computation may import: nothing of it can reach a clock, a file, a port or a thread."""


def of_layer(layer: str) -> list[Module]:
    return [m for m in MODULES.values() if m.layer == layer]


def names(found: list[Module]) -> list[str]:
    return [m.name for m in found]


def test_every_layer_has_modules() -> None:
    for layer in LAYERS:
        assert len(of_layer(layer)) > 5, layer


@pytest.mark.parametrize("module", MODULES.values(), ids=MODULES.keys())
def test_no_import_points_upwards(module: Module) -> None:
    if not module.layer:
        assert not module.ours(), "the root of the package imports nothing of its own"
        return
    for name in module.ours():
        target = resolve(name, MODULES)
        if target is None or target == PACKAGE:
            continue  # the version in the root
        assert MODULES[target].layer in ALLOWED[module.layer], f"{module.name} imports {name}"


@pytest.mark.parametrize("module", MODULES.values(), ids=MODULES.keys())
def test_every_import_of_ours_exists(module: Module) -> None:
    for name in module.ours():
        assert resolve(name, MODULES) is not None, f"{module.name} imports {name}"


def test_only_the_demonstrations_of_the_daemon_import_simulators() -> None:
    importing = {m.name for m in of_layer("daemon") if any(n.startswith(f"{PACKAGE}.simulators") for n in m.ours())}
    assert importing == GLUE


ROOMS = {
    "measure": set(),
    "store": set(),
    "procedure": {"measure", "store"},
    "mqtt": {"store"},
    "results": {"measure", "store"},
    "report": {"measure", "results"},
    "export": {"results"},
    "panel": {"procedure", "store", "mqtt"},
    "operations": {"procedure", "store", "mqtt"},
    "simulated": {"procedure", "store", "mqtt"},
    "cli": {
        "measure", "store", "procedure", "mqtt", "results", "report", "export", "panel", "operations", "simulated",
    },
}  # fmt: skip
"""The rooms of the daemon and which others each may enter; all may use what lies beside them in ``daemon/``."""


def room(name: str) -> str:
    parts = name.split(".")
    return parts[2] if len(parts) > 2 and parts[1] == "daemon" and parts[2] in ROOMS else ""


def test_every_folder_of_the_daemon_is_a_room_with_rules() -> None:
    folders = {path.parent.name for path in (ROOT / "daemon").glob("*/__init__.py")}
    assert folders == set(ROOMS)


@pytest.mark.parametrize("module", of_layer("daemon"), ids=names(of_layer("daemon")))
def test_rooms_of_the_daemon_enter_only_rooms_below(module: Module) -> None:
    own = room(module.name)
    entered = {room(target) for name in module.ours() if (target := resolve(name, MODULES)) is not None} - {"", own}
    if own:
        assert entered <= ROOMS[own], module.name
    else:
        assert not entered & {"cli", "simulated"}, module.name


def test_a_real_bench_never_loads_a_simulator() -> None:
    brought_in = reachable(f"{PACKAGE}.daemon.service", MODULES)
    assert f"{PACKAGE}.drivers.instruments" in brought_in, "the walk over the imports works"
    assert not [name for name in brought_in if MODULES[name].layer == "simulators"]


@pytest.mark.parametrize("module", of_layer("simulators"), ids=names(of_layer("simulators")))
def test_simulators_share_only_clock_and_units(module: Module) -> None:
    for name in module.ours():
        if name.startswith(f"{PACKAGE}.simulators"):
            continue
        assert resolve(name, MODULES) in {f"{PACKAGE}.protocol.clock", f"{PACKAGE}.protocol.units"}, name


@pytest.mark.parametrize("module", of_layer("simulators"), ids=names(of_layer("simulators")))
def test_simulators_share_no_wire_library_with_drivers(module: Module) -> None:
    """An error in a library must not cancel out against itself; serving RFC 2217 is the server half of pyserial's."""
    wire = {name for name in module.imports if name.split(".")[0] in {"serial", "usb"}}
    assert wire <= {"serial.rfc2217.PortManager"}


def test_drivers_use_no_library_of_the_simulators() -> None:
    assert not [m.name for m in of_layer("drivers") if "usbip" in m.imports_top()]


CODECS = [m for m in MODULES.values() if m.name.startswith(f"{PACKAGE}.drivers.codecs.")]


@pytest.mark.parametrize("module", CODECS, ids=names(CODECS))
def test_codecs_hold_no_port_clock_or_thread(module: Module) -> None:
    for name in reachable(module.name, MODULES):
        assert not MODULES[name].imports_top() & NO_IO, f"{module.name} reaches {name}"


def test_there_is_a_codec_for_each_wire() -> None:
    wires = {"sdi12", "modbus", "scpi", "usbtmc", "nmea", "hid", "text"}
    assert {m.name.rpartition(".")[2] for m in CODECS} >= wires


MEASURE = [m for m in MODULES.values() if m.name.startswith(f"{PACKAGE}.daemon.measure")]


@pytest.mark.parametrize("module", MEASURE, ids=names(MEASURE))
def test_measure_computes_and_does_nothing_else(module: Module) -> None:
    ours = {target for name in module.ours() if (target := resolve(name, MODULES)) is not None}
    for target in ours:
        assert target.startswith(f"{PACKAGE}.daemon.measure") or target == f"{PACKAGE}.protocol.errors", target
    assert module.imports_top() - {PACKAGE} <= PURE
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(module.path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input", "exec", "eval", "__import__"}


def test_the_state_machine_knows_no_clock_instrument_file_or_topic() -> None:
    for part in ("table", "progress", "events", "prompts"):
        module = MODULES[f"{PACKAGE}.daemon.procedure.{part}"]
        for name in reachable(module.name, MODULES):
            found = MODULES[name]
            assert found.layer in {"daemon", "protocol"}, f"{part} reaches {name}"
            assert not found.imports_top() & (NO_IO | {"sqlite3", "aiomqtt", "os"}), f"{part} reaches {name}"
            assert not name.endswith((".topics", ".clock", ".journal", ".publisher")), f"{part} reaches {name}"


def test_imports_inside_the_package_are_relative() -> None:
    """An absolute import would find another installation of the package than the one it is part of."""
    for module in MODULES.values():
        tree = ast.parse(module.path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and not node.level:
                assert (node.module or "").split(".")[0] not in {PACKAGE, *LAYERS}, module.name
            if isinstance(node, ast.Import):
                assert not {alias.name.split(".")[0] for alias in node.names} & {PACKAGE, *LAYERS}, module.name


def test_tests_import_the_installed_package() -> None:
    for path in sorted((ROOT / "tests").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        tops = {(node.module or "").split(".")[0] for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert not tops & set(LAYERS), path


def test_nothing_outside_tests_is_named_like_a_test() -> None:
    """Test runners collect by name; a lamp test is called LampTest, never test_something."""
    for module in MODULES.values():
        assert not module.name.rpartition(".")[2].startswith("test_"), module.name
        for node in ast.walk(ast.parse(module.path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                assert not node.name.startswith("test_"), f"{module.name}.{node.name}"


def test_every_third_party_import_is_a_declared_dependency() -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [*project["dependencies"], *project["optional-dependencies"]["parquet"]]
    declared = {line.split(">")[0].split("[")[0].strip().lower() for line in lines}
    import_names = {
        "serial": "pyserial",
        "usb": "pyusb",
        "tomli_w": "tomli-w",
        "paho": "aiomqtt",
    }  # paho: aiomqtt's own
    used = {top for m in MODULES.values() for top in m.imports_top()} - {PACKAGE} - sys.stdlib_module_names
    assert {import_names.get(name, name).lower() for name in used} <= declared


def test_the_resolver_sees_relative_and_late_imports() -> None:
    """The walk itself: known imports of known files, one of them inside a function."""
    cli = imported_names(ROOT / "daemon" / "cli" / "simulated_commands.py")
    assert f"{PACKAGE}.daemon.cli.tools.finish" in cli
    assert f"{PACKAGE}.daemon.simulated.demo.run_demo" in cli
    assert f"{PACKAGE}.protocol.units.Final" not in imported_names(ROOT / "protocol" / "units.py")
    assert "typing.Final" in imported_names(ROOT / "protocol" / "units.py")
