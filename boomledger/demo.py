"""`boomledger demo`: the whole product on this machine, with the invented yard, live."""

import threading
import webbrowser
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Final

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from boomledger.settings import Settings
from boomledger.stack import Stack
from boomledger.yard import register, write_history
from domain.errors import Conflict
from simulator.generate import generate
from simulator.yard import Yard, load_yard
from store.connection import connect
from store.cranes import list_cranes

HISTORY_STEP_MS: Final = 1000
LOOK_EVERY_S: Final = 1.0


def demo(
    settings: Settings,
    *,
    history_days: int,
    open_browser: bool,
    stop: threading.Event,
    console: Console,
    on_ready: Callable[[str], object] = lambda url: None,
) -> None:
    """Start everything, wait until `stop` is set or a part fails, stop everything.

    Raises Conflict when another process holds the data folder, Unavailable when a part stops by itself.
    """
    with Stack(settings.data_dir, settings) as stack:
        console.print(f"database and broker ({stack.broker_kind}) run; data in {stack.data_dir}")
        yard = load_yard(datetime.now(UTC).date())
        with connect(stack.database_url) as conn:
            known = {record.crane.name for record in list_cranes(conn)}
        if not known:
            _write_history(stack, yard, history_days, console)
        elif not known >= {crane.name for crane in yard.cranes}:
            raise Conflict(
                "this database holds other cranes: the invented yard is not mixed with real ones; "
                "choose another data folder or database for the demo"
            )
        url = _start(stack, settings)
        console.print(
            f"\n[bold]{url}[/bold]  every crane and figure in it is invented. Ctrl-C stops everything.\n"
        )
        on_ready(url)
        if open_browser:
            webbrowser.open(url)
        while not stop.wait(LOOK_EVERY_S):
            stack.check()
        console.print("stopping")


def _write_history(stack: Stack, yard: Yard, days: int, console: Console) -> None:
    first = datetime.now(UTC).date() - timedelta(days=days)
    register(stack.database_url, yard, first)
    if not days:
        return
    with Progress(
        TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn(), console=console
    ) as progress:
        task = progress.add_task(f"writing {days} days of history", total=days * len(yard.cranes))
        records = generate(yard.cranes, first, days, dt_ms=HISTORY_STEP_MS, samples_per_message=600)
        write_history(stack.database_url, records, on_record=lambda _: progress.advance(task))
        progress.update(task, completed=days * len(yard.cranes))


def _start(stack: Stack, settings: Settings) -> str:
    stack.spawn("ingest", ["ingest"])
    stack.spawn("analyse", ["analyse", "--follow"])
    stack.spawn("watch", ["watch"], BOOMLEDGER_ALERT_EVERY_S="15")
    url = stack.serve(settings.port)
    stack.spawn("simulate", ["simulate", "--live"])
    return url
