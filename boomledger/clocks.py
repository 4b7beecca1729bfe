"""Commands for corrections of senders' clocks: enter, list, withdraw. What a command enters it applies itself."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer
from rich.table import Table

from boomledger.console import checked, load_settings, opened, out

if TYPE_CHECKING:
    from psycopg import AsyncConnection

    from domain.clock_correction import ClockCorrectionRow

clock_app = typer.Typer(help="Messages of a sender whose clock was wrong.", no_args_is_help=True)
BY: Final = "command line"


@clock_app.command("correct")
def clock_correct(
    crane: Annotated[str, typer.Argument(help="Name of the crane.")],
    boot: Annotated[int, typer.Option(help="The boot of the messages.")],
    offset_s: Annotated[
        float, typer.Option(help="Seconds added to the times they state: below 0 where the clock was ahead.")
    ],
    reason: Annotated[str, typer.Option(help="How the offset is known.")],
    seq_from: Annotated[int, typer.Option(help="Their first number.")] = 0,
    seq_to: Annotated[int | None, typer.Option(help="Their last number; left out: all that follow.")] = None,
) -> None:
    """Correct the times of messages of one boot: of those stored, and of those that come. Their days are counted again."""
    from domain.clock_correction import ClockCorrectionAsked
    from domain.units import MS_PER_S
    from store import clock_corrections

    given = {"boot": boot, "seq_from": seq_from, "offset_ms": round(offset_s * MS_PER_S), "reason": reason}
    asked = checked(ClockCorrectionAsked, given | ({} if seq_to is None else {"seq_to": seq_to}))
    detail = asked.model_dump(mode="json")
    _do(
        crane,
        "correct clock",
        detail,
        lambda conn, crane_id: clock_corrections.enter(conn, crane_id, asked, BY),
    )


@clock_app.command("list")
def clock_list() -> None:
    """List corrections of clocks, newest first, withdrawn ones included."""
    from domain.units import ms_to_s
    from store.clock_corrections import CORRECTIONS

    table = Table("number", "crane", "boot", "numbers", "offset (s)", "reason", "by", "messages", "state")
    with opened() as conn:
        for row in CORRECTIONS.all(
            conn, crane_id=None, correction_id=None, sites=None, before=None, rows=10_000
        ):
            table.add_row(
                *(str(row.correction_id), row.crane, str(row.boot), f"{row.seq_from} to {row.seq_to}"),
                *(f"{ms_to_s(row.offset_ms):g}", row.reason, row.entered_by, str(row.messages), _state(row)),
            )
    out.print(table)


@clock_app.command("withdraw")
def clock_withdraw(
    crane: Annotated[str, typer.Argument(help="Name of the crane.")],
    number: Annotated[int, typer.Argument(help="Number of the correction, as `clock list` shows it.")],
) -> None:
    """Withdraw a correction: the messages get their own times again."""
    from store import clock_corrections

    _do(
        crane,
        "withdraw clock correction",
        {"correction_id": number},
        lambda conn, crane_id: clock_corrections.withdraw(conn, crane_id, number, BY),
    )


def _do(
    crane: str,
    action: str,
    detail: dict[str, Any],
    change: "Callable[[AsyncConnection[Any], int], Awaitable[ClockCorrectionRow]]",
) -> None:
    """Change what is entered, apply it, and say how it stands."""
    from psycopg import AsyncConnection

    from boomledger.services import database_url, limits
    from domain.clock_correction import ClockCorrectionRow
    from ingest.replay import apply_corrections
    from store import audit, cranes
    from store.clock_corrections import CORRECTIONS
    from store.connection import connect

    settings = load_settings()
    url = database_url(settings)

    async def enter(crane_id: int) -> ClockCorrectionRow:
        async with await AsyncConnection.connect(url) as conn:
            return await change(conn, crane_id)

    with connect(url, autocommit=True) as conn:
        crane_id = cranes.get_crane(conn, crane).crane_id
        number = asyncio.run(enter(crane_id)).correction_id
        audit.note_command(conn, action, crane, detail)
        apply_corrections(url, limits(settings))
        row = CORRECTIONS.first(
            conn, crane_id=crane_id, correction_id=number, sites=None, before=None, rows=1
        )
    assert row is not None
    out.print(f"correction {number}: {_state(row)}, {row.messages} messages", highlight=False)
    if row.problem:
        raise typer.Exit(1)


def _state(row: "ClockCorrectionRow") -> str:
    if row.problem:
        return f"failed: {row.problem}"
    if row.reverted_at is not None:
        return "withdrawn"
    if row.applied_at is None:
        return "withdrawn" if row.withdrawn_at is not None else "waits for ingest"
    return "in force" if row.withdrawn_at is None else "is being withdrawn"
