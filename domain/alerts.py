"""Alerts: the kinds of rule with their words, rules, what they found, and whom to tell."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import time
from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import AwareDatetime, Field, StrictBool, StringConstraints, model_validator

from domain.answers import Answer
from domain.errors import field_error
from domain.findings import FINDING_WORDS, FindingCode
from domain.messages import CraneName
from domain.moments import Instant


class AlertKind(StrEnum):
    """What a rule watches."""

    NEAR_LIMIT_SHARE = "near_limit_share"
    LIMITER_OVERRIDES = "limiter_overrides"
    LIFE_USED = "life_used"
    LIFE_DATE = "life_date"
    FAULT_CODE = "fault_code"
    OFFLINE = "offline"
    QUARANTINE_RATE = "quarantine_rate"
    SERVICE_DUE = "service_due"
    FINDING = "finding"
    ASSESSMENT_DUE = "assessment_due"
    HISTORY_UNKNOWN = "history_unknown"


class Priority(StrEnum):
    """How soon somebody must act: at once, today, this week."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def rank(self) -> int:
        """0 for the most urgent."""
        return list(Priority).index(self)


@dataclass(frozen=True, kw_only=True, slots=True)
class KindWords:
    """What a kind measures, and what its alerts say where a rule has no words of its own."""

    unit: str
    measure: str  # "{value}", "{subject}" and "{days}" are filled in
    falling: bool  # raised when the value falls to the level
    cause: str
    consequence: str
    action: str


KIND_WORDS: Final[Mapping[AlertKind, KindWords]] = {
    AlertKind.NEAR_LIMIT_SHARE: KindWords(
        unit="%",
        measure="{value:.0f} % of the time under load near the limit, last {days} days",
        falling=False,
        cause="Heavy loads at long reach, or a small stabiliser spread, for much of the time under load.",
        consequence="Structural life is used faster, and limiter stops and overrides become likelier.",
        action="Look where in the working area it happens; give such jobs to a crane with more headroom.",
    ),
    AlertKind.LIMITER_OVERRIDES: KindWords(
        unit="uses",
        measure="limiter override used {value:.0f} times, last {days} days",
        falling=False,
        cause="An operator freed blocked movements by the limiter override.",
        consequence="The crane may have been beyond its rated capacity or its stability.",
        action="Look at the 30 s before each use and talk to the operator; have the crane inspected where it was overloaded.",
    ),
    AlertKind.LIFE_USED: KindWords(
        unit="%",
        measure="{value:.1f} % of the design working period used",
        falling=False,
        cause="The counted duty, with its safety factor and what was before the record, has come near the design duty.",
        consequence="At the end of the design working period a special assessment is due.",
        action="Plan the special assessment by an expert engineer. A counted share postpones no inspection.",
    ),
    AlertKind.LIFE_DATE: KindWords(
        unit="days",
        measure="design working period forecast to be used up as early as in {value:.0f} days",
        falling=True,
        cause="At the use of late the design working period is used up soon.",
        consequence="A special assessment falls due; a forecast compares, it does not predict.",
        action="Plan the special assessment, and look whether other cranes can take heavy work.",
    ),
    AlertKind.FAULT_CODE: KindWords(
        unit="open",
        measure="status code {subject} open",
        falling=False,
        cause="The crane reports a fault.",
        consequence="Functions may be limited or missing.",
        action="Read the status code and its advice before calling the workshop; the manual of the crane decides.",
    ),
    AlertKind.OFFLINE: KindWords(
        unit="h",
        measure="nothing heard for {value:.0f} h",
        falling=False,
        cause="The crane is switched off, out of coverage, or its sender has failed.",
        consequence="Duty may go unrecorded: the coverage falls and the safety factor f1 rises.",
        action="If the crane is at work, check its sender, its coverage and its credentials at the broker.",
    ),
    AlertKind.QUARANTINE_RATE: KindWords(
        unit="messages/day",
        measure="{value:.1f} messages a day set aside, last {days} days",
        falling=False,
        cause="Messages came that could not be understood, or from a clock or crane that is not known.",
        consequence="What is set aside is not counted until it is replayed.",
        action="Read the reasons in the quarantine, mend the sender or the registration, then replay.",
    ),
    AlertKind.SERVICE_DUE: KindWords(
        unit="days",
        measure="service {subject} due in {value:.0f} days",
        falling=True,
        cause="An interval of service by hours, lifts or calendar comes to its end.",
        consequence="An overdue service may void the maker's conditions and hides wear.",
        action="Book the workshop, and enter the service when it was done.",
    ),
    AlertKind.FINDING: KindWords(
        unit="days",
        measure="{subject}: on {value:.0f} of the last {days} days",
        falling=False,
        cause="Readings of the crane cannot be true, or say too little.",
        consequence="Figures that rest on them are too high or too low; the finding says which.",
        action="Look at the finding and its trace, have the cause mended, and exclude the span.",
    ),
    AlertKind.ASSESSMENT_DUE: KindWords(
        unit="days",
        measure="special assessment due in {value:.0f} days",
        falling=True,
        cause="By age, by use, on a day that is entered or for a condition, whichever is first: the Life page says which.",
        consequence="Without it nobody can say that the crane may go on working as it does.",
        action="Arrange the special assessment by an expert engineer, and enter it when it was done.",
    ),
    AlertKind.HISTORY_UNKNOWN: KindWords(
        unit="cranes",
        measure="cranes whose life before the record is not entered: {value:.0f}",
        falling=False,
        cause="Years from manufacture to the first record are not entered: nobody knows their duty.",
        consequence="They count 1.5 times over the design years: the used share is assumed for a large part.",
        action="Enter the life before the record under Settings, Life history, or have the cranes assessed.",
    ),
}

