"""Whether the server's own clock is right, by the database's clock and by what cranes say the time is. No I/O.

A clock of ours that is slow makes every crane's messages lie ahead. So a message is ahead only where it lies ahead of every clock
there is. Who is right nobody can tell here: people are told that two clocks differ.
"""

from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from domain.units import MS_PER_DAY, MS_PER_MIN, MS_PER_S

OFF_MS: Final = MS_PER_MIN  # clocks that differ by less agree. Own choice, as are those below
CRANES: Final = 3  # so many cranes have to say the time, and more than half of them the same thing
MOST_MS: Final = MS_PER_DAY  # what cranes say beyond it is taken for their fault
HEARD_S: Final = 600.0  # what a crane said longer ago says nothing
REPLACED_S: Final = (
    60.0  # a message of an outbox says nothing about the clock: the newest time of so long counts
)
REMEMBERED: Final = 10_000  # cranes


@dataclass(frozen=True, kw_only=True, slots=True)
class Doubt:
    """Our clock and another one differ."""

    from_at: datetime  # by our clock
    ahead_ms: int  # how far the furthest clock is ahead of ours, 0 where none is
    text: str


@dataclass(slots=True)
class _Said:
    lead_ms: int
    at_s: float
    ahead_since: datetime | None  # by our clock


class ServerClock:
    """Our clock beside others. Written by the threads that judge and that store."""

    def __init__(self) -> None:
        self._said: OrderedDict[str, _Said] = OrderedDict()
        self._database_ms = 0  # how far its clock is ahead of ours
        self._agreed_at: datetime | None = None
        self._fleet_ms = 0
        self._fleet_since: datetime | None = None
        self._cranes = 0

    def compare(self, before: datetime, theirs: datetime, after: datetime) -> None:
        """What the database's clock says, asked between two times of ours: they agree within what the question took."""
        early, late = theirs - after, theirs - before
        apart = early if early > timedelta() else late if late < timedelta() else timedelta()
        self._database_ms = round(apart.total_seconds() * MS_PER_S)
        if self._agreed_at is None or abs(self._database_ms) <= OFF_MS:
            self._agreed_at = before

    def hear(self, leads: Iterable[tuple[str, int]], received_at: datetime, now_s: float) -> None:
        """(crane, end of a message less our time [ms]) of messages that have just come; `now_s` only goes forward."""
        for crane, lead_ms in leads:
            known = self._said.pop(crane, None)
            if known is None or lead_ms >= known.lead_ms or now_s - known.at_s > REPLACED_S:
                since = received_at if known is None or known.ahead_since is None else known.ahead_since
                known = _Said(lead_ms, now_s, since if lead_ms > OFF_MS else None)
            self._said[crane] = known
        while self._said and (
            len(self._said) > REMEMBERED or now_s - next(iter(self._said.values())).at_s > HEARD_S
        ):
            self._said.popitem(last=False)
        self._vote()

    @property
    def ahead_ms(self) -> int:
        """How far the furthest clock is ahead of ours; 0 where none is, or by less than tells anything."""
        return max(self._database_ms if self._database_ms > OFF_MS else 0, self._fleet_ms)

    def doubt(self, now: datetime) -> Doubt | None:
        """What is wrong, None where the clocks agree."""
        words = []
        since = []
        if abs(self._database_ms) > OFF_MS:
            way = "behind" if self._database_ms > 0 else "ahead of"
            words.append(f"{_long(abs(self._database_ms))} {way} the clock of the database")
            since.append(self._agreed_at or now)
        if self._fleet_ms:
            words.append(f"{_long(self._fleet_ms)} behind the clocks of most of {self._cranes} cranes")
            since.append(self._fleet_since or now)
        if not words:
            return None
        return Doubt(
            from_at=min(since), ahead_ms=self.ahead_ms, text=f"The clock of ingest is {' and '.join(words)}"
        )

    def _vote(self) -> None:
        """Messages never come before their time: where most cranes are ahead of us, we are behind."""
        leads = sorted(said.lead_ms for said in self._said.values())
        middle = leads[(len(leads) - 1) // 2] if leads else 0
        if len(leads) < CRANES or not OFF_MS < middle <= MOST_MS:
            self._fleet_ms, self._fleet_since = 0, None
            return
        self._fleet_ms, self._cranes = middle, len(leads)
        # A crane that has been far ahead for long says nothing about when this began.
        with_us = [said for said in self._said.values() if said.lead_ms <= middle + OFF_MS]
        self._fleet_since = min(said.ahead_since for said in with_us if said.ahead_since is not None)


def _long(ms: int) -> str:
    return f"{ms / MS_PER_DAY:.1f} days" if ms >= 2 * MS_PER_DAY else f"{ms / MS_PER_MIN:.1f} minutes"
