"""`boomledger audit`: what was done by whom, as JSON lines."""

import contextlib
import sys
from typing import Annotated

import typer

from boomledger.console import err, load_settings, read_time

audit_app = typer.Typer(help="The audit: what was done by whom.", no_args_is_help=True)


@audit_app.command("export")
def audit_export(
    to: Annotated[
        str | None,
        typer.Option(
            help="File or syslog target as BOOMLEDGER_AUDIT_EXPORT names it. Default: standard output."
        ),
    ] = None,
    since: Annotated[
        str | None, typer.Option(help="Only lines from then on, such as 2026-01-05T00:00:00Z.")
    ] = None,
    follow: Annotated[bool, typer.Option("--follow", help="Go on until told to stop.")] = False,
) -> None:
    """Hand the audit on as JSON lines, in order. With --to it goes on where that target stands; a restart loses nothing."""
    from boomledger.services import database_url, stop_on_signals
    from store.connection import connect
    from transfer import audit_export as exporting

    url = database_url(load_settings())
    sink = exporting.Stream(sys.stdout.buffer) if to is None else exporting.sink_of(to)
    export = exporting.Export(sink, to, read_time(since, "--since"))
    if follow:
        exporting.follow(url, export, stop_on_signals())
        return
    with connect(url, autocommit=True, writes=True) as conn, contextlib.closing(export):
        try:
            lines = export.step(conn)
        except OSError as problem:
            err.print(
                f"{to}: {problem}; what was not handed over yet stays for the next run", highlight=False
            )
            raise typer.Exit(1) from problem
    err.print(f"{lines} lines handed over", highlight=False)
