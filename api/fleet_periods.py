"""What every crane did in a period, kept between requests: after a recount only the cranes counted anew are summed again.

Kept by the number of the crane and looked up for cranes that a request has read under its own site scope, so that nobody gets
what is out of scope. A count changes `counted_at` or the counting with its transaction: what was kept for another is not used.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, Self

from psycopg import AsyncConnection

from answers.near_limit import confident
from domain.fleet_answers import Confident
from domain.units import ms_to_h
from duty import rates
from store import summary
from store.summary import FleetCrane, FleetPeriod

PERIODS_KEPT: Final = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class PeriodFigures:
    """Figures of one crane in a period with their confidence."""

    sums: FleetPeriod
    near_limit_lifts_share: Confident
    limiter_stops_per_hour: Confident
    limiter_overrides_per_hour: Confident

    @classmethod
    def of(cls, sums: FleetPeriod) -> Self:
        """With the confidence worked out."""
        hours = ms_to_h(sums.working_ms)
        return cls(
            sums=sums,
            near_limit_lifts_share=confident(rates.share(sums.near_limit_lifts, sums.lifts)),
            limiter_stops_per_hour=confident(rates.rate(sums.limiter_stops, hours)),
            limiter_overrides_per_hour=confident(rates.rate(sums.limiter_overrides, hours)),
        )

    @property
    def stamp(self) -> tuple[int | None, datetime | None]:
        """Which count it was made from."""
        return self.sums.counting_id, self.sums.counted_at


class FleetPeriods:
    """The last few periods that were asked for."""

    def __init__(self) -> None:
        self._kept: dict[tuple[date, date], dict[int, PeriodFigures]] = {}

    async def read(
        self, conn: AsyncConnection[Any], cranes: Sequence[FleetCrane], first: date, last: date
    ) -> dict[int, PeriodFigures]:
        """Figures over whole local days by number of the crane; of every crane given, zeros where nothing was counted."""
        kept = self._kept.pop((first, last), {})
        self._kept[first, last] = kept  # the newest stands last
        for old in list(self._kept)[:-PERIODS_KEPT]:
            del self._kept[old]
        stamps = {one.crane_id: (one.counting_id, one.counted_at) for one in cranes}
        found = {key: kept[key] for key, stamp in stamps.items() if key in kept and kept[key].stamp == stamp}
        missing = [key for key in stamps if key not in found]
        if missing:
            blank = {
                key: FleetPeriod(crane_id=key, counting_id=stamps[key][0], counted_at=stamps[key][1])
                for key in missing
            }
            rows = await summary.fleet_period(conn, missing, day_from=first, day_to=last)
            made = {
                key: PeriodFigures.of(sums)
                for key, sums in (blank | {row.crane_id: row for row in rows}).items()
            }
            kept.update(made)
            found.update(made)
        return found
