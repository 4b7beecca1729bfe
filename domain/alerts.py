"""Alerts: the kinds of rule, rules, what they found, and whom to tell."""

from collections.abc import Mapping
from datetime import time
from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import AwareDatetime, Field, StrictBool, StringConstraints, model_validator

from domain.answers import Answer
from domain.errors import field_error
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
    TOKEN_EXPIRY = "token_expiry"  # noqa: S105


class Priority(StrEnum):
    """How soon somebody must act: at once, today, this week."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def rank(self) -> int:
        """0 for the most urgent."""
        return list(Priority).index(self)


UNITS: Final[Mapping[AlertKind, str]] = {
    AlertKind.NEAR_LIMIT_SHARE: "%",
    AlertKind.LIMITER_OVERRIDES: "uses",
    AlertKind.LIFE_USED: "%",
    AlertKind.LIFE_DATE: "days",
    AlertKind.FAULT_CODE: "open",
    AlertKind.OFFLINE: "h",
    AlertKind.QUARANTINE_RATE: "messages/day",
    AlertKind.SERVICE_DUE: "days",
    AlertKind.FINDING: "days",
    AlertKind.ASSESSMENT_DUE: "days",
    AlertKind.HISTORY_UNKNOWN: "cranes",
    AlertKind.TOKEN_EXPIRY: "days",
}
"""Of the value that a kind measures."""
FALLING: Final = (
    AlertKind.LIFE_DATE,
    AlertKind.SERVICE_DUE,
    AlertKind.ASSESSMENT_DUE,
    AlertKind.TOKEN_EXPIRY,
)
"""Kinds that are raised when their value falls to the level."""

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
        if self.kind is AlertKind.TOKEN_EXPIRY and (self.site or self.type or self.crane):
            raise field_error("kind", "a token belongs to no site, type or crane: leave these out")
        if self.clear_at is not None:
            wrong = self.clear_at < self.raise_at if self.falling else self.clear_at > self.raise_at
            if wrong:
                side = "below" if self.falling else "above"
                raise field_error(
                    "clear_at", f"clear_at must not lie {side} raise_at: the alert would never stay"
                )
        return self

    @property
    def falling(self) -> bool:
        """Whether it is raised when the value falls to the level."""
        return self.kind in FALLING

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
    crane: str = Field(description="empty: about an account")
    site: str
    rule: str
    kind: AlertKind
    priority: Priority
    state: Literal["open", "acknowledged", "shelved", "cleared"]
    text: str = Field(description="what was found, in a sentence")
    subject: str = Field(
        description="the status code, service interval or number of the token, where the rule watches several"
    )
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

    crane: str = Field(description="empty: those about accounts")
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


DEFAULT_RULES: Final[Mapping[str, AlertRuleAsked]] = {
    "near the limit": AlertRuleAsked(kind=AlertKind.NEAR_LIMIT_SHARE, raise_at=25, clear_at=20, days=7),
    "limiter overrides": AlertRuleAsked(
        kind=AlertKind.LIMITER_OVERRIDES, priority=Priority.HIGH, raise_at=3, clear_at=2, days=7
    ),
    "life used": AlertRuleAsked(kind=AlertKind.LIFE_USED, raise_at=80, clear_at=79),
    "life forecast": AlertRuleAsked(kind=AlertKind.LIFE_DATE, raise_at=180, clear_at=210),
    "open fault": AlertRuleAsked(kind=AlertKind.FAULT_CODE, clear_after_min=30),
    "nothing heard": AlertRuleAsked(
        kind=AlertKind.OFFLINE, priority=Priority.LOW, raise_at=96, clear_at=1, clear_after_min=0
    ),
    "messages set aside": AlertRuleAsked(
        kind=AlertKind.QUARANTINE_RATE, priority=Priority.LOW, raise_at=10, clear_at=5, days=1
    ),
    "readings not plausible": AlertRuleAsked(kind=AlertKind.FINDING, raise_at=1, days=7, clear_after_min=30),
    "special assessment": AlertRuleAsked(
        kind=AlertKind.ASSESSMENT_DUE, raise_at=180, clear_at=181, clear_after_min=0
    ),
    "life history": AlertRuleAsked(
        kind=AlertKind.HISTORY_UNKNOWN, priority=Priority.LOW, raise_at=1, clear_after_min=0
    ),
    "token expires in two weeks": AlertRuleAsked(
        kind=AlertKind.TOKEN_EXPIRY, priority=Priority.LOW, raise_at=14, clear_after_min=0
    ),
    "token expires in days": AlertRuleAsked(
        kind=AlertKind.TOKEN_EXPIRY, priority=Priority.HIGH, raise_at=3, clear_after_min=0
    ),
    "service due": AlertRuleAsked(
        kind=AlertKind.SERVICE_DUE, priority=Priority.LOW, raise_at=14, clear_at=15, clear_after_min=0
    ),
}
