"""`boomledger simulate`: the invented yard live over the broker, or days of it straight into the database."""

import threading
import time
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from rich.console import Console
from rich.progress import Progress

from boomledger import history
from boomledger.console import err, say_notice
from boomledger.postgres import EmbeddedPostgres
from boomledger.services import broker_url, database_url, set_up_logging
from boomledger.settings import Settings
from boomledger.tally import Part, Tally, part_of
from boomledger.yard import is_registered, register, running_day
from domain.units import MS_PER_S
from simulator.crew import Crew, usable_processors
from simulator.generate import generate
from simulator.live import live_messages
from simulator.outbox import Outbox
from simulator.publish import Publisher, in_sending_order
from simulator.record import DayRecord
from simulator.truth import Rows, TruthWriter, joined, rows_of
from simulator.yard import Yard, field_cases, load_yard
from store.migrate import migrate

CASE_DAYS: Final = 5  # of the field cases in a check, at most: what is wrong with a crane shows at once


def run_live(settings: Settings, stop: threading.Event) -> None:
    """Send the yard's work as it happens. Registers the yard where it is not known."""
    set_up_logging(settings)
    today = running_day(datetime.now(UTC))
    yard = load_yard(today)
    url = database_url(settings)
    if not is_registered(url, yard):
        register(url, yard, today)
    file = settings.data_dir / "simulator" / "outbox.sqlite"
    file.parent.mkdir(parents=True, exist_ok=True)
    before = last_change(file)
    start = datetime.now(UTC)
    start_ms = round(start.timestamp() * MS_PER_S)
    # Cache on disk: what has no receipt when this ends goes out at the next start.
    with (
        Outbox(file) as outbox,
        Publisher(
            broker_url(settings),
            outbox,
            ca_file=settings.broker_ca_file,
            patience_s=None,
            on_notice=say_notice,
            thin=yard.thin,
        ) as publisher,
    ):
        if refused := outbox.send_refused_again():
            err.print(f"{refused} messages were refused before; they are sent once more", highlight=False)
        messages = live_messages(yard.cranes, start, seed=start_ms, not_before=before)
        publisher.run(messages, factor=1.0, zero_ms=start_ms, stop=stop)


def last_change(outbox: Path) -> datetime | None:
    """When a run before this one last touched its outbox, as it does for every message; None where there was none."""
    found = [file.stat().st_mtime for file in outbox.parent.glob(f"{outbox.name}*")]
    return datetime.fromtimestamp(max(found), UTC) if found else None


def run_published(
    settings: Settings,
    days: int,
    cranes: int,
    seed: int,
    *,
    last_day: date | None = None,
    field: bool = False,
    factor: float,
    stop: threading.Event,
    console: Console,
) -> None:
    """Send days of the yard, or of the field cases, over the broker, one after the other: nights are left out."""
    url, today = database_url(settings), _day_after(last_day)
    first = today - timedelta(days=days)
    yard = field_cases(today) if field else first_cranes(load_yard(today), cranes)
    is_registered(url, yard)
    register(url, yard, first)
    messages = stored = aside = 0
    with Publisher(
        broker_url(settings), ca_file=settings.broker_ca_file, on_notice=say_notice, thin=yard.thin
    ) as publisher:
        for offset in range(days):
            records = list(generate(yard.cranes, first + timedelta(days=offset), 1, seed))
            sent = publisher.run(in_sending_order(records), factor=factor, stop=stop)
            messages, stored = messages + sent.messages, stored + sent.stored
            aside += sent.quarantined
            if stop.is_set():
                break
    also = f", {aside} are in quarantine" if aside else ""
    console.print(f"{stored} of {messages} messages are stored{also}", highlight=False)


def first_cranes(yard: Yard, cranes: int) -> Yard:
    """The first cranes of a yard."""
    return Yard(site=yard.site, cranes=yard.cranes[:cranes])


