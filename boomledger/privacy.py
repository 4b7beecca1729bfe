"""`boomledger audit`: what was done by whom, as JSON lines. `boomledger person`: what is kept of somebody, given and removed."""

import contextlib
import json
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from boomledger.console import err, load_settings, opened, out, read_time

if TYPE_CHECKING:
    from store.privacy import Removed

audit_app = typer.Typer(help="The audit: what was done by whom.", no_args_is_help=True)
person_app = typer.Typer(help="What is kept of a person.", no_args_is_help=True)
NOT_SEARCHED = (
    "free text: notes, titles of reservations, reasons, texts of events and messages of cranes",
    "attached files and finished dossiers",
    "messages of alerts that are on their way or were sent in the last 90 days",
    "backups, files of the cold tier, logs, exported files and lines of the audit that were handed on",
)
"""docs/privacy.md says what to do about each."""
Name = Annotated[
    str, typer.Argument(help="Account, a name as it was typed into a record, or an address of e-mail.")
]


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


@person_app.command("give")
def person_give(
    name: Name, file: Annotated[Path, typer.Argument(help="New file, for nobody else to read.")]
) -> None:
    """Write everything that is kept under a name to a file, as JSON."""
    from domain.errors import Conflict
    from store import audit, privacy

    with opened() as conn:
        found, _ = privacy.kept(conn, name)
        audit.note_command(conn, "give person", name, {"rows": sum(there.count for there in found)})
    told = {
        "name": name,
        "given_at": datetime.now(UTC).isoformat(),
        "kept": {there.place: there.rows for there in found},
        "not_searched": NOT_SEARCHED,
    }
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as problem:
        raise Conflict(f"{file} is there already: name another file or remove it") from problem
    with open(handle, "w", encoding="utf-8") as text:
        json.dump(told, text, indent=2, ensure_ascii=False)
    out.print(f"{file}: {sum(there.count for there in found)} rows", highlight=False, soft_wrap=True)


@person_app.command("remove")
def person_remove(
    name: Name,
    signed: Annotated[
        bool, typer.Option("--signed", help="Records too whose worth is who did it: inspections, services.")
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do it. Without it, what would be done is shown and asked for.")
    ] = False,
) -> None:
    """Remove an account and what hangs on it; records and the audit stay, under a pseudonym. It cannot be taken back."""
    from store import privacy

    with opened(autocommit=True, writes=True) as conn:
        _show(privacy.remove(conn, name, signed=signed, dry_run=True), "would be")
        if not yes and (not sys.stdin.isatty() or typer.prompt("to do it, type the name again") != name):
            err.print("nothing was changed", highlight=False)
            raise typer.Exit(1)
        done = privacy.remove(conn, name, signed=signed)
    _show(done, "is")
    out.print(f"pseudonym: {done.pseudonym}", highlight=False)
    for what in NOT_SEARCHED:
        out.print(f"not searched: {what}", highlight=False, soft_wrap=True)


def _show(done: "Removed", what: str) -> None:
    for place, count in done.gone.items():
        out.print(f"{place}: {count} {what} removed", highlight=False)
    for place, count in done.renamed.items():
        out.print(f"{place}: {count} {what} kept under a pseudonym", highlight=False)
    for place, (count, why) in done.stays.items():
        out.print(f"{place}: {count} stay as they are; {why}", highlight=False, soft_wrap=True)
