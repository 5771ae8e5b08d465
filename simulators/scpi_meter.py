"""A power meter's command language, the instrument's side: SCPI-99 volume 2, chapter 3 (from memory)."""

from collections.abc import Callable

from .meters import Supply
from .scpi import Handler, Reply, ScpiInstrument

MEASURING_S = 0.02
"""Time a measurement takes: one period of the mains (common practice, no source)."""


class MeterCommands(ScpiInstrument):
    """The power meter as its command language sees it.

    Args:
        supply: What it shows at a bench time.
    """

    idn = "LWSIM,METER-1,SIM0009,1.0 SIMULATED"

    def __init__(self, supply: Callable[[float], Supply]) -> None:

        def showing(pick: Callable[[Supply], float]) -> Handler:
            def answer(_parameters: str, now_s: float) -> Reply:
                return Reply(b"%.6E" % pick(supply(now_s)), now_s + MEASURING_S)

            return answer

        super().__init__(
            [
                ("MEASure[:SCALar]:VOLTage[:AC]?", showing(lambda shown: shown.voltage_v)),
                ("MEASure[:SCALar]:CURRent[:AC]?", showing(lambda shown: shown.current_a)),
                ("MEASure[:SCALar]:POWer[:AC]?", showing(lambda shown: shown.power_w)),
                ("MEASure[:SCALar]:FREQuency?", showing(lambda shown: shown.frequency_hz)),
            ]
        )
