"""What ``lampwarden status`` says of instruments while no daemon asks them."""

from datetime import UTC, datetime

from lampwarden.daemon.operations.status import instrument_words
from lampwarden.protocol.records import HealthState


def test_an_instrument_is_not_called_ok_by_a_daemon_that_does_not_run() -> None:
    time = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
    assert instrument_words(HealthState.OK, "answers", time, running=True) == "ok: answers"
    stopped = instrument_words(HealthState.OK, "answers", time, running=False)
    assert stopped.startswith("not known: the daemon does not run; last told 2026-01-02T03:04:05")
    assert stopped.endswith("ok: answers")
