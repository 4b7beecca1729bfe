"""What is wrong with the system itself, by what its parts tell: pure, without a clock and a database.

Each process writes down every few seconds that it works. Another one judges that, so that a process that died is told of.
The bounds are own choices, no source.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

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

CONSEQUENCE: Final = {
    INGEST: "No message of any crane is stored. Live values and everything counted from now on are missing until it works again.",
    BROKER: "No message of any crane arrives. Senders with an outbox keep theirs.",
    "analytics": "Nothing is counted. Lifts, life used and findings stay as they were.",
    "watch": "No alert is raised and none is sent.",
    QUEUE: "Figures of the days that wait are old.",
    BACKUP: "What came since the last backup is lost if the database is.",
    CLOCK: "Ages and times of arrival are wrong. Messages are stored by the times of their senders, and refused only where they lie "
    "ahead of every clock there is.",
    EVIDENCE: "Messages that could still have been stored after a correction are gone. The cranes and reasons are on record.",
}
ACTION: Final = {
    INGEST: "Look at the log of ingest, start it again, see that the disk of the database has room.",
    BROKER: "See that the broker runs and lets ingest in.",
    "analytics": "Look at the log of analytics and start it again.",
    "watch": "Look at the log of the watch and start it again.",
    QUEUE: "Look at the log of analytics; start another one where it cannot keep up.",
    BACKUP: "Run `boomledger db backup`.",
    CLOCK: "Compare the clocks of the machines of ingest and of the database with the time, and set what is wrong.",
    EVIDENCE: "Correct what they are rejected for and judge them again under Data health; give quarantine more room.",
}


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
    text: str
    consequence: str
    action: str


def troubles(heartbeats: Iterable[ProcessHeartbeat], work: NewestWork) -> list[Trouble]:
    """What is wrong now, by part. A part that never told of itself is not judged."""
    found = []
    for heartbeat in heartbeats:
        silent_after = BACKUP_AFTER if heartbeat.process == BACKUP else SILENT_AFTER
        if work.at - heartbeat.working_at > silent_after:
            found.append(_trouble(heartbeat.process, heartbeat.working_at, _text(heartbeat, work.at)))
    if work.waiting_since is not None and work.at - work.waiting_since > WAITING_AFTER:
        found.append(
            _trouble(QUEUE, work.waiting_since, "Days with new data have waited to be counted for long")
        )
    if work.clock_doubted_since is not None:
        found.append(_trouble(CLOCK, work.clock_doubted_since, work.clock_doubt or ""))
    if (gone := work.evidence_deleted_at) is not None and work.at - gone < EVIDENCE_TOLD_FOR:
        found.append(_trouble(EVIDENCE, gone, "Rejected messages were deleted: quarantine is full"))
    # Where ingest itself tells nothing, what it knew of the broker says nothing.
    silent = any(one.subject == INGEST and "tells nothing" in one.text for one in found)
    return [one for one in found if not (silent and one.subject == BROKER)]


def _text(heartbeat: ProcessHeartbeat, at: datetime) -> str:
    if heartbeat.process == BACKUP:
        return "The last backup is old"
    if at - heartbeat.beat_at > SILENT_AFTER:
        return f"{heartbeat.process.capitalize()} tells nothing of itself: it ended, or hangs"
    return f"{heartbeat.process.capitalize()} does not work: {heartbeat.trouble}"


def _trouble(subject: str, since: datetime, text: str) -> Trouble:
    return Trouble(
        subject=subject,
        since=since,
        text=text,
        consequence=CONSEQUENCE.get(subject, ""),
        action=ACTION.get(subject, "Look at its log and start it again."),
    )
