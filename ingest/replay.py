"""Judges messages in quarantine again, after what kept them out was mended (a crane registered, a clock corrected, a limit
raised): when a command says so, and when somebody asks for it through the api. Corrections of clocks are applied here too, and what
was kept apart of a channel that is registered now is brought in.
"""

import contextlib
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import psycopg
import structlog
from psycopg import Connection

from domain.errors import QuarantineReason
from domain.messages import Leaf, topic
from ingest.content import Content
from ingest.directory import REFRESH_S, Directory
from ingest.limits import Limits
from ingest.plan import Plan, plan
from ingest.writer import Incoming, Outcome, Writer
from store import clock_corrections, further_channels, quarantine, refused
from store.clock_corrections import Claimed
from store.connection import AWAY, connect, first_line
from store.locks import Lock, give_back, take
from store.quarantine import ClockAhead, Quarantined
from store.segments import Segment
from store.statement import run

PAGE: Final = 200
LOOK_EVERY_S: Final = 1.0
BRING_IN_AFTER_S: Final = 2 * REFRESH_S  # every ingest knows a registered channel by then
STOP_S: Final = 5.0  # a thread that waits for a database that hangs is left behind

log = structlog.get_logger(__name__)


@dataclass(frozen=True, kw_only=True, slots=True)
class Replayed:
    """What a replay came to, in messages."""

    stored: int
    known: int  # stored before already
    kept: int  # still cannot be understood


def replay(
    database_url: str,
    limits: Limits,
    *,
    crane_name: str | None = None,
    reason: QuarantineReason | None = None,
    stop: threading.Event | None = None,
) -> Replayed:
    """Store what can be understood now and forget it in quarantine; the rest stays there.

    A message is judged as of the time it arrived, by the clock that was furthest ahead then where that of ingest was in
    doubt. Safe beside a running ingest, and to be repeated after a crash: a message is released only after it was committed.
    Ends early once `stop` is set. Raises Unavailable without the database.
    """
    counts = dict.fromkeys(Outcome, 0)
    after_id = 0
    with (
        contextlib.closing(Writer(database_url, limits, alone=False)) as writer,
        connect(database_url, autocommit=True) as conn,
    ):
        while not (stop is not None and stop.is_set()) and (
            page := quarantine.oldest(
                conn, crane_name=crane_name, reason=reason, after_id=after_id, most=PAGE
            )
        ):
            results = writer.store(_as_they_arrived(conn, page), set_aside=False)
            safe = [
                row.quarantine_id
                for row, result in zip(page, results, strict=True)
                if result.outcome is not Outcome.QUARANTINED
            ]
            quarantine.release(conn, safe)
            for result in results:
                counts[result.outcome] += 1
            after_id = page[-1].quarantine_id
    return Replayed(
        stored=counts[Outcome.STORED], known=counts[Outcome.DUPLICATE], kept=counts[Outcome.QUARANTINED]
    )


def _as_they_arrived(conn: Connection[Any], page: Sequence[Quarantined]) -> list[Incoming]:
    """The messages, each with what was known of other clocks when it came first."""
    came = [row.received_at for row in page]
    doubts: list[ClockAhead] = quarantine.CLOCKS_AHEAD.all(conn, time_from=min(came), time_to=max(came))
    return [
        Incoming(
            row.topic,
            payload,
            row.received_at,
            max((one.ahead_ms for one in doubts if one.from_at <= row.received_at <= one.to_at), default=0),
            Content(*content),
        )
        for row in page
        for payload, content in [quarantine.opened(row.raw)]
    ]


def apply_corrections(database_url: str, limits: Limits) -> None:
    """Apply and revert the corrections of clocks that wait, and store what was refused for what they correct."""
    stop = threading.Event()
    with connect(database_url, autocommit=True, writes=True) as conn:
        while clock_corrections.apply_next(conn, limits.clock_skew, _replay_refused):
            while _replay_next(conn, database_url, limits, stop):
                pass


