"""Rows for tests, and what is found in tables: each by the names of its columns, on any connection, without SQL in the test.

A table is named alone or with its schema; a crane by its name (`crane=`) or its key (`crane_id=`). What a builder is not told is
empty or the least that the table takes. What the product's own functions enter (cranes, descriptions, segments), tests enter
with those.
"""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

import psycopg
from psycopg import sql
from psycopg.types.json import Jsonb

Conn = psycopg.Connection[Any]


def _name(table: str) -> sql.Identifier:
    return sql.Identifier(*table.split("."))


def _columns(conn: Conn, values: Mapping[str, Any]) -> dict[str, Any]:
    """The same with the crane's key in place of its name, and mappings as JSON."""
    found = {name: Jsonb(value) if isinstance(value, Mapping) else value for name, value in values.items()}
    if "crane" in found:
        found = {"crane_id": crane_id(conn, found.pop("crane")), **found}
    return found


def _where(conn: Conn, where: Mapping[str, Any]) -> tuple[sql.Composed, list[Any]]:
    columns = _columns(conn, where)
    tests = [sql.SQL("{} is not distinct from %s").format(sql.Identifier(name)) for name in columns]
    return sql.SQL(" and ").join(tests or [sql.SQL("true")]), list(columns.values())


def insert(conn: Conn, table: str, **values: Any) -> tuple[Any, ...]:
    """Enter one row, and give it back as it stands then."""
    columns = _columns(conn, values)
    row = conn.execute(
        sql.SQL("insert into {} ({}) values ({}) returning *").format(
            _name(table),
            sql.SQL(", ").join(map(sql.Identifier, columns)),
            sql.SQL(", ").join([sql.Placeholder()] * len(columns)),
        ),
        list(columns.values()),
    ).fetchone()
    assert row is not None
    return row


def change(conn: Conn, table: str, to: Mapping[str, Any], **where: Any) -> int:
    """Set columns of the rows in which other columns have these values; how many rows."""
    columns = _columns(conn, to)
    tests, values = _where(conn, where)
    done = conn.execute(
        sql.SQL("update {} set {} where {}").format(
            _name(table),
            sql.SQL(", ").join(sql.SQL("{} = %s").format(sql.Identifier(name)) for name in columns),
            tests,
        ),
        [*columns.values(), *values],
    )
    return done.rowcount


def remove(conn: Conn, table: str, **where: Any) -> int:
    """Delete the rows in which columns have these values; how many."""
    tests, values = _where(conn, where)
    return conn.execute(sql.SQL("delete from {} where {}").format(_name(table), tests), values).rowcount


def rows(conn: Conn, table: str, *columns: str, **where: Any) -> list[tuple[Any, ...]]:
    """Columns of the rows in which others have these values, in their order."""
    tests, values = _where(conn, where)
    names = sql.SQL(", ").join(map(sql.Identifier, columns))
    return conn.execute(
        sql.SQL("select {} from {} where {} order by {}").format(names, _name(table), tests, names), values
    ).fetchall()


def column(conn: Conn, table: str, name: str, **where: Any) -> list[Any]:
    """One column, in its order."""
    return [value for (value,) in rows(conn, table, name, **where)]


def one(conn: Conn, table: str, *columns: str, **where: Any) -> Any:
    """The columns of the only such row; of one column its value alone."""
    (row,) = rows(conn, table, *columns, **where)
    return row if len(columns) > 1 else row[0]


def count(conn: Conn, table: str, **where: Any) -> int:
    """How many such rows there are."""
    tests, values = _where(conn, where)
    row = conn.execute(
        sql.SQL("select count(*) from {} where {}").format(_name(table), tests), values
    ).fetchone()
    assert row is not None
    return int(row[0])


def crane_id(conn: Conn, name: str = "heron-3") -> int:
    """The key of a crane."""
    return int(one(conn, "crane", "crane_id", name=name))


def crane_ids(conn: Conn) -> dict[str, int]:
    """The keys of all cranes by name."""
    return dict(rows(conn, "crane", "name", "crane_id"))


def describe(conn: Conn, crane: str | int, without: str = "", **entries: Any) -> None:
    """Change entries of a crane as they stand in the database, past every check."""
    key = {"crane_id" if isinstance(crane, int) else "name": crane}
    spec = {**one(conn, "crane", "spec", **key), **entries}
    spec.pop(without, None)
    change(conn, "crane", {"spec": spec}, **key)


