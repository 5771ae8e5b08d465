"""The contract is held by every profile that the package brings, and by a driver of another distribution."""

from pathlib import Path

from lampwarden.drivers.registry import Registry
from support.rigs import RIGS, WIRES


def test_every_shipped_profile_stands_in_the_contract_suite() -> None:
    shipped = set(Registry(user_folder=Path("/nonexistent"), entries=()).names())
    held = {make().driver for make in RIGS.values()}
    assert shipped <= held, f"without a rig: {shipped - held}"


def test_every_rig_stands_on_a_wire() -> None:
    assert set(RIGS) == set(WIRES)
    assert all(WIRES.values())
