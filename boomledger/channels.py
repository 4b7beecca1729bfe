"""Commands for further channels: register, list, withdraw."""

from typing import Annotated

import typer
from rich.table import Column, Table

from boomledger.console import checked, opened, out

channel_app = typer.Typer(help="Further channels that cranes send.", no_args_is_help=True)
BY = "command line"
OfCrane = Annotated[str | None, typer.Option(help="One crane; left out: every crane of the fleet.")]
Name = Annotated[str, typer.Argument(help="Its name, which ends in the unit, such as oil_pressure_bar.")]


@channel_app.command("add")
def channel_add(
    name: Name,
    unit: Annotated[str, typer.Option(help="Unit of the readings, such as bar; 1 for a plain number.")],
    low: Annotated[float, typer.Option(help="Smallest reading that is possible.")],
    high: Annotated[float, typer.Option(help="Largest; what is beyond is stored as missing.")],
    crane: OfCrane = None,
    meaning: Annotated[str, typer.Option(help="What is measured, and where.")] = "",
) -> None:
    """Register a further channel, or change one: its readings are stored from then on, and nothing is counted by them."""
    from domain.further_channel import FurtherChannelAsked
    from store import audit, cranes, further_channels

    asked = checked(FurtherChannelAsked, {"unit": unit, "low": low, "high": high, "meaning": meaning})
    with opened() as conn:
        crane_id = None if crane is None else cranes.get_crane(conn, crane).crane_id
        further_channels.register(conn, crane_id, name, asked, BY)
        detail = {"crane": crane, **asked.model_dump(mode="json")}
        audit.note_command(conn, "register channel", name, detail)
    out.print(f"{name} is stored from now on; ingest knows it within 30 s", highlight=False)


@channel_app.command("list")
def channel_list(crane: OfCrane = None) -> None:
    """List further channels, those of the fleet among them, withdrawn ones included."""
    from store import cranes, further_channels

    table = Table(
        Column("name", no_wrap=True),
        "crane",
        "unit",
        "from",
        "to",
        "meaning",
        "by",
        "brought in",
        "withdrawn by",
    )
    with opened() as conn:
        crane_id = None if crane is None else cranes.get_crane(conn, crane).crane_id
        for row in further_channels.listed(conn, crane_id):
            table.add_row(
                *(row.name, row.crane or "all", row.unit, f"{row.low:g}", f"{row.high:g}", row.meaning),
                *(row.registered_by, f"{row.brought_in} messages", row.withdrawn_by or ""),
            )
    out.print(table)


@channel_app.command("withdraw")
def channel_withdraw(name: Name, crane: OfCrane = None) -> None:
    """Withdraw a further channel: what comes is kept apart again, and what is stored can still be read."""
    from store import audit, cranes, further_channels

    with opened() as conn:
        crane_id = None if crane is None else cranes.get_crane(conn, crane).crane_id
        further_channels.withdraw(conn, crane_id, name, BY)
        audit.note_command(conn, "withdraw channel", name, {"crane": crane})
    out.print(f"{name} is withdrawn", highlight=False)
