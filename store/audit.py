"""What was done by whom: every write, export, log-in and read of personal data; files that were stored are listed from that."""

from datetime import datetime
from typing import Any, Literal

from psycopg import AsyncConnection, Connection
from psycopg.rows import dict_row
from psycopg.types.json import Jsonb

from store.sql import query
from store.statement import Rows, dicts_async, scalar

Via = Literal["session", "token", "open", "command", "login"]


async def note(
    conn: AsyncConnection[Any],
    *,
    account: str,
    via: Via,
    action: str,
    target: str = "",
    detail: dict[str, Any] | None = None,
    address: str = "",
    request_id: str = "",
) -> None:
    """Write down in the audit what was done, by the account that the site scope is signed for."""
    row = audit_row(account, via, action, target, detail or {}, address, request_id)
    await conn.execute(query("add_audit"), row)


async def note_all(conn: AsyncConnection[Any], rows: list[dict[str, Any]]) -> None:
    """Write down several things at once; each as `audit_row` makes it."""
    async with conn.cursor() as cursor:
        await cursor.executemany(query("add_audit"), rows)


def note_command(conn: Connection[Any], action: str, target: str, detail: dict[str, Any]) -> None:
    """Write down in the audit what was done on the command line."""
    conn.execute(query("add_audit"), audit_row("command line", "command", action, target, detail))


async def list_imports(conn: AsyncConnection[Any], before: int, account: str | None, limit: int) -> Rows:
    """Files that were stored, newest first, before an audit_id; of the account in scope or of every one."""
    return await dicts_async(conn, "list_imports", before=before, account=account, limit=limit)


async def list_audit(conn: AsyncConnection[Any], before: int, limit: int, *, reads: bool) -> Rows:
    """The audit, newest first, before an audit_id; with the reads of personal data or without."""
    return await dicts_async(
        conn, "list_audit" if reads else "list_audit_of_acts", before=before, limit=limit
    )


AuditLine = dict[str, Any]
"""One line as it is handed on: audit_id, at, account, via, action, target, detail, address, request_id."""


def last_and_writers(conn: Connection[Any]) -> tuple[int, list[str]]:
    """The last number of the audit, and the transactions that may add a smaller one."""
    row = conn.execute(query("last_and_writers")).fetchone()
    assert row is not None
    return row[0], row[1]


def still_writing(conn: Connection[Any], writers: list[str]) -> list[str]:
    """Those of the transactions that are not over."""
    return [row[0] for row in conn.execute(query("still_writing"), {"writers": writers})]


def last_before(conn: Connection[Any], since: datetime) -> int:
    """The last number before a time."""
    last: int | None = scalar(conn, "last_before", since=since)
    return -1 if last is None else last


def export_position(conn: Connection[Any], target: str) -> int | None:
    """How far the audit went to a target, locked until the transaction ends; None where another holds it."""
    conn.execute(query("export_begun"), {"target": target})
    position: int | None = scalar(conn, "export_position", target=target)
    return position


def keep_export_position(conn: Connection[Any], target: str, audit_id: int) -> None:
    """The audit went to a target up to there."""
    conn.execute(query("keep_export_position"), {"target": target, "audit_id": audit_id})


def lines_after(conn: Connection[Any], after: int, upto: int, limit: int) -> list[AuditLine]:
    """Lines with a number above one and up to another, in their order."""
    with conn.cursor(row_factory=dict_row) as cursor:
        values = {"after": after, "upto": upto, "limit": limit}
        return cursor.execute(query("audit_lines"), values).fetchall()


def audit_row(
    account: str,
    via: Via,
    action: str,
    target: str,
    detail: dict[str, Any],
    address: str = "",
    request_id: str = "",
) -> dict[str, Any]:
    """What add_audit wants."""
    return {
        "account": account,
        "via": via,
        "action": action,
        "target": target,
        "detail": Jsonb(detail),
        "address": address,
        "request_id": request_id,
    }
