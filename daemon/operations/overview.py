"""What the daemon says of itself to machines: the metrics' figures and the line for the service manager."""

from collections.abc import Callable, Mapping

from ... import __version__
from ...protocol.clock import Clock
from ...protocol.records import HealthState
from ..mqtt.publisher import Publisher
from ..procedure.conductor import Conductor
from ..stations import Health
from ..store.journal import Journal
from .metrics import Family, Sample, counter, gauge, process_families

Healths = Callable[[], Mapping[str, Health]]


class Overview:
    """Looks at the parts of a running daemon; every figure is at hand, nothing waits."""

    def __init__(
        self, clock: Clock, journal: Journal, conductor: Conductor, publisher: Publisher, healths: Healths
    ) -> None:
        self._clock = clock
        self._journal = journal
        self._conductor = conductor
        self._publisher = publisher
        self._healths = healths

    def families(self) -> list[Family]:
        """All metrics."""
        progress, journal, outbox = self._conductor.told, self._journal, self._publisher.outbox
        link, healths = self._publisher.state, self._healths()
        running = progress is not None and not progress.over
        done = 0 if progress is None else progress.spots_done()
        unsent = journal.last_seq - journal.sent_through
        path = journal.path
        size = sum(part.stat().st_size for part in path.parent.glob(f"{path.name}*")) if path is not None else 0
        return [
            Family("lampwarden", "info", "The daemon.", (Sample(1, {"version": __version__}),)),
            gauge("lampwarden_test_running", "1 while a test runs.", running),
            gauge("lampwarden_spots_done", "Spots of the test that have a reading.", done),
            gauge("lampwarden_lamp_burning", "1 while the power meter shows the arc.", self._conductor.lamp.burning),
            Family(
                "lampwarden_instrument_ok",
                "gauge",
                "1 while an instrument answers.",
                tuple(Sample(h.state is HealthState.OK, {"instrument": name}) for name, h in healths.items()),
            ),
            gauge("lampwarden_journal_last_seq", "Highest sequence number on disk.", journal.last_seq),
            gauge("lampwarden_journal_unsent", "Records that the broker has not.", unsent),
            gauge("lampwarden_journal_trouble", "1 while the disk refuses records.", journal.trouble is not None),
            gauge("lampwarden_journal_size_bytes", "Files of the journal, archives aside.", size, "bytes"),
            counter("lampwarden_journal_commits", "Transactions.", journal.commits),
            gauge("lampwarden_broker_connected", "1 while the broker has us.", link.connected),
            counter("lampwarden_broker_connections", "Connections that came about.", link.connections),
            gauge("lampwarden_outbox_under_way", "Records sent and not acknowledged.", outbox.under_way),
            gauge("lampwarden_outbox_held", "1 while the broker refuses records.", outbox.held is not None),
            counter("lampwarden_outbox_sent", "Records acknowledged.", outbox.sent),
            counter("lampwarden_commands", "Commands received.", link.commands),
            gauge("lampwarden_clock_synchronised", "1 while the clock is synchronised.", self._clock.synchronised),
            *process_families(),
        ]

    def line(self) -> str:
        """The state in one line, for the service manager."""
        progress = self._conductor.told
        idle = progress is None or progress.over
        where = "idle" if progress is None or idle else f"test {progress.test_id}: {progress.phase.value}"
        broker = "" if self._publisher.state.connected else "; no broker"
        trouble = f"; the journal takes no records: {self._journal.trouble}" if self._journal.trouble else ""
        return f"{where}{broker}{trouble}"
