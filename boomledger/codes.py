"""`boomledger codes`: the catalogue of status codes, imported by the user."""

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from boomledger.console import err, load_settings, out

codes_app = typer.Typer(help="The meanings of status codes.", no_args_is_help=True)


@codes_app.command("import")
def import_codes(
    file: Annotated[
        Path, typer.Argument(exists=True, dir_okay=False, help="CSV with the columns code, meaning, advice.")
    ],
    source: Annotated[str, typer.Option(help="Where it comes from, such as the manual and its edition.")],
    crane_type: Annotated[
        str | None, typer.Option("--type", help="Crane type it holds for. Default: every type.")
    ] = None,
) -> None:
    """Enter the meanings of status codes, replacing those of the same codes; all of the file or nothing."""
    from boomledger.services import database_url
    from duty.status_csv import read_codes
    from store import faults
    from store.connection import connect

    found = read_codes(file.read_text("utf-8-sig"))
    if found.problems:
        for problem in found.problems:
            err.print(f"{file}:{problem.line}: {problem.text}", highlight=False, markup=False)
        err.print("nothing was stored", highlight=False)
        raise typer.Exit(1)

    with connect(database_url(load_settings())) as conn:
        faults.enter_status_codes(conn, found.codes, source=source, type=crane_type)
    out.print(f"{len(found.codes)} status codes stored", highlight=False)


@codes_app.command("list")
def list_codes() -> None:
    """List the status codes whose meaning is known."""
    from boomledger.services import database_url
    from store.connection import connect
    from store.faults import STATUS_CODES

    table = Table("code", "type", "meaning", "advice", "source")
    with connect(database_url(load_settings())) as conn:
        for row in STATUS_CODES.all(conn):
            table.add_row(row.code, row.type or "every", row.meaning, row.advice, row.source)
    out.print(table)
