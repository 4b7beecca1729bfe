"""How utilisation moves from reading to reading: whether it is new, quick enough, ends at one height, and follows its limit.

Sums over minutes aligned to UTC; nothing is carried from one minute to the next, so parts cut at whole minutes add up.
What they tell is judged in `duty.day_findings`; thresholds and their reasons: docs/method.md, section 15.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from duty.kernels import compiled

Ints = NDArray[np.int64]
Floats32 = NDArray[np.float32]

MINUTE_MS: Final = 60_000
SOON_MS: Final = 3_000  # as the step from which on samples are too seldom
QUICK_MS: Final = 2_000  # a load comes and goes within it, or most of it does
SWUNG_PCT: Final = 20.0  # range of a minute from which on its quickest change tells something
SHARES: Final = 10  # classes of the quickest change in QUICK_MS over the range of its minute
HIGHEST_PCT: Final = 120  # largest readings of minutes, in classes of one percent up to it
MOVED_PCT: Final = 3.0  # as duty.minutes.MOVED
LOADED_PCT: Final = 15.0  # less is too little to see a percent follow its limit
LIMIT_STEP: Final = 0.1  # of the limit, within LIMIT_MS
LIMIT_MS: Final = 1_000
LEAST_LIMIT_PCT: Final = 5.0
SCALE: Final = 1_000_000  # products of logarithms are kept as whole millionths: their sums are exact

SUMS: Final = (
    *("changes", "changes_soon", "limit_steps", "limit_step_square", "limit_step_product"),
    *(f"quickest_{number}" for number in range(SHARES)),
    *(f"high_{level}" for level in range(HIGHEST_PCT + 1)),
)
_FIRST_SHARE: Final = SUMS.index("quickest_0")
_FIRST_HIGH: Final = SUMS.index("high_0")


def add_movement(sums: Ints, at_ms: Ints, utilisation_pct: Floats32, limit_pct: Floats32 | None) -> None:
    """Adds samples in time order to `sums`, in the order of SUMS.

    changes: readings other than the one before, where how long that one had stood is known to be more or less than SOON_MS;
    changes_soon: those after SOON_MS at most. quickest_N: minutes with a range of SWUNG_PCT or more, by the largest change within QUICK_MS over
    that range, in tenths. high_N: minutes in which it moved, by their largest reading in whole percents. limit_steps: times at which the limit changed by LIMIT_STEP within
    LIMIT_MS under load; of their logarithms the sum of squares, and of products with that of the change of utilisation.
    """
    limit = np.full(utilisation_pct.size, np.nan, np.float32) if limit_pct is None else limit_pct
    _add(
        np.require(at_ms, np.int64, ["C", "A", "W"]),
        np.require(utilisation_pct, np.float32, ["C", "A", "W"]),
        np.require(limit, np.float32, ["C", "A", "W"]),
        sums,
    )


@compiled
def _add(at_ms: Ints, utilisation: Floats32, limit: Floats32, sums: Ints) -> None:
    i = 0
    while i < at_ms.size:
        begin = at_ms[i] // MINUTE_MS * MINUTE_MS
        past = i
        while past < at_ms.size and at_ms[past] < begin + MINUTE_MS:
            past += 1
        _add_minute(begin, at_ms[i:past], utilisation[i:past], limit[i:past], sums)
        i = past


@compiled
def _add_minute(begin: int, at_ms: Ints, utilisation: Floats32, limit: Floats32, sums: Ints) -> None:
    low, high, quickest = np.inf, -np.inf, 0.0
    value, since, sure = np.nan, begin, False
    early = step = 0  # the readings at most QUICK_MS and LIMIT_MS before
    for i in range(at_ms.size):
        now = utilisation[i]
        if np.isnan(now):
            value, since, sure = np.nan, at_ms[i], False
            continue
        if now != value:
            stood = at_ms[i] - since
            if not np.isnan(value) and (sure or stood > SOON_MS):
                sums[0] += 1
                sums[1] += stood <= SOON_MS
            since, sure = (at_ms[i], True) if not np.isnan(value) else (since, False)
            value = now
        low, high = min(low, now), max(high, now)
        while at_ms[i] - at_ms[early] > QUICK_MS and early < i - 1:
            early += 1
        if not np.isnan(utilisation[early]):
            quickest = max(quickest, abs(now - utilisation[early]))
        while at_ms[i] - at_ms[step] > LIMIT_MS:
            step += 1
        was, allowed, before = utilisation[step], limit[i], limit[step]
        if now >= LOADED_PCT and was >= LOADED_PCT and min(allowed, before) >= LEAST_LIMIT_PCT:
            ratio = np.log(allowed / before)
            if abs(ratio) >= -np.log(1.0 - LIMIT_STEP):
                sums[2] += 1
                sums[3] += np.int64(round(SCALE * ratio * ratio))
                sums[4] += np.int64(round(SCALE * ratio * np.log(now / was)))
                step = i
    if high - low >= MOVED_PCT:
        sums[_FIRST_HIGH + int(min(max(high, 0.0), HIGHEST_PCT))] += 1
    if high - low >= SWUNG_PCT:
        sums[_FIRST_SHARE + min(int(SHARES * quickest / (high - low)), SHARES - 1)] += 1


def warm_up() -> None:
    """Load the loops from the cache, or compile them."""
    readings = np.array([0.0, 50.0], np.float32)
    add_movement(np.zeros(len(SUMS), np.int64), np.array([0, 1000]), readings, readings + 50)
