"""What somebody can do who runs SQL of their own choice under the api's database role: what the matrix says, at their sites."""

import contextlib
import hmac
import json
import time
from collections.abc import Iterator
from typing import Any

import httpx
import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from pydantic import SecretStr
from structlog.testing import capture_logs

from api.app import create_api, running
from api.deps import Conn
from api.permissions import VIEWER
from api.settings import ApiSettings
from store.site_scope import ROLE, scope_in_thread
from tests.api.conftest import PASSWORD, client_of
from tests.support.databases import citus_workers

pytestmark = pytest.mark.anyio

# Every table and view: what the role may select (s), insert (i), update (u) and delete (d); in brackets the only columns of it.
MATRIX = """
account                 s(account_id created_at disabled_at issuer name role signed_on_at sites)
alert                   su
alert_delivery          si
alert_history           si
alert_news              sd
alert_rule              siu
alert_shelf             siud
alert_target            siud
api_token               s(account_id created_at expires_at last_used_at role sites title token_id) d
audit                   s i(account_name action address detail request_id target via)
audit_export
clock_correction        siu
clock_doubt             s
cold_day                s
cold_file_unfinished
cold_folder             s
correction_version      su
counter_reading         siu
counting                s
crane                   siu
crane_defects           s
crane_description       siud
crane_spec              s
crane_summary           su
crane_type              siu
day_figure              s
detail                  siud
dossier                 si
event                   si
event_context           s
exclusion               siu
fault_episode           s
finding                 s
fleet_change            s
further_channel         siu
gap                     s
idempotency             siud
known_address
lease
lease_renewal
life_record             si
life_record_file        si
life_record_now         s
lift                    s
live                    s
load_chart_version      si
login_attempt
overload                su
overload_decision       si
process_heartbeat       s
quarantine              s
quarantine_removal      s
quarantine_replay       si
recount_day             s
refused_message         sid
refused_reading         siu
reservation             siu
reset_link
sample
schema_migration
scope_key
segment
service_done            siu
service_plan            siud
session                 s(account_id address agent created_at expires_at last_seen_at session_id) d
site                    siu
site_scope.segment      si
span_ledger             s
status_code             siu
system_trouble          s
touched_day             siu
"""
RIGHTS = """
select c.oid::regclass::text, r.letter, has_table_privilege(%(role)s, c.oid, r.privilege),
    case when r.letter <> 'd' then (
        select string_agg(a.attname, ' ' order by a.attname) from pg_attribute a
        where a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped and has_column_privilege(%(role)s, c.oid, a.attnum, r.privilege)
    ) end
from pg_class c
cross join (values (1, 's', 'select'), (2, 'i', 'insert'), (3, 'u', 'update'), (4, 'd', 'delete')) as r (n, letter, privilege)
where c.relnamespace in ('public'::regnamespace, 'site_scope'::regnamespace) and c.relkind in ('r', 'p', 'v', 'm', 'f')
    and not c.relispartition and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e')
order by 1, r.n
"""
OPEN_SESSION = "select open_session('\\x00', now() + interval '1 day', '', '')"
# Refused whatever is in scope, unless it is an administrator of every site.
REFUSED = (
    "select password_hash from account",
    "select * from account",
    "select subject from account",
    "select secret_sha256 from session",
    "select secret_sha256 from api_token where title = 'x'",
    "delete from session where secret_sha256 = '\\x00'",
    "update account set role = 'admin'",
    "update account set sites = null",
    "update account set password_hash = 'x' where name = 'admin-all'",
    "insert into account (name, password_hash, role) values ('mallory', 'x', 'admin')",
    "delete from account",
    "insert into session (secret_sha256, account_id, expires_at) select sha256('x'), 1, now() + interval '1 day'",
    "update session set account_id = 1",
    "insert into api_token (secret_sha256, account_id, title, role, expires_at) values (sha256('x'), 1, 'x', 'admin', now())",
    "update api_token set role = 'admin', sites = null",
    "update audit set account_name = 'viewer-south'",
    "delete from audit",
    "truncate audit",
    "insert into audit (account_name, via, action) values ('admin-all', 'session', 'x')",
    "insert into audit (account_name, via, action, at) values ('viewer-north', 'session', 'x', '2020-01-01')",
    "select key from scope_key",
    "update scope_key set key = sha256('x')",
    "select new_scope_key()",
    "select count(*) from login_attempt",
    "delete from login_attempt",
    "insert into known_address (account_id, address) values (1, '192.0.2.1')",
    "select count(*) from public.sample",
    "select * from add_account('mallory', 'x', 'admin', null)",
    "select * from change_account('viewer-north', 'admin', true, null, null, null)",
    "select * from sign_on('https://id.invalid', 'm', 'mallory', 'admin', null)",
    "select * from begin_log_in('admin-all', '192.0.2.1', interval '1 hour')",
    "select * from finish_log_in('admin-all', 'x', '192.0.2.1')",
    "select * from add_token(sha256('x'), 'x', 'admin', null, now() + interval '1 day')",
    "select * from make_reset_link('admin-all', sha256('x'), now() + interval '1 day')",
    "select * from put_reset_link('admin-all', sha256('x'), now() + interval '1 day')",
    "select secret_sha256 from reset_link",
    "insert into crane_spec (digest, spec) values (encode(sha256('x'), 'hex'), '{}')",
    "update crane_spec set spec = '{}'",
    "insert into fleet_change default values",
    "insert into site (name, spec) values ('mine', '{}')",
    "insert into crane_type (name, spec) values ('mine', '{}')",
    "insert into status_code (code, meaning, advice, source) values ('X-1', 'harmless', 'go on', 'x')",
    OPEN_SESSION,
    "create table public.mine (x int)",
    "create function public.mine() returns int language sql as 'select 1'",
    "create function site_scope.mine() returns int language sql as 'select 1'",
    "alter table crane disable row level security",
    "drop policy site_scope on crane",
    "copy account (name) to program 'true'",
    "select pg_read_file('/etc/hostname')",
)


