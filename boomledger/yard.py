"""The invented yard in a database: registering its cranes, and writing its history past the broker."""

import asyncio
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from psycopg import AsyncConnection

from domain.alerts import DEFAULT_RULES
from domain.crane import Crane
from domain.errors import Conflict
from domain.exclusion import UTILISATION
from domain.life_record import FILE_BYTES_MAX, LifeRecordAsked, RecordKind
from domain.overload import OverloadCause, OverloadDecisionAsked
from domain.units import DAYS_PER_YEAR
from duty.status_csv import read_codes
from simulator.bulk import EventRow, SegmentRow, Written, load
from simulator.calendar import invented_codes
from simulator.record import DayRecord
from simulator.yard import Yard, field_cases, load_yard
from store import cranes, events, life_records, overloads, segments, touched
from store.alerts import enter_rules
from store.connection import connect
from store.faults import enter_status_codes

INSPECTED_FROM_PCT: Final = 103.0  # peak from which the invented decisions name an inspection
WITH_RECORDS: Final = {"yard-02", "yard-08", "yard-09", "yard-10"}
INVENTED_PERSON: Final = "A. Example (invented)"
TWIN: Final = "replay-"  # and the name of the crane that a replay shows again


def is_registered(database_url: str, yard: Yard) -> bool:
    """Whether every crane of the yard is known. Raises Conflict where there are other cranes and some of it is not.

    Twins of a replay, and cranes that joined a registered yard later, do not count as others.
    """
    with connect(database_url) as conn:
        known = {record.crane.name for record in cranes.list_cranes(conn)}
    if known >= {crane.name for crane in yard.cranes}:
        return True
    whole = {crane.name for yard in (load_yard(), field_cases()) for crane in yard.cranes}
    if any(name not in whole and not name.startswith(TWIN) for name in known):
        raise Conflict(
            "this database holds other cranes: the invented yard is not mixed with real ones; "
            "choose another data folder or database for it"
        )
    return False


def running_day(now: datetime) -> date:
    """The yard's own day at a moment: a history ends with the day before it."""
    return now.astimezone(ZoneInfo(load_yard().site.time_zone)).date()


def register(database_url: str, yard: Yard, first_day: date) -> None:
    """Add the yard's site, cranes, alert rules and status codes, recorded from `first_day` on. Again is harmless."""
    start = datetime.combine(first_day, time(), tzinfo=ZoneInfo(yard.site.time_zone)).astimezone(UTC)
    with connect(database_url) as conn:
        cranes.save_site(conn, yard.site)
        for crane in yard.cranes:
            cranes.save_crane(conn, _recorded_from(crane.crane, start))
        enter_rules(conn, DEFAULT_RULES, "demo")
        enter_status_codes(conn, read_codes(invented_codes()).codes, source="invented yard")


def enter_records(database_url: str, day: date) -> None:
    """Invented records of the lives of some cranes of the yard, dated back from a day. Again is harmless.

    A yard of other cranes has none.
    """
    with connect(database_url) as conn:
        known = cranes.directory(conn)
        if not known.keys() >= WITH_RECORDS:
            return

        def enter(crane: str, kind: RecordKind, days_ago: int, **said: object) -> int:
            asked = LifeRecordAsked.model_validate(
                {
                    "kind": kind,
                    "happened_on": day - timedelta(days=days_ago),
                    "person": INVENTED_PERSON,
                    **said,
                }
            )
            return life_records.add_record(conn, known[crane].crane_id, asked, "demo", today=day)

        seen = enter("yard-02", RecordKind.INSPECTION, 200, note="yearly inspection")
        play = enter("yard-02", RecordKind.FINDING, 200, note="play in the slewing gear", found_in=seen)
        enter("yard-02", RecordKind.REPAIR, 190, note="slewing gear set, pinion exchanged", closes=[play])
        enter(
            "yard-09",
            RecordKind.CHANGED_DETAIL,
            60,
            detail="knuckle boom",
            note="exchanged after a collision",
        )
        enter(
            "yard-10", RecordKind.CALIBRATION, 90, channel=UTILISATION, found_error_pct=2.0, left_error_pct=1.0,
            note="with a test load of known mass",
        )  # fmt: skip
        crack = enter(
            "yard-08", RecordKind.CRACK, 12, detail="column foot", length_mm=14.0, note="left weld toe"
        )
        life_records.attach_file(
            conn, known["yard-08"].crane_id, crack, name="crack-at-column-foot.txt", media_type="text/plain",
            content=b"Invented for the demo.\nDye penetrant test: one indication, 14 mm, left weld toe.\n",
            account="demo", bytes_max_of_crane=FILE_BYTES_MAX,
        )  # fmt: skip


