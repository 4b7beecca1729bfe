"""Calls of the client about what is entered: cranes, accounts, tokens, sessions, details and intervals that go."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import orjson

from dashboard.transport import Transport
from domain.accounts import Account, AuditRow, NewToken, SessionRow, TokenMade, TokenRow
from domain.answers import CraneDetail, Page
from domain.counter import CounterReadingAsked, CountersAnswer
from domain.crane import CraneType, Site
from domain.description import DescriptionAsked, DescriptionDone, DescriptionEntry
from domain.history import HistoryAsked, HistoryEntered, HistoryRow
from domain.registration import CraneChanged, CraneRegistration, CraneTypeRow
from domain.transfer_answers import ImportDone, ImportRow, ImportRunning

_JSON = {"content-type": "application/json"}
IMPORT_TIMEOUT_S: Final = 3600.0  # the api's own limits end an import sooner


class SettingsCalls(Transport):
    """What people enter besides alerts."""

    async def drop_detail(self, crane: str, detail: str) -> None:
        """Forget a weld detail of a crane's own."""
        await self._delete(f"/cranes/{crane}/details/{detail}")

    async def drop_service_plan(self, crane: str, plan: str) -> None:
        """Forget an interval of a crane's own, and what was done under it."""
        await self._delete(f"/cranes/{crane}/service/{plan}")

    async def sites(self) -> Page[Site]:
        """Sites in scope, by name."""
        return await self._get(Page[Site], "/sites")

    async def crane_types(self, *, cursor: str | None = None, limit: int = 1000) -> Page[CraneTypeRow]:
        """Crane types on file, by name."""
        return await self._get(Page[CraneTypeRow], "/crane-types", cursor=cursor, limit=limit)

    async def crane_type(self, name: str) -> CraneType:
        """One crane type with all of its figures."""
        return await self._get(CraneType, f"/crane-types/{name}")

    async def register_crane(self, wanted: CraneRegistration) -> CraneDetail:
        """Register a crane; Conflict where there is one of its name."""
        return await self._post(CraneDetail, "/cranes", wanted)

    async def crane_with_tag(self, name: str) -> tuple[CraneDetail, str]:
        """One crane as it is entered, and the tag by which a change says what it was made upon."""
        return await self._tagged(CraneDetail, f"/cranes/{name}")

    async def change_crane(
        self, name: str, wanted: CraneRegistration, *, tag: str | None = None
    ) -> CraneChanged:
        """Replace what is entered of a crane; with the tag of what was read, only where nobody else did since."""
        headers = {**_JSON, **({"if-match": tag} if tag else {})}
        return await self._ask(
            CraneChanged, "PUT", f"/cranes/{name}", content=wanted.model_dump_json(), headers=headers
        )

    async def histories(self) -> Page[HistoryRow]:
        """What is entered of every crane's life before its record, the most unknown years first."""
        return await self._get(Page[HistoryRow], "/life-history")

    async def enter_histories(self, asked: HistoryAsked) -> HistoryEntered:
        """Enter the history of many cranes at once."""
        return await self._post(HistoryEntered, "/life-history", asked)

    async def counters(self, crane: str) -> CountersAnswer:
        """Readings of a crane's own counters, and what they gained beside what was recorded."""
        return await self._get(CountersAnswer, f"/cranes/{crane}/counters")

    async def enter_counter(self, crane: str, asked: CounterReadingAsked) -> CountersAnswer:
        """Enter a reading of a counter."""
        return await self._post(CountersAnswer, f"/cranes/{crane}/counters", asked)

    async def drop_counter(self, crane: str, reading_id: int) -> None:
        """Withdraw a reading of a counter."""
        await self._delete(f"/cranes/{crane}/counters/{reading_id}")

    async def descriptions(self, name: str) -> Page[DescriptionEntry]:
        """What a crane was like and from which day on, newest first."""
        return await self._get(Page[DescriptionEntry], f"/cranes/{name}/descriptions")

    async def describe(self, name: str, asked: DescriptionAsked) -> DescriptionDone:
        """Enter what a crane is like from a day on; the answer says which days are counted again."""
        return await self._post(DescriptionDone, f"/cranes/{name}/descriptions", asked)

    async def correct_description(
        self, name: str, valid_from: str, asked: DescriptionAsked
    ) -> DescriptionDone:
        """Correct the description of a day."""
        return await self._ask(
            DescriptionDone,
            "PUT",
            f"/cranes/{name}/descriptions/{valid_from}",
            content=asked.model_dump_json(),
            headers=_JSON,
        )

    async def drop_description(self, name: str, valid_from: str) -> DescriptionDone:
        """Take the description of a day out: the one before it holds on."""
        return await self._ask(DescriptionDone, "DELETE", f"/cranes/{name}/descriptions/{valid_from}")

    async def import_file(
        self, file: Path, *, mapping: str | None = None, dry_run: bool = False, skip_bad: bool = False
    ) -> ImportDone:
        """Store samples or events of a CSV or Parquet file. mapping: TOML; left out for the columns of an export."""
        flags = {"dry_run": dry_run, "skip_bad": skip_bad}
        with file.open("rb") as opened:
            return await self._ask(
                ImportDone,
                "POST",
                "/imports",
                params={name: str(value).lower() for name, value in flags.items()},
                files={"file": (file.name, opened)},
                data={"mapping": mapping} if mapping else None,
                timeout=IMPORT_TIMEOUT_S,
            )

    async def running_import(self) -> ImportRunning:
        """The import of this account that is under way."""
        return await self._get(ImportRunning, "/imports/running")

    async def cancel_import(self) -> ImportRunning:
        """Cancel the import of this account that is under way."""
        return await self._ask(ImportRunning, "DELETE", "/imports/running")

    async def imports(self, *, cursor: str | None = None, limit: int = 20) -> Page[ImportRow]:
        """Files that were stored, newest first."""
        return await self._get(Page[ImportRow], "/imports", cursor=cursor, limit=limit)

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
