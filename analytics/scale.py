"""A fleet's history counted on many machines with Dask (optional: `pip install boomledger[scale]`).

    part     up to DAYS_PER_PART days of one crane: read from the database, counted, nothing written
    crane    the parts of one crane in time order: written in one transaction, as a worker writes

Counting a day and merging days is the same code as in the worker, and merging is exact, so the result is bit-equal to the
serial run however the parts were spread. A part that is lost with its machine is counted again; a crane is written whole
or not at all, and writing it again changes nothing. Nothing else needs this file and its queries (store/queries/scale.sql).
"""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from analytics import counting
from analytics.counting import Method, crane_entry
from analytics.day import DayCount
from analytics.recount import count_days, write_days
from domain.errors import Unavailable
from store.connection import connect
from store.sql import query
from store.statement import run

if TYPE_CHECKING:
    from distributed import Client

DAYS_PER_PART: Final = 90  # keeps Dask's overhead under a tenth (docs/analytics.md)


def open_client(scheduler: str | None = None, *, workers: int = 2) -> "Client":
    """A client of a running scheduler, or of a cluster of worker processes on this machine.

    Raises Unavailable when Dask is not installed or the scheduler cannot be reached.
    """
    try:
        from distributed import Client, LocalCluster
    except ImportError as problem:
        raise Unavailable(
            "counting on many machines needs Dask: pip install 'boomledger[scale]'"
        ) from problem
    try:
        if scheduler is not None:
            return Client(scheduler, timeout="10s")
        cluster = LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None)
        return Client(cluster)
    except OSError as problem:
        raise Unavailable(
            f"no scheduler answers at {scheduler}: start one with `dask scheduler`, or leave the address out"
        ) from problem


def recount_fleet(client: "Client", db_url: str, *, days_per_part: int = DAYS_PER_PART) -> int:
    """Counts every touched crane-day of the fleet; how many days were counted.

    db_url must be reachable from every worker. Days that are touched meanwhile stay in the queue for the ordinary worker.
    """
    from distributed import as_completed

    with connect(db_url, autocommit=True) as conn:
        method = counting.in_use(conn)
        run(conn, "summary_rows_made")
        waiting: list[tuple[int, list[date], list[Any]]] = conn.execute(query("touched_by_crane")).fetchall()
    tasks = []
    for crane_id, days, versions in waiting:
        parts = [
            client.submit(_count_part, db_url, crane_id, part, method, pure=False)
            for part in _parts(days, days_per_part)
        ]
        tasks.append(client.submit(_write_crane, db_url, crane_id, versions, method, parts, pure=False))
    return sum(done.result() for done in as_completed(tasks))


def _parts(days: Sequence[date], size: int) -> Iterable[list[date]]:
    ordered = sorted(days)
    return (ordered[i : i + size] for i in range(0, len(ordered), size))


def _count_part(db_url: str, crane_id: int, days: list[date], method: Method) -> list[DayCount]:
    """On a worker: days of one crane, counted."""
    with connect(db_url) as conn:
        return count_days(conn, crane_entry(conn, crane_id), days, method)


def _write_crane(
    db_url: str, crane_id: int, versions: list[Any], method: Method, parts: list[list[DayCount]]
) -> int:
    """On a worker: everything about one crane, written in one transaction under the crane's claim."""
    counts = [counted for part in parts for counted in part]
    days = [counted.day for counted in counts]
    with connect(db_url) as conn:
        held = counting.in_use(conn)
        if held.counting_id != method.counting_id:
            return 0  # the counts in use were changed meanwhile; the touches stay for the ordinary worker
        conn.execute(query("crane_held"), {"crane_id": crane_id})
        write_days(conn, crane_entry(conn, crane_id), counts, method)
        run(conn, "recount_days_followed", crane_id=crane_id, days=days)
        run(conn, "touched_days_done", crane_id=crane_id, days=days, touched_at=versions)
    return len(days)