@contextlib.contextmanager
def replaying(database_url: str, limits: Limits) -> Iterator[None]:
    """Inside the block, a thread applies corrections of clocks and does the replays that are asked for through the api."""
    stop = threading.Event()
    thread = threading.Thread(target=_serve, args=(database_url, limits, stop), name="replays", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(STOP_S)


def _serve(database_url: str, limits: Limits, stop: threading.Event) -> None:
    while not stop.is_set():
        try:
            with connect(database_url, autocommit=True, writes=True) as conn:
                while not stop.is_set():
                    corrected = clock_corrections.apply_next(conn, limits.clock_skew, _replay_refused)
                    corrected |= bring_in_next(conn, limits)
                    if not (_replay_next(conn, database_url, limits, stop) or corrected):
                        stop.wait(LOOK_EVERY_S)
        except AWAY as problem:
            log.warning("no replay while the database is not there", problem=first_line(problem))
            stop.wait(LOOK_EVERY_S * 5)
        except Exception:  # the next one is done all the same
            log.exception("replays and corrections of clocks met a fault, going on")
            stop.wait(LOOK_EVERY_S * 5)


def bring_in_next(conn: Connection[Any], limits: Limits) -> bool:
    """Bring in what was kept apart of a further channel before it was registered; False where none waits, or days move.

    As far as the messages are still kept (`refused_message`) and not in the cold tier. The connection is in autocommit mode.
    """
    if not take(conn, Lock.COOL):
        return False
    try:
        with conn.transaction():
            waiting = further_channels.WAITING.first(conn, after_s=BRING_IN_AFTER_S)
            if waiting is None:
                return False
            clock_corrections.hold(conn)
            directory = Directory(limits)
            directory.prepare(conn, ())
            messages = 0
            for crane, entry in directory.cranes.items():
                if waiting.crane_id in (None, entry.crane_id):
                    kept = refused.messages(conn, entry.crane_id, limits.refused_messages)
                    incoming = [
                        Incoming(
                            topic(crane, Leaf.SAMPLES), payload, one.received_at, content=Content(*content)
                        )
                        for one in kept
                        for payload, content in [quarantine.opened(one.raw)]
                    ]
                    planned = plan(incoming, directory.cranes, limits)
                    found = [one for one in planned.segments.values() if waiting.name in one.channels]
                    added = further_channels.add_readings(conn, waiting.name, found)
                    messages += len(added)
                    _judge_anew(conn, waiting.name, planned, added, directory)
            run(conn, "further_channel_brought_in", channel_id=waiting.channel_id, messages=messages)
    finally:
        with contextlib.suppress(psycopg.Error):  # the lock ends with its session
            give_back(conn, Lock.COOL)
    return True


def _judge_anew(
    conn: Connection[Any], name: str, planned: Plan, added: Sequence[Segment], directory: Directory
) -> None:
    """What was brought in is no longer unknown; of it, what is out of the range of its channel is counted as that."""
    refused.brought_in(conn, name, added, directory.zones)
    keys = {one.key for one in added}
    out_of_range = [
        (segment, [one for one in planned.refused.get(place, ()) if one.channel == name])
        for place, segment in planned.segments.items()
        if segment.key in keys
    ]
    refused.keep(conn, out_of_range, directory.zones)


def _replay_refused(conn: Connection[Any], corrected: Claimed) -> None:
    """What was refused for the clock that is corrected now is judged again."""
    for reason in (QuarantineReason.IN_FUTURE, QuarantineReason.BEFORE_REGISTRATION):
        if not corrected.reverting:
            quarantine.ask_replay_of(
                conn, corrected.entered_by, crane_name=corrected.crane, reason=reason.value
            )


def _replay_next(conn: Connection[Any], database_url: str, limits: Limits, stop: threading.Event) -> bool:
    """Do the oldest replay that waits; False where none does. One that is cut short is done again by who comes next."""
    with conn.transaction():
        asked = quarantine.REPLAY_CLAIMED.first(conn)
        if asked is None:
            return False
        done, problem = Replayed(stored=0, known=0, kept=0), ""
        try:
            reason = None if asked.reason is None else QuarantineReason(asked.reason)
            done = replay(database_url, limits, crane_name=asked.crane_name, reason=reason, stop=stop)
        except AWAY:
            raise
        except Exception:  # whatever we have not thought of must not be tried for ever
            log.exception("a replay failed", replay_id=asked.replay_id)
            problem = "it failed: see the log of ingest"
        if stop.is_set():
            return True
        run(
            conn,
            "replay_done",
            replay_id=asked.replay_id,
            problem=problem,
            stored=done.stored,
            known=done.known,
            kept=done.kept,
        )
        return True