def signed(url: str, **changes: Any) -> str:
    """A scope as the web process signs it, with the key that an owner reads."""
    with psycopg.connect(url) as conn:
        ((key,),) = conn.execute("select key from scope_key").fetchall()
    claims = {
        "sites": None,
        "account": "admin-all",
        "role": "admin",
        "via": "session",
        "until": time.time() + 60,
    }
    text = json.dumps(claims | changes)
    return f"{hmac.new(key, text.encode(), 'sha256').hexdigest()}:{text}"


@contextlib.contextmanager
def as_role(url: str) -> Iterator[psycopg.Connection[Any]]:
    """A connection under the role with nothing in scope."""
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute("select set_config('role', %s, false)", [ROLE])
        conn.execute("select set_config('search_path', 'site_scope, public, pg_temp', false)")
        yield conn


def cranes(conn: psycopg.Connection[Any]) -> list[str]:
    return [name for (name,) in conn.execute("select name from crane order by name").fetchall()]


def refusal(conn: psycopg.Connection[Any], statement: str) -> str:
    """Why a statement is refused; empty where it is not. Errors of another kind are ours."""
    try:
        conn.execute(statement.encode())
    except psycopg.errors.InsufficientPrivilege as problem:
        return str(problem)
    return ""


def scope(conn: psycopg.Connection[Any], text: str) -> None:
    conn.execute("select set_config('boomledger.scope', %s, false)", [text])


@pytest.mark.skipif(bool(citus_workers()), reason="there the readings have a policy and no view")
def test_the_role_may_do_with_each_table_what_the_matrix_says(yard_url: str) -> None:
    found: dict[str, str] = {}
    with psycopg.connect(yard_url) as conn:
        conn.execute("set search_path to public")
        for table, letter, whole, columns in conn.execute(RIGHTS, {"role": ROLE}).fetchall():
            found[table] = found.get(table, "") + (
                letter if whole else f"{letter}({columns})" if columns else ""
            )
    wanted = {
        name: "".join(rights).replace(" ", "")
        for name, *rights in map(str.split, MATRIX.strip().splitlines())
    }
    assert {name: rights.replace(" ", "") for name, rights in found.items()} == wanted


