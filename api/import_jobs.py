"""Imports that are under way: each is read in a process of its own, one per account, with limits, and can be cancelled.

This process keeps the file on disk and never looks into it. The child ends with its job: when it is done, cancelled or over
a limit, when the server stops, and when this process is gone (transfer/child.py).
"""

import json
import os
import sys
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from signal import SIGXCPU
from subprocess import PIPE
from typing import Any, Final, NamedTuple

import anyio
import psycopg
import structlog
from anyio import BrokenResourceError, CancelScope, CapacityLimiter, ClosedResourceError, move_on_after
from anyio.abc import Process
from anyio.streams.buffered import BufferedByteReceiveStream

import transfer
from api.settings import ApiSettings
from domain.errors import Conflict, InvalidInput
from domain.transfer_answers import ImportPhase, ImportProgress
from domain.units import BYTES_PER_MB
from transfer.child import Order
from transfer.tables import CUT_IT

READ_AT_ONCE: Final = 2
"""Reading a file takes a core: further ones wait, so that answers to others do not."""
LINE_BYTES_MAX: Final = 16_000_000
PASSED_ON: Final = (
    "PATH",
    "HOME",
    "LANG",
    "LC_ALL",
    "TZ",
    "TMPDIR",
    "LD_LIBRARY_PATH",
    "SSL_CERT_FILE",
    "SSL_CERT_DIR",
)
"""Of the environment; and what the database's own library reads. The settings' secrets are none of a reader's business."""
CHILD_ENVIRONMENT: Final = {
    "PYTHONPATH": str(Path(transfer.__file__).parents[1]),
    # One thread, and memory from one place that gives it back: address space is counted.
    "ARROW_DEFAULT_MEMORY_POOL": "system",
    "MALLOC_ARENA_MAX": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}
_LOG = structlog.get_logger("api")


@dataclass(kw_only=True)
class Job:
    """One import, from its request to its answer."""

    account: str
    started_at: datetime
    dry_run: bool
    file: str = ""
    phase: ImportPhase = "receiving"
    rows: int = 0
    scope: CancelScope = field(default_factory=CancelScope)

    def told(self) -> ImportProgress:
        """How far it is."""
        return ImportProgress(
            started_at=self.started_at, file=self.file, dry_run=self.dry_run, phase=self.phase, rows=self.rows
        )

    def stays(self) -> str:
        """What an end before its time leaves behind."""
        if self.phase != "storing":
            return "nothing was stored"
        return "what was stored before stays; the same file again stores the rest, and nothing counts twice"


Sign = Callable[[int, float], Awaitable[str]]
"""Signs the site scope of a connection of the child, by the number of its backend and that one's clock [s]."""


class Ended(NamedTuple):
    """How a child ended."""

    came: dict[str, Any]  # as transfer.child.carry_out tells it
    peak_bytes: int = 0  # most memory in use; 0 where it is not known


class ImportJobs:
    """The imports of one api."""

    def __init__(self) -> None:
        self._by_account: dict[str, Job] = {}
        self._reading = CapacityLimiter(READ_AT_ONCE)

    def of(self, account: str) -> Job | None:
        """The import of an account that is under way."""
        return self._by_account.get(account)

    @contextmanager
    def begun(self, account: str, *, dry_run: bool) -> Iterator[Job]:
        """A job while its request lasts. Raises Conflict when the account has one already, and when it is cancelled."""
        if account in self._by_account:
            raise Conflict(
                "an import of this account is under way: wait for its end (GET /imports/running tells how far it is),"
                " or cancel it with DELETE /imports/running"
            )
        job = self._by_account[account] = Job(account=account, started_at=datetime.now(UTC), dry_run=dry_run)
        try:
            with job.scope:
                yield job
            if job.scope.cancelled_caught:
                raise Conflict(f"the import was cancelled: {job.stays()}")
        finally:
            del self._by_account[account]

    async def read(self, job: Job, order: Order, settings: ApiSettings, sign: Sign) -> dict[str, Any]:
        """Have a file read; what it came to. Raises InvalidInput when it is over a limit."""
        job.phase = "waiting"
        async with self._reading:
            job.phase = "checking"
            begun, ended = time.monotonic(), Ended({"cancelled": True})
            try:
                with move_on_after(settings.import_read_seconds_max) as clock:
                    ended = await _carried_out(job, order, sign)
                if clock.cancelled_caught:
                    ended = Ended({"over": "time"})
            finally:
                _LOG.info(
                    "import_read",
                    account=job.account,
                    outcome=next(iter(ended.came)),
                    rows=job.rows,
                    seconds=round(time.monotonic() - begun, 1),
                    peak_bytes=ended.peak_bytes,
                )
        return _result(job, ended.came, settings)


async def _carried_out(job: Job, order: Order, sign: Sign) -> Ended:
    """How a child ended: as it says, or by which limit."""
    process = await anyio.open_process(
        [sys.executable, "-P", "-m", "transfer.child"],
        stdin=PIPE,
        stdout=PIPE,
        stderr=None,
        env=_environment(),
    )
    async with process:
        try:
            return await _heard(job, process, order, sign)
        except (BrokenResourceError, ClosedResourceError, anyio.EndOfStream, anyio.IncompleteRead):
            return await _died(process)
        except BaseException:
            process.kill()
            raise


async def _heard(job: Job, process: Process, order: Order, sign: Sign) -> Ended:
    assert process.stdin is not None
    assert process.stdout is not None
    await process.stdin.send(order.line())
    lines = BufferedByteReceiveStream(process.stdout)
    while True:
        told = json.loads(await lines.receive_until(b"\n", LINE_BYTES_MAX))
        if "end" in told:
            return Ended(told["end"], told["peak_bytes"])
        if "sign" in told:
            await process.stdin.send(json.dumps(await sign(*told["sign"])).encode() + b"\n")
            continue
        job.rows = told["rows"]
        job.phase = "storing" if told["storing"] else "checking"


async def _died(process: Process) -> Ended:
    """A child that said nothing more: its processor time was used up, or it could not even say that memory was."""
    code = await process.wait()
    _LOG.warning("import_died", code=code)
    if code >= 0:
        return Ended({"failed": f"exit code {code}"})
    return Ended({"over": "cpu" if code == -SIGXCPU else "memory"})


def _environment() -> dict[str, str]:
    passed = {name: value for name, value in os.environ.items() if name in PASSED_ON or name.startswith("PG")}
    return passed | CHILD_ENVIRONMENT


def _result(job: Job, came: dict[str, Any], settings: ApiSettings) -> dict[str, Any]:
    match came:
        case {"done": done}:
            return dict(done)
        case {"invalid": text, "field": field_name}:
            raise InvalidInput(text, field=field_name)
        case {"over": limit}:
            most = {
                "memory": f"{settings.import_memory_bytes_max // BYTES_PER_MB} MB of memory",
                "cpu": f"{settings.import_cpu_seconds_max} s of processor time",
                "time": f"{settings.import_read_seconds_max:g} s",
            }[limit]
            raise InvalidInput(
                f"reading the file takes more than {most}: {job.stays()}. To bring it in, {CUT_IT}",
                field="file",
            )
        case {"database": name}:  # answered as everywhere, by its kind
            raise getattr(psycopg.errors, name, psycopg.OperationalError)
    raise RuntimeError(f"an import failed: {came}")
