"""Row-level security: under the api's role the database itself shows the rows of the sites in scope and no others."""

import contextlib
from collections.abc import AsyncIterator, Iterator
from typing import Any

import psycopg
import pytest
from fastapi import FastAPI
from psycopg.conninfo import make_conninfo
from pydantic import SecretStr

from api.app import create_api, running
from api.deps import Conn
from api.permissions import VIEWER
from api.settings import ApiSettings
from domain.registration import EXAMPLE
from store.site_scope import EVERY_SITE, ROLE, scope_in_thread
from tests.api.conftest import PASSWORD, client_of
from tests.api.test_imports import form, table
from tests.support.databases import citus_workers

pytestmark = pytest.mark.anyio
# Tables that show what belongs to one crane or site, and how to count the rows that the south yard must not see.
COUNTS = {
    "crane": "select count(*) from crane where name <> 'crake-1'",
    "site": "select count(*) from site where name <> 'south-yard'",
    "event": "select count(*) from event where crane_id <> (select crane_id from crane where name = 'crake-1')",
    "live": "select count(*) from live",
    "lift": "select count(*) from lift",
    "segment": "select count(*) from segment",
    "day_figure": "select count(*) from day_figure",
    "span_ledger": "select count(*) from span_ledger",
    "crane_summary": "select count(*) from crane_summary",
    "fault_episode": "select count(*) from fault_episode",
    "quarantine": "select count(*) from quarantine where crane_name is distinct from 'crake-1'",
}


@contextlib.contextmanager
def under_role(url: str, sites: str | None) -> Iterator[psycopg.Connection[Any]]:
    """Sites as a transaction of the api names them; None: it names none."""
    if sites is not None:
        with scope_in_thread(url, None if sites == EVERY_SITE else sites.split(",")) as conn:
            yield conn
        return
    with psycopg.connect(url) as conn:
        conn.execute("select set_config('role', %s, false)", [ROLE])
        conn.execute("select set_config('search_path', 'site_scope, public, pg_temp', false)")
        yield conn


def count(conn: psycopg.Connection[Any], statement: str) -> int:
    row = conn.execute(statement).fetchone()  # type: ignore[arg-type]
    assert row is not None
    return int(row[0])


def test_every_table_with_cranes_has_a_policy(yard_url: str) -> None:
    with psycopg.connect(yard_url) as conn:
        open_tables = conn.execute(
            "select c.relname from pg_class c join pg_attribute a on a.attrelid = c.oid"
            " where c.relkind in ('r', 'p') and not c.relispartition and c.relnamespace = 'public'::regnamespace"
            " and a.attname in ('crane_id', 'crane_name', 'site_id', 'alert_id', 'target_id')"
            " and not c.relrowsecurity and (c.relname <> 'segment' or %s)",
            [bool(citus_workers())],
        ).fetchall()
        bypass = conn.execute(
            "select rolsuper or rolbypassrls, rolcanlogin from pg_roles where rolname = %s", [ROLE]
        ).fetchone()
        owned = conn.execute("select count(*) from pg_class where pg_get_userbyid(relowner) = %s", [ROLE])
        assert open_tables == []
        # The nodes of a cluster reach each other under it.
        assert bypass == (False, bool(citus_workers()))
        assert owned.fetchone() == (0,)
        same = "select array_agg(attname::text order by attnum) from pg_attribute where attrelid = %s::regclass and attnum > 0"
        if citus_workers():
            return  # its readings have a policy of their own
        columns = [conn.execute(same, [name]).fetchone() for name in ("public.segment", "site_scope.segment")]
    assert columns[0] == columns[1], "a channel was added: the view site_scope.segment is to be made anew"


@pytest.mark.parametrize("table", sorted(COUNTS))
def test_a_query_without_a_filter_shows_nothing_of_other_sites(yard_url: str, table: str) -> None:
    with under_role(yard_url, "*") as conn:
        assert count(conn, COUNTS[table]) > 0, "the test would pass on an empty table"
    for sites in ("south-yard", "no-such-yard", "", None):
        with under_role(yard_url, sites) as conn:
            assert count(conn, COUNTS[table]) == 0, f"{sites!r} sees {table} of the north yard"
    with under_role(yard_url, "north-yard,south-yard") as conn:
        assert count(conn, COUNTS["crane"]) == 2


