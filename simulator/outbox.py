"""A sender's memory on disk: a message stays in it until its receipt, and is due again after a time.

A broker's acknowledgement is no promise that a message is on disk anywhere (Mosquitto answers before it has
saved), so a message is forgotten only when `boomledger/v1/{crane}/committed` names it as stored. One that was refused is
kept apart. The outbox is bounded: when it is full, `put` refuses, and the caller must wait or decide what to lose.
"""

import sqlite3
import threading
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final, NamedTuple, Self

from domain.errors import Conflict, InvalidInput
from simulator.messages import Outgoing

_SCHEMA: Final = """
create table if not exists message (
    place integer primary key, crane text not null, boot integer not null, seq integer not null,
    topic text not null, payload blob not null, sent_at real, times integer not null default 0,
    unique (crane, boot, seq)
);
create index if not exists message_sent_at on message (sent_at, place);
create table if not exists refused (
    place integer primary key, crane text not null, boot integer not null, seq integer not null,
    topic text not null, payload blob not null, unique (crane, boot, seq)
);
"""


REFUSED_SHARE: Final = 10  # a tenth of the room, besides, is for messages that were refused
LONGEST_PAUSE: Final = (
    8  # times the first: a receiver that was away a while has no storm of repetitions to work off
)


class OutboxFull(Conflict):
    """The outbox holds as much as it may: wait for receipts, or give it more room with `max_bytes`."""


class Due(NamedTuple):
    """A message to send, for the first time or again."""

    place: int
    crane: str
    boot: int
    topic: str
    payload: bytes


class Outbox:
    """Messages that are not yet known to be stored. One process may open a file at a time; threads may share it.

    What a file still holds when it is opened is due at once.

    Parameters
    ----------
    file : SQLite file; ":memory:" forgets everything with the process
    max_bytes : most payload bytes that are kept for sending; a tenth as much is kept of what was refused, the newest
    """

    def __init__(self, file: Path | str, *, max_bytes: int = 1_000_000_000) -> None:
        if max_bytes <= 0:
            raise InvalidInput("max_bytes must be positive", field="max_bytes")
        self._lock = threading.Lock()
        self._max_bytes = max_bytes
        self._database = sqlite3.connect(file, check_same_thread=False, isolation_level=None)
        # WAL with NORMAL keeps every committed message through a killed process; a power cut may cost the last few
        self._database.execute("pragma journal_mode = wal")
        self._database.execute("pragma synchronous = normal")
        self._database.executescript(_SCHEMA)
        if "times" not in {column[1] for column in self._database.execute("pragma table_info(message)")}:
            self._database.execute("alter table message add column times integer not null default 0")
        self.send_all_again()  # times of sending of another process mean nothing to this one
        self._count, self._bytes = self._database.execute(
            "select count(*), coalesce(sum(length(payload)), 0) from message"
        ).fetchone()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __len__(self) -> int:
        return int(self._count)

    @property
    def payload_bytes(self) -> int:
        """Payload bytes that are kept now."""
        return int(self._bytes)

    def put(self, messages: Sequence[Outgoing]) -> None:
        """Keep messages, all or none. Raises OutboxFull; a message that is kept already is kept once."""
        with self._lock:
            size = sum(len(message.payload) for message in messages)
            if self._bytes + size > self._max_bytes:
                raise OutboxFull(
                    f"outbox holds {self._bytes} of {self._max_bytes} bytes and cannot take {size} more:"
                    " wait for receipts or raise max_bytes"
                )
            self._database.execute("begin")
            for message in messages:
                added = self._database.execute(
                    "insert into message (crane, boot, seq, topic, payload) values (?, ?, ?, ?, ?)"
                    " on conflict do nothing",
                    (message.crane, message.boot, message.seq, message.topic, message.payload),
                ).rowcount
                self._count += added
                self._bytes += added * len(message.payload)
            self._database.execute("commit")

    def due(self, now_s: float, resend_after_s: float, limit: int) -> list[Due]:
        """Messages never sent, oldest first, then those sent longer ago than `resend_after_s` without a receipt.

        The pause doubles with each repetition, up to LONGEST_PAUSE times the first. They count as sent from now on.
        """
        with self._lock:
            found = self._database.execute(
                "select place, crane, boot, topic, payload from message where sent_at is null order by place limit ?",
                (limit,),
            ).fetchall()
            found += self._database.execute(
                "select place, crane, boot, topic, payload from message where sent_at <= :by"
                " and sent_at <= :now - :after * min(1 << max(times - 1, 0), :longest) order by sent_at, place limit :most",
                {
                    "by": now_s - resend_after_s,  # for the index
                    "now": now_s,
                    "after": resend_after_s,
                    "longest": LONGEST_PAUSE,
                    "most": limit - len(found),
                },
            ).fetchall()
            self._database.execute("begin")
            self._database.executemany(
                "update message set sent_at = ?, times = min(times + 1, 30) where place = ?",
                ((now_s, row[0]) for row in found),
            )
            self._database.execute("commit")
        return [Due(*row) for row in found]

    @property
    def refused(self) -> int:
        """How many messages are kept apart because they were refused."""
        return int(self._database.execute("select count(*) from refused").fetchone()[0])

    def receipt(self, crane: str, boot: int, seqs: Iterable[int], *, refused: bool = False) -> int:
        """Forget messages that are stored; returns how many were kept until now.

        refused: they are in quarantine, where they count nowhere and may have to give way. They are kept apart and not sent
        again, the newest as far as there is room.
        """
        forgotten = 0
        with self._lock:
            self._database.execute("begin")
            for seq in seqs:
                if refused:
                    self._database.execute(
                        "insert into refused (crane, boot, seq, topic, payload)"
                        " select crane, boot, seq, topic, payload from message where crane = ? and boot = ? and seq = ?"
                        " on conflict do nothing",
                        (crane, boot, seq),
                    )
                sizes = self._database.execute(
                    "delete from message where crane = ? and boot = ? and seq = ? returning length(payload)",
                    (crane, boot, seq),
                ).fetchall()
                forgotten += len(sizes)
                self._bytes -= sum(size for (size,) in sizes)
            if refused:
                self._database.execute(
                    "delete from refused where place in (select place from"
                    " (select place, sum(length(payload)) over (order by place desc) as bytes from refused) where bytes > ?)",
                    (self._max_bytes // REFUSED_SHARE,),
                )
            self._database.execute("commit")
            self._count -= forgotten
        return forgotten

    def send_refused_again(self) -> int:
        """Make messages due that were refused, after whatever they were refused for was mended; how many."""
        with self._lock:
            self._database.execute("begin")
            rows = self._database.execute(
                "delete from refused returning crane, boot, seq, topic, payload"
            ).fetchall()
            for row in rows:
                added = self._database.execute(
                    "insert into message (crane, boot, seq, topic, payload) values (?, ?, ?, ?, ?) on conflict do nothing",
                    row,
                ).rowcount
                self._count += added
                self._bytes += added * len(row[-1])
            self._database.execute("commit")
        return len(rows)

    def send_all_again(self) -> None:
        """Make every kept message due at once, as after a restart or a new connection to a broker that lost them."""
        with self._lock:
            self._database.execute("update message set sent_at = null, times = 0")

    def close(self) -> None:
        """Close the file; what is in it stays."""
        self._database.close()
