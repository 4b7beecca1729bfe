"""What every count asks of its samples: one dimension, finite values."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.errors import InvalidInput


def as_signal(values: ArrayLike, name: str = "values") -> NDArray[np.float64]:
    """Samples as one contiguous array of float64.

    Raises InvalidInput unless `values` has one dimension.
    """
    # Aligned and writable although nobody writes: each kind of array would make the compiler start again.
    signal: NDArray[np.float64] = np.require(values, np.float64, ["C", "A", "W"])
    if signal.ndim != 1:
        raise InvalidInput(f"{name} has the shape {signal.shape}: give one dimension, (n,)", field=name)
    return signal


def check_finite(signal: NDArray[np.float64], name: str = "values") -> None:
    """Raise InvalidInput with the index of the first value that is not finite, if there is one."""
    finite = np.isfinite(signal)
    if not finite.all():
        index = int(np.argmin(finite))
        raise InvalidInput(
            f"{name}[{index}] is {signal[index]}: leave missing readings out before counting", field=name
        )