def test_what_works_with_its_owners_rights_is_pinned_and_nobody_elses(yard_url: str) -> None:
    with psycopg.connect(yard_url) as conn:
        rows = conn.execute(
            "select p.oid::regprocedure::text, coalesce(p.proconfig::text, '') like '%search_path=%pg_temp%',"
            " exists (select from aclexplode(coalesce(p.proacl, acldefault('f', p.proowner))) where grantee = 0)"
            " from pg_proc p where p.pronamespace in ('public'::regnamespace, 'site_scope'::regnamespace) and p.prosecdef"
            " and not exists (select from pg_depend d where d.objid = p.oid and d.deptype = 'e')"
        ).fetchall()
    assert len(rows) > 10
    assert [name for name, pinned, _ in rows if not pinned] == []
    assert [name for name, _, everybodys in rows if everybodys] == []


@pytest.mark.parametrize("in_scope", ["nothing", "viewer-north"])
def test_sql_of_ones_own_choice_is_refused(fresh_yard_url: str, in_scope: str) -> None:
    going = contextlib.ExitStack()
    with going:
        if in_scope == "nothing":
            conn = going.enter_context(as_role(fresh_yard_url))
        else:
            who = {"account": in_scope, "role": "viewer", "via": "token"}
            conn = going.enter_context(scope_in_thread(fresh_yard_url, ["north-yard"], **who))  # type: ignore[arg-type]
            assert cranes(conn) == ["heron-3", "plover-2"]
        for statement in REFUSED:
            assert refusal(conn, statement), f"went through: {statement}"
        for name in ("boomledger.sites", "boomledger.site_ids", "boomledger.crane_ids", "boomledger.account"):
            conn.execute("select set_config(%s, '*', false)", [name])
        assert "crake-1" not in cranes(conn)
        for shared in ("site", "crane_type", "status_code", "correction_version"):
            own_column = (
                "version = version + 1"
                if shared == "correction_version"
                else ("meaning = 'x'" if shared == "status_code" else "spec = '{}'")
            )
            assert conn.execute(f"update {shared} set {own_column}".encode()).rowcount == 0, shared
        own = [] if in_scope == "nothing" else [in_scope]
        assert [name for (name,) in conn.execute("select name from account").fetchall()] == own
        assert conn.execute("delete from session").rowcount == 0
        assert conn.execute("delete from idempotency").rowcount == 0


def test_a_scope_that_was_not_signed_for_this_connection_shows_nothing(yard_url: str) -> None:
    with as_role(yard_url) as conn, as_role(yard_url) as other:
        assert cranes(conn) == []
        own = signed(yard_url, pid=conn.info.backend_pid)
        scope(conn, own)
        assert cranes(conn) == ["crake-1", "heron-3", "plover-2"], (
            "the test would pass with every scope refused"
        )
        mac, _, claims = signed(yard_url, pid=conn.info.backend_pid, sites=["south-yard"]).partition(":")
        scope(conn, f"{mac}:{claims}")
        assert cranes(conn) == ["crake-1"]
        forged = {
            "changed": f"{mac}:{claims.replace('south-yard', 'north-yard')}",
            "wider": mac + ":" + claims.replace('["south-yard"]', "null"),
            "another key": f"{hmac.new(b'x' * 32, claims.encode(), 'sha256').hexdigest()}:{claims}",
            "no key": f"{hmac.new(b'', claims.encode(), 'sha256').hexdigest()}:{claims}",
            "of another backend": signed(yard_url, pid=other.info.backend_pid),
            "over": signed(yard_url, pid=conn.info.backend_pid, until=time.time() - 1),
            "without a signature": claims,
            "a digest alone": mac,
            "the old way": "*",
            "like SQL": "' or true --:null",
            "no hexadecimal": f"{'z' * 64}:{claims}",
            "an empty signature": f":{claims}",
        }
        for what, text in forged.items():
            scope(conn, text)
            assert "not signed for it" in refusal(conn, "select name from crane"), f"taken: {what}"
        scope(other, own)
        with pytest.raises(psycopg.errors.InsufficientPrivilege, match="not signed for it"):
            cranes(other)