def counting(conn: Conn) -> int:
    """Settings of a count that are in use, their key."""
    return int(insert(conn, "counting", settings_hash="test", version=1, settings={}, in_use=True)[0])


def counting_in_use(conn: Conn) -> int:
    """The key of the settings in use."""
    return int(one(conn, "counting", "counting_id", in_use=True))


def summarise(conn: Conn, crane: str | int, **figures: Any) -> None:
    """Set figures of a crane's summary, which is there afterwards in any case."""
    key: dict[str, Any] = {"crane_id" if isinstance(crane, int) else "crane": crane}
    if not count(conn, "crane_summary", **key):
        insert(conn, "crane_summary", **key)
    change(conn, "crane_summary", figures, **key)


def count_day(conn: Conn, crane: str, day: date, zone: str = "UTC", **figures: Any) -> None:
    """A counted day of a crane."""
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    bounds = {"day_start_at": start, "day_end_at": start + timedelta(days=1), "time_zone": zone}
    key = {"crane": crane, "counting_id": counting_in_use(conn), "day": day}
    remove(conn, "day_figure", **key)
    insert(conn, "day_figure", **key, **(bounds | {"lift_part": b""} | figures))


def lift(conn: Conn, crane: str, at: datetime, peak_pct: float, lasting_s: float = 60, **more: Any) -> None:
    """A counted lift."""
    insert(
        conn,
        "lift",
        crane=crane,
        counting_id=counting_in_use(conn),
        started_at=at,
        ended_at=at + timedelta(seconds=lasting_s),
        **({"day": at.date(), "peak_utilisation_pct": peak_pct, "peak_structural_pct": peak_pct} | more),
    )


def overload(conn: Conn, crane: str, at: datetime, peak_pct: float, **more: Any) -> None:
    """A lift of the register that nobody has judged."""
    values = {
        "peak_utilisation_pct": peak_pct,
        "peak_structural_pct": peak_pct,
        "counted": True,
        "open": True,
    }
    values |= {"day": at.date(), "limiter_stops": 1, "limiter_overrides": 0}
    insert(
        conn,
        "overload",
        crane=crane,
        started_at=at,
        ended_at=at + timedelta(seconds=90),
        **(values | more),
    )


def find(conn: Conn, crane: str, day: date, code: str, channel: str = "", size: float = 1.0) -> None:
    """A finding: readings of a day that cannot be true."""
    at = datetime(day.year, day.month, day.day, 8, tzinfo=UTC)
    insert(
        conn, "finding", crane=crane, day=day, code=code, channel=channel, from_at=at,
        to_at=at + timedelta(hours=1), size=size,
    )  # fmt: skip


def fault(conn: Conn, crane: str, at: datetime, code: str = "H-207", **more: Any) -> None:
    """An open fault."""
    insert(conn, "fault_episode", crane=crane, code=code, raised_at=at, **({"text": "invented"} | more))


def event(conn: Conn, crane: str, at: datetime, seq: int, kind: str, code: str = "", **more: Any) -> None:
    """A stored event of boot 1."""
    values = {"boot": 1, "state": "raised", "text": "", "received_at": at} | more
    insert(conn, "event", crane=crane, at=at, seq=seq, kind=kind, code=code, **values)


def hear(conn: Conn, crane: str, at: datetime | None, received_at: datetime, **last_values: float) -> None:
    """What was heard of a crane last."""
    remove(conn, "live", crane=crane)
    insert(
        conn,
        "live",
        crane=crane,
        at=at,
        received_at=received_at,
        boot=1,
        online=True,
        last_values=last_values,
    )


def set_aside(
    conn: Conn, crane: str | None, at: datetime, number: int, reason: str = "not_json", **more: Any
) -> None:
    """A message in quarantine; `number` tells it from others."""
    values = {"topic": f"boomledger/v1/{crane}/samples", "detail": "not readable", "raw": b"\xff\x00{"} | more
    insert(
        conn, "quarantine", received_at=at, last_received_at=at, crane_name=crane, reason=reason,
        digest=number.to_bytes(32), **values,
    )  # fmt: skip


def service(conn: Conn, name: str, every_days: int, crane: str | None = None) -> None:
    """A service interval of one crane or of all."""
    insert(conn, "service_plan", name=name, every_days=every_days, **({"crane": crane} if crane else {}))


def everything(conn: Conn, table: str) -> str:
    """All that is kept in a table, as text."""
    found = conn.execute(sql.SQL("select t::text from {} t").format(_name(table))).fetchall()
    return "\n".join(text for (text,) in found)
