"""The `boomledger` command. Each command imports what it needs when it runs, so that help answers at once."""

import sys
from pathlib import Path
from typing import Annotated

import typer
from pydantic import SecretStr, ValidationError
from rich.console import Console
from rich.table import Table

from boomledger.settings import Settings, config_file
from domain.errors import BoomledgerError

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
            err.print(f"setting {name}: {problem['msg']} (environment BOOMLEDGER_{name.upper()} or {config_file()})")
        raise typer.Exit(2) from wrong


def main() -> None:
    """Run the command line; expected errors end in one line, not in a traceback."""
    try:
        app()
    except BoomledgerError as error:
        err.print(f"[bold]boomledger:[/bold] {error}", highlight=False)
        sys.exit(1)


DataDir = Annotated[Path | None, typer.Option(help="Folder for database, broker and logs.")]


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
def health(url: Annotated[str, typer.Argument(help="Health or metrics address of a running process.")]) -> None:
    """Exit 0 when the address answers 200 within five seconds, else 1."""
    import httpx

    try:
        answer = httpx.get(url, timeout=5.0)
    except httpx.HTTPError as problem:
        err.print(f"{url}: {problem}")
        raise typer.Exit(1) from problem
    raise typer.Exit(0 if answer.status_code == httpx.codes.OK else 1)
