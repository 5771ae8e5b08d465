"""The udev rules that are handed out: the rights of the bench's own devices, and of no others."""

import shutil
import subprocess
from pathlib import Path

import pytest
from lampwarden.daemon.operations.deployment_files import Places, pedals_of, sample, write_samples
from lampwarden.protocol.errors import ConfigurationError
from support.benches import INSTRUMENTS, bench_config
from support.processes import run_command

NAME = "70-lampwarden.rules"


def rules(pedals: tuple[str, ...] = ()) -> list[dict[str, str]]:
    """The rules without comments, each as its keys and what stands behind their operators."""
    text = sample(NAME, Places("north-house", pedals=pedals))
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return [dict(part.replace("==", "=").split("=", 1) for part in line.split(", ")) for line in lines]


def about(vid: str, pid: str, found: list[dict[str, str]]) -> list[dict[str, str]]:
    return [
        rule
        for rule in found
        if rule.get("ATTR{idVendor}", rule.get("ATTRS{idVendor}")) == f'"{vid}"'
        and rule.get("ATTR{idProduct}", rule.get("ATTRS{idProduct}")) == f'"{pid}"'
    ]


def test_each_named_foot_switch_may_be_opened_and_does_not_type() -> None:
    found = rules(pedals=("16C0:27DB", "1209:0002"))
    for vid, pid in (("16c0", "27db"), ("1209", "0002")):
        opened, silent = about(vid, pid, found)
        assert (opened["GROUP"], opened["MODE"]) == ('"lampwarden"', '"0660"')
        assert silent["ENV{LIBINPUT_IGNORE_DEVICE}"] == '"1"'


def test_without_a_foot_switch_no_device_is_silenced() -> None:
    assert not [rule for rule in rules() if "ENV{LIBINPUT_IGNORE_DEVICE}" in rule]
    assert "lampwarden samples" in sample(NAME, Places("north-house"))


def test_foot_switch_of_the_configuration_is_the_one_in_the_rules(tmp_path: Path) -> None:
    config = tmp_path / "bench.toml"
    config.write_text(
        """
bench.id = "south-house"
grid = { columns = 3, rows = 2, pitch_x_mm = 160.0, pitch_y_mm = 160.0, reference = "B1" }
[instruments.quantum]
role = "quantum_sensor"
profile = "sdi12-quantum"
port = "/dev/ttyUSB0"
[instruments.pedal]
role = "foot_switch"
profile = "hid-foot-switch"
port = "usb:16C0:27DB:A1"
""",
        encoding="utf-8",
    )
    done = run_command("samples", "--config", str(config), "--out", str(tmp_path / "out"))
    assert done.code == 0, done.err
    assert 'ATTR{idVendor}=="16c0", ATTR{idProduct}=="27db"' in (tmp_path / "out" / NAME).read_text()
    assert "south-house" in (tmp_path / "out" / "lampwarden.service").read_text()


def test_only_foot_switches_on_usb_need_rules_of_their_own() -> None:
    assert pedals_of(bench_config()) == ("1209:0002",)
    contact = {**INSTRUMENTS["pedal"], "profile": "line-foot-switch", "port": "/dev/ttyUSB3"}
    assert pedals_of(bench_config(instruments={**INSTRUMENTS, "pedal": contact})) == ()


@pytest.mark.parametrize("pedal", ["1209", "1209:0002:SIM", "12g9:0002", '1209:0002", RUN+="x'])
def test_what_is_no_vendor_and_product_gets_into_no_rule(pedal: str) -> None:
    with pytest.raises(ConfigurationError, match="is no foot switch"):
        rules(pedals=(pedal,))


@pytest.mark.parametrize(
    ("places", "where"),
    [
        (Places("North House"), "--bench"),
        (Places("north/+"), "--bench"),
        (Places("north-house", central="central.example"), "--central"),
        (Places("north-house", central="central.example:mqtt"), "--central"),
        (Places("north-house", central="central.example:8883\nuser root"), "--central"),
    ],
)
def test_what_the_broker_would_not_take_gets_into_no_sample(places: Places, where: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=where):
        write_samples(tmp_path / "samples", places)
    assert not (tmp_path / "samples").exists()


def test_rights_of_serial_ports_come_from_the_rules_and_not_from_a_group_that_opens_all() -> None:
    service = sample("lampwarden.service", Places("north-house"))
    assert not [line for line in service.splitlines() if line.startswith("SupplementaryGroups")]
    assert [rule for rule in rules() if rule.get("SUBSYSTEM") == '"tty"' and rule.get("GROUP") == '"lampwarden"']


@pytest.mark.parametrize("pedals", [(), ("1209:0002",)])
def test_udev_accepts_them(pedals: tuple[str, ...], tmp_path: Path) -> None:
    udevadm = shutil.which("udevadm")
    if udevadm is None or subprocess.run([udevadm, "verify", "--help"], capture_output=True, check=False).returncode:
        pytest.skip("no udevadm that can verify rules (systemd 254)")
    path = tmp_path / NAME
    path.write_text(sample(NAME, Places("north-house", group="root", pedals=pedals)))
    done = subprocess.run([udevadm, "verify", str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