def test_a_scope_ends_for_transactions_that_begin_later_and_holds_for_its_own(yard_url: str) -> None:
    with as_role(yard_url) as conn:
        scope(conn, signed(yard_url, pid=conn.info.backend_pid, until=time.time() + 0.5))
        with conn.transaction():
            conn.execute("select pg_sleep(0.8)")
            assert len(cranes(conn)) == 3
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            cranes(conn)


@pytest.mark.parametrize(
    ("role", "sites"),
    [("engineer", None), ("admin", ["north-yard", "south-yard"]), ("", None), ("signed-in", None)],
)
def test_only_an_administrator_of_every_site_changes_accounts(
    fresh_yard_url: str, role: str, sites: list[str] | None
) -> None:
    widen = "select name from change_account('viewer-north', 'admin', true, null, null, null)"
    with as_role(fresh_yard_url) as conn:
        scope(conn, signed(fresh_yard_url, pid=conn.info.backend_pid, role=role, sites=sites))
        with pytest.raises(psycopg.errors.InsufficientPrivilege, match="administrator of every site"):
            conn.execute(widen)
        scope(conn, signed(fresh_yard_url, pid=conn.info.backend_pid))
        assert conn.execute(widen).fetchall() == [("viewer-north",)]
        noted = conn.execute(
            "select account_name, via, target, detail from audit order by audit_id desc limit 1"
        )
        assert noted.fetchall() == [
            ("admin-all", "session", "viewer-north", {"role": "admin", "sites": None})
        ]


@pytest.mark.parametrize(
    ("role", "sites", "adds_type", "replaces"),
    [
        ("dispatcher", None, False, False),
        ("engineer", None, True, False),
        ("admin", ["north-yard"], True, False),
        ("admin", None, True, True),
    ],
)
def test_what_serves_every_site_is_written_by_who_may(
    fresh_yard_url: str, role: str, sites: list[str] | None, adds_type: bool, replaces: bool
) -> None:
    with as_role(fresh_yard_url) as conn:
        scope(conn, signed(fresh_yard_url, pid=conn.info.backend_pid, role=role, sites=sites))
        added = refusal(conn, "insert into crane_type (name, spec) values ('of-ours', '{}')")
        assert (added == "") is adds_type
        for statement in (
            "update crane_type set spec = '{}' where name = (select min(name) from crane_type)",
            "update site set spec = spec where name = 'north-yard'",
        ):
            assert conn.execute(statement.encode()).rowcount == int(replaces), statement  # type: ignore[arg-type]
        assert (refusal(conn, "insert into site (name, spec) values ('of-ours', '{}')") == "") is replaces
        coded = refusal(
            conn, "insert into status_code (code, meaning, advice, source) values ('X-1', 'm', 'a', 's')"
        )
        assert (coded == "") is (sites is None and role in ("engineer", "admin"))


def test_a_copy_of_a_type_cannot_be_slipped_under_the_digest_of_another(fresh_yard_url: str) -> None:
    with as_role(fresh_yard_url) as conn:
        scope(conn, signed(fresh_yard_url, pid=conn.info.backend_pid, role="engineer"))
        wanted = {"name": "to-come", "figures": 1}
        forged = "insert into crane_spec (digest, spec) select encode(sha256(convert_to(%s::jsonb::text, 'UTF8')), 'hex'), '{}'"
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            conn.execute(forged, [json.dumps(wanted)])
        ((spec_id,),) = conn.execute("select spec_id_of(%s)", [json.dumps(wanted)]).fetchall()
        kept = conn.execute("select spec from crane_spec where spec_id = %s", [spec_id]).fetchall()
        assert kept == [(wanted,)]


