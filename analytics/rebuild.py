"""Counts the whole history anew with other settings, beside the counts in use, and changes over when it is complete.

Interrupted, it goes on where it was when called again with the same settings. Meanwhile workers keep the counts in use
current and pass on what they count, so nothing is missing at the change.
"""

import threading
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import psycopg

from analytics import counting, summary
from analytics.counting import CountingSettings, Method, crane_entry
from analytics.recount import count_days, write_days
from domain.errors import Conflict, InvalidInput
from store import touched
from store.connection import connect
from store.duty import COUNTING_IN_USE
from store.locks import Lock, share_in_transaction, wait_in_transaction
from store.sql import query
from store.statement import run


class NothingToRebuild(Conflict):
    """The counts in use were made with these settings by this version."""


def rebuild(
    db_url: str,
    settings: CountingSettings,
    stop_event: threading.Event,
    *,
    days_per_claim: int = 31,
    on_progress: Callable[[int, int], None] = lambda counted, left: None,
) -> bool:
    """Counts every recorded crane-day with `settings` and puts that count in use; False when it was stopped before.

    on_progress: called with crane-days counted by this call, and left. Several processes may rebuild at once.
    Raises NothingToRebuild when these settings are in use already.
    """
    with connect(db_url, autocommit=True) as conn:
        with conn.transaction():
            method = counting.add(conn, settings)
            if method.in_use:
                raise NothingToRebuild(
                    "these settings and this version are in use already: there is nothing to rebuild; "
                    "`boomledger analyse --again` counts every recorded day once more with them"
                )
            run(conn, "summary_rows_made")
            run(conn, "recount_days_queued", counting_id=method.counting_id)
        counted = 0
        while not stop_event.is_set():
            done = _step(conn, method, days_per_claim)
            counted += done
            on_progress(counted, _left(conn, method))
            if done == 0 and _change_over(conn, method):
                while summary.refresh_one_changed(conn):
                    pass
                return True
            if done == 0:
                stop_event.wait(1.0)  # the days left are being counted by another process
        return False


def settings_in_use(db_url: str) -> CountingSettings:
    """The settings that the counts in use were made with, by whichever version; the default ones without any."""
    with connect(db_url) as conn:
        row = COUNTING_IN_USE.first(conn)
    return CountingSettings() if row is None else CountingSettings.from_json(row.settings)


def outdated(db_url: str) -> bool:
    """Whether the counts in use were made by another version of the method than this program's."""
    with connect(db_url) as conn:
        row = COUNTING_IN_USE.first(conn)
    return row is not None and row.version != counting.METHOD_VERSION


def changed(db_url: str, changes: dict[str, Any]) -> CountingSettings:
    """The settings in use with some replaced, as `CountingSettings` names them; parts of a part may be given.

    Raises InvalidInput for a name that is none, or a value that cannot be.
    """
    spec = asdict(settings_in_use(db_url))
    for name, value in changes.items():
        if name not in spec:
            raise InvalidInput(f"no counting setting is called {name!r}: give {', '.join(spec)}", field=name)
        if isinstance(spec[name], dict) != isinstance(value, dict):
            raise InvalidInput(f"{name} is written like {spec[name]!r}", field=name)
        spec[name] = {**spec[name], **value} if isinstance(value, dict) else value
    return CountingSettings.from_json(spec)


def touch_recorded(db_url: str, crane: str | None = None) -> int:
    """Queues every recorded day of one crane, or of the fleet, to be counted again; how many.

    For changes that day rows rest on but no data brings: another geometry of a crane's type, another zone of its site.
    """
    with connect(db_url) as conn:
        return touched.touch_recorded(conn, crane=crane)


def drop_unused(db_url: str) -> int:
    """Deletes every count that is not in use, an unfinished rebuild included; how many."""
    with connect(db_url) as conn:
        wait_in_transaction(conn, Lock.CHANGE_COUNTS)
        unused = [counting_id for (counting_id,) in conn.execute(query("countings_unused")).fetchall()]
        run(conn, "recount_days_dropped", counting_ids=unused)
        return run(conn, "countings_dropped", counting_ids=unused)


def _step(conn: psycopg.Connection[Any], method: Method, days_per_claim: int) -> int:
    """Counts some days of one crane in one transaction; how many."""
    with conn.transaction():
        share_in_transaction(conn, Lock.CHANGE_COUNTS)
        key = {"counting_id": method.counting_id}
        row = conn.execute(query("recount_crane_next"), key).fetchone()
        if row is None:
            return 0
        here = {**key, "crane_id": row[0]}
        days = [
            day
            for (day,) in conn.execute(query("recount_days_of"), {**here, "days": days_per_claim}).fetchall()
        ]
        entry = crane_entry(conn, row[0])
        write_days(conn, entry, count_days(conn, entry, days, method), method)
        run(conn, "recount_days_done", **here, days=days)
    return len(days)


def _change_over(conn: psycopg.Connection[Any], method: Method) -> bool:
    """Puts the count in use when no day is left; no worker is in the middle of a claim then.

    Raises Conflict when the count was dropped meanwhile.
    """
    with conn.transaction():
        wait_in_transaction(conn, Lock.CHANGE_COUNTS)
        if _left(conn, method):
            return False
        run(conn, "counting_retired")
        if not run(conn, "counting_put_in_use", counting_id=method.counting_id):
            raise Conflict(
                "what was counted was dropped meanwhile, the counts in use stay: start the recount again"
            )
        run(conn, "summaries_outdated")
    return True


def _left(conn: psycopg.Connection[Any], method: Method) -> int:
    row = conn.execute(query("recount_days_left"), {"counting_id": method.counting_id}).fetchone()
    return 0 if row is None else int(row[0])
