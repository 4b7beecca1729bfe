"""Idempotency keys: what a write with a key was answered, kept for a day."""

import hashlib
import json
from typing import Any

from psycopg import AsyncConnection

from store.access import Principal
from store.statement import dicts_async, run_async


def bound_key(caller: Principal, method: str, path: str, key: str) -> str:
    """What an idempotency key is kept under: bound to the token, role and sites of its caller, and to method and path.

    Nobody gets by a key what was answered to another token, to a wider site scope, or on another path. Sessions of an account
    are one: a person who signs in again may ask again.
    """
    sites = None if caller.sites is None else sorted(caller.sites)
    bound = json.dumps([caller.via, caller.token_id, caller.role, sites, method, path, key])
    return hashlib.sha256(bound.encode()).hexdigest()


async def claim_key(conn: AsyncConnection[Any], account: str, key: str, request_sha256: bytes) -> bool:
    """Take an idempotency key; False when it is taken."""
    values = {"account": account, "key": key, "request_sha256": request_sha256}
    return bool(await dicts_async(conn, "claim_idempotency_key", **values))


async def kept_answer(conn: AsyncConnection[Any], account: str, key: str) -> dict[str, Any] | None:
    """What the first request with the key asked and was answered."""
    rows = await dicts_async(conn, "idempotent_answer", account=account, key=key)
    return rows[0] if rows else None


async def keep_answer(
    conn: AsyncConnection[Any], account: str, key: str, status: int, content_type: str, body: bytes
) -> None:
    """Keep the answer of the first request with the key."""
    answer = {"status": status, "content_type": content_type, "body": body}
    await run_async(conn, "keep_idempotent_answer", account=account, key=key, **answer)


async def release_key(conn: AsyncConnection[Any], account: str, key: str) -> None:
    """Give a key back after a request that changed nothing."""
    await run_async(conn, "release_idempotency_key", account=account, key=key)
