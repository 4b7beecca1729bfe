"""The `boomledger` command. Each command imports what it needs when it runs, so that help answers at once."""

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from pydantic import SecretStr
from rich.table import Table

from boomledger import admin, channels, clocks, descriptions, exclusions, privacy, recounting, transfer
from boomledger.console import err, load_settings, out, read_time
from boomledger.settings import Settings
from domain.errors import BoomledgerError

app = typer.Typer(
    name="boomledger",
    help="Keeps the telemetry of loader cranes and answers: which run near the limit, how much structural life "
    "is used, which crane can take this job.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
for name, group in (
    ("db", admin.db_app),
    ("crane", admin.crane_app),
    ("user", admin.user_app),
    ("quarantine", admin.quarantine_app),
    ("clock", clocks.clock_app),
    ("account", admin.account_app),
    ("alert", admin.alert_app),
    ("audit", privacy.audit_app),
    ("person", privacy.person_app),
    ("codes", transfer.codes_app),
    ("exclusion", exclusions.exclusion_app),
    ("channel", channels.channel_app),
):
    app.add_typer(group, name=name)
admin.crane_app.command("describe")(descriptions.describe)
admin.crane_app.command("descriptions")(descriptions.descriptions)
app.command("recount")(recounting.recount)
app.command("import")(transfer.import_files)
app.command("export")(transfer.export_file)


def main() -> None:
    """Run the command line; expected errors end in one line, not in a traceback."""
    try:
        app()
    except BoomledgerError as error:
        err.print(f"[bold]boomledger:[/bold] {error}", highlight=False, soft_wrap=True)
        sys.exit(1)
    except Exception as error:
        from store.connection import AWAY, first_line, state_of  # here, so that help answers at once

        if not isinstance(error, AWAY):
            raise
        err.print(
            f"[bold]boomledger:[/bold] {state_of(error)} ({first_line(error)}); run it again",
            highlight=False,
            soft_wrap=True,
        )
        sys.exit(1)


@app.command()
def demo(
    data_dir: Annotated[Path | None, typer.Option(help="Folder for database, broker and logs.")] = None,
    port: Annotated[
        int | None, typer.Option(help="Port of the web pages; another free one if it is taken.")
    ] = None,
    history_days: Annotated[
        int, typer.Option(min=0, max=1000, help="Days of history at the first start.")
    ] = 365,
    browser: Annotated[bool, typer.Option(help="Open the fleet page in a browser.")] = False,
) -> None:
    """Run everything on this machine with an invented yard of cranes, live, until Ctrl-C."""
    from boomledger.demo import demo as run_demo
    from boomledger.services import stop_on_signals

    settings = load_settings(data_dir=data_dir, port=port)
    run_demo(settings, history_days=history_days, open_browser=browser, stop=stop_on_signals(), console=out)


@app.command()
def selfcheck(
    days: Annotated[int, typer.Option(min=1, max=60, help="Simulated days.")] = 5,
    cranes: Annotated[
        int, typer.Option(min=1, max=12, help="Cranes of the invented yard that take part.")
    ] = 12,
    seed: Annotated[int, typer.Option(min=0, help="Other seed, other days.")] = 1,
    as_json: Annotated[
        bool, typer.Option("--json", help="End with one line of JSON instead of a table.")
    ] = False,
    keep: Annotated[
        Path | None, typer.Option(help="Run in this empty folder and keep it, logs and all.")
    ] = None,
) -> None:
    """Run the whole chain in an empty folder, compare the answers with known truth, clean up."""
    from boomledger.selfcheck import selfcheck as run_selfcheck

    report = run_selfcheck(
        days, cranes, seed, load_settings(), keep=keep, say=lambda text: err.print(text, highlight=False)
    )
    total, failed = len(report.checks), report.failed
    if as_json:
        fields = {
            "checks": total,
            "failed": failed,
            "seconds": round(report.seconds, 1),
            "messages": report.messages,
            "samples": report.samples,
            "broker": report.broker,
            "compared": [vars(check) for check in report.checks],
        }
        print(json.dumps(fields))
    else:
        table = Table()
        table.add_column("compared", no_wrap=True)
        table.add_column("true")
        table.add_column("answered")
        table.add_column("")
        for check in report.checks:
            table.add_row(
                check.what, check.true, check.found, "ok" if check.passed else "[bold]differs[/bold]"
            )
        out.print(table)
        out.print(
            f"{report.samples} samples in {report.messages} messages through {report.broker}, {report.seconds:.0f} s",
            highlight=False,
        )
        print(f"selfcheck: {total} checks, {failed} failed")
    raise typer.Exit(1 if failed else 0)


@app.command()
def ingest() -> None:
    """Move messages from the broker into the database until told to stop."""
    from boomledger.services import run_ingest

    run_ingest(load_settings())


@app.command()
def analyse(
    follow: Annotated[bool, typer.Option("--follow", help="Go on until told to stop.")] = False,
    again: Annotated[bool, typer.Option("--again", help="Queue every recorded day first.")] = False,
    scheduler: Annotated[
        str | None,
        typer.Option(help="Count on a Dask scheduler, such as tcp://host:8786; `local` starts one here."),
    ] = None,
) -> None:
    """Count the crane-days whose data changed: until none waits, or for ever with --follow."""
    from boomledger import services

    settings = load_settings()
    if again:
        from analytics.rebuild import touch_recorded

        out.print(f"{touch_recorded(services.database_url(settings))} crane-days queued", highlight=False)
    if scheduler is not None:
        counted = services.run_scaled(settings, None if scheduler == "local" else scheduler)
    else:
        counted = services.run_analytics(settings, follow=follow)
    out.print(f"{counted} crane-days counted", highlight=False)


@app.command()
def watch(
    once: Annotated[bool, typer.Option("--once", help="One round, then end.")] = False,
) -> None:
    """Judge the alert rules and send e-mail and web calls until told to stop."""
    from boomledger.services import run_watch

    run_watch(load_settings(), once=once)


@app.command()
def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
    fd: Annotated[int | None, typer.Option(hidden=True, help="Descriptor of a socket that listens.")] = None,
) -> None:
    """Serve the web pages and the api until told to stop."""
    from boomledger.services import run_web

    run_web(load_settings(host=host, port=port), fd)


