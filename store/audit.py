"""What was done by whom: every write, export, log-in and read of personal data; files that were stored are listed from that."""

from typing import Any, Literal

from psycopg import AsyncConnection, Connection
from psycopg.types.json import Jsonb

from store.sql import query
from store.statement import Rows, dicts_async

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
    """Write down in the audit what was done."""
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
    """Files that were stored, newest first, before an audit_id; of an account or of every one. In a transaction."""
    if account is not None:
        await conn.execute(query("importer_named"), {"account": account})
    return await dicts_async(conn, "list_imports", before=before, account=account, limit=limit)


async def list_audit(conn: AsyncConnection[Any], before: int, limit: int, *, reads: bool) -> Rows:
    """The audit, newest first, before an audit_id; with the reads of personal data or without."""
    return await dicts_async(
        conn, "list_audit" if reads else "list_audit_of_acts", before=before, limit=limit
    )


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
