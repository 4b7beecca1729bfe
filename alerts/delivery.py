"""How a message leaves: as e-mail over SMTP, or as a signed web call.

A web call is JSON by POST, signed with HMAC-SHA256 as the open Standard Webhooks scheme (v1). Signed are `id.timestamp.body` with
the key of the target. The id is the same over all tries: a receiver keeps the ids it has seen and drops what comes twice, and
refuses timestamps that are minutes off.
"""

import base64
import hashlib
import hmac
import smtplib
import socket
import ssl
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Any, Final, Literal
from urllib.parse import urlsplit

import anyio
import httpx
from pydantic import SecretStr

from alerts.messages import plain_text, subject_line
from domain.errors import BoomledgerError, InvalidInput
from domain.web_address import is_local, refuse_local

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


GONE: Final = 410


def key_of(secret: str, target: str) -> bytes:
    """The signing key of one target, out of the secret in the settings: one receiver cannot sign for another."""
    return hmac.digest(secret.encode(), f"boomledger webhook {target}".encode(), hashlib.sha256)


def shown_key(secret: str, target: str) -> str:
    """The key as receivers of the scheme take it."""
    return "whsec_" + base64.b64encode(key_of(secret, target)).decode()


def signature(key: bytes, message_id: str, timestamp: int, body: bytes) -> str:
    """The value of `webhook-signature`."""
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()


def send_web_call(delivery: Delivery, target: str, web_address: str, message_id: str, body: bytes) -> None:
    """One signed call. Raises NotSent; final where the receiver says that it is gone for good (410)."""
    if delivery.webhook_secret is None:
        raise NotSent("no signing secret is configured: set webhook_secret")
    timestamp = int(time.time())
    key = key_of(delivery.webhook_secret.get_secret_value(), target)
    headers = {
        "content-type": "application/json",
        "user-agent": "boomledger",
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(key, message_id, timestamp, body),
    }
    parts = urlsplit(web_address)
    try:
        if not delivery.webhook_local:
            refuse_local(web_address)
        address = reachable(
            parts.hostname or "",
            parts.port or (443 if parts.scheme == "https" else 80),
            local=delivery.webhook_local,
        )
        status = anyio.run(_post, web_address, address, headers, body, delivery.timeout_s)
    except InvalidInput as problem:
        raise NotSent(str(problem)) from problem
    except (httpx.HTTPError, httpx.InvalidURL, OSError) as problem:
        raise NotSent(f"the receiver cannot be reached: {type(problem).__name__}: {problem}") from problem
    if not 200 <= status < 300:
        raise NotSent(f"the receiver answered {status}", final=status == GONE)


def reachable(host: str, port: int, *, local: bool) -> str:
    """One address of a host, checked. The call goes to this very address: a name that answers anew cannot turn it."""
    found = [str(entry[4][0]) for entry in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
    if not local and any(is_local(address) for address in found):
        raise InvalidInput(f"{host} resolves to this machine or its link: not called")
    return found[0]


async def _post(
    web_address: str, address: str, headers: dict[str, str], body: bytes, timeout_s: float
) -> int:
    """Status of the answer. No redirects, no proxy of the environment, and no more of the answer than its head."""
    url = httpx.URL(web_address)
    pinned = url.copy_with(host=address)
    request_headers = {**headers, "host": url.netloc.decode("ascii")}
    # One bound around the whole call: a receiver that drips byte by byte would keep inside those of each step.
    with anyio.fail_after(2 * timeout_s):
        async with (
            httpx.AsyncClient(timeout=timeout_s, follow_redirects=False, trust_env=False) as client,
            client.stream(
                "POST", pinned, content=body, headers=request_headers, extensions={"sni_hostname": url.host}
            ) as answer,
        ):
            return answer.status_code


def send_mail(
    delivery: Delivery, recipients: Sequence[str], message_id: str, made_at: datetime, body: dict[str, Any]
) -> None:
    """Hand one message to the mail server. The Message-ID is the same over all tries, so that a copy can be told.

    Raises NotSent; final where the server refused the message or every address for good.
    """
    if delivery.smtp_host is None or delivery.smtp_sender is None:
        raise NotSent("no mail server is configured: set smtp_host and smtp_sender")
    mail = EmailMessage()
    mail["Subject"] = subject_line(body)
    mail["From"] = delivery.smtp_sender
    mail["To"] = ", ".join(recipients)
    mail["Date"] = format_datetime(made_at)
    mail["Message-ID"] = f"<{message_id}@{delivery.smtp_sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers, please
    mail.set_content(plain_text(body))
    try:
        with _server(delivery, delivery.smtp_host) as server:
            refused = server.send_message(mail)
    except smtplib.SMTPRecipientsRefused as problem:
        final = all(code >= 500 for code, _ in problem.recipients.values())
        raise NotSent(f"every address was refused: {_codes(problem.recipients)}", final=final) from problem
    except smtplib.SMTPAuthenticationError as problem:
        raise NotSent(f"the mail server refused the log-in ({problem.smtp_code})") from problem
    except smtplib.SMTPResponseException as problem:
        raise NotSent(
            f"the mail server said {problem.smtp_code}", final=problem.smtp_code >= 500
        ) from problem
    except (smtplib.SMTPException, OSError) as problem:
        raise NotSent(f"the mail server cannot be used: {type(problem).__name__}: {problem}") from problem
    if refused:
        # Some have it. Sent again it would reach those twice, for the sake of addresses that were refused.
        raise NotSent(f"some addresses were refused: {_codes(refused)}", final=True)


def _server(delivery: Delivery, host: str) -> smtplib.SMTP:
    context = ssl.create_default_context(cafile=delivery.smtp_ca_file)
    if delivery.smtp_security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(
            host, delivery.smtp_port, timeout=delivery.timeout_s, context=context
        )
    else:
        server = smtplib.SMTP(host, delivery.smtp_port, timeout=delivery.timeout_s)
    try:
        if delivery.smtp_security == "starttls":
            server.starttls(context=context)
        if delivery.smtp_user is not None and delivery.smtp_password is not None:
            server.login(delivery.smtp_user, delivery.smtp_password.get_secret_value())
    except BaseException:
        server.close()
        raise
    return server


def _codes(refused: dict[str, tuple[int, bytes]]) -> str:
    return ", ".join(f"{address} ({code})" for address, (code, _) in sorted(refused.items()))
