"""`boomledger simulate`: the invented yard live over the broker, or days of it straight into the database."""

import threading
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.progress import Progress, track

from analytics.worker import run
from boomledger.postgres import EmbeddedPostgres
from boomledger.services import broker_url, database_url, set_up_logging
from boomledger.settings import Settings
from boomledger.tally import Tally
from boomledger.yard import register, write_history
from simulator.generate import generate
from simulator.live import live_messages
from simulator.outbox import Outbox
from simulator.publish import Publisher
from simulator.record import DayRecord
from simulator.truth import TruthWriter
from simulator.yard import Yard, load_yard
from store.connection import connect
from store.cranes import list_cranes
from store.migrate import migrate
from store.touched import waiting_days


def run_live(settings: Settings, stop: threading.Event, *, factor: float) -> None:
    """Send the yard's work as it happens. Registers the yard where it is not known."""
    set_up_logging(settings)
    today = datetime.now(UTC).date()
    yard = load_yard(today)
    _register_if_new(database_url(settings), yard, today)
    file = settings.data_dir / "simulator" / "outbox.sqlite"
    file.parent.mkdir(parents=True, exist_ok=True)
    start = datetime.now(UTC)
    start_ms = round(start.timestamp() * 1000)
    # Kept on disk: what has no receipt when this ends goes out at the next start.
    with Outbox(file) as outbox, Publisher(broker_url(settings), outbox, patience_s=None) as publisher:
        messages = live_messages(yard.cranes, start, seed=start_ms)
        publisher.run(messages, factor=factor, zero_ms=start_ms, stop=stop)


def _register_if_new(url: str, yard: Yard, first_day: date) -> None:
    with connect(url) as conn:
        known = {record.crane.name for record in list_cranes(conn)}
    if not known >= {crane.name for crane in yard.cranes}:
        register(url, yard, first_day)


def run_days(
    settings: Settings,
    days: int,
    cranes: int,
    seed: int,
    truth: Path | None,
    *,
    check: bool,
    console: Console,
) -> bool:
    """Generate days of the yard, the last one yesterday, into the configured database, else into a passing one.

    With `truth` the ground truth is written there; with `check` the days are counted and compared with it. Returns
    whether every comparison held. A checked yard has healthy sensors: noise, offset and quantisation are in, drift is
    not, because a drifting sensor is a fault to be found and not a difference to be tolerated.
    """
    set_up_logging(settings.model_copy(update={"log_level": "warning"}))
    today = datetime.now(UTC).date()
    first = today - timedelta(days=days)
    whole = load_yard(today, healthy=check)
    yard = Yard(site=whole.site, cranes=whole.cranes[:cranes])
    with ExitStack() as stack:
        url = _database(settings, stack)
        register(url, yard, first)
        tally = Tally(crane.name for crane in yard.cranes) if check else None
        writer = stack.enter_context(TruthWriter(truth)) if truth is not None else None
        records = generate(yard.cranes, first, days, seed)
        listed = track(
            _noted(records, writer, tally), "simulating", days * cranes, console=console, transient=True
        )
        written = write_history(url, listed)
        console.print(
            f"{written.samples} samples in {written.segments} segments and {written.events} events of "
            f"{written.records} working days are stored",
            highlight=False,
        )
        if tally is None:
            return True
        count(url, console)
        return tally.show(url, console)


def _database(settings: Settings, stack: ExitStack) -> str:
    if settings.database_url is not None:
        return database_url(settings)
    folder = Path(stack.enter_context(TemporaryDirectory(prefix="boomledger-simulate-")))
    postgres = EmbeddedPostgres(folder / "postgres")
    url = postgres.start()
    stack.callback(postgres.stop)
    migrate(url)
    return url


def count(url: str, console: Console) -> None:
    """Count every day that waits, with progress."""
    with connect(url) as conn:
        waiting = waiting_days(conn)
    with Progress(console=console, transient=True) as progress:
        task = progress.add_task("counting", total=waiting)
        run(url, threading.Event(), once=True, on_done=lambda done: progress.advance(task, len(done.days)))


def _noted(
    records: Iterable[DayRecord], writer: TruthWriter | None, tally: Tally | None
) -> Iterator[DayRecord]:
    for record in records:
        if writer is not None:
            writer.write(record)
        if tally is not None:
            tally.note(record)
        yield record
