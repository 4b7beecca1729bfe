"""Wire format, version 1: topics and the pydantic models of every message.

boomledger/v1/{crane}/samples     crane -> ledger   SamplesMessage   QoS 1
boomledger/v1/{crane}/events      crane -> ledger   EventMessage     QoS 1
boomledger/v1/{crane}/status      crane -> ledger   StatusMessage    QoS 1, retained, last will
boomledger/v1/{crane}/committed   ledger -> crane   ReceiptMessage   QoS 1
boomledger/v1/{crane}/notices     ledger -> crane   NoticeMessage    QoS 1
"""

import re
from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from domain.channels import CHANNEL_BY_NAME

TOPIC_ROOT: Final = "boomledger/v1"
CRANE_NAME_PATTERN: Final = r"^[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?$"
MAX_SAMPLES: Final = 10_000
MAX_STEP_MS: Final = 600_000
BEHIND_MS: Final = (
    86_400_000  # a clock so far behind is told; less may be a relay that hands on late. Own choice
)
MAX_SPAN_MS: Final = 86_400_000  # of one samples message: samples times step
MAX_INT63: Final = 2**63 - 1

CraneName = Annotated[str, StringConstraints(pattern=CRANE_NAME_PATTERN)]
Sequence63 = Annotated[int, Field(ge=0, le=MAX_INT63, strict=True)]


class Leaf(StrEnum):
    """The last level of a topic."""

    SAMPLES = "samples"
    EVENTS = "events"
    STATUS = "status"
    COMMITTED = "committed"
    NOTICES = "notices"


def topic(crane: str, leaf: Leaf) -> str:
    """The topic of one crane for one kind of message."""
    return f"{TOPIC_ROOT}/{crane}/{leaf}"


_TOPIC = re.compile(rf"^{TOPIC_ROOT}/([^/]+)/([a-z]+)$")


def parse_topic(text: str) -> tuple[str, Leaf] | None:
    """(crane, leaf) of a topic of this wire format, else None."""
    found = _TOPIC.fullmatch(text)
    if found is None or not re.fullmatch(CRANE_NAME_PATTERN, found[1]) or found[2] not in set(Leaf):
        return None
    return found[1], Leaf(found[2])


class _Message(BaseModel):
    # JSON has no NaN and no infinity; a missing reading is null.
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    crane: CraneName | None = Field(
        default=None, description="may be stated; then it must be the crane of the topic"
    )


class SamplesMessage(_Message):
    """A batch of evenly spaced samples: one list a channel, all of one length, null for a missing reading."""

    boot: Sequence63 = Field(description="number that the sender draws anew at each start")
    seq: Sequence63 = Field(
        description="counts up by one for each message of a boot, samples and events together"
    )
    t0: AwareDatetime = Field(description="time of the first sample, UTC")
    dt_ms: int = Field(ge=1, le=MAX_STEP_MS, strict=True, description="step between samples in milliseconds")
    channels: dict[str, list[float | None]] = Field(
        min_length=1,
        description="channel name to readings; absent where the crane has no such sensor; at least one is known",
    )

    @model_validator(mode="after")
    def _one_length(self) -> "SamplesMessage":
        if not self.channels.keys() & CHANNEL_BY_NAME.keys():
            raise ValueError(
                f"no known channel in {list(self.channels)[:10]}; known are {sorted(CHANNEL_BY_NAME)}"
            )
        lengths = {len(values) for values in self.channels.values()}
        if len(lengths) != 1 or not 1 <= max(lengths) <= MAX_SAMPLES:
            raise PydanticCustomError(
                "bad_lengths",
                "channel lists must share one length from 1 to {most}, found {found}",
                {"most": MAX_SAMPLES, "found": str(sorted(lengths)[:10])},
            )
        if max(lengths) * self.dt_ms > MAX_SPAN_MS:
            raise PydanticCustomError(
                "bad_lengths", "samples times dt_ms must not exceed {most} ms (a day)", {"most": MAX_SPAN_MS}
            )
        return self


