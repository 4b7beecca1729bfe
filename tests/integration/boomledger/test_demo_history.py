"""The history of a demo's first start: finished at the next start where it was interrupted, and never mixed with others."""

import io
import threading
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from rich.console import Console

from boomledger import demo, history
from boomledger.settings import Settings
from boomledger.yard import decide_overloads, enter_records, is_registered, register, running_day
from domain.errors import Conflict
from domain.life_record import RecordKind
from simulator.generate import generate
from simulator.yard import Yard, load_yard
from store import cranes
from store.columns import from_ms
from store.connection import connect
from store.touched import waiting_days
from tests.support import rows

DAYS = 9  # more than are made at a time
# The day after the history, and what is special about it.
TODAYS = (
    date(2026, 11, 30),  # a Monday: the history ends in a weekend
    date(2026, 9, 1),  # the first of a month
    date(2026, 3, 30),  # after the clocks go forward
    date(2026, 10, 26),  # after they go back
    date(2028, 2, 29),
    date(2028, 3, 1),  # the history holds 29 February
    date(2026, 12, 31),
    date(2027, 1, 1),
)


def stored_by_day(url: str, zone: str) -> Counter[date]:
    """Samples by the local day on which their message begins."""
    with connect(url) as conn:
        found = Counter[date]()
        for t0, samples in rows.rows(conn, "segment", "t0", "n"):
            found[t0.astimezone(ZoneInfo(zone)).date()] += samples
    return found


def planned_by_day(yard: Yard, today: date) -> Counter[date]:
    """The same of the whole history in one go."""
    plan = demo._history(today - timedelta(days=DAYS), DAYS)
    zone, planned = ZoneInfo(yard.site.time_zone), Counter[date]()
    records = generate(
        yard.cranes,
        plan.first_day,
        DAYS,
        plan.seed,
        dt_ms=plan.dt_ms,
        idle_ms=plan.idle_ms,
        samples_per_message=history.SAMPLES_PER_MESSAGE,
    )
    for record in records:
        for t0_ms, n in zip(record.batches.t0_ms, record.batches.n, strict=True):
            planned[from_ms(int(t0_ms)).astimezone(zone).date()] += int(n)
    return planned


@pytest.mark.parametrize("today", TODAYS, ids=str)
def test_an_interrupted_history_is_finished_at_the_next_start(
    database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, today: date
) -> None:
    whole = load_yard(today)
    one = Yard(site=whole.site, cranes=whole.cranes[5:6])
    monkeypatch.setattr(demo, "load_yard", lambda day: one)
    stack = SimpleNamespace(data_dir=tmp_path, database_url=database)
    output = io.StringIO()
    stop = threading.Event()

    def finish() -> bool:
        return demo._finish_history(stack, Settings(), stop, Console(file=output))  # type: ignore[arg-type]

    demo._begin_history(tmp_path, DAYS, today)
    stop.set()
    assert not finish()
    planned = planned_by_day(one, today)
    first = today - timedelta(days=DAYS)
    of_a_week = {day for day in planned if day < first + timedelta(days=history.DAYS_A_TASK)}
    assert of_a_week
    assert stored_by_day(database, one.site.time_zone) == {day: planned[day] for day in of_a_week}
    assert is_registered(database, one)  # so the cranes alone do not say that the history is complete

    stop.clear()
    assert finish()
    assert stored_by_day(database, one.site.time_zone) == planned
    assert first <= min(planned) <= max(planned) < today
    with connect(database) as conn:
        assert waiting_days(conn) == 0
    printed = output.getvalue()
    assert finish()
    assert output.getvalue() == printed


@pytest.mark.parametrize(
    ("now", "day"),
    [
        (datetime(2026, 12, 31, 22, 59, tzinfo=UTC), date(2026, 12, 31)),
        (datetime(2026, 12, 31, 23, 0, tzinfo=UTC), date(2027, 1, 1)),
        (datetime(2026, 7, 31, 22, 0, tzinfo=UTC), date(2026, 8, 1)),
        (datetime(2028, 2, 28, 23, 0, tzinfo=UTC), date(2028, 2, 29)),
        (datetime(2026, 3, 29, 0, 59, tzinfo=UTC), date(2026, 3, 29)),
        (datetime(2026, 10, 25, 22, 59, tzinfo=UTC), date(2026, 10, 25)),
    ],
)
def test_the_day_after_the_history_is_the_yards_own(now: datetime, day: date) -> None:
    assert running_day(now) == day


def test_the_yard_is_not_mixed_with_other_cranes(database: str) -> None:
    yard = load_yard(date(2026, 1, 5))
    assert not is_registered(database, yard)
    register(database, yard, date(2026, 1, 1))
    some = yard.cranes[0].crane
    with connect(database) as conn:
        cranes.save_crane(conn, some.model_copy(update={"name": "replay-yard-01"}))
        cranes.save_crane(conn, some.model_copy(update={"name": "joined-later"}))
    assert is_registered(database, yard)


@pytest.mark.parametrize(
    ("name", "refused"), [("crane-7", True), ("replay-crane-7", False), ("yard-09", False)]
)
def test_cranes_of_others_are_told_from_the_yards_own(database: str, name: str, refused: bool) -> None:
    yard = load_yard(date(2026, 1, 5))
    with connect(database) as conn:
        cranes.save_site(conn, yard.site)
        cranes.save_crane(conn, yard.cranes[0].crane.model_copy(update={"name": name}))
    if refused:
        with pytest.raises(Conflict, match="not mixed with real ones"):
            is_registered(database, yard)
    else:
        assert not is_registered(database, yard)


def test_invented_decisions_leave_the_newest_overload_of_each_crane_open(database: str) -> None:
    register(database, load_yard(date(2026, 1, 5)), date(2026, 1, 1))
    with connect(database) as conn:
        for number, crane in enumerate(sorted(rows.crane_ids(conn))[:2]):
            for day in (1, 2, 3):
                at = datetime(2026, 1, day, 8, tzinfo=UTC)
                rows.overload(conn, crane, at, 104.0, limiter_overrides=number)
        conn.commit()
    assert decide_overloads(database) == 4
    assert decide_overloads(database) == 0
    with connect(database) as conn:
        found = rows.rows(conn, "overload", "day", "open")
        said = rows.rows(conn, "overload_decision", "note", "decided_by")
    assert found == [(date(2026, 1, day), day == 3) for day in (1, 2, 3) for _ in range(2)]
    assert set(said) == {("invented for the demo", "demo")}


def test_invented_records_are_entered_once_with_a_file(database: str) -> None:
    day = date(2026, 1, 5)
    register(database, load_yard(day), date(2026, 1, 1))
    for _ in range(2):
        enter_records(database, day)
    with connect(database) as conn:
        kinds = rows.column(conn, "life_record", "kind")
        name = rows.one(conn, "life_record_file", "name")
        (defect,) = conn.execute(
            "select c.name, d.defects -> 0 ->> 'closed_on' from crane_defects d join crane c using (crane_id)"
            " where d.defects -> 0 ->> 'closed_on' is null"
        ).fetchall()
    assert kinds == sorted(RecordKind)
    assert name == "crack-at-column-foot.txt"
    assert defect == ("yard-08", None)