FLEET_KINDS: Final = (AlertKind.HISTORY_UNKNOWN,)
"""Kinds about the fleet: kept by site, so that nobody learns of others' cranes, and shown as one alert of all sites in scope."""

Words = Annotated[str, StringConstraints(max_length=500, pattern=r"^[^\x00]*$")]
Level = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False, strict=False)]
StatusCode = Annotated[str, StringConstraints(min_length=1, max_length=100, pattern=r"^[^\x00]*$")]


class AlertRuleAsked(Answer, extra="forbid"):
    """A rule to enter. Scope: one site, one type, one crane, or none of them for the whole fleet."""

    kind: AlertKind
    priority: Priority = Priority.MEDIUM
    raise_at: Level = Field(
        default=1.0, description="value from which it is raised, in the unit of the kind", examples=[25.0]
    )
    clear_at: Level | None = Field(
        default=None,
        description="value behind which it clears again; the same where left out",
        examples=[20.0],
    )
    days: int = Field(default=7, ge=1, le=366, description="local days that the value is taken over")
    codes: tuple[StatusCode, ...] = Field(
        default=(),
        max_length=100,
        description="status codes watched by fault_code, codes watched by finding; none: all",
    )
    clear_after_min: int = Field(
        default=10, ge=0, le=10_080, description="minutes on the good side before it clears"
    )
    cause: Words = Field(default="", description="likely cause; the words of the kind where empty")
    consequence: Words = ""
    action: Words = Field(default="", description="what to do")
    site: CraneName | None = None
    type: CraneName | None = None
    crane: CraneName | None = None
    enabled: StrictBool = True

    @model_validator(mode="after")
    def _levels_and_scope(self) -> Self:
        if sum(scope is not None for scope in (self.site, self.type, self.crane)) > 1:
            raise field_error("site", "give at most one of site, type and crane")
        if self.clear_at is not None:
            wrong = self.clear_at < self.raise_at if self.words.falling else self.clear_at > self.raise_at
            if wrong:
                side = "below" if self.words.falling else "above"
                raise field_error(
                    "clear_at", f"clear_at must not lie {side} raise_at: the alert would never stay"
                )
        return self

    @property
    def words(self) -> KindWords:
        """The words of the kind."""
        return KIND_WORDS[self.kind]

    def words_for(self, subject: str) -> KindWords:
        """The same; for a finding those of its code."""
        if self.kind is not AlertKind.FINDING or subject not in set(FindingCode):
            return self.words
        of_code = FINDING_WORDS[FindingCode(subject)]
        return replace(
            self.words, cause=f"{of_code.title}.", consequence=of_code.consequence, action=of_code.next_step
        )

    @property
    def clear_level(self) -> float:
        """Value behind which the alert clears."""
        return self.raise_at if self.clear_at is None else self.clear_at


class AlertRuleEntry(AlertRuleAsked, extra="ignore"):
    """A rule as it is entered."""

    name: str
    unit: str
    entered_at: AwareDatetime
    entered_by: str


class AlertRuleRow(AlertRuleEntry):
    """A rule in force."""

    open_alerts: int


class AlertRow(Answer):
    """One alert. `state`: open, acknowledged, shelved or cleared."""

    alert_id: int
    crane: str
    site: str
    rule: str
    kind: AlertKind
    priority: Priority
    state: Literal["open", "acknowledged", "shelved", "cleared"]
    text: str = Field(description="what was found, in a sentence")
    subject: str = Field(description="the status code or service interval, where the rule watches several")
    value: float | None
    worst_value: float | None
    unit: str
    raise_at: float
    raised_at: AwareDatetime
    cleared_at: AwareDatetime | None
    acknowledged_at: AwareDatetime | None
    acknowledged_by: str | None
    shelved_until: AwareDatetime | None
    shelved_by: str | None
    shelved_reason: str | None
    cause: str
    consequence: str
    action: str = Field(description="what to do")