class EventKind(StrEnum):
    """What an event tells."""

    FAULT = "fault"
    WARNING = "warning"
    LIMITER_STOP = "limiter_stop"
    LIMITER_OVERRIDE = "limiter_override"
    MODE_CHANGE = "mode_change"
    SERVICE = "service"
    COUNTER = "counter"  # a reading of the crane's own counter: code operating_hours or lifts, text the value


class EventState(StrEnum):
    """Whether the condition began or ended. A moment (an override, a service) is only raised."""

    RAISED = "raised"
    CLEARED = "cleared"


class EventMessage(_Message):
    """One event, with its own sequence number in the sender's boot."""

    boot: Sequence63
    seq: Sequence63
    at: AwareDatetime = Field(description="time of the event, UTC")
    kind: EventKind
    code: str = Field(default="", max_length=64, description="status code as the crane shows it")
    state: EventState = EventState.RAISED
    text: str = Field(default="", max_length=500)


class StatusMessage(_Message):
    """Retained presence of a crane; the last will says offline."""

    state: Literal["online", "offline"]
    boot: Sequence63
    at: AwareDatetime | None = Field(default=None, description="absent in a last will")


class ReceiptMessage(_Message):
    """What is committed now: sequence numbers of one boot that are stored, and those that are refused and set aside."""

    boot: Sequence63
    stored: list[Sequence63] = Field(default_factory=list, description="stored for good")
    quarantined: list[Sequence63] = Field(
        default_factory=list,
        description="refused and not counted; the bytes are kept as long as there is room, the newest of each crane and reason",
    )


class NoticeCode(StrEnum):
    """What a notice is about: why a message is in quarantine, or what is doubtful about one that is stored."""

    TOO_LARGE = "too_large"
    NOT_JSON = "not_json"
    NOT_CBOR = "not_cbor"
    BAD_ENCODING = "bad_encoding"
    BAD_SHAPE = "bad_shape"
    BAD_LENGTHS = "bad_lengths"
    OUT_OF_RANGE = "out_of_range"
    IN_FUTURE = "in_future"
    BEFORE_REGISTRATION = "before_registration"
    UNKNOWN_CRANE = "unknown_crane"
    CRANE_MISMATCH = "crane_mismatch"
    KEY_REUSED = "key_reused"
    READING_REFUSED = "reading_refused"
    UNKNOWN_CHANNEL = "unknown_channel"
    FRACTION_FOR_PERCENT = "fraction_for_percent"
    RADIANS_FOR_DEGREES = "radians_for_degrees"
    LIMIT_ZERO = "limit_zero"
    CLOCK_BEHIND = "clock_behind"
    CLOCK_SET_BACK = "clock_set_back"
    SEQ_REPEATED = "seq_repeated"
    TIME_HOLE = "time_hole"
    BOOTS_OVERLAP = "boots_overlap"
    COUNTER_UNREADABLE = "counter_unreadable"


class NoticeMessage(_Message):
    """Something to mend at the sender, told to the crane whose topic brought it; seldom, however often it happens."""

    at: AwareDatetime = Field(description="when the message came that it is about, UTC")
    outcome: Literal["stored", "quarantined"] = Field(description="what became of that message")
    code: NoticeCode
    boot: Sequence63 | None = Field(default=None, description="of that message, where they could be made out")
    seq: Sequence63 | None = None
    channel: str | None = Field(default=None, description="the channel that it is about, where it is one")
    text: str = Field(description="what was seen and what to do, in English")
    messages: int = Field(
        ge=1, description="messages of this code and channel since the last notice of it, this one included"
    )


def utc(moment: datetime) -> datetime:
    """The same instant in UTC; refuses a naive time."""
    if moment.tzinfo is None:
        raise ValueError("a time without a zone is ambiguous: give UTC or an offset")
    return moment.astimezone(UTC)
