"""A long history of the yard: made and stored, then counted, by several processes at once."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import Any, Final, TypeVar

from analytics.worker import run
from boomledger.services import set_up_logging
from boomledger.settings import Settings
from boomledger.yard import write_history
from domain.errors import Unavailable
from simulator.bulk import Written
from simulator.crew import Crew
from simulator.generate import generate
from simulator.record import DayRecord
from simulator.yard import Yard
from store.connection import connect
from store.touched import waiting_days

T = TypeVar("T")

SHARED_FROM_CRANE_DAYS: Final = 200  # below, starting more processes costs more than they save
SAMPLES_PER_MESSAGE: Final = 400  # most lifts in one message, and its row still within a page of the database
DAYS_A_TASK: Final = 7
DAYS_PER_CLAIM: Final = (
    64  # what follows from a claim (months, lifts, summary) is then written a few times only
)
SLICE_S: Final = 2.0  # a worker looks up so often, for progress and for the end


@dataclass(frozen=True, kw_only=True)
class History:
    """Days of the yard, from `first_day` on. Made again they are the same, so that a write can be repeated.

    A sample every `dt_ms` while a load hangs on the hook, every `idle_ms` without.
    """

    yard: Yard
    first_day: date
    days: int
    seed: int = 1
    dt_ms: int = 100
    idle_ms: int = 1000

    @property
    def crane_days(self) -> int:
        """Days of all cranes, with work or without."""
        return self.days * len(self.yard.cranes)


def workers(settings: Settings, processes: int) -> Crew:
    """Processes for `write` and `count`, whose log says warnings only."""
    quiet = settings.model_copy(update={"log_level": "warning"})
    return Crew(processes, prepare=partial(set_up_logging, quiet))


def write(
    crew: Crew,
    database_url: str,
    history: History,
    note: Callable[[DayRecord], T],
) -> Iterator[tuple[int, Written, list[T]]]:
    """Write the history past the broker, some days of all cranes at a time.

    Yields, in order of time: crane-days done, what was written, and `note(record)` of each record. `note` runs where the
    record was made and must be importable. Stop early by leaving the loop: what is stored stays, and storing it again
    changes nothing.
    """
    tasks = (
        (
            database_url,
            history,
            history.first_day + timedelta(days=first),
            min(DAYS_A_TASK, history.days - first),
            note,
        )
        for first in range(0, history.days, DAYS_A_TASK)
    )
    for days, written, notes in crew.in_order(_write_days, tasks):
        yield days * len(history.yard.cranes), written, notes


def _write_days(
    database_url: str, history: History, first_day: date, days: int, note: Callable[[DayRecord], Any]
) -> tuple[int, Written, list[Any]]:
    notes: list[Any] = []
    records = generate(
        history.yard.cranes,
        first_day,
        days,
        history.seed,
        dt_ms=history.dt_ms,
        idle_ms=history.idle_ms,
        samples_per_message=SAMPLES_PER_MESSAGE,
    )
    written = write_history(database_url, records, on_record=lambda record: notes.append(note(record)))
    return days, written, notes


def count(
    crew: Crew,
    database_url: str,
    *,
    stop: threading.Event | None = None,
    on_left: Callable[[int], object] = lambda days: None,
) -> None:
    """Count every crane-day that waits. `on_left` is told how many still wait.

    Raises Unavailable when days are left that could not be counted; the log says why.
    """
    with connect(database_url, autocommit=True) as conn:
        on_left(waiting_days(conn))
        finished = False
        while not finished and not (stop is not None and stop.is_set()):
            slices = [crew.start(_count_for, database_url, SLICE_S) for _ in range(crew.processes)]
            # every slice is waited for: one that ends early found the last cranes taken, not the work done
            ended = [piece.result() for piece in slices]
            finished = all(ended)
            on_left(waiting_days(conn))
        if finished and (left := waiting_days(conn)):
            raise Unavailable(f"{left} crane-days could not be counted: the log above says why")


def _count_for(database_url: str, seconds: float) -> bool:
    """Count for so long; whether it ended because nothing was left to claim."""
    time_is_up = threading.Event()
    timer = threading.Timer(seconds, time_is_up.set)
    timer.start()
    try:
        run(database_url, time_is_up, once=True, days_per_claim=DAYS_PER_CLAIM)
    finally:
        timer.cancel()
    return not time_is_up.is_set()
