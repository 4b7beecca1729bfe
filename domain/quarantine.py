"""Messages that were refused and set aside, and requests to judge them again."""

from pydantic import AwareDatetime, Field

from domain.answers import Answer
from domain.errors import QuarantineReason
from domain.messages import CraneName


class QuarantineRow(Answer):
    """A message that was set aside, with the reason."""

    quarantine_id: int
    received_at: AwareDatetime
    topic: str
    crane: str | None
    reason: str
    detail: str
    raw_bytes: int = Field(description="size of the message [bytes]")
    raw_start: str = Field(description="its first 200 bytes as text, unreadable bytes escaped")


class ReplayAsked(Answer, extra="forbid"):
    """Which refused messages are to be judged again, as of the time when they arrived."""

    crane: CraneName | None = Field(default=None, description="left out: of every crane, and of none")
    reason: QuarantineReason | None = Field(default=None, description="left out: for every reason")


class ReplayRow(Answer):
    """A request to judge refused messages again, and what became of it, in messages."""

    replay_id: int
    crane: str | None = Field(description="None: of every crane, and of none")
    reason: str | None = Field(description="None: for every reason")
    asked_at: AwareDatetime
    asked_by: str
    done_at: AwareDatetime | None = Field(description="None while it waits for ingest or is being done")
    stored: int
    known: int = Field(description="were stored already, and have left quarantine")
    kept: int = Field(description="are refused again")
    problem: str = Field(description="why it could not be done; empty where it was")