def decide_overloads(database_url: str) -> int:
    """Invented decisions about the overloads of the yard, but for the newest of each crane, which stays open; how many."""
    return asyncio.run(_decide_overloads(database_url))


async def _decide_overloads(database_url: str) -> int:
    newest: set[int] = set()
    decided = 0
    async with await AsyncConnection.connect(database_url) as conn:
        for row in await overloads.overloads(conn, is_open=True, rows=overloads.LAST_ROW):
            if row.crane_id in newest:
                await overloads.decide(conn, row.crane_id, row.started_at, _invented(row), "demo")
                decided += 1
            newest.add(row.crane_id)
    return decided


def _invented(row: overloads.OverloadListing) -> OverloadDecisionAsked:
    cause = OverloadCause.LIMITER_OVERRIDDEN if row.limiter_overrides else OverloadCause.MOVED_OUT
    inspected = row.peak_structural_pct >= INSPECTED_FROM_PCT
    done = "Column, booms and hook inspected, no finding." if inspected else "Operator instructed."
    return OverloadDecisionAsked(cause=cause, note="invented for the demo", decided=done)


def write_history(
    database_url: str,
    records: Iterable[DayRecord],
    on_record: Callable[[DayRecord], object] = lambda record: None,
) -> Written:
    """Write day records straight into the database and queue their days for counting.

    Every batch is a transaction; what is stored already changes nothing, so an interrupted load can be run again.
    """
    with connect(database_url, autocommit=True) as conn:
        segments.prepare(conn)
        events.prepare(conn)
        known = cranes.directory(conn)

        def write_segments(rows: Sequence[SegmentRow]) -> None:
            found = [_segment(row, known[row.crane].crane_id) for row in rows]
            first, last = (segments.from_ms(pick(row.t0_ms for row in rows)) for pick in (min, max))
            segments.make_ranges(conn, first, last)
            with conn.transaction():
                segments.keep(conn, found)
                touched.touch(
                    conn,
                    {
                        (known[row.crane].crane_id, day)
                        for row in rows
                        for day in touched.local_days(
                            known[row.crane].zone,
                            row.t0_ms,
                            row.t0_ms + (row.values.shape[1] - 1) * row.dt_ms,
                        )
                    },
                )

        def write_events(rows: Sequence[EventRow]) -> None:
            with conn.transaction():
                events.keep(conn, [_event(row, known[row.crane].crane_id) for row in rows])
                touched.touch(
                    conn,
                    {
                        (known[row.crane].crane_id, row.event.at.astimezone(known[row.crane].zone).date())
                        for row in rows
                    },
                )

        return load(records, write_segments, write_events, on_record=on_record)


def _recorded_from(crane: Crane, start: datetime) -> Crane:
    """A crane of the yard whose record begins then: what its owner states covers the time until then."""
    start = max(start, _start_of(crane.commissioned_on))
    prior = crane.prior_duty
    if prior is not None:
        since = crane.manufactured_on or crane.commissioned_on
        prior = prior.model_copy(update={"years": round((start.date() - since).days / DAYS_PER_YEAR, 4)})
    return crane.model_copy(update={"registered_at": start, "prior_duty": prior})


def _start_of(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=UTC)


def _segment(row: SegmentRow, crane_id: int) -> segments.Segment:
    return segments.Segment(
        crane_id=crane_id,
        t0_ms=row.t0_ms,
        boot=row.boot,
        seq=row.seq,
        dt_ms=row.dt_ms,
        channels=row.channels,
        values=row.values,
        received_ms=row.received_ms,
    )


def _event(row: EventRow, crane_id: int) -> events.Event:
    return events.Event(
        crane_id=crane_id,
        at=row.event.at,
        boot=row.boot,
        seq=row.event.seq,
        kind=row.event.kind,
        code=row.event.code,
        state=row.event.state,
        text=row.event.text,
        received_at=segments.from_ms(row.event.send_ms),
    )
