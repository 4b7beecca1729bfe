"""The overload register: entries of cranes with the decision that holds, decisions as they were made, counts.

Which lifts it holds and what is open follows from the lifts and the decisions by `duty.overloads`; analytics writes it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import AsyncConnection, Connection

from domain.errors import NotFound
from domain.overload import OverloadCount, OverloadDecisionAsked, OverloadsDecisionAsked
from store.locks import REGISTER
from store.sql import query
from store.statement import Sites, Statement, run, run_many

LAST_ROW: Final = 1_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class OverloadedLift:
    """A lift above the full structural rating as it is counted, or such time without one."""

    started_at: datetime
    ended_at: datetime
    day: date
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_outreach_m: float | None
    mass_kg: float | None
    limiter_stops: int
    limiter_overrides: int
    in_lift: bool = True  # False: time above the rating without a lift


@dataclass(frozen=True, kw_only=True, slots=True)
class OverPart:
    """Runs of time above the full structural rating of one day, as `duty.overloads` wrote them."""

    over_part: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class RegisterRow(OverloadedLift):
    """An entry as it is written. `decision_ids` oldest first."""

    counted: bool
    open: bool
    decision_ids: list[int]


@dataclass(frozen=True, kw_only=True, slots=True)
class DecisionRow(OverloadedLift):
    """One decision, with the lift as it was then."""

    decision_id: int
    cause: str
    note: str
    decided: str
    decided_at: datetime
    decided_by: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OverloadListing(OverloadedLift):
    """An entry with the decision that holds; None without one."""

    crane_id: int
    crane: str
    site: str
    counted: bool  # False: decided, and no overload is counted there any more
    open: bool
    decisions: int
    decision_id: int | None
    cause: str | None
    note: str | None
    decided: str | None
    decided_at: datetime | None
    decided_by: str | None
    decided_peak_structural_pct: float | None


LIFTS_ABOVE: Final = Statement("lifts_above", OverloadedLift)
OVER_PARTS: Final = Statement("over_parts", OverPart)
DECISIONS: Final = Statement("overload_decisions", DecisionRow)
REGISTER_ROWS: Final = Statement("overload_rows", RegisterRow)
OVERLOADS_READ: Final = Statement("overloads_read", OverloadListing)
OVERLOADS_COUNTED: Final = Statement("overloads_counted", OverloadCount)


async def overloads(
    conn: AsyncConnection[Any],
    *,
    crane_id: int | None = None,
    sites: Sites = None,
    is_open: bool | None = None,
    cause: str | None = None,
    at: datetime | None = None,
    time_from: datetime | None = None,
    time_to: datetime | None = None,
    day_from: date | None = None,
    day_to: date | None = None,
    before: tuple[datetime, str] | None = None,
    rows: int = 200,
) -> list[OverloadListing]:
    """Entries of one crane or of the sites in scope, newest first, after the start and crane of the last page's end.

    at: the entry whose lift was under way then. Times and days are those of the lift's start.
    """
    before_at, before_crane = before or (None, None)
    return await OVERLOADS_READ.all_async(
        conn,
        crane_id=crane_id,
        sites=sites,
        open=is_open,
        cause=cause,
        at=at,
        time_from=time_from,
        time_to=time_to,
        day_from=day_from,
        day_to=day_to,
        before_at=before_at,
        before_crane=before_crane,
        rows=rows,
    )


async def of_crane(conn: AsyncConnection[Any], crane_id: int) -> list[OverloadListing]:
    """Every entry of one crane, oldest first."""
    return (await overloads(conn, crane_id=crane_id, rows=LAST_ROW))[::-1]


async def at_moment(conn: AsyncConnection[Any], crane_id: int, at: datetime) -> OverloadListing | None:
    """The entry of the lift that was under way at a moment, its first and last included; None without one."""
    found = await overloads(conn, crane_id=crane_id, at=at, rows=1)
    return found[0] if found else None


async def decisions(conn: AsyncConnection[Any], crane_id: int, started_at: datetime) -> list[DecisionRow]:
    """Decisions about the entry that begins at a moment, oldest first."""
    for row in await REGISTER_ROWS.all_async(conn, crane_id=crane_id):
        if row.started_at == started_at:
            return await DECISIONS.all_async(conn, crane_id=crane_id, ids=row.decision_ids)
    return []


async def counts(
    conn: AsyncConnection[Any], *, sites: Sites = None, crane_id: int | None = None
) -> dict[str, OverloadCount]:
    """How many entries each crane has, and how many are open; cranes without any are absent."""
    rows = await OVERLOADS_COUNTED.all_async(conn, sites=sites, crane_id=crane_id)
    return {row.crane: row for row in rows}


async def decide(
    conn: AsyncConnection[Any], crane_id: int, at: datetime, asked: OverloadDecisionAsked, account: str
) -> int:
    """Write down what was decided about the entry of the lift under way at a moment; the decision's number.

    In a transaction of the caller's. A decision that is there stays, and this one holds. Raises NotFound without an entry.
    """
    await conn.execute(query("register_held"), {"lock": REGISTER, "crane_id": crane_id})
    found = await at_moment(conn, crane_id, at)
    if found is not None:
        made = await _decided(conn, crane_id, asked, account, started_at=found.started_at)
        if made:
            return made[0]
    raise NotFound(
        "the register has no lift of this crane at that moment: it may have been counted again, see the list"
    )


async def decide_several(
    conn: AsyncConnection[Any], crane_id: int, asked: OverloadsDecisionAsked, account: str
) -> int:
    """Write down the same about each open entry of a crane up to a peak; how many. In a transaction of the caller's."""
    await conn.execute(query("register_held"), {"lock": REGISTER, "crane_id": crane_id})
    of = asked.model_dump(include={"peak_up_to_pct", "day_from", "day_to"})
    return len(await _decided(conn, crane_id, asked, account, **of))


async def _decided(
    conn: AsyncConnection[Any], crane_id: int, asked: OverloadDecisionAsked, account: str, **of: object
) -> list[int]:
    chosen = {"started_at": None, "peak_up_to_pct": None, "day_from": None, "day_to": None, **of}
    said = {**asked.model_dump(mode="json", include={"cause", "note", "decided"}), "decided_by": account}
    rows = await (
        await conn.execute(query("overload_decided"), {"crane_id": crane_id, **chosen, **said})
    ).fetchall()
    return [int(row[0]) for row in rows]


def hold(conn: Connection[Any], crane_id: int) -> None:
    """Have others that write the register of this crane wait until the transaction ends."""
    conn.execute(query("register_held"), {"lock": REGISTER, "crane_id": crane_id})


def write(conn: Connection[Any], crane_id: int, rows: Iterable[RegisterRow]) -> None:
    """Make the register of one crane these rows; what is there already is not touched. The caller holds it."""
    kept = {row.started_at: row for row in REGISTER_ROWS.all(conn, crane_id=crane_id)}
    wanted = {row.started_at: row for row in rows}
    for started_at in kept.keys() - wanted.keys():
        run(conn, "overload_dropped", crane_id=crane_id, started_at=started_at)
    changed: list[Mapping[str, object]] = [
        {"crane_id": crane_id, **asdict(row)} for at, row in wanted.items() if kept.get(at) != row
    ]
    if changed:
        run_many(conn, "overload_written", changed)
