"""A sender's wrong clock: what is stored is moved, what comes again counts once, and all of it can be taken back."""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import psycopg
import pytest

from domain.clock_correction import ClockCorrectionAsked, ClockCorrectionRow
from domain.messages import Leaf, topic
from ingest.limits import Limits
from ingest.replay import apply_corrections
from ingest.writer import Incoming, Outcome, Writer
from store import clock_corrections, cold, quarantine, segments
from store.clock_corrections import CORRECTIONS
from store.locks import Lock, give_back, take
from tests.support.ingesting import register

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
DAY = timedelta(days=1)
DAY_MS = 86_400_000
WRONG = DAY * 400


def sample(seq: int, at: datetime, received_at: datetime = NOW, boot: int = 7) -> Incoming:
    channels = {"utilisation_pct": [1.5, None, 40.25], "slew_deg": [12.5, 12.9, 13.4]}
    body = {"boot": boot, "seq": seq, "t0": at, "dt_ms": 100, "channels": channels}
    return Incoming(topic("crane-a", Leaf.SAMPLES), orjson.dumps(body), received_at)


def fault(seq: int, at: datetime) -> Incoming:
    body = {"boot": 7, "seq": seq, "at": at, "kind": "fault", "code": "E1"}
    return Incoming(topic("crane-a", Leaf.EVENTS), orjson.dumps(body), NOW)


def outcomes(database: str, *messages: Incoming) -> list[str]:
    writer = Writer(database, Limits(), alone=False)
    try:
        return [one.outcome.value for one in writer.store(messages)]
    finally:
        writer.close()


def correct(database: str, crane_id: int, **asked: Any) -> ClockCorrectionRow:
    given = ClockCorrectionAsked.model_validate({"boot": 7, "reason": "by the job sheet", **asked})

    async def enter() -> ClockCorrectionRow:
        async with await psycopg.AsyncConnection.connect(database) as conn:
            return await clock_corrections.enter(conn, crane_id, given, "eva")

    return applied(database, asyncio.run(enter()).correction_id)


def withdraw(database: str, crane_id: int, number: int) -> ClockCorrectionRow:
    async def take_back() -> None:
        async with await psycopg.AsyncConnection.connect(database) as conn:
            await clock_corrections.withdraw(conn, crane_id, number, "eva")

    asyncio.run(take_back())
    return applied(database, number)


def applied(database: str, number: int) -> ClockCorrectionRow:
    apply_corrections(database, Limits())
    with psycopg.connect(database) as conn:
        row = CORRECTIONS.first(conn, crane_id=None, correction_id=number, sites=None, before=None, rows=1)
    assert row is not None
    return row


def rows(connection: psycopg.Connection, what: str) -> list[Any]:
    return connection.execute(what).fetchall()  # type: ignore[call-overload]


TIMES = "select seq, t0 from segment order by seq"
EVENTS = "select seq, at from event order by seq"


@pytest.fixture
def crane(database: str) -> int:
    return register(database, "crane-a")["crane-a"]


def test_a_clock_behind_is_corrected_where_it_is_stored_and_where_it_comes_again(
    database: str, connection: psycopg.Connection, crane: int
) -> None:
    sent = [sample(seq, NOW - WRONG + timedelta(seconds=seq)) for seq in range(3)]
    event, other = fault(3, NOW - WRONG), sample(0, NOW - WRONG, boot=8)
    outcomes(database, *sent, event, other)
    connection.execute("delete from touched_day")
    # A process at work that knows nothing of the correction yet.
    working = Writer(database, Limits(), alone=False)
    working.prepare()
    done = correct(database, crane, seq_from=1, seq_to=3, offset_ms=400 * DAY_MS)
    assert (done.problem, done.messages, done.applied_at is not None) == ("", 3, True)
    assert rows(connection, "select seq, t0 from segment where boot = 7 order by seq") == [
        (0, NOW - WRONG),
        (1, NOW + timedelta(seconds=1)),
        (2, NOW + timedelta(seconds=2)),
    ]
    assert rows(connection, EVENTS) == [(3, NOW)]
    days = {day for (day,) in rows(connection, "select day from touched_day")}
    assert days == {NOW.date(), (NOW - WRONG).date()}
    again = working.store([*sent, event, sample(4, NOW - WRONG)])
    working.close()
    assert [one.outcome for one in again] == [Outcome.DUPLICATE] * 4 + [Outcome.STORED]
    assert len(rows(connection, TIMES)) == 5


def test_what_was_refused_for_a_clock_ahead_is_stored_and_all_of_it_taken_back(
    database: str, connection: psycopg.Connection, crane: int
) -> None:
    sent = [sample(seq, NOW + WRONG + timedelta(seconds=seq)) for seq in range(3)]
    assert outcomes(database, *sent) == ["quarantined"] * 3
    done = correct(database, crane, offset_ms=-400 * DAY_MS)
    connection.rollback()
    corrected = [(seq, NOW + timedelta(seconds=seq)) for seq in range(3)]
    assert rows(connection, TIMES) == corrected
    assert quarantine.page(connection) == []
    assert outcomes(database, sample(3, NOW + WRONG + timedelta(seconds=3))) == ["stored"]
    back = withdraw(database, crane, done.correction_id)
    assert (back.problem, back.reverted_at is not None) == ("", True)
    connection.rollback()
    assert rows(connection, TIMES) == []
    held = quarantine.page(connection)
    assert [orjson.loads(row.raw)["seq"] for row in held] == [3, 2, 1, 0]
    first = orjson.loads(held[-1].raw)
    assert first["channels"]["utilisation_pct"] == [1.5, None, 40.25]
    assert datetime.fromisoformat(first["t0"]) == NOW + WRONG
    # Corrected once more, what was kept is understood.
    correct(database, crane, offset_ms=-400 * DAY_MS)
    connection.rollback()
    assert rows(connection, TIMES) == [*corrected, (3, NOW + timedelta(seconds=3))]
    assert outcomes(database, *sent) == ["duplicate"] * 3


