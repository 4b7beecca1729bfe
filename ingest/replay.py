"""Judges messages in quarantine again, after what kept them out was mended (a crane registered, a limit raised)."""

from dataclasses import dataclass
from typing import Final

from domain.errors import QuarantineReason
from ingest.limits import Limits
from ingest.writer import Incoming, Outcome, Writer
from store import quarantine
from store.connection import connect

PAGE: Final = 200


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
) -> Replayed:
    """Store what can be understood now and forget it in quarantine; the rest stays there.

    A message is judged as of the time it arrived. Safe beside a running ingest, and to be repeated after a crash: a
    message is released only after it was committed. Raises Unavailable without the database.
    """
    counts = dict.fromkeys(Outcome, 0)
    writer = Writer(database_url, limits, alone=False)
    after_id = 0
    with connect(database_url, autocommit=True) as conn:
        while page := quarantine.oldest(
            conn, crane_name=crane_name, reason=reason, after_id=after_id, most=PAGE
        ):
            batch = [Incoming(row.topic, row.raw, row.received_at) for row in page]
            results = writer.store(batch, set_aside=False)
            safe = [
                row.quarantine_id
                for row, result in zip(page, results, strict=True)
                if result.outcome is not Outcome.QUARANTINED
            ]
            quarantine.release(conn, safe)
            for result in results:
                counts[result.outcome] += 1
            after_id = page[-1].quarantine_id
    writer.close()
    return Replayed(
        stored=counts[Outcome.STORED], known=counts[Outcome.DUPLICATE], kept=counts[Outcome.QUARANTINED]
    )
