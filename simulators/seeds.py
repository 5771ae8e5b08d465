"""Where all randomness of a simulated bench comes from.

Every part (a lamp, the noise of one instrument, the placing of the sensor) has a stream of its own, named by a
word. The stream depends on the seed and the word alone, so adding a part, or asking another part more often, leaves
all others as they were.
"""

import zlib

import numpy as np


def stream(seed: int, part: str, run: int | None = None) -> np.random.Generator:
    """Return the random stream of one part of the bench.

    Args:
        seed: Of the bench.
        part: Name of the part.
        run: Number of the test on that bench, for what chance decides anew each time (noise, placing, weather); None
            for what stays (the true error of a calibration).

    The part's name becomes the spawn key of the seed sequence, which is what ``SeedSequence.spawn`` does with a
    running number; a name instead of a number keeps streams apart from the order in which parts were written.
    """
    key = zlib.crc32(part.encode("utf-8"))
    return np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(key,) if run is None else (key, run)))


class Noise:
    """Standard normal numbers, one at a time.

    Drawn in blocks because a scalar draw costs a microsecond and a slow instrument bench makes a hundred thousand of
    them in a campaign.
    """

    __slots__ = ("_block", "_generator", "_next")
    _BLOCK = 256

    def __init__(self, generator: np.random.Generator) -> None:
        self._generator = generator
        self._block: list[float] = []
        self._next = self._BLOCK

    def draw(self) -> float:
        """Return the next standard normal number of this stream."""
        if self._next >= self._BLOCK:
            self._block = self._generator.standard_normal(self._BLOCK).tolist()
            self._next = 0
        value = self._block[self._next]
        self._next += 1
        return value