def test_one_cannot_write_into_other_sites_nor_touch_the_audit(fresh_yard_url: str) -> None:
    with psycopg.connect(fresh_yard_url) as conn:
        (heron,) = conn.execute("select crane_id from crane where name = 'heron-3'").fetchone()  # type: ignore[misc]
    tries = {
        "insert into detail (crane_id, name, spec) values (%(heron)s, 'x', '{}')": "row-level security",
        "insert into service_plan (name, every_days) values ('everywhere', 1)": "row-level security",
        "update audit set account_name = 'somebody else'": "permission denied",
        "delete from audit": "permission denied",
        "select count(*) from sample": "permission denied",
        "delete from lift": "permission denied",
        "insert into audit (account_name, via, action) values ('a', 'open', 'x')": "row-level security",
    }
    if not citus_workers():  # there readings have a policy themselves, and no view stands before them
        tries["select count(*) from public.segment"] = "permission denied"
    for statement, problem in tries.items():
        with (
            under_role(fresh_yard_url, "south-yard") as conn,
            pytest.raises(psycopg.errors.InsufficientPrivilege, match=problem),
        ):
            conn.execute(statement, {"heron": heron})  # type: ignore[arg-type]
    with under_role(fresh_yard_url, "south-yard") as conn:
        assert conn.execute("delete from detail where crane_id = %s", [heron]).rowcount == 0
        assert conn.execute("update crane set spec = '{}' where crane_id = %s", [heron]).rowcount == 0
        assert count(conn, "select count(*) from audit") == 0


async def test_a_route_that_forgets_its_filter_shows_nothing_of_other_sites(yard_url: str) -> None:
    app = create_api(yard_url, ApiSettings(secure_cookie=False, pool_size=2))

    @app.get("/forgetful", dependencies=[VIEWER])
    async def forgetful(conn: Conn) -> list[str]:
        return [row[0] for row in await (await conn.execute("select name from crane order by 1")).fetchall()]

    async with running(app):
        seen = {}
        for account in ("viewer-north", "viewer-all", "viewer-north"):
            async with client_of(app) as client:
                await client.post("/login", json={"account": account, "password": PASSWORD})
                seen[account] = (await client.get("/forgetful")).json()
    assert seen == {
        "viewer-north": ["heron-3", "plover-2"],
        "viewer-all": ["crake-1", "heron-3", "plover-2"],
    }


@pytest.fixture
async def bare_login_api(fresh_yard_url: str) -> AsyncIterator[FastAPI]:
    """The api under a login of its own that owns nothing and may only take the role."""
    name = fresh_yard_url.rpartition("dbname=")[2].split()[0][:40] + "_web"
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        conn.execute(f"create role {name} login noinherit in role {ROLE}")  # type: ignore[arg-type]
        (key,) = conn.execute("select encode(key, 'hex') from scope_key").fetchone()  # type: ignore[misc]
    try:
        app = create_api(
            make_conninfo(fresh_yard_url, user=name),
            ApiSettings(open_access=True, secure_cookie=False, scope_key=SecretStr(key)),
        )
        async with running(app):
            yield app
    finally:
        with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
            conn.execute(f"drop role {name}")  # type: ignore[arg-type]


async def test_the_api_needs_no_more_than_the_role(bare_login_api: FastAPI) -> None:
    day = {"from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z"}
    async with client_of(bare_login_api) as client:
        for path, query in {
            "/fleet": {},
            "/cranes/heron-3": {},
            "/cranes/heron-3/lifts": day,
            "/cranes/heron-3/samples": day,
            "/cranes/heron-3/spectrum": {},
            "/cranes/heron-3/life": {},
            "/cranes/heron-3/report": {},
            "/audit": {},
            "/users": {},
            "/alerts": {},
            "/live": {},
            "/quarantine": {},
            "/reservations": day,
        }.items():
            answer = await client.get(path, params=query)
            assert answer.status_code == 200, f"{path}: {answer.text}"
        job = {"mass_kg": 500, "rigging_kg": 0, "outreach_m": 5}
        assert (await client.post("/dispatch", json=job)).status_code == 200
        plan = await client.put("/cranes/heron-3/service/grease", json={"every_days": 90})
        assert plan.status_code == 204, plan.text
        assert (await client.post("/cranes", json=EXAMPLE)).status_code == 201
        user = {"name": "new", "password": "a long enough password", "role": "viewer"}
        assert (await client.post("/users", json=user)).status_code == 201
        assert (await client.put("/alert-rules/f", json={"kind": "fault_code"})).status_code == 204
        # Its file is read by another process, whose site scope this one signs.
        imported = await client.post("/imports", **form(table(5)))
        assert (imported.status_code, imported.json()["samples"]) == (200, 5), imported.text
