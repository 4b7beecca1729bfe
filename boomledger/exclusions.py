"""Commands for excluded spans: enter, list, withdraw."""

from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.table import Table

from boomledger.console import checked, err, opened, out, read_time
from domain.channels import CHANNEL_NAMES

exclusion_app = typer.Typer(help="Spans of readings that do not count.", no_args_is_help=True)
BY = "command line"


@exclusion_app.command("add")
def exclusion_add(
    crane: Annotated[str, typer.Argument(help="Name of the crane.")],
    time_from: Annotated[str, typer.Option("--from", help="Start, such as 2026-01-05T07:30:00Z.")],
    time_to: Annotated[str, typer.Option("--to", help="First instant after the span, likewise.")],
    reason: Annotated[str, typer.Option(help="Why the readings do not count.")],
    channel: Annotated[str | None, typer.Option(help="One channel; left out: all of them.")] = None,
    readings_false: Annotated[
        bool, typer.Option("--false", help="They are known to be false: what they counted is no lower bound.")
    ] = False,
) -> None:
    """Exclude a span: its time is then in use but not recorded, never rest. Its days are counted again."""
    from domain.exclusion import ExclusionAsked
    from store import audit, cranes, exclusions

    if channel is not None and channel not in CHANNEL_NAMES:
        err.print(f"channel {channel!r} is none of {', '.join(CHANNEL_NAMES)}", highlight=False)
        raise typer.Exit(2)
    given = {"from_at": read_time(time_from, "--from"), "to_at": read_time(time_to, "--to"), "reason": reason}
    asked = checked(ExclusionAsked, {**given, "channel": channel, "readings_false": readings_false})
    with opened() as conn:
        record = cranes.get_crane(conn, crane)
        row, days = exclusions.exclude(conn, record.crane_id, ZoneInfo(record.site.time_zone), asked, BY)
        audit.note_command(conn, "exclude span", crane, asked.model_dump(mode="json"))
    out.print(f"exclusion {row.exclusion_id}: {len(days)} days are counted again", highlight=False)


@exclusion_app.command("list")
def exclusion_list(
    crane: Annotated[str | None, typer.Option(help="Only this crane.")] = None,
) -> None:
    """List excluded spans, newest first, withdrawn ones included."""
    from store import cranes, exclusions

    table = Table("number", "crane", "channel", "from (UTC)", "to (UTC)", "reason", "by", "withdrawn by")
    with opened() as conn:
        crane_id = None if crane is None else cranes.get_crane(conn, crane).crane_id
        for row in exclusions.listed(conn, crane_id):
            ends = (f"{at:%Y-%m-%d %H:%M:%S}" for at in (row.from_at, row.to_at))
            reason = f"{row.reason} (readings false)" if row.readings_false else row.reason
            table.add_row(
                *(str(row.exclusion_id), row.crane, row.channel or "all", *ends),
                *(reason, row.entered_by, row.withdrawn_by or ""),
            )
    out.print(table)


@exclusion_app.command("withdraw")
def exclusion_withdraw(
    crane: Annotated[str, typer.Argument(help="Name of the crane.")],
    number: Annotated[int, typer.Argument(help="Number of the exclusion, as `exclusion list` shows it.")],
) -> None:
    """Withdraw an exclusion: its readings count again."""
    from store import audit, cranes, exclusions

    with opened() as conn:
        record = cranes.get_crane(conn, crane)
        zone = ZoneInfo(record.site.time_zone)
        row, days = exclusions.withdraw(conn, record.crane_id, zone, number, BY)
        audit.note_command(conn, "withdraw exclusion", crane, {"exclusion_id": row.exclusion_id})
    out.print(f"exclusion {number} is withdrawn: {len(days)} days are counted again", highlight=False)
