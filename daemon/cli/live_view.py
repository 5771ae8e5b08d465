"""Latest readings in the terminal, large enough to read while centring the lamp."""

from pydantic import ValidationError
from rich.console import Console
from rich.live import Live
from rich.table import Table

from ...protocol.quantity import Quantity
from ...protocol.records import LiveMessage
from ..config import BenchConfig
from ..mqtt.client import BenchClient
from ..rounding import figure
from ..service import broker_address


async def show_live(config: BenchConfig, console: Console) -> None:
    """Show until interrupted; on a pipe, one line for each reading.

    Raises:
        BrokerError: The broker is not there.
    """
    highest: float | None = None
    with Live(console=console, auto_refresh=False) as screen:
        async for topic, text in BenchClient(config.bench.id, broker_address(config)).follow(keep_trying=False):
            if not topic.endswith("/live"):
                continue
            try:
                message = LiveMessage.model_validate_json(text)
            except ValidationError:
                continue
            if message.ppfd.value is not None:
                highest = message.ppfd.value if highest is None else max(highest, message.ppfd.value)
            if console.is_terminal:
                screen.update(_table(message, highest), refresh=True)
            else:
                console.print(_plain(message))


def _table(message: LiveMessage, highest: float | None) -> Table:
    table = Table(show_header=False, title="SIMULATED" if message.simulated else None)
    rows: list[tuple[str, Quantity]] = [
        ("Light", message.ppfd),
        ("Voltage", message.voltage),
        ("Power", message.power),
        ("Air inside", message.inside_temperature),
    ]
    for name, quantity in rows:
        table.add_row(name, figure(quantity, expanded=None))
    if highest is not None and message.ppfd.value is not None and highest > 0:
        table.add_row("of the highest seen", f"{message.ppfd.value / highest:.1%}")
    return table


def _plain(message: LiveMessage) -> str:
    return "  ".join(
        figure(q, expanded=None) for q in (message.ppfd, message.voltage, message.power, message.inside_temperature)
    )
