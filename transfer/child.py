"""One import in a process of its own, bound by the system: what a file does to its reader ends with that process.

The order comes as one line of JSON on the standard input, and with it the database's URL, so that it stands in no list of
processes; then, asked for, the signed site scope of its connection. What happens is told as lines of JSON on the standard output: how
far it is, and last what it came to. The process ends with its parent: when the standard input ends.
"""

import json
import os
import resource
import sys
import threading
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import timedelta
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Final

TOLD: Final = 1000  # problems in an answer
TEXT_CHARS_MAX: Final = 400
NICENESS: Final = 5  # answers to others come first
CPU_GRACE_S: Final = 5
_HEARD: Final[SimpleQueue[bytes]] = SimpleQueue()
"""Lines of the parent after the order."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """What the child is to do, and how much it may take."""

    url: str = field(repr=False)
    file: str
    mapping: str | None  # TOML
    dry_run: bool
    skip_bad: bool
    sites: Sequence[str] | None
    limits: Mapping[str, Any]  # transfer.limits.FileLimits, the clock skew in seconds
    table: Mapping[str, int]  # transfer.limits.TableLimits
    memory_bytes: int  # of address space
    cpu_s: int

    def line(self) -> bytes:
        """The order as the child reads it."""
        return json.dumps(asdict(self)).encode() + b"\n"


def bind(memory_bytes: int, cpu_s: int) -> None:
    """Give this process limits that it cannot raise again by mistake; under root as well."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s + CPU_GRACE_S))
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
    os.nice(NICENESS)


def carry_out(order: Order, tell: Callable[[dict[str, Any]], None]) -> dict[str, Any]:
    """Import the file of an order; what it came to, or why not."""
    import psycopg
    from psycopg.errors import InsufficientPrivilege, ReadOnlySqlTransaction

    from domain.errors import InvalidInput, Unavailable

    try:
        return {"done": _imported(order, tell)}
    except InvalidInput as problem:
        return {"invalid": str(problem), "field": problem.field}
    except MemoryError:
        return {"over": "memory"}
    except Unavailable:
        return {"database": psycopg.OperationalError.__name__}
    except (InsufficientPrivilege, ReadOnlySqlTransaction, psycopg.OperationalError) as problem:
        return {"database": type(problem).__name__}
    except psycopg.DataError:
        return {"invalid": "a value is outside what the database can hold", "field": "file"}


def _imported(order: Order, tell: Callable[[dict[str, Any]], None]) -> dict[str, Any]:
    from store.site_scope import scope_in_thread
    from transfer.importing import import_file, own_mapping
    from transfer.limits import FileLimits, TableLimits
    from transfer.mapping import mapping_of

    table = TableLimits(**order.table)
    file = Path(order.file)
    mapping = mapping_of(order.mapping, "the text") if order.mapping else own_mapping(file, table)
    progress = {"storing": False, "rows": 0}

    def on_pass(storing: bool) -> None:
        progress.update(storing=storing, rows=0)
        tell(progress)

    def on_rows(rows: int) -> None:
        progress["rows"] += rows
        tell(progress)

    def signed(pid: int, clock_s: float) -> str:
        tell({"sign": (pid, clock_s)})  # the key stays with the parent: this process reads what others send
        return str(json.loads(_HEARD.get()))

    with scope_in_thread(order.url, order.sites, signed=signed) as conn:
        done = import_file(
            conn,
            file,
            mapping,
            FileLimits(
                samples=order.limits["samples"],
                clock_skew=timedelta(seconds=order.limits["clock_skew_s"]),
                ranges={name: (low, high) for name, (low, high) in order.limits["ranges"].items()},
            ),
            dry_run=order.dry_run,
            skip_bad=order.skip_bad,
            sites=order.sites,
            table=table,
            on_pass=on_pass,
            on_rows=on_rows,
        )
    told = vars(done) | {
        "cranes": {name: (one.rows, one.first_ms, one.last_ms) for name, one in done.cranes.items()}
    }
    for name in ("problems", "refused"):
        told[name] = [(one.first_line, one.last_line, one.text[:TEXT_CHARS_MAX]) for one in told[name][:TOLD]]
    return told | {"problem_count": len(done.problems)}


def _peak_bytes() -> int:
    """Most memory that this process had in use; 0 where the system does not tell."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM:")), 0)


def _hear_parent() -> None:
    # os.read and not the buffered reader: its lock would be held for ever.
    heard = b""
    while part := os.read(0, 4096):
        *lines, heard = (heard + part).split(b"\n")
        for line in lines:
            _HEARD.put(line)
    os._exit(1)


def main() -> None:
    """Read an order, carry it out, tell what it came to."""
    with os.fdopen(os.dup(1), "wb") as answers:
        os.dup2(2, 1)  # what anything prints goes to the log and not between the answers

        def tell(what: dict[str, Any]) -> None:
            answers.write(json.dumps(what).encode() + b"\n")
            answers.flush()

        order = Order(**json.loads(sys.stdin.buffer.readline()))
        bind(order.memory_bytes, order.cpu_s)
        try:
            threading.Thread(target=_hear_parent, daemon=True).start()
            came = carry_out(order, tell)
        except MemoryError:
            came = {"over": "memory"}
        except Exception as problem:  # the parent hears of it; the text may hold cells of the file
            sys.stderr.write("".join(traceback.format_tb(problem.__traceback__)))
            came = {"failed": type(problem).__name__}
        tell({"end": came, "peak_bytes": _peak_bytes()})
    os._exit(0)  # with memory at its limit a tidy end can fail


if __name__ == "__main__":
    main()
