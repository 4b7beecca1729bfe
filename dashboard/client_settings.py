"""Calls of the client about what is entered: accounts, tokens, sessions, details and intervals that go."""

from collections.abc import Mapping
from typing import Any

import orjson

from dashboard.transport import Transport
from domain.accounts import Account, AuditRow, NewToken, SessionRow, TokenMade, TokenRow
from domain.answers import Page

_JSON = {"content-type": "application/json"}


class SettingsCalls(Transport):
    """What people enter besides alerts."""

    async def drop_detail(self, crane: str, detail: str) -> None:
        """Forget a weld detail of a crane's own."""
        await self._delete(f"/cranes/{crane}/details/{detail}")

    async def drop_service_plan(self, crane: str, plan: str) -> None:
        """Forget an interval of a crane's own, and what was done under it."""
        await self._delete(f"/cranes/{crane}/service/{plan}")

    async def users(self) -> Page[Account]:
        """Accounts, by name."""
        return await self._get(Page[Account], "/users", limit=500)

    async def add_user(self, asked: Mapping[str, Any]) -> Account:
        """Add an account. A mapping, because models keep passwords out of what they write."""
        return await self._ask(Account, "POST", "/users", content=orjson.dumps(dict(asked)), headers=_JSON)

    async def change_user(self, name: str, change: Mapping[str, Any]) -> Account:
        """Change an account; what is left out stays, its sessions end."""
        return await self._ask(
            Account, "PATCH", f"/users/{name}", content=orjson.dumps(dict(change)), headers=_JSON
        )

    async def audit(self, *, cursor: str | None = None, limit: int = 200) -> Page[AuditRow]:
        """What was done by whom, newest first."""
        return await self._get(Page[AuditRow], "/audit", cursor=cursor, limit=limit)

    async def tokens(self) -> Page[TokenRow]:
        """Tokens without their secrets."""
        return await self._get(Page[TokenRow], "/tokens", limit=500)

    async def make_token(self, asked: NewToken) -> TokenMade:
        """Make a token; its secret is in this answer and nowhere else."""
        return await self._post(TokenMade, "/tokens", asked)

    async def revoke_token(self, token_id: int) -> None:
        """Revoke a token."""
        await self._delete(f"/tokens/{token_id}")

    async def sessions(self) -> Page[SessionRow]:
        """Open sessions."""
        return await self._get(Page[SessionRow], "/sessions", limit=500)

    async def end_session(self, session_id: int) -> None:
        """Sign a session out."""
        await self._delete(f"/sessions/{session_id}")
