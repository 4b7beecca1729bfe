"""`boomledger recount`: the history counted anew with other settings or another version, beside the counts in use."""

import json
import threading
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from boomledger.console import err, load_settings, out
from domain.errors import InvalidInput


def recount(
    settings_file: Annotated[
        Path | None,
        typer.Option(
            "--settings",
            exists=True,
            dir_okay=False,
            help="JSON as --show prints it, or the part of it that changes. Default: as they are.",
        ),
    ] = None,
    show: Annotated[
        bool, typer.Option("--show", help="Print the settings that are counted with, and do nothing.")
    ] = False,
    keep: Annotated[bool, typer.Option("--keep", help="Keep the old counts beside the new ones.")] = False,
    days_per_claim: Annotated[
        int, typer.Option(min=1, max=366, help="Most days of one crane in one transaction.")
    ] = 31,
) -> None:
    """Count all of the history anew after a change of settings or version; answers stay the old until it is done.

    Interrupted, it goes on where it was when run again with the same settings. Several may run at once.
    """
    from analytics import rebuild
    from boomledger.services import database_url

    url = database_url(load_settings())
    if show:
        print(json.dumps(asdict(rebuild.settings_in_use(url)), indent=2))
        return
    settings = rebuild.changed(url, read_changes(settings_file))
    try:
        count_anew(url, settings, keep=keep, days_per_claim=days_per_claim)
    except rebuild.NothingToRebuild as nothing:
        out.print(str(nothing), highlight=False)


def count_anew(url: str, settings: Any, *, keep: bool = False, days_per_claim: int = 31) -> None:
    """Counts the history anew with progress, and says how it ended. Raises typer.Exit where it was stopped."""
    import duty
    from analytics import rebuild
    from boomledger.services import stop_on_signals

    stop = stop_on_signals()
    duty.warm_up()
    done, left = rebuild_shown(url, settings, stop, days_per_claim)
    if left is not None:
        err.print(
            f"stopped: {done} crane-days counted, {left} left. The old counts are still in use; run the same "
            "command again to go on.",
            highlight=False,
        )
        raise typer.Exit(1)
    dropped = 0 if keep else rebuild.drop_unused(url)
    out.print(
        f"{done} crane-days counted; answers come from the new counts now"
        + (f"; {dropped} older kept no longer" if dropped else ""),
        highlight=False,
    )


def read_changes(file: Path | None) -> dict[str, Any]:
    """What a file of settings says; nothing without one. Raises InvalidInput when it is no JSON object."""
    if file is None:
        return {}
    try:
        found = json.loads(file.read_text())
    except ValueError as problem:
        raise InvalidInput(f"{file} is no JSON: {problem}", field="settings") from problem
    if not isinstance(found, dict):
        raise InvalidInput(
            f"{file} holds no object: start from `boomledger recount --show`", field="settings"
        )
    return found


def rebuild_shown(
    url: str, settings: Any, stop: threading.Event, days_per_claim: int = 31
) -> tuple[int, int | None]:
    """Counts the history anew with progress: crane-days counted, and how many are left where it was stopped."""
    from analytics import rebuild

    done = left = 0
    columns = (TextColumn("counting"), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    with Progress(*columns, TimeRemainingColumn(), console=err) as progress:
        bar = progress.add_task("counting", total=None)

        def note(counted: int, waiting: int) -> None:
            nonlocal done, left
            done, left = counted, waiting
            progress.update(bar, completed=counted, total=counted + waiting)

        finished = rebuild.rebuild(url, settings, stop, days_per_claim=days_per_claim, on_progress=note)
    return done, None if finished else left