def test_a_log_in_is_signed_for_its_own_account_and_stage(fresh_yard_url: str) -> None:
    with as_role(fresh_yard_url) as conn:
        pid = conn.info.backend_pid
        scope(conn, signed(fresh_yard_url, pid=pid, account="viewer-all", role="log-in", sites=[]))
        (hashed_as,) = conn.execute(  # type: ignore[misc]
            "select hashed_as from begin_log_in('viewer-all', '192.0.2.1', interval '1 hour')"
        ).fetchone()
        assert hashed_as.startswith("$argon2id$")
        assert hashed_as.endswith("$" + "A" * 43), "the digest left the database"
        assert conn.execute("select from finish_log_in('viewer-all', %s, '')", [hashed_as]).rowcount == 0
        for statement in ("select from begin_log_in('admin-all', '', interval '1 h')", OPEN_SESSION):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                conn.execute(statement.encode())


@pytest.fixture
def own_login(fresh_yard_url: str) -> Iterator[str]:
    """URL of a login that may take the role and nothing else, as docs/security.md makes it."""
    name = f"{conninfo_to_dict(fresh_yard_url)['dbname']}_web"
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        conn.execute(f"create role {name} login noinherit in role {ROLE}".encode())
    yield make_conninfo(fresh_yard_url, user=name)
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        conn.execute(f"drop role {name}".encode())


async def test_injected_sql_stays_in_the_scope_of_its_caller(fresh_yard_url: str, own_login: str) -> None:
    with psycopg.connect(fresh_yard_url) as owner:
        ((key,),) = owner.execute("select encode(key, 'hex') from scope_key").fetchall()
    app = create_api(own_login, ApiSettings(secure_cookie=False, pool_size=2, scope_key=SecretStr(key)))

    @app.get("/flawed", dependencies=[VIEWER])
    async def flawed(conn: Conn, name: str) -> list[str]:
        statement = f"select name from crane where name = '{name}'"
        return [str(row[0]) for row in await (await conn.execute(statement.encode())).fetchall()]

    quiet = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    async with running(app), httpx.AsyncClient(transport=quiet, base_url="http://127.0.0.1") as client:
        await client.post("/login", json={"account": "viewer-north", "password": PASSWORD})
        everything = await client.get("/flawed", params={"name": "' or '1'='1"})
        assert sorted(everything.json()) == ["heron-3", "plover-2"]
        for tried in (
            "' union select password_hash from account --",
            "' union select encode(secret_sha256, 'hex') from session --",
            "' union select encode(key, 'hex') from scope_key --",
            "' union select set_config('role', 'none', true) union select password_hash from account --",
            "' union select name from change_account('viewer-north', 'admin', true, null, null, null) --",
            "' union select open_session(sha256('x'), now() + interval '1 day', '', '')::text --",
            "'; update account set role = 'admin' --",
        ):
            answer = await client.get("/flawed", params={"name": tried})
            assert answer.status_code >= 400, f"{tried}: {answer.text}"
        for tried in (
            "' union select set_config('boomledger.sites', '*', true) union select name from crane --",
            "' union select name from account --",
            "' union select account_name from audit --",
        ):
            answer = await client.get("/flawed", params={"name": tried})
            assert not {"crake-1", "admin-all", "viewer-all"} & set(answer.json()), answer.text
        with psycopg.connect(fresh_yard_url) as owner:
            statements = owner.execute(
                "select query from pg_stat_activity where datname = current_database()"
            )
            assert key not in str(statements.fetchall())


def test_a_login_of_its_own_gets_nothing_by_leaving_the_role(own_login: str) -> None:
    with as_role(own_login) as conn:
        conn.execute("reset role")
        for statement in (
            "select name from crane",
            "select key from scope_key",
            "select from change_account('a', null, false, null, null, null)",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                conn.execute(statement.encode())
        for statement in ("set role postgres", "set session authorization postgres"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                conn.execute(statement.encode())


async def test_a_login_of_its_own_without_the_key_says_what_to_do(own_login: str) -> None:
    with capture_logs() as logs:
        app = create_api(own_login, ApiSettings(open_access=True, secure_cookie=False, pool_size=2))
        async with running(app), client_of(app) as client:
            assert (await client.get("/fleet")).status_code == 503
    assert "BOOMLEDGER_SCOPE_KEY" in str([line for line in logs if line["event"] == "scope_key_missing"])
