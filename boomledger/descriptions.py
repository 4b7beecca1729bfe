"""`boomledger crane describe`, `crane descriptions`: what a crane was like, by the day from which it was so."""

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from pydantic import ValidationError
from rich.table import Table

from boomledger.console import err, opened, out


def describe(
    crane: Annotated[str, typer.Argument(help="Name of the crane.")],
    file: Annotated[
        Path,
        typer.Argument(
            exists=True,
            dir_okay=False,
            help="JSON with type, attachments, sensors_replaced, note; what is left out stays.",
        ),
    ],
    valid_from: Annotated[
        str | None, typer.Option("--from", help="First local day on which it holds. Default: today.")
    ] = None,
    correct: Annotated[
        str | None, typer.Option(help="Correct the description of this day, such as 1970-01-01, the first.")
    ] = None,
) -> None:
    """Enter what a crane is like from a day on; its days from then on are counted again."""
    from domain.crane import CraneType
    from domain.description import DescriptionAsked
    from domain.registration import field_path
    from duty.chart_rules import refuse_charts
    from store import audit, cranes
    from store.registration import describe_crane

    try:
        asked = DescriptionAsked.model_validate_json(file.read_bytes())
    except ValidationError as wrong:
        for problem in wrong.errors():
            err.print(f"{file}: {field_path(problem['loc']) or 'file'}: {problem['msg']}", highlight=False)
        raise typer.Exit(2) from wrong
    if isinstance(asked.type, CraneType):
        refuse_charts(asked.type)
    if valid_from is not None:
        asked = asked.model_copy(update={"valid_from": _day(valid_from, "--from")})
    with opened() as conn:
        record = cranes.get_crane(conn, crane)
        today = datetime.now(UTC).astimezone(ZoneInfo(record.site.time_zone)).date()
        corrected = None if correct is None else _day(correct, "--correct")
        entry, days = describe_crane(conn, record, asked, today, "command line", valid_from=corrected)
        noted = entry.model_dump(mode="json", exclude={"type": {"charts"}})
        audit.note_command(conn, "describe crane", crane, noted)
    first = f" from {min(days)}" if days else ""
    out.print(f"{crane} as of {entry.valid_from}: {len(days)} days are counted again{first}", highlight=False)


def descriptions(crane: Annotated[str, typer.Argument(help="Name of the crane.")]) -> None:
    """List what a crane was like and from which day on, newest first."""
    from domain.description import BEGINNING
    from store import cranes
    from store.descriptions import descriptions_of

    table = Table("from", "type", "rated [kN.m]", "attachments", "sensors replaced", "note", "by")
    with opened() as conn:
        for entry in descriptions_of(conn, cranes.get_crane(conn, crane).crane_id):
            table.add_row(
                "the beginning" if entry.valid_from == BEGINNING else str(entry.valid_from),
                entry.type.name,
                f"{entry.type.rated_moment_kn_m:g}",
                ", ".join(f"{one.name} {one.mass_kg:g} kg" for one in entry.attachments),
                ", ".join(str(one.channel) for one in entry.sensors_replaced),
                entry.note,
                entry.entered_by,
            )
    out.print(table)


def _day(text: str, option: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as problem:
        err.print(f"{option}: write the day as 2026-03-02", highlight=False)
        raise typer.Exit(2) from problem
