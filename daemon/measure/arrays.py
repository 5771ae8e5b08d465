"""The one spelling of an array of numbers in this package, and the one way arguments become one."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ...protocol.errors import MeasurementError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ArrayLike = FloatArray | Sequence[float]


def vector(values: ArrayLike, what: str, *, size: int | None = None) -> FloatArray:
    """``values`` as a float64 array of shape ``(n,)``.

    Raises:
        MeasurementError: not one-dimensional, not of the ``size`` asked for, or not finite; ``what`` names it.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise MeasurementError(f"{what} has {array.ndim} dimensions, one is needed")
    if size is not None and array.size != size:
        raise MeasurementError(f"{what} has {array.size} values, {size} are needed")
    if not np.isfinite(array).all():
        raise MeasurementError(f"{what} holds values that are not finite")
    return array