@app.command("settings")
def show_settings() -> None:
    """Show every setting in force, secrets masked."""
    settings = load_settings()
    table = Table("setting", "value", "meaning")
    for name, field in Settings.model_fields.items():
        value = getattr(settings, name)
        shown = "********" if isinstance(value, SecretStr) else "" if value is None else str(value)
        table.add_row(f"BOOMLEDGER_{name.upper()}", shown, field.description)
    out.print(table)


@app.command()
def health(
    url: Annotated[str, typer.Argument(help="Health or metrics address of a running process.")],
) -> None:
    """Exit 0 when the address answers 200 within five seconds, else 1."""
    import httpx

    try:
        answer = httpx.get(url, timeout=5.0)
    except httpx.HTTPError as problem:
        err.print(f"{url}: {problem}")
        raise typer.Exit(1) from problem
    raise typer.Exit(0 if answer.status_code == httpx.codes.OK else 1)


@app.command()
def simulate(
    live: Annotated[
        bool, typer.Option("--live", help="Send the yard's work as it happens, until told to stop.")
    ] = False,
    days: Annotated[int, typer.Option(min=1, max=3660, help="Days to simulate.")] = 5,
    last_day: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="Last of these days; yesterday when not given."),
    ] = None,
    cranes: Annotated[int, typer.Option(min=1, max=12, help="Cranes of the yard, the first ones.")] = 12,
    seed: Annotated[int, typer.Option(min=0)] = 1,
    field: Annotated[
        bool,
        typer.Option("--field", help="The field cases, each with one thing wrong, instead of the yard."),
    ] = False,
    publish: Annotated[
        bool,
        typer.Option(
            "--publish", help="Send the days over the broker instead of straight into the database."
        ),
    ] = False,
    factor: Annotated[
        float, typer.Option(min=0.1, max=1000, help="How many times faster than recorded (--publish).")
    ] = 1.0,
    truth: Annotated[Path | None, typer.Option(help="Write the ground truth there, as Parquet.")] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Count, and print the differences to the truth.")
    ] = False,
) -> None:
    """Simulate the invented yard: live over the broker, or days of it straight into the database."""
    from boomledger import simulate as simulation
    from boomledger.services import stop_on_signals

    settings, last = load_settings(), last_day.date() if last_day else None
    if live:
        simulation.run_live(settings, stop_on_signals())
        return
    if publish:
        simulation.run_published(
            settings,
            days,
            cranes,
            seed,
            last_day=last,
            field=field,
            factor=factor,
            stop=stop_on_signals(),
            console=out,
        )
        return
    passed = simulation.run_days(
        settings, days, cranes, seed, truth, last_day=last, check=check, field=field, console=out
    )
    raise typer.Exit(0 if passed else 1)


@app.command()
def replay(
    crane: Annotated[list[str] | None, typer.Option(help="Crane to show again; again for more.")] = None,
    time_from: Annotated[
        str | None, typer.Option("--from", help="Start, such as 2026-01-05T07:30:00Z.")
    ] = None,
    time_to: Annotated[str | None, typer.Option("--to", help="End, likewise.")] = None,
    samples: Annotated[
        Path | None, typer.Option(help="Parquet or CSV of samples instead of the database.")
    ] = None,
    events: Annotated[Path | None, typer.Option(help="Parquet or CSV of events to go with it.")] = None,
    factor: Annotated[
        float, typer.Option(min=0.1, max=1000, help="How many times faster than recorded.")
    ] = 1.0,
    thin: Annotated[
        bool, typer.Option("--thin", help="Send CBOR under zstd instead of JSON, as over a thin link.")
    ] = False,
) -> None:
    """Send a recorded period over the broker once more, as if live, each crane as its twin replay-NAME."""
    from boomledger import replay as replaying
    from boomledger.services import stop_on_signals

    replaying.run(
        load_settings(),
        names=crane or (),
        time_from=read_time(time_from, "--from"),
        time_to=read_time(time_to, "--to"),
        samples_file=samples,
        events_file=events,
        factor=factor,
        thin=thin,
        stop=stop_on_signals(),
        console=out,
    )
