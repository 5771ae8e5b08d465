"""What the light sensor's profile says of the sensor itself, where it bears on a reading: how slow, and how coarse.

The settle gate must not open before the sensor has followed the light, whatever the configuration says; a step of the
figure belongs into the budget, and the profile's counts where no certificate gives one.
"""

import logging
from dataclasses import dataclass
from typing import Final

from ..drivers.plan import Driver
from ..drivers.quantities import Quantity
from ..protocol.errors import ConfigurationError
from .config import BenchConfig

log = logging.getLogger("lampwarden")

# A first-order lag leaves e⁻⁵ = 0.7 % of a step after five time constants, about the settle gate's own tolerance
# (common practice, no source).
SETTLE_TIME_CONSTANTS: Final = 5.0


@dataclass(frozen=True, slots=True)
class SensorFacts:
    """Of the quantum sensor; zeros where there is none, or its profile does not say."""

    response_time_s: float = 0.0
    step_umol: float = 0.0

    @classmethod
    def of(cls, driver: Driver) -> "SensorFacts":
        """Take them from the sensor's driver."""
        return cls(driver.response_time_s, driver.resolutions.get(Quantity.PPFD, 0.0))

    def settled(self, config: BenchConfig) -> BenchConfig:
        """Return the configuration with a settle time that is long enough for the sensor.

        Raises:
            ConfigurationError: The longest wait is shorter than that.
        """
        needed_s = SETTLE_TIME_CONSTANTS * self.response_time_s
        procedure = config.procedure
        if needed_s <= procedure.settle_minimum_s:
            return config
        if needed_s > procedure.settle_longest_s:
            raise ConfigurationError(
                f"the quantum sensor takes {needed_s:g} s to settle, longer than {procedure.settle_longest_s:g} s",
                where="procedure.settle_longest_s",
                mend=f"set it to more than {needed_s:g}",
            )
        log.info(
            "settle time of %g s instead of %g s: the quantum sensor's time constant is %g s",
            needed_s,
            procedure.settle_minimum_s,
            self.response_time_s,
        )
        return config.model_copy(
            update={"procedure": procedure.model_copy(update={"settle_minimum_s": needed_s})},
        )
