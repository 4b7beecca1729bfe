"""How a message leaves: what mail and web calls share."""

from dataclasses import dataclass
from typing import Literal

from pydantic import SecretStr

from domain.errors import BoomledgerError

Security = Literal["none", "starttls", "tls"]


class NotSent(BoomledgerError):
    """The other side did not take a message; `final` when asking again cannot help."""

    def __init__(self, text: str, *, final: bool = False) -> None:
        super().__init__(text)
        self.final = final


@dataclass(frozen=True, kw_only=True, slots=True)
class Delivery:
    """Where mail goes and how web calls are signed. Secrets come from the settings and stay out of every repr."""

    smtp_host: str | None = None
    smtp_port: int = 587
    smtp_security: Security = "starttls"
    smtp_ca_file: str | None = None
    smtp_user: str | None = None
    smtp_password: SecretStr | None = None
    smtp_sender: str | None = None
    webhook_secret: SecretStr | None = None
    webhook_local: bool = False
    timeout_s: float = 15.0
