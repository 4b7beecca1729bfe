"""Accounts, sessions, tokens and the audit as they pass through the api. Secrets are never shown in a repr."""

from typing import Annotated, Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, SecretStr, StrictBool, StringConstraints

from domain.answers import Answer
from domain.messages import CraneName

ACCOUNT_NAME_PATTERN: Final = r"^[a-z0-9][a-z0-9._@-]{0,62}$"

IN_PROCESS: Final = "boomledger.in_process"
"""Mark in the ASGI scope of a call that a page makes of the api in its own process; no client can set it."""

RESET_PATH: Final = "/reset"
"""The page on which a person sets a password by a link."""


def reset_address(public_url: str | None, secret: str) -> str:
    """A link to set a password: the secret stands behind `#`, which no browser sends to a server or names to another page."""
    return f"{(public_url or '').rstrip('/')}{RESET_PATH}#{secret}"


RoleName = Literal["viewer", "dispatcher", "engineer", "admin"]
AccountNameText = Annotated[str, StringConstraints(pattern=ACCOUNT_NAME_PATTERN)]
Password = Annotated[SecretStr, Field(min_length=12, max_length=256, examples=["correct-horse-42-staple"])]
Sites = Annotated[
    tuple[CraneName, ...] | None, Field(max_length=200, description="sites in scope; null for every site")
]


PERSONAL_FIELDS: Final = frozenset({
    "account", "address", "agent", "recipients", "person", "by_whom",
    "entered_by", "withdrawn_by", "finished_by", "held_by", "released_by", "imported_by", "attached_by", "done_by",
    "decided_by", "asked_by", "registered_by", "acknowledged_by", "shelved_by",
    "Account.name", "KeptPlace.rows", "AlertDeliveryRow.last_error", "MeasuredRow.title", "QuarantineRow.raw_start",
    # When a crane worked, and how: who had it on that day is known to the yard.
    "FleetRow.last_at", "LiveAnswer.values", "SamplesAnswer.series", "PosesAnswer.at_ms", "DrawingAnswer.now", "DayRow.first_at",
    "CraneDayRow.first_at", "GapRow.from_at", "Lift.started_at", "OverloadRow.started_at", "OverrideRow.at",
    "EventRow.text", "FaultRow.text", "OpenFaultRow.text", "FaultEpisodeRow.text",
})  # fmt: skip
"""Fields of answers that tell of people (docs/privacy.md): a route whose answer holds one is declared `PERSONAL`."""
NOT_PERSONAL_BY: Final = frozenset(
    {"assess_by", "assessment_by", "special_assessment_by", "due_by", "limited_by"}
)
"""Fields that end like the name of somebody who did something, and name nobody."""


class _Asked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Credentials(_Asked):
    """Name and password of a log-in."""

    account: str = Field(min_length=1, max_length=63, pattern=r"^[^\x00]*$", examples=["ida"])
    password: SecretStr = Field(min_length=1, max_length=256)


class NewAccount(_Asked):
    """An account to add. Without a password nobody can sign in with it until a link to set one is made and used."""

    name: AccountNameText
    password: Password | None = None
    role: RoleName = "viewer"
    sites: Sites = None


class AccountChange(_Asked):
    """What to change of an account; what is left out stays."""

    role: RoleName | None = None
    sites: Sites = None
    password: Password | None = None
    disabled: StrictBool | None = None


class PasswordSet(_Asked):
    """A password that a person sets by a link."""

    secret: SecretStr = Field(min_length=1, max_length=100, description="what follows `#` in the link")
    password: Password


class NewToken(_Asked):
    """A token to make for a program."""

    title: str = Field(min_length=1, max_length=100, pattern=r"^[^\x00-\x1f]+$", examples=["nightly export"])
    role: RoleName = "viewer"
    sites: Sites = None
    days: int = Field(default=90, ge=1, le=3660, strict=True, description="until it expires")


class Account(Answer):
    """An account."""

    name: str
    role: RoleName
    sites: tuple[str, ...] | None
    created_at: AwareDatetime
    disabled: bool
    signs_on: bool = Field(
        description="at the provider of the company; role and sites come from there at each sign-on"
    )


class ResetLink(Answer):
    """A link by which a person sets the password of an account. It is not shown again."""

    account: str
    link: str = Field(description="address of the page; a path where no public address is set")
    expires_at: AwareDatetime


class WhoAmI(Answer):
    """Who is asking."""

    account: str
    role: RoleName
    sites: tuple[str, ...] | None
    via: str = Field(description="session, token or open")
    expires_at: AwareDatetime | None = None


class SignInWays(Answer):
    """How a person can sign in."""

    passwords: bool = Field(
        description="with the name and password of an account; false: one for emergencies only"
    )
    provider: str | None = Field(
        description="how people call the provider of the sign-on; null: there is none"
    )


class SignedOut(Answer):
    """A session has ended."""

    next: str = Field(
        description="where its browser goes: the log-in page, or the provider of the sign-on to sign out there"
    )


class SessionRow(Answer):
    """One open session."""

    session_id: int
    account: str
    created_at: AwareDatetime
    last_seen_at: AwareDatetime
    expires_at: AwareDatetime
    address: str
    agent: str
    current: bool = Field(description="the one that asks")


class TokenRow(Answer):
    """One token, without its secret."""

    token_id: int
    account: str
    title: str
    role: RoleName
    sites: tuple[str, ...] | None
    created_at: AwareDatetime
    expires_at: AwareDatetime
    last_used_at: AwareDatetime | None


class TokenMade(TokenRow):
    """A new token. `secret` is not shown again."""

    secret: str


class KeptPlace(Answer):
    """What one column of the database tells of a person."""

    place: str = Field(description="table and column")
    count: int
    rows: tuple[dict[str, Any], ...] = Field(
        description="the newest of them, without secrets and contents of files"
    )


class KeptAnswer(Answer):
    """What is kept under the name of an account, as far as the caller may see it."""

    name: str
    at: AwareDatetime
    places: tuple[KeptPlace, ...]
    withheld: tuple[str, ...] = Field(
        description="places that only `boomledger person give` reads: log-ins that failed, known addresses"
    )


class AuditRow(Answer):
    """One thing that was done."""

    audit_id: int
    at: AwareDatetime
    account: str
    via: str
    action: str
    target: str
    detail: dict[str, Any]
    address: str
    request_id: str
