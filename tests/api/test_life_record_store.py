"""Records of a life in the database: versions, what they name, who may change them, and the service interval they complete."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import psycopg
import pytest

from domain.errors import Conflict, InvalidInput, NotFound
from domain.life_record import LifeRecordAsked
from duty.life_records import defects_in
from store import life_records
from store.life_records import LIFE_RECORD_VERSIONS, LIFE_RECORDS, LifeRecord
from store.service import SERVICE_STATES
from tests.api.test_site_scope import under_role
from tests.support import rows
from tests.support.rows import crane_id

TODAY = date(2026, 3, 10)


@pytest.fixture
def conn(fresh_yard_url: str) -> Iterator[psycopg.Connection[Any]]:
    with psycopg.connect(fresh_yard_url, autocommit=True, options="-c timezone=UTC") as found:
        yield found


def enter(conn: psycopg.Connection[Any], kind: str, day: int, **values: Any) -> int:
    asked = LifeRecordAsked.model_validate(
        {"kind": kind, "happened_on": f"2026-03-{day:02}", "person": "A. Tester (invented)", **values}
    )
    with conn.transaction():
        return life_records.add_record(conn, crane_id(conn), asked, "eve", today=TODAY)


def rows_of(conn: psycopg.Connection[Any]) -> dict[int, LifeRecord]:
    found = LIFE_RECORDS.all(conn, crane_id=crane_id(conn), record_id=None)
    return {row.record_id: row for row in found}


def test_a_correction_keeps_what_was_said_and_a_withdrawal_the_record(conn: psycopg.Connection[Any]) -> None:
    rows.summarise(conn, "heron-3", made_of="now")
    first = enter(conn, "crack", 2, detail="column foot", length_mm=12.0)
    assert rows.one(conn, "crane_summary", "made_of", crane="heron-3") is None
    assert enter(conn, "crack", 2, detail="column foot", length_mm=12.0) == first  # sent twice
    longer = LifeRecordAsked.model_validate(
        {
            "kind": "crack",
            "happened_on": "2026-03-01",
            "person": "B",
            "detail": "column foot",
            "length_mm": 19.0,
        }
    )
    here = crane_id(conn)
    life_records.correct_record(conn, here, first, longer, "measured again", "kim", today=TODAY)
    row = rows_of(conn)[first]
    assert (row.version, row.length_mm, row.happened_on, row.entered_by) == (2, 19.0, date(2026, 3, 1), "kim")
    life_records.withdraw_record(conn, here, first, "another crane", "eve")
    life_records.withdraw_record(conn, here, first, "another crane", "eve")
    versions = LIFE_RECORD_VERSIONS.all(conn, crane_id=here, record_id=first)
    assert [(one.version, one.length_mm, one.withdrawn, one.reason, one.entered_by) for one in versions] == [
        (1, 12.0, False, "", "eve"),
        (2, 19.0, False, "measured again", "kim"),
        (3, 19.0, True, "another crane", "eve"),
    ]
    with pytest.raises(Conflict, match="withdrawn"):
        life_records.correct_record(conn, here, first, longer, "again", "kim", today=TODAY)
    with pytest.raises(NotFound):
        life_records.withdraw_record(conn, here, 9999, "nothing there", "eve")


def test_a_repair_closes_and_opens_again_when_it_is_withdrawn(conn: psycopg.Connection[Any]) -> None:
    seen = enter(conn, "inspection", 1)
    finding = enter(conn, "finding", 1, note="play in the slewing gear", found_in=seen)
    crack = enter(conn, "crack", 3, detail="column foot")
    repair = enter(conn, "repair", 5, closes=[finding, crack])
    enter(conn, "inspection", 7, closes=[crack])
    assert {number: row.closed_on for number, row in rows_of(conn).items() if row.closed_on} == {
        finding: date(2026, 3, 5),
        crack: date(2026, 3, 5),
    }
    life_records.withdraw_record(conn, crane_id(conn), repair, "not done", "eve")
    rows = rows_of(conn)
    assert (rows[finding].closed_on, rows[crack].closed_on) == (None, date(2026, 3, 7))
    assert [one.closed_on for one in defects_in(rows.values())] == [date(2026, 3, 7), None]


@pytest.mark.parametrize(
    ("kind", "values", "field"),
    [
        ("repair", {"closes": [77]}, "closes"),
        ("finding", {"note": "play", "found_in": 77}, "found_in"),
        ("inspection", {"service_interval": "grease"}, "service_interval"),
    ],
)
def test_what_a_record_names_has_to_be_there(
    conn: psycopg.Connection[Any], kind: str, values: dict[str, Any], field: str
) -> None:
    with pytest.raises(InvalidInput) as problem:
        enter(conn, kind, 2, **values)
    assert problem.value.field == field
    with pytest.raises(InvalidInput, match="future"):
        enter(conn, "inspection", 11)
    late = enter(conn, "crack", 8, detail="column foot")
    with pytest.raises(InvalidInput, match="cannot be closed"):
        enter(conn, "repair", 7, closes=[late])
    assert list(rows_of(conn)) == [late]


def test_an_inspection_completes_its_service_interval(conn: psycopg.Connection[Any]) -> None:
    rows.service(conn, "yearly inspection", 365)
    number = enter(conn, "inspection", 3, service_interval="yearly inspection")

    def state() -> Any:
        (row,) = SERVICE_STATES.all(conn, today=TODAY, crane="heron-3", late_days=90)
        return row

    assert (state().done_at.isoformat(), state().done_by) == (
        "2026-03-02T23:00:00+00:00",  # midnight of the yard in Vienna
        "A. Tester (invented)",
    )
    assert state().lifts_since == 6  # those of that day count again
    life_records.withdraw_record(conn, crane_id(conn), number, "not done", "eve")
    assert (state().done_at, state().lifts_since) == (None, 12)


def test_files_are_bounded_by_crane_and_number(conn: psycopg.Connection[Any]) -> None:
    number = enter(conn, "inspection", 1)

    def attach(content: bytes) -> int | None:
        with conn.transaction():
            return life_records.attach_file(
                conn, crane_id(conn), number, name="report.txt", media_type="text/plain", content=content,
                account="eve", bytes_max_of_crane=100,
            )  # fmt: skip

    first = attach(b"x" * 60)
    assert first is not None
    assert attach(b"x" * 60) is None  # the same bytes again
    with pytest.raises(InvalidInput, match="60 are taken"):
        attach(b"y" * 41)
    assert attach(b"y" * 40) is not None
    assert rows.column(conn, "life_record_file", "size_bytes") == [40, 60]


def test_under_the_role_of_the_api_rows_are_only_added(
    conn: psycopg.Connection[Any], fresh_yard_url: str
) -> None:
    enter(conn, "crack", 2, detail="column foot")
    # A connection for each: on a cluster a whole block is one transaction, which a refusal ends.
    with under_role(fresh_yard_url, "north-yard") as api, pytest.raises(psycopg.errors.InsufficientPrivilege):
        rows.change(api, "life_record", {"length_mm": 1})
    with under_role(fresh_yard_url, "north-yard") as api, pytest.raises(psycopg.errors.InsufficientPrivilege):
        rows.remove(api, "life_record")
    with under_role(fresh_yard_url, "north-yard") as api:
        for view in ("life_record", "life_record_now", "crane_defects"):
            assert rows.count(api, view) == 1
    with under_role(fresh_yard_url, "south-yard") as api:
        for view in ("life_record", "life_record_now", "crane_defects"):
            assert rows.count(api, view) == 0
