"""The yard of the api's tests, and tokens of several reaches."""

from collections.abc import Callable
from functools import partial

import psycopg
import pytest

from store.access import new_secret, secret_sha256
from tests.api.conftest import anyio_backend, api, fresh_api, fresh_yard_url, yard_template, yard_url

__all__ = ["anyio_backend", "api", "fresh_api", "fresh_yard_url", "yard_template", "yard_url"]

TokenOf = Callable[..., str]


@pytest.fixture
def token_of(fresh_yard_url: str) -> TokenOf:
    """Makes a token: its account, role and sites (None: every one)."""
    return partial(make_token, fresh_yard_url)


def make_token(url: str, account: str, role: str = "admin", sites: list[str] | None = None) -> str:
    """A new token, in the table `api_token` with the title `test`."""
    secret = new_secret("token")
    with psycopg.connect(url) as conn:
        conn.execute(
            "insert into api_token (secret_sha256, account_id, title, role, sites, expires_at)"
            " select %s, account_id, 'test', %s, %s, now() + interval '1 day' from account where name = %s",
            (secret_sha256(secret), role, sites, account),
        )
    return secret
