"""Records of the conditions: what was read falls into one of them each, and into no two."""

from lampwarden.daemon.procedure.conditions import condition_records
from lampwarden.daemon.procedure.progress import Phase
from lampwarden.daemon.samples import Readings, Timed
from lampwarden.drivers.roles import SupplySample
from lampwarden.protocol.records import SupplyRecord
from support.benches import bench_config, progress, stamp


def read(readings: Readings, began_s: float, ended_s: float, voltage_v: float) -> None:
    readings.supply.add(Timed.over(began_s, ended_s, SupplySample(voltage_v, 1.0, 200.0, 0.9, 50.0)))


def lowest_v(readings: Readings, since_s: float) -> float | None:
    records = condition_records(bench_config(), readings, stamp(), progress(Phase.SETTLE), since_s=since_s)
    found = [record.lowest for record in records if isinstance(record, SupplyRecord)]
    assert len(found) <= 1
    return found[0].voltage.value if found and found[0] is not None else None


def test_a_dip_that_was_being_read_while_the_record_before_was_made_is_in_the_next() -> None:
    readings = Readings()
    read(readings, 98.0, 98.1, 230.0)
    assert lowest_v(readings, since_s=90.0) == 230.0  # made at 100 s, while the meter is asked
    read(readings, 99.9, 100.05, 205.0)  # the middle of this exchange lies before 100 s
    read(readings, 101.0, 101.1, 230.0)
    assert lowest_v(readings, since_s=100.0) == 205.0


def test_what_one_record_held_is_not_in_the_next() -> None:
    readings = Readings()
    read(readings, 98.0, 98.1, 205.0)
    read(readings, 101.0, 101.1, 230.0)
    assert lowest_v(readings, since_s=100.0) == 230.0


def test_an_instrument_that_gave_nothing_meanwhile_leaves_no_record() -> None:
    readings = Readings()
    read(readings, 98.0, 98.1, 230.0)
    assert lowest_v(readings, since_s=100.0) is None
