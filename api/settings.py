"""What the api needs to know to run: one frozen value, built once by the caller and passed down."""

import ipaddress
import re
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator, model_validator

from api.sign_on import SignOnSettings
from domain.life_record import FILE_BYTES_MAX
from domain.units import H_PER_DAY, MIN_PER_DAY
from transfer.limits import FileLimits, TableLimits


class ApiSettings(BaseModel):
    """Settings of the api. The defaults are the strict ones."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    host: str = Field(default="127.0.0.1", description="address that the server listens on")
    open_access: bool = Field(
        default=False,
        description="open access on loopback: no log-in, for a demo on one's own machine; refused elsewhere",
    )
    secure_cookie: bool = Field(
        default=True, description="__Host- cookie for https; false only for plain http on loopback"
    )
    allowed_hosts: tuple[str, ...] = Field(
        default=(), description="names in the Host header that are answered, loopback always; empty for any"
    )
    session_hours: Annotated[float, Field(gt=0, le=H_PER_DAY * 30)] = 12.0
    session_idle_minutes: Annotated[float, Field(gt=0, le=MIN_PER_DAY)] = 60.0
    token_days_max: int = Field(default=366, ge=1, le=3660)
    login_tries: int = Field(
        default=5, ge=1, description="failed log-ins of one account from one address in 15 minutes"
    )
    login_tries_address: int = Field(default=20, ge=1, description="the same from one address, any account")
    login_tries_account: int = Field(default=50, ge=1, description="the same of one account, any address")
    sign_on: SignOnSettings | None = Field(
        default=None, description="the provider at which people sign on; none: with passwords only"
    )
    local_accounts: bool = Field(
        default=True, description="whether accounts sign in with a password of this server"
    )
    emergency_account: str | None = Field(
        default=None, description="the one account that still does where the others do not"
    )
    password_score: int = Field(
        default=3, ge=0, le=4, description="least strength of a new password (answers/passwords.py)"
    )
    reset_link_hours: float = Field(
        default=24, gt=0, le=168, description="how long a link to set a password holds [h]"
    )
    public_url: str | None = Field(
        default=None, description="address of the pages, for such links; none: they begin with the path"
    )
    sign_on_days: float = Field(
        default=30,
        gt=0,
        le=366,
        description="tokens of who signs on at a provider hold so long after the last time [days]",
    )
    body_bytes_max: int = Field(default=2_000_000, ge=1000, le=100_000_000)
    body_seconds_max: float = Field(default=30.0, gt=0, le=600, description="a slower body is refused")
    import_bytes_max: int = Field(
        default=50_000_000, ge=1000, le=10_000_000_000, description="largest file of an import"
    )
    import_seconds_max: float = Field(default=600.0, gt=0, le=3600, description="a slower file is refused")
    import_read_seconds_max: float = Field(
        default=900.0, gt=0, le=86_400, description="longest time in which a file is read and stored"
    )
    import_cpu_seconds_max: int = Field(
        default=600, ge=1, le=86_400, description="the same in processor time"
    )
    import_memory_bytes_max: int = Field(
        default=1_000_000_000,
        ge=500_000_000,
        le=64_000_000_000,
        description="address space of the reading process",
    )
    import_table: TableLimits = Field(
        default_factory=TableLimits, description="how large a table in a file may be"
    )
    record_file_bytes_max: int = Field(
        default=FILE_BYTES_MAX, ge=1000, le=50_000_000, description="largest file of a life record"
    )
    record_files_bytes_max: int = Field(
        default=200_000_000, ge=1000, le=10_000_000_000, description="files of the life records of one crane"
    )
    file_limits: FileLimits = Field(
        default_factory=FileLimits, description="what a row of an imported file may say"
    )
    webhook_local: bool = Field(
        default=False, description="let web targets of alerts point at this machine or its link"
    )
    most_connections: int = Field(
        default=1000, ge=10, le=100_000, description="connections of the server: half of them may be streams"
    )
    streams_account: int = Field(
        default=50, ge=1, description="websockets, event streams and waiting reads of one account at once"
    )
    requests_account: int = Field(
        default=16, ge=1, description="requests of one account at work at once; more wait"
    )
    requests_wait_s: float = Field(
        default=10.0, gt=0, le=60, description="how long a request waits for its turn, then 429 [s]"
    )
    scope_key: SecretStr | None = Field(
        default=None,
        description="by which site scopes are signed, hexadecimal; none: the database's, which its owner reads",
    )
    pool_size: int = Field(default=8, ge=2, le=200, description="database connections; a write needs two")

    @property
    def scope_key_text(self) -> str | None:
        """The key as text."""
        return None if self.scope_key is None else self.scope_key.get_secret_value()

    def import_bounds(self) -> dict[str, Any]:
        """What an import is bound by, as fields of transfer.child.Order."""
        limits = self.file_limits
        return {
            "limits": {
                "samples": limits.samples,
                "clock_skew_s": limits.clock_skew.total_seconds(),
                "ranges": dict(limits.ranges),
            },
            "table": asdict(self.import_table),
            "memory_bytes": self.import_memory_bytes_max,
            "cpu_s": self.import_cpu_seconds_max,
        }

    @field_validator("scope_key")
    @classmethod
    def _key_of_the_database(cls, key: SecretStr | None) -> SecretStr | None:
        if key is not None and not re.fullmatch("[0-9a-f]{64}", key.get_secret_value()):
            raise ValueError("scope_key: 64 hexadecimal digits, which docs/security.md says how to read")
        return key

    @model_validator(mode="after")
    def _open_only_on_loopback(self) -> Self:
        if not is_loopback(self.host):
            if self.open_access:
                raise ValueError(
                    f"open access is for loopback only, and {self.host!r} is not:"
                    " add an administrator with `boomledger user add` and switch open access off"
                )
            if not self.secure_cookie:
                raise ValueError(
                    f"a plain cookie is for loopback only, and {self.host!r} is not: serve https in front"
                )
        if not self.local_accounts and self.sign_on is None:
            raise ValueError("without passwords people need a provider to sign on at: set sign_on_issuer")
        return self


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def running_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("boomledger")
    except PackageNotFoundError:
        return "0"
