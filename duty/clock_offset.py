"""By how much the clock of a sender is off, as far as the times at which its messages came can say."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.units import MS_PER_MIN, MS_PER_S

Ints = NDArray[np.int64]

AGREE_MS: Final = (
    20 * MS_PER_S
)  # messages that follow each other and whose differences lie within it are of one offset
LEAST_MS: Final = MS_PER_MIN  # less than it may be the way of a message, and moves no day
FEWEST: Final = 3  # messages that say the same
SHARE_OF_TIME: Final = 10  # the spread is at most one in so many of the time over which they came


@dataclass(frozen=True, kw_only=True, slots=True)
class ArrivalOffset:
    """What messages of one boot say: the times of them are to be raised by `offset_ms`."""

    places: tuple[int, ...]  # of those that say so
    offset_ms: int  # median of the differences, in whole seconds, rounded down
    spread_ms: int  # from the least to the greatest of them


def arrival_offset(end_ms: Ints, received_ms: Ints) -> ArrivalOffset | None:
    """The offset that the most messages of one boot agree on, in the order of their numbers; None without such.

    end_ms, received_ms: (messages,) the time of the last sample as the sender states it, and when the message came [ms]. Only
    messages that were sent as they were recorded tell of a clock: those of an outbox that is emptied, or of a file, come closer
    together than they were recorded, so their differences fall and agree for a short time only. Whoever sends everything later by
    the same time looks like a clock that is behind. Bounds: own choices (docs/ingest.md).
    """
    late_ms = received_ms - end_ms
    runs = [
        run
        for run in _agreeing(late_ms)
        if len(run) >= FEWEST and np.ptp(late_ms[run]) * SHARE_OF_TIME <= np.ptp(received_ms[run])
    ]
    if not runs:
        return None
    middle = float(np.median(late_ms[max(runs, key=len)]))
    # What was sent late in between parts the runs of one clock.
    places = np.concatenate([run for run in runs if abs(np.median(late_ms[run]) - middle) <= LEAST_MS])
    offset_ms = int(np.median(late_ms[places])) // MS_PER_S * MS_PER_S
    if abs(offset_ms) < LEAST_MS:
        return None
    return ArrivalOffset(
        places=tuple(places.tolist()), offset_ms=offset_ms, spread_ms=int(np.ptp(late_ms[places]))
    )


def _agreeing(late_ms: Ints) -> list[Ints]:
    """Runs of messages whose differences lie within AGREE_MS: the places of each."""
    cuts: list[int] = []
    low = high = int(late_ms[0]) if len(late_ms) else 0
    for place, value in enumerate(late_ms.tolist()):
        low, high = min(low, value), max(high, value)
        if high - low > AGREE_MS:
            cuts.append(place)
            low = high = value
    return np.split(np.arange(len(late_ms)), cuts)
