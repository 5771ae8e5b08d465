"""Air, supply and warm-up light as records, at intervals. Pure."""

from ...drivers.roles import AirSample
from ...protocol import units
from ...protocol.records import AirRecord, LightRecord, Record, SupplyRecord
from ..config import BenchConfig
from ..figures import air_quantities, mean_quantity, supply_extremes, supply_means
from ..samples import Readings, Series
from ..stamp import Stamp
from .progress import Phase, Progress


def condition_records(
    config: BenchConfig, readings: Readings, stamp: Stamp, progress: Progress, *, since_s: float
) -> list[Record]:
    """One record for each thing that was read since the last interval; an instrument that is away leaves none.

    Args:
        config: Of the bench.
        readings: What was read.
        stamp: Stamps records.
        progress: Of the test.
        since_s: When the records before were made, bench time: no reading falls between two of them.
    """
    records: list[Record] = []
    test_id = progress.test_id
    supply = [t.sample for t in readings.supply.ended_after(since_s)]
    meter = config.with_role("power_meter")
    if supply and meter is not None:
        name, table = meter
        u = table.calibration.expanded_uncertainty_percent / 200.0 if table.calibration else None
        means = supply_means(supply, u, "not measured")
        lowest, highest = supply_extremes(supply, u, "not measured")
        records.append(
            SupplyRecord(**stamp.record(test_id=test_id), instrument=name, supply=means, lowest=lowest, highest=highest)
        )
    places: tuple[tuple[str, Series[AirSample]], ...] = (("inside", readings.inside), ("outside", readings.outside))
    for place, series in places:
        logger = config.with_role("air_inside" if place == "inside" else "air_outside")
        air = [t.sample for t in series.ended_after(since_s)]
        if logger is None or not air:
            continue
        temperature, humidity, pressure = air_quantities(air, "not offered by this logger")
        records.append(
            AirRecord(
                **stamp.record(test_id=test_id),
                instrument=logger[0],
                place="inside" if place == "inside" else "outside",
                temperature=temperature,
                humidity=humidity,
                pressure=pressure,
            )
        )
    light = [t.sample for t in readings.light.ended_after(since_s)]
    sensor = config.with_role("quantum_sensor")
    if light and sensor is not None and progress.phase is Phase.WARM_UP:
        ppfd = mean_quantity(light, units.PPFD)
        records.append(LightRecord(**stamp.record(test_id=test_id), instrument=sensor[0], purpose="warm_up", ppfd=ppfd))
    return records