class AlertHistoryRow(Answer):
    """One thing that happened to an alert. `by_whom` is empty for the rule itself."""

    at: AwareDatetime
    what: str = Field(description="raised, cleared, acknowledged, shelved, unshelved or noted")
    by_whom: str
    note: str


class AlertDetail(Answer):
    """One alert with its history."""

    alert: AlertRow
    history: tuple[AlertHistoryRow, ...]


class AlertsOfCrane(Answer):
    """Open alerts of one crane, those on the shelf apart."""

    crane: str
    site: str
    high: int
    medium: int
    low: int
    unacknowledged: int
    shelved: int
    newest_at: AwareDatetime


class AlertSummary(Answer):
    """Open alerts in scope, grouped by crane: the crane with the most urgent first."""

    unacknowledged: int
    cranes: tuple[AlertsOfCrane, ...]


class Acknowledged(Answer, extra="forbid"):
    """Somebody has it."""

    note: Words = ""


class Shelved(Answer, extra="forbid"):
    """Nothing is sent about it until then."""

    until: Instant = Field(description="at most 90 days ahead")
    reason: Annotated[str, StringConstraints(min_length=3, max_length=500, pattern=r"^[^\x00]*$")]


ADDRESS_PATTERN: Final = (
    r"^[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,252}[A-Za-z0-9])?$"
)
WEB_ADDRESS_PATTERN: Final = r"^https?://[^\s\x00-\x20\x7f@]{1,1900}$"
Address = Annotated[str, StringConstraints(max_length=254, pattern=ADDRESS_PATTERN)]


class AlertTargetAsked(Answer, extra="forbid"):
    """Whom to tell: e-mail addresses or one web address. Quiet hours are by the clock of each crane's site."""

    recipients: tuple[Address, ...] = Field(
        default=(), max_length=50, description="e-mail addresses", examples=[["yard@example.com"]]
    )
    web_address: Annotated[str, StringConstraints(pattern=WEB_ADDRESS_PATTERN)] | None = Field(
        default=None, description="http or https address that takes signed JSON by POST"
    )
    sites: tuple[CraneName, ...] | None = Field(
        default=None, max_length=200, description="alerts of these sites; null for every site"
    )
    least_priority: Priority = Priority.LOW
    tell_cleared: StrictBool = True
    quiet_from: time | None = Field(default=None, description="local time without zone, such as 20:00")
    quiet_to: time | None = Field(default=None, description="local time without zone, such as 06:00")
    high_breaks_quiet: StrictBool = True
    minutes_between: int = Field(
        default=15,
        ge=1,
        le=1440,
        description="messages are at least this far apart; with a high one 1 minute",
    )
    enabled: StrictBool = True

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if bool(self.recipients) == (self.web_address is not None):
            raise field_error("recipients", "give either recipients or web_address")
        if (self.quiet_from is None) != (self.quiet_to is None):
            raise field_error("quiet_from", "give both quiet_from and quiet_to, or neither")
        if any(one is not None and one.tzinfo is not None for one in (self.quiet_from, self.quiet_to)):
            raise field_error(
                "quiet_from", "quiet hours have no zone: the zone is the one of each crane's site"
            )
        return self


class AlertTargetRow(AlertTargetAsked, extra="ignore"):
    """A target as it is entered."""

    name: str
    entered_at: AwareDatetime
    entered_by: str


class AlertDeliveryRow(Answer):
    """One message to one target. `state`: waiting, sent or given up."""

    delivery_id: int
    target: str
    message_id: str
    made_at: AwareDatetime
    alerts: int
    state: Literal["waiting", "sent", "given up"]
    tries: int
    due_at: AwareDatetime
    sent_at: AwareDatetime | None
    last_error: str


def sentence(kind: AlertKind, value: float | None, subject: str, days: int, detail: str = "") -> str:
    """What an alert found, in words. detail: names, where it is about several cranes of a site."""
    if value is None:
        return f"{kind.replace('_', ' ')}: no value now"
    if kind is AlertKind.SERVICE_DUE and value <= 0:
        return f"service {subject} overdue"
    if kind is AlertKind.ASSESSMENT_DUE and value <= 0:
        return "special assessment due now" if value == 0 else "special assessment overdue"
    if kind is AlertKind.FINDING and subject in set(FindingCode):
        subject = FINDING_WORDS[FindingCode(subject)].title
    words = KIND_WORDS[kind].measure.format(value=value, subject=subject, days=days)
    return f"{words} ({detail})" if detail else words