def test_a_clock_behind_is_as_it_was_once_the_correction_is_withdrawn(
    database: str, connection: psycopg.Connection, crane: int
) -> None:
    sent = [sample(0, NOW - WRONG), fault(1, NOW - WRONG)]
    outcomes(database, *sent)
    before = rows(connection, TIMES), rows(connection, EVENTS)
    connection.rollback()
    done = correct(database, crane, offset_ms=400 * DAY_MS)
    assert (rows(connection, TIMES), rows(connection, EVENTS)) != before
    connection.rollback()
    withdraw(database, crane, done.correction_id)
    assert (rows(connection, TIMES), rows(connection, EVENTS)) == before
    assert outcomes(database, *sent) == ["duplicate"] * 2


@pytest.mark.parametrize(
    ("offset_ms", "says"),
    [(DAY_MS, "ahead of the time they came"), (-800 * DAY_MS, "before the crane was registered")],
)
def test_a_sign_that_is_mixed_up_changes_nothing(
    database: str, connection: psycopg.Connection, crane: int, offset_ms: int, says: str
) -> None:
    outcomes(database, sample(0, NOW))
    done = correct(database, crane, offset_ms=offset_ms)
    assert says in done.problem
    assert done.applied_at is None
    assert rows(connection, TIMES) == [(0, NOW)]
    assert outcomes(database, sample(0, NOW)) == ["duplicate"]


def test_two_corrections_of_one_message_and_one_onto_another_message_are_refused(
    database: str, connection: psycopg.Connection, crane: int
) -> None:
    outcomes(database, sample(5, NOW - WRONG), sample(5, NOW - DAY))
    clash = correct(database, crane, offset_ms=399 * DAY_MS)
    assert "stored at the corrected time already" in clash.problem or "ahead of" in clash.problem
    first = correct(database, crane, seq_to=5, offset_ms=DAY_MS // 2)
    assert first.problem == ""
    second = correct(database, crane, seq_from=5, offset_ms=DAY_MS)
    assert f"correction {first.correction_id} holds" in second.problem
    assert rows(connection, "select t0 from segment order by t0") == [
        (NOW - WRONG + DAY / 2,),
        (NOW - DAY / 2,),
    ]


def test_days_of_the_cold_tier_come_back_are_corrected_and_go_there_again(
    database: str, connection: psycopg.Connection, crane: int, tmp_path: Path
) -> None:
    wrong = NOW - WRONG
    sent = [sample(seq, wrong + timedelta(seconds=seq)) for seq in range(3)]
    other, later = sample(0, wrong, boot=8), sample(0, wrong + 3 * DAY, boot=8)
    outcomes(database, *sent, other, later)
    connection.autocommit = True
    connection.execute("delete from touched_day")
    assert cold.move(connection, str(tmp_path), before=NOW.date()).days == 2
    assert outcomes(database, *sent, other) == ["duplicate"] * 4
    file = next(tmp_path.rglob(f"{wrong.date()}_*.parquet"))
    away = file.rename(tmp_path / "away")
    lost = correct(database, crane, offset_ms=400 * DAY_MS, reason="the folder is not there")
    assert "cannot be read" in lost.problem
    away.rename(file)
    done = correct(database, crane, offset_ms=400 * DAY_MS)
    assert (done.problem, done.messages) == ("", 3)
    corrected = [(0, wrong, 8), *((seq, NOW + timedelta(seconds=seq), 7) for seq in range(3))]
    assert rows(connection, "select seq, t0, boot from segment order by t0") == corrected
    days = {day for (day,) in rows(connection, "select day from touched_day")}
    assert days == {NOW.date(), *(wrong.date() + n * DAY for n in (-1, 0, 1))}
    assert outcomes(database, *sent, other, later) == ["duplicate"] * 5
    connection.execute("delete from touched_day")
    moved = cold.move(connection, None, before=NOW.date() + DAY)
    assert (moved.days, moved.files_removed) == (2, 1)
    found = segments.read_both_tiers(connection, crane, wrong - DAY, NOW + DAY)
    assert [(row.seq, row.boot) for row in found] == [(0, 8), (0, 8), (0, 7), (1, 7), (2, 7)]
    withdraw(database, crane, done.correction_id)
    assert rows(connection, "select seq, t0 from segment where boot = 7 order by seq") == [
        (seq, wrong + timedelta(seconds=seq)) for seq in range(3)
    ]


def test_a_correction_waits_while_days_move_to_the_cold_tier(
    database: str, connection: psycopg.Connection, crane: int
) -> None:
    outcomes(database, sample(0, NOW - WRONG))
    assert take(connection, Lock.COOL)
    waiting = correct(database, crane, seq_to=0, offset_ms=400 * DAY_MS)
    assert (waiting.applied_at, waiting.problem) == (None, "")
    give_back(connection, Lock.COOL)
    assert applied(database, waiting.correction_id).applied_at is not None
