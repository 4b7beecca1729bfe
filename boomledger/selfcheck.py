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
from boomledger.truth_check import Check, compare, refused
from boomledger.yard import register
from dashboard.client import Client
from domain.errors import InvalidInput, Unavailable
from simulator.generate import generate
from simulator.publish import Publisher, Sent, in_sending_order
from simulator.record import DayRecord
from simulator.yard import REFERENCE_DAY, Yard, field_cases, load_yard
from store.connection import connect
from store.touched import waiting_days

FIRST_DAY: Final = REFERENCE_DAY
COUNT_WAIT_S: Final = 300.0
CASES: Final = (
    "field-attachment",
    "field-change",
    "field-zero-low",
    "field-drift",
    "field-spikes",
    "field-fraction",
    "field-clock-ahead",
    "field-clock-set-back",
    "field-two-boxes",
)
CASE_DAYS: Final = 2  # at most: what is wrong with a crane shows at once


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
    cranes : how many cranes of the yard take part, the first ones; beside them for some days those of CASES
    keep : an empty folder to run in and to leave behind with its logs; None uses a temporary one
    say : called with a line of progress
    """
    begun = time.monotonic()
    yard = load_yard(REFERENCE_DAY, healthy=True)
    yard = Yard(site=yard.site, cranes=yard.cranes[:cranes])
    cases = field_cases(REFERENCE_DAY, CASES)
    last_day = FIRST_DAY + timedelta(days=days - 1)
    isolated = settings.model_copy(update={"database_url": None, "broker_url": None})
    with _folder(keep) as folder:
        say("starting database and broker")
        with Stack(folder, isolated) as stack:
            for each in (yard, cases):
                register(stack.database_url, each, FIRST_DAY)
            base_url = _start(stack)
            say(f"simulating {days} days of {len(yard.cranes)} cranes, and {len(CASES)} cases of the field")
            records = list(generate(yard.cranes, FIRST_DAY, days, seed))
            records += generate(cases.cranes, FIRST_DAY, min(days, CASE_DAYS), seed)
            say("sending")
            messages = _send(stack, records)
            say("counting")
            _wait_for_ledgers(stack)
            say("comparing")
            checks = anyio.run(_compare, base_url, yard, cases, records, FIRST_DAY, last_day)
            stored = messages.messages - sum(map(refused, records))
            checks.append(
                Check(what="messages with a receipt", true=f"{messages.messages}, {stored} stored",
                      found=f"{messages.stored + messages.quarantined}, {messages.stored} stored",
                      passed=(messages.stored, messages.messages) == (stored, messages.stored + messages.quarantined))
            )  # fmt: skip
            broker = stack.broker_kind
    return Report(
        checks=tuple(checks),
        messages=messages.messages,
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


def _send(stack: Stack, records: list[DayRecord]) -> Sent:
    """Messages sent, and what the ledger says became of them."""
    with Publisher(stack.broker_url) as publisher:
        sent = publisher.run(in_sending_order(records))
    stack.check()
    return sent


def _wait_for_ledgers(stack: Stack) -> None:
    with connect(stack.database_url, autocommit=True) as conn:
        for _ in ticks(COUNT_WAIT_S, 0.2):
            stack.check()
            if waiting_days(conn) == 0:
                return
    raise Unavailable(f"the ledgers were not current after {COUNT_WAIT_S:.0f} s")


async def _compare(
    base_url: str, yard: Yard, cases: Yard, records: list[DayRecord], first: date, last: date
) -> list[Check]:
    async with Client(base_url) as client:
        return await compare(client, yard, cases, records, first, last)
