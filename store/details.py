"""Weld details as people enter them: of one crane, of a type, or of the fleet."""

from typing import Any, Final

from psycopg import AsyncConnection
from psycopg.types.json import Jsonb

from domain.errors import NotFound
from domain.maintenance import DetailEntry
from store.statement import Statement, run_async

DETAILS_OF: Final = Statement("details_of", DetailEntry)


async def write_detail(
    conn: AsyncConnection[Any],
    *,
    name: str,
    spec: dict[str, Any],
    entered_by: str,
    type: str | None = None,  # noqa: A002
    crane: str | None = None,
    is_default: bool = False,
) -> None:
    """Enters a weld detail for one crane, one type or (neither given) the fleet, replacing one of the same name.

    Fleet figures follow when analytics next looks, within its time-out.
    """
    written = await run_async(
        conn,
        "detail_written",
        name=name,
        spec=Jsonb(spec),
        entered_by=entered_by,
        type=type,
        crane=crane,
        is_default=is_default,
    )
    if written == 0:
        raise NotFound(f"no crane is named {crane!r} or no crane type {type!r}: the detail was not entered")


async def drop_detail(conn: AsyncConnection[Any], crane_id: int, name: str) -> bool:
    """Forget a weld detail of this crane alone; False when it has none of that name."""
    return await run_async(conn, "crane_detail_dropped", crane_id=crane_id, name=name) == 1
