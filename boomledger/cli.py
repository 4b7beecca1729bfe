"""The `boomledger` command. Each command imports what it needs when it runs, so that help answers at once."""

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from pydantic import SecretStr, ValidationError
from rich.console import Console
from rich.table import Table

from boomledger.settings import Settings, config_file
from domain.errors import BoomledgerError
from domain.messages import utc

if TYPE_CHECKING:
    from analytics.worker import Done

app = typer.Typer(
    name="boomledger",
    help="Keeps the telemetry of loader cranes and answers: which run near the limit, how much structural life "
    "is used, which crane can take this job.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
db_app = typer.Typer(help="The database: schema, backup, restore.", no_args_is_help=True)
crane_app = typer.Typer(help="The cranes of the fleet.", no_args_is_help=True)
app.add_typer(db_app, name="db")
app.add_typer(crane_app, name="crane")
user_app = typer.Typer(help="The people who may sign in.", no_args_is_help=True)
app.add_typer(user_app, name="user")
out = Console()
err = Console(stderr=True)


def load_settings(**overrides: object) -> Settings:
    """The settings in force; ends the program with one line for each wrong one."""
    given = {name: value for name, value in overrides.items() if value is not None}
    try:
        return Settings(**given)  # type: ignore[arg-type]
    except ValidationError as wrong:
        for problem in wrong.errors():
            name = ".".join(str(part) for part in problem["loc"])
            err.print(
                f"setting {name}: {problem['msg']} (environment BOOMLEDGER_{name.upper()} or {config_file()})"
            )
        raise typer.Exit(2) from wrong


def main() -> None:
    """Run the command line; expected errors end in one line, not in a traceback."""
    try:
        app()
    except BoomledgerError as error:
        err.print(f"[bold]boomledger:[/bold] {error}", highlight=False)
        sys.exit(1)


@app.command()
def demo(
    data_dir: Annotated[Path | None, typer.Option(help="Folder for database, broker and logs.")] = None,
    port: Annotated[
        int | None, typer.Option(help="Port of the web pages; another free one if it is taken.")
    ] = None,
    history_days: Annotated[
        int, typer.Option(min=0, max=1000, help="Days of history at the first start.")
    ] = 60,
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
) -> None:
    """Count the crane-days whose data changed: until none waits, or for ever with --follow."""
    from boomledger.services import run_analytics

    counted = 0

    def show(done: "Done") -> None:
        nonlocal counted
        counted += len(done.days)
        if not follow:
            out.print(f"{done.crane}: {len(done.days)} days, {done.samples} samples", highlight=False)

    run_analytics(load_settings(), follow=follow, on_done=show)
    out.print(f"{counted} crane-days counted", highlight=False)


@app.command()
def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
) -> None:
    """Serve the web pages and the api until told to stop."""
    from boomledger.services import run_web

    run_web(load_settings(host=host, port=port))


@db_app.command("migrate")
def db_migrate() -> None:
    """Bring the database's schema up to date. Safe to run again, and by several at once."""
    from boomledger.services import database_url
    from store.migrate import migrate

    applied = migrate(database_url(load_settings()))
    out.print("\n".join(f"applied {name}" for name in applied) or "nothing to do", highlight=False)


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
    days: Annotated[int, typer.Option(min=1, max=3660, help="Days to simulate, the last one yesterday.")] = 5,
    cranes: Annotated[int, typer.Option(min=1, max=12, help="Cranes of the yard, the first ones.")] = 12,
    seed: Annotated[int, typer.Option(min=0)] = 1,
    factor: Annotated[
        float, typer.Option(min=0.1, max=1000, help="How many times faster than the clock (--live).")
    ] = 1.0,
    truth: Annotated[Path | None, typer.Option(help="Write the ground truth there, as Parquet.")] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Count, and print the differences to the truth.")
    ] = False,
) -> None:
    """Simulate the invented yard: live over the broker, or days of it straight into the database."""
    from boomledger import simulate as simulation
    from boomledger.services import stop_on_signals

    settings = load_settings()
    if live:
        simulation.run_live(settings, stop_on_signals(), factor=factor)
        return
    passed = simulation.run_days(settings, days, cranes, seed, truth, check=check, console=out)
    raise typer.Exit(0 if passed else 1)


@crane_app.command("example")
def crane_example() -> None:
    """Print an invented crane with its site as JSON, to start from."""
    from simulator.yard import load_yard

    crane = load_yard().cranes[0]
    print(
        json.dumps(
            {"site": crane.site.model_dump(mode="json"), "crane": crane.crane.model_dump(mode="json")},
            indent=2,
        )
    )


@crane_app.command("add")
def crane_add(
    file: Annotated[
        Path, typer.Argument(exists=True, dir_okay=False, help="JSON as `crane example` prints it.")
    ],
) -> None:
    """Register a crane and its site, or replace what is known of it."""
    from boomledger.registry import read_crane_file
    from boomledger.services import database_url
    from store import cranes
    from store.connection import connect

    site, crane = read_crane_file(file)
    with connect(database_url(load_settings())) as conn:
        cranes.save_site(conn, site)
        cranes.save_crane(conn, crane)
    out.print(f"{crane.name} at {site.name} is registered", highlight=False)


@crane_app.command("list")
def crane_list() -> None:
    """List the cranes that are registered."""
    from boomledger.services import database_url
    from store import cranes
    from store.connection import connect

    table = Table("crane", "title", "type", "site", "draft")
    with connect(database_url(load_settings())) as conn:
        for record in cranes.list_cranes(conn):
            crane = record.crane
            table.add_row(crane.name, crane.title, crane.type.name, crane.site, "yes" if crane.draft else "")
    out.print(table)


@user_app.command("add")
def user_add(
    name: Annotated[str, typer.Argument(help="Name to sign in with.")],
    role: Annotated[str, typer.Option(help="viewer, dispatcher, engineer or admin.")] = "viewer",
    site: Annotated[
        list[str] | None, typer.Option(help="Site it may see; again for more. Default: every site.")
    ] = None,
) -> None:
    """Add an account. The password is asked for, or read from standard input when that is no terminal."""
    from boomledger.services import database_url
    from store.access import Role, create_user
    from store.connection import connect

    if role not in set(Role):
        err.print(f"role {role!r} is none of {', '.join(Role)}", highlight=False)
        raise typer.Exit(2)
    if sys.stdin.isatty():
        password = typer.prompt("password", hide_input=True, confirmation_prompt=True)
    else:
        password = sys.stdin.readline().rstrip("\n")
    with connect(database_url(load_settings())) as conn:
        create_user(conn, name, password, role, site)
    out.print(f"{name} may sign in as {role}", highlight=False)


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
        stop=stop_on_signals(),
        console=out,
    )


def read_time(text: str | None, option: str) -> datetime | None:
    """A time with its zone; ends the program with a word on what is missing."""
    if text is None:
        return None
    try:
        return utc(datetime.fromisoformat(text))
    except ValueError as problem:
        err.print(f"{option}: {problem}; write it like 2026-01-05T07:30:00Z", highlight=False)
        raise typer.Exit(2) from problem
