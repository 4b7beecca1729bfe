"""`boomledger selfcheck`: the whole chain on free ports in an empty folder, against known truth."""

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import anyio

from boomledger.settings import Settings
from boomledger.stack import Stack, ticks
from boomledger.truth_check import Check, compare
from boomledger.yard import register
from dashboard.client import Client
from domain.errors import InvalidInput, Unavailable
from simulator.generate import generate
from simulator.publish import Publisher, in_sending_order
from simulator.record import DayRecord
from simulator.yard import REFERENCE_DAY, Yard, load_yard
from store.connection import connect
from store.touched import waiting_days

FIRST_DAY: Final = REFERENCE_DAY
COUNT_WAIT_S: Final = 300.0


@dataclass(frozen=True, kw_only=True)
class Report:
    """What was sent, how long it took, and every comparison."""

    checks: tuple[Check, ...]
    messages: int
    samples: int
    seconds: float
    broker: str

    @property
    def failed(self) -> int:
        """Number of comparisons that did not hold."""
        return sum(not check.passed for check in self.checks)


Say = Callable[[str], object]


def selfcheck(
    days: int,
    cranes: int,
    seed: int,
    settings: Settings,
    *,
    keep: Path | None = None,
    say: Say = lambda text: None,
) -> Report:
    """Run the chain in a temporary folder, compare, clean up. Raises Unavailable when a part does not come up.

    Parameters
    ----------
    days : simulated calendar days with work for the cranes; weekends follow the yard's scenarios
    cranes : how many cranes of the yard take part, the first ones
    keep : an empty folder to run in and to leave behind with its logs; None uses a temporary one
    say : called with a line of progress
    """
    begun = time.monotonic()
    yard = load_yard(REFERENCE_DAY, healthy=True)
    yard = Yard(site=yard.site, cranes=yard.cranes[:cranes])
    last_day = FIRST_DAY + timedelta(days=days - 1)
    isolated = settings.model_copy(update={"database_url": None, "broker_url": None})
    with _folder(keep) as folder:
        say("starting database and broker")
        with Stack(folder, isolated) as stack:
            register(stack.database_url, yard, FIRST_DAY)
            base_url = _start(stack)
            say(f"simulating {days} days of {len(yard.cranes)} cranes")
            records = list(generate(yard.cranes, FIRST_DAY, days, seed))
            say("sending")
            messages = _send(stack, records)
            say("counting")
            _wait_for_ledgers(stack)
            say("comparing")
            checks = anyio.run(_compare, base_url, yard, records, FIRST_DAY, last_day)
            checks.append(
                Check(what="messages with a receipt", true=str(messages[0]), found=str(messages[1]),
                      passed=messages[0] == messages[1])
            )  # fmt: skip
            broker = stack.broker_kind
    return Report(
        checks=tuple(checks),
        messages=messages[0],
        samples=sum(record.samples for record in records),
        seconds=time.monotonic() - begun,
        broker=broker,
    )


@contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="boomledger-selfcheck-") as folder:
            yield Path(folder)
        return
    keep.mkdir(parents=True, exist_ok=True)
    if any(keep.iterdir()):
        raise InvalidInput(f"{keep} is not empty: name a new folder to keep", field="keep")
    yield keep


def _start(stack: Stack) -> str:
    stack.spawn("ingest", ["ingest"])
    stack.spawn("analyse", ["analyse", "--follow"], BOOMLEDGER_RECOUNT_AFTER_S="2")
    return f"{stack.serve(0)}/api/v1"


def _send(stack: Stack, records: list[DayRecord]) -> tuple[int, int]:
    """Messages sent, and messages that the ledger says are stored."""
    with Publisher(stack.broker_url) as publisher:
        sent = publisher.run(in_sending_order(records))
    stack.check()
    return sent.messages, sent.stored


def _wait_for_ledgers(stack: Stack) -> None:
    with connect(stack.database_url, autocommit=True) as conn:
        for _ in ticks(COUNT_WAIT_S, 0.2):
            stack.check()
            if waiting_days(conn) == 0:
                return
    raise Unavailable(f"the ledgers were not current after {COUNT_WAIT_S:.0f} s")


async def _compare(
    base_url: str, yard: Yard, records: list[DayRecord], first: date, last: date
) -> list[Check]:
    async with Client(base_url) as client:
        return await compare(client, yard, records, first, last)
