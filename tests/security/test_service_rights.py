"""Ingest, analytics, alerts and the api each under a login of its own: what their work needs is allowed, and nothing beside it."""

import ast
import os
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any, Final

import psycopg
import pytest
from pglast import ast as sql
from psycopg.conninfo import make_conninfo

from boomledger.postgres import wheel
from domain.errors import InvalidInput
from ingest.limits import Limits
from store.migrate import put_scope_key
from store.sql import queries
from tests.security.test_database_role import refusal
from tests.support import rows
from tests.support.databases import citus_workers
from tests.support.ingesting import Receipts, ingesting, mqtt_client, publish_all, register, wait_until
from tests.support.telemetry import message
from tests.unit.store.test_cluster_shapes import parsed, within

ROOT: Final = Path(__file__).parents[2]
pytestmark = pytest.mark.skipif(
    bool(citus_workers()), reason="there the services have the login of the owner"
)

STARTS: Final = {
    "boomledger_ingest": ("ingest",),
    "boomledger_analytics": ("analytics.worker",),
    "boomledger_watch": ("alerts", "transfer.audit_export"),
}
"""Modules with whose code a service begins."""
BESIDE: Final = {"boomledger_analytics": {("counting", "insert")}}
"""What is reached by name only: counting settings are entered by `recount`, which is the owner's."""
NO_TABLES: Final = {"incoming_event", "incoming_segment", "columns", "x"}
"""Temporary tables of the connection, and names that are put in."""


@cache
def units() -> dict[tuple[str, str], tuple[set[str], set[str]]]:
    """Functions, classes and constants by module and name: the names that each uses, and the statements that it names."""
    found = {}
    for name, tree in trees().items():
        renamed = {
            one.asname: one.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom)
            for one in node.names
            if one.asname
        }
        for node in tree.body:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            names = [getattr(node, "name", None), *(getattr(target, "id", None) for target in targets)]
            inside = list(ast.walk(node))
            used = {one.id for one in inside if isinstance(one, ast.Name)}
            used |= {one.attr for one in inside if isinstance(one, ast.Attribute)}
            used |= {renamed[one] for one in used & renamed.keys()}
            texts = {
                one.value for one in inside if isinstance(one, ast.Constant) and isinstance(one.value, str)
            }
            found |= {(name, one): (used, texts & queries().keys()) for one in names if one}
    return found


@cache
def trees() -> dict[str, ast.Module]:
    """Modules that hold statements or call what does, by name."""
    files = [path for room in ("store", "ingest", "analytics", "alerts", "transfer") for path in sorted((ROOT / room).rglob("*.py"))]  # fmt: skip
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): ast.parse(
            path.read_text()
        )
        for path in files
    }


