"""Names of a report's things in words. Pure."""

from ...protocol.records import SpotRecord


def where(record: SpotRecord) -> str:
    """The spot of an attempt; at the reference point with the leg."""
    return record.spot if record.leg == "spot" else f"{record.spot} ({record.leg})"
