"""A message as a signed web call: JSON by POST, signed with HMAC-SHA256 as the open Standard Webhooks scheme (v1).

Signed are `id.timestamp.body` with the key of the target. The id is the same over all tries: a receiver keeps the ids
it has seen and drops what comes twice, and refuses timestamps that are minutes off.
"""

import base64
import hashlib
import hmac
import socket
import time
from typing import Final
from urllib.parse import urlsplit

import anyio
import httpx

from alerts.delivery import Delivery, NotSent
from domain.errors import InvalidInput
from domain.web_address import is_local, refuse_local

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
