"""What every command shares: the two consoles, the settings in force, and times as they are typed."""

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar

import typer
from pydantic import BaseModel, ValidationError
from rich.console import Console

from boomledger.settings import Settings, config_file
from domain.messages import NoticeMessage, utc
from words.texts import Language, speak

if TYPE_CHECKING:
    from psycopg import Connection

Model = TypeVar("Model", bound=BaseModel)
out = Console()
err = Console(stderr=True)


def load_settings(**overrides: object) -> Settings:
    """The settings in force, and their language for all that this process says; ends the program with one line for each wrong one."""
    given = {name: value for name, value in overrides.items() if value is not None}
    try:
        settings = Settings(**given)  # type: ignore[arg-type]
    except ValidationError as wrong:
        for problem in wrong.errors():
            name = ".".join(str(part) for part in problem["loc"])
            err.print(
                f"setting {name}: {problem['msg']} (environment BOOMLEDGER_{name.upper()} or {config_file()})"
            )
        raise typer.Exit(2) from wrong
    speak(Language(settings.language))
    return settings


def opened(*, autocommit: bool = False, writes: bool = False) -> "Connection[Any]":
    """A connection to the configured database; with `writes` to the server that takes writes."""
    from boomledger.services import database_url
    from store.connection import connect

    return connect(database_url(load_settings()), autocommit=autocommit, writes=writes)


def checked(kind: type[Model], given: Mapping[str, object]) -> Model:
    """What was typed as a value of the domain; ends the program with a line for each part that is wrong."""
    try:
        return kind.model_validate(given)
    except ValidationError as wrong:
        err.print("\n".join(str(problem["msg"]) for problem in wrong.errors()), highlight=False)
        raise typer.Exit(2) from wrong


def say_notice(crane: str, notice: NoticeMessage) -> None:
    """What a sender gets wrong, as ingest told it."""
    err.print(
        f"notice to {crane}: {notice.code} ({notice.outcome}, {notice.messages} messages): {notice.text}",
        highlight=False,
        markup=False,
        soft_wrap=True,
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
