"""What is wrong with the system itself, by what its parts tell: pure, without a clock and a database.

Each process writes down every few seconds that it works. Another one judges that, so that a process that died is told of.
The bounds are own choices, no source.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from domain.remark import Remark, coded

SILENT_AFTER: Final = timedelta(seconds=60)
WAITING_AFTER: Final = timedelta(hours=6)
BACKUP_AFTER: Final = timedelta(days=8)

BACKUP: Final = "backup"
QUEUE: Final = "queue"
BROKER: Final = "broker"
INGEST: Final = "ingest"
CLOCK: Final = "clock"
EVIDENCE: Final = "rejected messages"
EVIDENCE_TOLD_FOR: Final = timedelta(hours=24)

PARTS: Final = (INGEST, BROKER, "analytics", "watch", QUEUE, BACKUP, CLOCK, EVIDENCE)
"""What can be wrong with words of its own."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ProcessHeartbeat:
    """What a part told of itself last."""

    process: str
    beat_at: datetime
    working_at: datetime
    trouble: str


@dataclass(frozen=True, kw_only=True, slots=True)
class NewestWork:
    """When the newest message was stored, when a crane was last counted, since when the oldest day waits to be; and now."""

    committed_at: datetime | None
    counted_at: datetime | None
    waiting_since: datetime | None
    at: datetime
    clock_doubted_since: datetime | None = None  # ingest's clock and another one differ
    clock_doubt: str | None = None  # how
    evidence_deleted_at: datetime | None = None  # when refused messages were last deleted for lack of room


@dataclass(frozen=True, kw_only=True, slots=True)
class Trouble:
    """One thing that is wrong with the system."""

    subject: str
    since: datetime
    told: Remark  # without its words: `words.alerts.system_words`


def troubles(heartbeats: Iterable[ProcessHeartbeat], work: NewestWork) -> list[Trouble]:
    """What is wrong now, by part. A part that never told of itself is not judged."""
    found = []
    for heartbeat in heartbeats:
        silent_after = BACKUP_AFTER if heartbeat.process == BACKUP else SILENT_AFTER
        if work.at - heartbeat.working_at > silent_after:
            found.append(
                Trouble(subject=heartbeat.process, since=heartbeat.working_at, told=_told(heartbeat, work.at))
            )
    if work.waiting_since is not None and work.at - work.waiting_since > WAITING_AFTER:
        found.append(Trouble(subject=QUEUE, since=work.waiting_since, told=coded("system.waiting")))
    if work.clock_doubted_since is not None:
        found.append(
            Trouble(
                subject=CLOCK,
                since=work.clock_doubted_since,
                told=coded("system.clock", doubt=work.clock_doubt or ""),
            )
        )
    if (gone := work.evidence_deleted_at) is not None and work.at - gone < EVIDENCE_TOLD_FOR:
        found.append(Trouble(subject=EVIDENCE, since=gone, told=coded("system.evidence_deleted")))
    # Where ingest itself tells nothing, what it knew of the broker says nothing.
    silent = any(one.subject == INGEST and one.told.code == "system.silent" for one in found)
    return [one for one in found if not (silent and one.subject == BROKER)]


def _told(heartbeat: ProcessHeartbeat, at: datetime) -> Remark:
    if heartbeat.process == BACKUP:
        return coded("system.backup_old")
    part = heartbeat.process.capitalize()
    if at - heartbeat.beat_at > SILENT_AFTER:
        return coded("system.silent", part=part)
    return coded("system.not_working", part=part, trouble=heartbeat.trouble)