@cache
def near(module: str) -> set[str]:
    """A module and those that it imports."""
    found = {module}
    for node in ast.walk(trees()[module]):
        if isinstance(node, ast.Import):
            found |= {one.name for one in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{one.name}" for one in node.names}
    return found & trees().keys()


def statements(starts: tuple[str, ...]) -> set[str]:
    """Names of the statements that code can come to from the modules; by name, so rather too many."""
    waiting = [unit for unit in units() if any(f"{unit[0]}.".startswith(f"{one}.") for one in starts)]
    waiting += [("store.system_watch", "Answering")]
    seen: set[tuple[str, str]] = set()
    found: set[str] = set()
    while waiting:
        unit = waiting.pop()
        if unit not in seen:
            seen.add(unit)
            used, named = units()[unit]
            found |= named
            waiting += [(there, name) for there in near(unit[0]) for name in used if (there, name) in units()]
    return found


def needs(statement: str) -> set[tuple[str, str]]:
    """Tables and rights that a statement needs."""
    tree = parsed(queries()[statement].text)
    own = {one.ctename for one in within(tree) if isinstance(one, sql.CommonTableExpr)}
    found: defaultdict[str, set[str]] = defaultdict(set)
    for one in within(tree):
        if isinstance(one, sql.RangeVar) and one.schemaname is None:
            found[one.relname].add("select")
        if isinstance(one, sql.InsertStmt):
            found[one.relation.relname] |= {"insert"} | ({"update"} if _updates(one) else set())
        if isinstance(one, (sql.UpdateStmt, sql.DeleteStmt)):
            found[one.relation.relname].add("update" if isinstance(one, sql.UpdateStmt) else "delete")
        if isinstance(one, sql.SelectStmt) and one.lockingClause:
            for place in one.fromClause or ():
                if isinstance(place, sql.RangeVar):
                    found[place.relname].add("update")
    return {(table, right) for table, rights in found.items() for right in rights if table not in own}


def _updates(insert: sql.InsertStmt) -> bool:
    return insert.onConflictClause is not None and bool(insert.onConflictClause.targetList)


@pytest.mark.parametrize("role", STARTS)
def test_a_service_may_do_what_its_statements_need(database: str, role: str) -> None:
    reached = statements(STARTS[role])
    assert len(reached) > 20, "the test would pass where nothing is found"
    wanted = set().union(*map(needs, reached))
    with psycopg.connect(database) as conn:
        lacking = [
            (table, right)
            for table, right in sorted(wanted)
            if conn.execute("select to_regclass('public.' || %s)", [table]).fetchone() != (None,)
            and not _may(conn, role, table, right)
        ]
    assert [one for one in lacking if one not in BESIDE.get(role, set()) and one[0] not in NO_TABLES] == []


def _may(conn: psycopg.Connection[Any], role: str, table: str, right: str) -> bool:
    whole = "select has_table_privilege(%s, %s, %s)"
    some = "select has_any_column_privilege(%s, %s, %s)"
    asked = (
        some if right == "select" and table in ("account", "session", "api_token", "idempotency") else whole
    )
    return conn.execute(asked.encode(), [role, table, right]).fetchone() == (True,)


PASSWORDS: Final = {f"DATABASE_{name}_PASSWORD": "p'w\"" for name in ("INGEST", "ANALYTICS", "WATCH", "WEB")}
LOGINS: Final = {name: f"boomledger_{name}_login" for name in ("ingest", "analytics", "watch", "web")}


def make_logins(url: str) -> None:
    """As docker-compose.yml makes them, with the same file."""
    psql = wheel() / "bin" / "psql"
    told = subprocess.run(
        [psql, "-q", "-f", ROOT / "deploy" / "database" / "logins.sql", url],
        env=os.environ | PASSWORDS,
        capture_output=True,
        text=True,
    )
    assert (told.returncode, told.stderr) == (0, "")


@pytest.fixture
def logins(database: str) -> Iterator[dict[str, str]]:
    """URLs by service."""
    try:
        make_logins(database)
        make_logins(database)  # every `up` does
        yield {name: make_conninfo(database, user=login, password="p'w\"") for name, login in LOGINS.items()}
    finally:
        with psycopg.connect(database, autocommit=True) as conn:
            for login in LOGINS.values():
                conn.execute(f"drop role if exists {login}".encode())


SECRETS: Final = (
    "select password_hash from account",
    "select secret_sha256 from api_token",
    "select secret_sha256 from session",
    "select secret_sha256 from reset_link",
    "select body from idempotency",
    "select key from scope_key",
    "select put_scope_key(sha256('x'))",
    "select new_scope_key()",
    "update account set role = 'admin'",
    "insert into account (name, role) values ('mallory', 'admin')",
    "insert into audit (account_name, via, action) values ('x', 'command', 'x')",
    "update audit set account_name = 'x'",
    "update crane set spec = '{}'",
    "update crane_type set spec = '{}'",
    "insert into crane_spec (digest, spec) values ('x', '{}')",
    "update crane_spec set spec = '{}'",
    "update site set spec = '{}'",
    "insert into load_chart_version (crane_id) values (1)",
    "delete from dossier",
    "insert into exclusion (crane_id) values (1)",
    "insert into life_record (crane_id) values (1)",
    "create table public.mine (x int)",
    "create role mine",
    "alter table segment disable trigger all",
    "select pg_read_file('/etc/hostname')",
    "set role boomledger_api",
    "select * from change_account('x', 'admin', true, null, null, null)",
)
OF_OTHERS: Final = {
    "ingest": ("select name from account", "select * from audit", "update day_figure set day = day", "delete from alert"),
    "analytics": ("select name from account", "select * from audit", "insert into segment (crane_id) values (1)", "delete from segment",
                  "delete from counting", "delete from event"),
    "watch": ("insert into segment (crane_id) values (1)", "delete from segment", "update day_figure set day = day", "insert into event (crane_id) values (1)"),
}  # fmt: skip


@pytest.mark.parametrize("service", OF_OTHERS)
def test_a_login_of_a_service_is_refused_what_is_not_its_work(
    database: str, logins: dict[str, str], service: str
) -> None:
    with psycopg.connect(logins[service], autocommit=True) as conn:
        through = [statement for statement in (*SECRETS, *OF_OTHERS[service]) if not refusal(conn, statement)]
    assert through == []


def test_the_work_of_every_service_goes_on_under_its_login(
    database: str, logins: dict[str, str], mosquitto: tuple[str, int], tmp_path: Path
) -> None:
    key = "ab" * 32
    command(database, tmp_path, "db", "migrate", BOOMLEDGER_SCOPE_KEY=key)
    command(database, tmp_path, "simulate", "--days", "1", "--cranes", "2")
    command(database, tmp_path, "alert", "defaults")
    with psycopg.connect(database) as conn:
        before = rows.count(conn, "segment")
    register(database, "crane-a")
    limits = Limits(draft_unknown_cranes=True, draft_history=timedelta(days=40_000))
    with ingesting(logins["ingest"], mosquitto, limits=limits), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        publish_all(client, [message("crane-a", 0), message("newcomer", 0)])
        wait_until(lambda: len(receipts.stored) == 2, "both are stored, one as a draft")
    with psycopg.connect(database) as conn:
        assert rows.count(conn, "segment") == before + 2
        conn.execute(
            "insert into login_attempt (account_name, address, at) values ('x', 'y', now() - interval '9 days')"
        )
    command(logins["analytics"], tmp_path, "analyse")
    with psycopg.connect(database) as conn:
        assert rows.count(conn, "touched_day") == 0
        assert rows.count(conn, "day_figure") >= 2
        assert rows.count(conn, "crane_summary") >= 2
    command(logins["watch"], tmp_path, "watch", "--once")
    with psycopg.connect(database) as conn:
        assert rows.count(conn, "login_attempt") == 0, "what is past its time is removed"
        assert rows.count(conn, "alert") > 0


def command(url: str, folder: Path, *words: str, **more: str) -> str:
    """The output of a command of its own process, with the database under a login."""
    told = subprocess.run(
        [sys.executable, "-m", "boomledger", *words],
        env={**os.environ, "BOOMLEDGER_DATABASE_URL": url, "PYTHONPATH": str(ROOT), **more},
        cwd=folder,
        capture_output=True,
        text=True,
    )
    assert told.returncode == 0, told.stdout + told.stderr
    assert "permission denied" not in told.stdout + told.stderr
    return told.stdout


def test_a_key_that_is_none_is_refused(database: str) -> None:
    for wrong in ("", "ab" * 31, "zz" * 32, "AB" * 32):
        with pytest.raises(InvalidInput, match="64 hexadecimal"):
            put_scope_key(database, wrong)
    put_scope_key(database, "cd" * 32)
    with psycopg.connect(database) as conn:
        assert rows.one(conn, "scope_key", "key") == b"\xcd" * 32
