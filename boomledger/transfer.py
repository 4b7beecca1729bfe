"""`boomledger import` and `boomledger export`: data in and out as CSV and Parquet; `boomledger codes`: the catalogue of status codes."""

from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress
from rich.table import Table

from boomledger.console import err, load_settings, opened, out, read_time


class Wanted(StrEnum):
    """What can be exported."""

    SAMPLES = "samples"
    EVENTS = "events"
    LIFTS = "lifts"
    LEDGERS = "ledgers"


def import_files(
    files: Annotated[list[Path], typer.Argument(help="CSV or Parquet (.parquet).")],
    mapping: Annotated[
        Path | None,
        typer.Option(help="TOML: which column is what. Default: the columns of `boomledger export`."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only tell what would be stored and what is wrong.")
    ] = False,
    skip_bad: Annotated[
        bool, typer.Option("--skip-bad", help="Store the good rows of a file that has bad ones.")
    ] = False,
) -> None:
    """Store samples or events from files. What was imported before counts once; bad rows are told with their line."""
    from boomledger.services import database_url, limits
    from store.connection import connect
    from transfer.importing import import_file, own_mapping
    from transfer.mapping import read_mapping

    settings = load_settings()
    read = None if mapping is None else read_mapping(mapping)
    bad = False
    with connect(database_url(settings), autocommit=True) as conn:
        for file in files:
            with Progress(console=err, transient=True) as progress:
                task = progress.add_task(f"{file.name}: rows read", total=None)
                done = import_file(
                    conn,
                    file,
                    read or own_mapping(file),
                    limits(settings),
                    dry_run=dry_run,
                    skip_bad=skip_bad,
                    on_rows=lambda rows, progress=progress, task=task: progress.advance(task, rows),  # type: ignore[misc]
                )
            for problem in (*done.problems, *done.refused):
                print(f"{file}: {problem}")
            bad = bad or bool(done.problems)
            if not done.stored and not dry_run:
                err.print(
                    f"{file}: nothing was stored; mend these lines, or leave them out with --skip-bad",
                    highlight=False,
                    soft_wrap=True,
                )
                continue
            what = "would be stored" if dry_run else "stored"
            out.print(
                f"{file}: {done.new} messages with {done.samples} samples {what}, {done.known} known before, "
                f"{done.empty_rows} rows without a reading",
                highlight=False,
                soft_wrap=True,
            )
    raise typer.Exit(1 if bad else 0)


def export_file(
    what: Annotated[Wanted, typer.Argument(help="What to write.")],
    file: Annotated[Path, typer.Argument(help="New file; .csv or .parquet says the form.")],
    crane: Annotated[
        list[str] | None, typer.Option(help="Crane; again for more. Default: every crane.")
    ] = None,
    time_from: Annotated[
        str | None, typer.Option("--from", help="Start, such as 2026-01-05T00:00:00Z.")
    ] = None,
    time_to: Annotated[str | None, typer.Option("--to", help="End, likewise. Default: now.")] = None,
) -> None:
    """Write samples, events, lifts or ledgers of cranes and a period to one file."""
    from store import audit
    from transfer.exporting import Chosen, export

    start = read_time(time_from, "--from")
    if start is None:
        err.print("name the start with --from", highlight=False)
        raise typer.Exit(2)
    chosen = Chosen(
        cranes=tuple(crane or ()),
        time_from=start,
        time_to=read_time(time_to, "--to") or datetime.now(UTC),
    )
    with (
        opened(autocommit=True) as conn,
        Progress(console=err, transient=True) as progress,
    ):
        span = {"from": start.isoformat(), "to": chosen.time_to.isoformat()}
        audit.note_command(conn, f"export {what.value}", ",".join(chosen.cranes) or "all", span)
        task = progress.add_task("cranes written", total=len(chosen.cranes) or None)
        rows = export(conn, what.value, file, chosen, on_step=lambda: progress.advance(task))
    out.print(f"{file}: {rows} rows", highlight=False, soft_wrap=True)


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
    from duty.status_csv import read_codes
    from store import faults

    found = read_codes(file.read_text("utf-8-sig"))
    if found.problems:
        for problem in found.problems:
            err.print(f"{file}:{problem.line}: {problem.text}", highlight=False, markup=False)
        err.print("nothing was stored", highlight=False)
        raise typer.Exit(1)

    with opened() as conn:
        faults.enter_status_codes(conn, found.codes, source=source, type=crane_type)
    out.print(f"{len(found.codes)} status codes stored", highlight=False)


@codes_app.command("list")
def list_codes() -> None:
    """List the status codes whose meaning is known."""
    from store.faults import STATUS_CODES

    table = Table("code", "type", "meaning", "advice", "source")
    with opened() as conn:
        for row in STATUS_CODES.all(conn):
            table.add_row(row.code, row.type or "every", row.meaning, row.advice, row.source)
    out.print(table)