def run_days(
    settings: Settings,
    days: int,
    cranes: int,
    seed: int,
    truth: Path | None,
    *,
    last_day: date | None = None,
    check: bool,
    field: bool = False,
    console: Console,
) -> bool:
    """Generate days of the yard, the last one yesterday or as named, into the configured database, else into a passing one.

    With `field` days of the field cases instead. With `truth` the ground truth is written there; with `check` the days are
    counted and compared with it, and a few days of the field cases beside them. Returns whether every comparison held. A
    checked yard has healthy sensors: noise, offset and quantisation are in, drift is not, because a drifting sensor is a
    fault to be found and not a difference to be tolerated.
    """
    set_up_logging(settings.model_copy(update={"log_level": "warning"}))
    today = _day_after(last_day)
    yard = _past_ingest(today) if field else first_cranes(load_yard(today, healthy=check), cranes)
    plan = history.History(yard=yard, first_day=today - timedelta(days=days), days=days, seed=seed)
    plans = [plan]
    if check and not field:
        some = min(days, CASE_DAYS)
        first = today - timedelta(days=some)
        plans.append(history.History(yard=_past_ingest(today), first_day=first, days=some, seed=seed))
    crane_days = sum(each.crane_days for each in plans)
    processes = usable_processors() if crane_days >= history.SHARED_FROM_CRANE_DAYS else 1
    with ExitStack() as stack:
        url = _database(settings, stack)
        for each in plans:
            is_registered(url, each.yard)
            register(url, each.yard, each.first_day)
        crew = stack.enter_context(history.workers(settings, processes))
        tally = Tally(crane for each in plans for crane in each.yard.cranes) if check else None
        for each in plans:
            write(crew, url, each, console, truth=truth if each is plan else None, tally=tally)
        if tally is None:
            return True
        count(crew, url, console)
        return tally.show(url, console)


def _day_after(last_day: date | None) -> date:
    """The day after the last simulated one: the yard's running day where none is named."""
    return running_day(datetime.now(UTC)) if last_day is None else last_day + timedelta(days=1)


def _past_ingest(today: date) -> Yard:
    """The field cases that show in a record written straight into the database."""
    cases = field_cases(today)
    shown = (crane for crane in cases.cranes if crane.expected is None or not crane.expected.by_ingest)
    return Yard(site=cases.site, cranes=tuple(shown))


def write(
    crew: Crew,
    url: str,
    plan: history.History,
    console: Console,
    *,
    truth: Path | None = None,
    tally: Tally | None = None,
    stop: threading.Event | None = None,
) -> None:
    """Write a history with progress, its truth to a folder and into a tally where they are given."""
    begun_s = time.monotonic()
    records = segments = samples = events = 0
    note = partial(_note, with_rows=truth is not None, with_part=tally is not None)
    with ExitStack() as stack:
        writer = stack.enter_context(TruthWriter(truth)) if truth is not None else None
        progress = stack.enter_context(Progress(console=console, transient=True))
        task = progress.add_task(f"writing {plan.days} days of history", total=plan.crane_days)
        for done, written, notes in history.write(crew, url, plan, note):
            progress.advance(task, done)
            if stop is not None and stop.is_set():
                break
            records += written.records
            segments += written.segments
            samples += written.samples
            events += written.events
            if writer is not None:
                writer.append(joined(rows for rows, _ in notes if rows is not None))
            if tally is not None:
                tally.add_all(part for _, part in notes if part is not None)
    console.print(
        f"{samples} samples in {segments} segments and {events} events of {records} working days are stored; "
        f"a sample every {plan.dt_ms} ms under load and every {plan.idle_ms} ms without; {_spoken(begun_s)}",
        highlight=False,
    )


def _note(record: DayRecord, with_rows: bool, with_part: bool) -> tuple[Rows | None, Part | None]:
    return rows_of(record) if with_rows else None, part_of(record) if with_part else None


def _spoken(begun_s: float) -> str:
    return f"{time.monotonic() - begun_s:.0f} s"


def _database(settings: Settings, stack: ExitStack) -> str:
    if settings.database_url is not None:
        return database_url(settings)
    folder = Path(stack.enter_context(TemporaryDirectory(prefix="boomledger-simulate-")))
    # Nothing of it is kept, so nothing has to survive a power cut.
    postgres = EmbeddedPostgres(folder / "postgres", {"fsync": "off", "full_page_writes": "off"})
    url = postgres.start()
    stack.callback(postgres.stop)
    migrate(url)
    return url


def count(crew: Crew, url: str, console: Console, *, stop: threading.Event | None = None) -> None:
    """Count every day that waits, with progress."""
    begun_s = time.monotonic()
    with Progress(console=console, transient=True) as progress:
        task = progress.add_task("counting", total=None)
        total = 0

        def show(left: int) -> None:
            nonlocal total
            total = max(total, left)
            progress.update(task, total=total, completed=total - left)

        history.count(crew, url, stop=stop, on_left=show)
    console.print(f"{total} crane-days counted; {_spoken(begun_s)}", highlight=False)
