"""`boomledger demo`: the whole product on this machine, with the invented yard, live."""

import threading
import webbrowser
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

from rich.console import Console

from analytics import rebuild
from boomledger import history
from boomledger.recounting import rebuild_shown
from boomledger.settings import Settings
from boomledger.simulate import count, write
from boomledger.stack import Stack
from boomledger.yard import decide_overloads, enter_records, is_registered, register, running_day
from simulator.crew import usable_processors
from simulator.yard import Yard, load_yard

HISTORY_STEP_MS: Final = 200  # under load; 100 would take half as long again
LOOK_EVERY_S: Final = 1.0
UNFINISHED: Final = "history.unfinished"  # in the data folder while the history is being written


def demo(
    settings: Settings,
    *,
    history_days: int,
    open_browser: bool,
    stop: threading.Event,
    console: Console,
    today: date | None = None,
    on_ready: Callable[[str], object] = lambda url: None,
) -> None:
    """Start everything, wait until `stop` is set or a part fails, stop everything.

    `today` is the day after the history; None: the running day of the yard. Raises Conflict when another process holds the data folder, Unavailable when a part stops by itself.
    """
    with Stack(settings.data_dir, settings) as stack:
        console.print(f"database and broker ({stack.broker_kind}) run; data in {stack.data_dir}")
        today = today or running_day(datetime.now(UTC))
        if not _count_older(stack.database_url, stop, console):
            console.print("stopped; the next start goes on with the counts")
            return
        if not is_registered(stack.database_url, load_yard(today)):
            _begin_history(stack.data_dir, history_days, today)
        if not _finish_history(stack, settings, stop, console):
            console.print("stopped; the next start goes on with the history")
            return
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


def _count_older(url: str, stop: threading.Event, console: Console) -> bool:
    """Count anew what an older method counted into this data folder; whether nothing is left of it."""
    if not rebuild.outdated(url):
        return True
    console.print("the data folder was counted by an older method: counting again")
    _, left = rebuild_shown(url, rebuild.changed(url, {}), stop)
    if left is None:
        rebuild.drop_unused(url)
    return left is None


def _begin_history(data_dir: Path, days: int, today: date) -> None:
    (data_dir / UNFINISHED).write_text(f"{today - timedelta(days=days)} {days}\n")


def _finish_history(stack: Stack, settings: Settings, stop: threading.Event, console: Console) -> bool:
    """Write and count the history that was begun, now or at an interrupted start; whether it is complete."""
    unfinished = stack.data_dir / UNFINISHED
    if not unfinished.exists():
        return True
    first, days = unfinished.read_text().split()
    plan = _history(date.fromisoformat(first), int(days))
    url = stack.database_url
    register(url, plan.yard, plan.first_day)
    processes = usable_processors() if plan.crane_days >= history.SHARED_FROM_CRANE_DAYS else 1
    with history.workers(settings, processes) as crew:
        write(crew, url, plan, console, stop=stop)
        if not stop.is_set():
            count(crew, url, console, stop=stop)
    if not stop.is_set():
        decide_overloads(url)
        enter_records(url, plan.first_day + timedelta(days=plan.days))
        unfinished.unlink()
    return not stop.is_set()


def _history(first_day: date, days: int) -> history.History:
    """The same days again whenever they are written: the yard as it stands on the day after them."""
    whole = load_yard(first_day + timedelta(days=days))
    return history.History(
        yard=Yard(site=whole.site, cranes=whole.cranes), first_day=first_day, days=days, dt_ms=HISTORY_STEP_MS
    )


def _start(stack: Stack, settings: Settings) -> str:
    stack.spawn("ingest", ["ingest"])
    stack.spawn("analyse", ["analyse", "--follow"])
    stack.spawn("watch", ["watch"], BOOMLEDGER_ALERT_EVERY_S="15")
    url = stack.serve(settings.port)
    stack.spawn("simulate", ["simulate", "--live"])
    return url
