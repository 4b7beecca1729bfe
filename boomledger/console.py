"""What every command shares: the two consoles and the settings in force."""

import typer
from pydantic import ValidationError
from rich.console import Console

from boomledger.settings import Settings, config_file

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
