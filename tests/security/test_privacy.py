"""What is kept of a person is known by place, given whole, and removed but for what has to stay."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import psycopg
import pytest
from fastapi import FastAPI

from domain.errors import Conflict, InvalidInput, NotFound
from store import access
from store.audit import note_command
from store.connection import connect
from store.privacy import PLACES, kept, remove
from tests.api.conftest import PASSWORD, client_of
from tests.security.conftest import TokenOf
from words.texts import t

PAGE = (Path(__file__).parents[2] / "docs" / "privacy.md").read_text()
NAMES_NOBODY = {
    "crane_summary.assessment_by", "crane_summary.judged_by",
}  # fmt: skip
"""Columns that look like a name of somebody, and are none."""
LOOKS_LIKE_A_NAME = re.compile(r"_by$|^by_whom$|person|account|address|agent|recipient|^who$")


def named_columns(conn: psycopg.Connection[Any]) -> set[str]:
    rows = conn.execute(
        "select c.table_name || '.' || c.column_name from information_schema.columns c join information_schema.tables t"
        " using (table_schema, table_name) where table_schema = 'public' and table_type = 'BASE TABLE'"
    ).fetchall()
    return {name for (name,) in rows if LOOKS_LIKE_A_NAME.search(name.partition(".")[2])}


def test_every_column_that_names_somebody_is_a_place(database: str) -> None:
    beside = {
        "session.address",
        "session.agent",
        "known_address.address",
        "login_attempt.address",
        "audit.address",
    }
    with connect(database) as conn:
        found = named_columns(conn)
        of_account = {
            "account.account_id",
            "session.account_id",
            "api_token.account_id",
            "known_address.account_id",
        }
        assert found - beside - NAMES_NOBODY - of_account <= {place.name for place in PLACES}
        for place in PLACES:  # none that is gone meanwhile
            conn.execute(f"select {place.column} from {place.table} limit 0".encode())


def test_every_place_is_described() -> None:
    for place in PLACES:
        assert f"`{place.table}`" in PAGE, place.table
        assert t(f"kept.of.{place.table}")
        assert t(f"kept.why.{place.table}")


@pytest.fixture
def traces(fresh_yard_url: str) -> str:
    """A database in which `ida`, an engineer of every site, left a row at every place."""
    with psycopg.connect(fresh_yard_url) as conn:
        access_rows = [
            "insert into account (name, password_hash, role) values ('ida', 'hash-of-ida', 'engineer'), ('idalia', 'x', 'viewer')",
            "insert into session (secret_sha256, account_id, expires_at, address, agent)"
            " select sha256('s-' || name::bytea), account_id, now() + interval '1 h', '192.0.2.1', 'Browser' from account where name = 'ida'",
            "insert into api_token (secret_sha256, account_id, title, role, expires_at)"
            " select sha256('t'), account_id, 'nightly', 'viewer', now() + interval '1 h' from account where name = 'ida'",
            "insert into known_address (account_id, address) select account_id, '192.0.2.1' from account where name = 'ida'",
            "insert into reset_link (account_id, secret_sha256, expires_at) select account_id, sha256('r'), now() from account where name = 'ida'",
            "insert into login_attempt (account_name, address) values ('ida', '192.0.2.1')",
            "insert into idempotency (account_name, key, request_sha256, body) values ('ida', 'k', '', 'secret answer')",
            "insert into audit (account_name, via, action, target, detail, address) values"
            " ('ida', 'session', 'POST /reservations', '/reservations', '{}', '192.0.2.1'),"
            " ('admin-all', 'session', 'PATCH /users/{account}', '/users/ida', '{\"name\": \"ida\", \"other\": \"idalia\"}', '192.0.2.9'),"
            " ('admin-all', 'session', 'PATCH /users/{account}', '/users/idalia', '{}', '192.0.2.9')",
        ]
        for statement in access_rows:
            conn.execute(statement.encode())
        crane_id, type_id = conn.execute(
            "select crane_id, type_id from crane where name = 'heron-3'"
        ).fetchone()
        values = {"crane": crane_id, "type": type_id}
        for statement in (
            "update crane_description set entered_by = 'ida' where crane_id = %(crane)s",
            "insert into detail (crane_id, name, spec, entered_by) values (%(crane)s, 'foot', '{}', 'ida')",
            "insert into counter_reading (crane_id, kind, read_on, value, entered_by, withdrawn_at, withdrawn_by)"
            " values (%(crane)s, 'lifts', '2026-03-01', 5, 'ida', now(), 'ida')",
            "insert into exclusion (crane_id, from_at, to_at, reason, entered_by, withdrawn_at, withdrawn_by)"
            " values (%(crane)s, '2026-03-01Z', '2026-03-02Z', 'r', 'ida', now(), 'ida')",
            "insert into further_channel (crane_id, name, unit, low, high, registered_by, withdrawn_by) values (%(crane)s, 'x', 'm', 0, 1, 'ida', 'ida')",
            "insert into load_chart_version (crane_id, valid_from, charts, source, imported_by) values (%(crane)s, '2026-03-01', '[]', 's', 'ida')",
            "insert into quarantine_replay (asked_by) values ('ida')",
            "insert into reservation (crane_id, during, title, held_by, released_by, released_at)"
            " values (%(crane)s, '[2026-03-01Z,2026-03-02Z)', 'wall', 'ida', 'ida', now())",
            "insert into alert_rule (name, spec, entered_by) values ('r', '{}', 'ida')",
            "insert into alert_target (name, spec, entered_by) values ('both', '{\"recipients\": [\"ida@example.com\", \"max@example.com\"]}', 'ida'),"
            " ('only', '{\"recipients\": [\"ida@example.com\"]}', 'max')",
            "insert into alert (crane_id, rule_id, raised_at, acknowledged_at, acknowledged_by)"
            " select %(crane)s, rule_id, now(), now(), 'ida' from alert_rule",
            "insert into alert_history (alert_id, what, by_whom) select alert_id, 'acknowledged', 'ida' from alert",
            "insert into alert_shelf (rule_id, crane_id, until, reason, shelved_by) select rule_id, %(crane)s, now(), 'r', 'ida' from alert_rule",
            "insert into overload_decision (crane_id, started_at, ended_at, day, peak_utilisation_pct, peak_structural_pct, limiter_stops,"
            " limiter_overrides, cause, decided, decided_by) values (%(crane)s, now(), now(), '2026-03-01', 101, 101, 0, 0, 'c', 'd', 'ida')",
            "insert into life_record (crane_id, kind, happened_on, person, entered_by) values (%(crane)s, 'inspection', '2026-03-01', 'ida', 'ida')",
            "insert into life_record_file (crane_id, record_id, name, media_type, size_bytes, sha256, content, attached_by)"
            " select %(crane)s, record_id, 'a.pdf', 'application/pdf', 1, 'x', 'PDF-content', 'ida' from life_record",
            "insert into service_plan (crane_id, name, every_days) values (%(crane)s, 'oil', 100)",
            "insert into service_done (crane_id, plan_id, done_at, done_by) select %(crane)s, plan_id, now(), 'ida' from service_plan",
            "insert into dossier (crane_id, number, finished_at, finished_by, program_version, data, data_sha256, pdf, pdf_sha256)"
            " values (%(crane)s, 1, now(), 'ida', '1', '{}', encode(sha256('{}'), 'hex'), 'p', encode(sha256('p'), 'hex'))",
        ):
            conn.execute(statement.encode(), values)
        _clock_correction(conn, crane_id)
    return fresh_yard_url


def _clock_correction(conn: psycopg.Connection[Any], crane_id: int) -> None:
    conn.execute(
        "insert into clock_correction (crane_id, boot, seq_from, seq_to, offset_ms, reason, entered_by, withdrawn_at, withdrawn_by)"
        " values (%s, 1, 0, 9, 5, 'r', 'ida', now(), 'ida')",
        [crane_id],
    )


def test_everything_is_given_and_nothing_secret(traces: str, tmp_path: Path) -> None:
    file = tmp_path / "ida.json"
    done = command(traces, "give", "ida", str(file))
    assert done.returncode == 0, done.stderr
    told = json.loads(file.read_text())
    assert set(told["kept"]) == {place.name for place in PLACES}
    assert told["kept"]["session.account_id"][0]["address"] == "192.0.2.1"
    assert told["kept"]["reservation.held_by"][0]["title"] == "wall"
    assert not [one for one in ("hash-of-ida", "secret", "PDF-content", "idalia") if one in file.read_text()]
    assert file.stat().st_mode & 0o077 == 0
    assert command(traces, "give", "ida", str(file)).returncode == 1  # is there already
    with connect(traces) as conn:
        found, _ = kept(conn, "ida@example.com")
        assert [(there.place, there.count) for there in found] == [("alert_target.recipients", 2)]
        assert conn.execute("select count(*) from audit where action = 'give person'").fetchone() == (2,)


def command(url: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "boomledger", "person", *arguments],
        env=os.environ | {"BOOMLEDGER_DATABASE_URL": url}, capture_output=True, timeout=120, check=False, text=True,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip


def rows_with(url: str, name: str) -> dict[str, int]:
    with connect(url) as conn:
        found, _ = kept(conn, name)
    return {there.place: there.count for there in found}


def test_removing_is_tried_first_and_leaves_records_and_audit_under_a_pseudonym(traces: str) -> None:
    before = rows_with(traces, "ida")
    tried = command(traces, "remove", "ida")
    assert tried.returncode == 1
    assert "would be removed" in tried.stdout
    assert rows_with(traces, "ida") == before
    done = command(traces, "remove", "ida", "--yes")
    assert done.returncode == 0, done.stderr
    pseudonym = re.search(r"pseudonym: (removed-\w+)", done.stdout)[1]  # type: ignore[index]
    assert set(rows_with(traces, "ida")) == {
        "life_record.person",
        "service_done.done_by",
        "dossier.finished_by",
    }
    assert "never changed" in done.stdout
    assert "--signed" in done.stdout
    stays = {place.name: 1 for place in PLACES if place.then == "pseudonym"}
    assert rows_with(traces, pseudonym) == stays
    with connect(traces) as conn:
        lines = conn.execute(
            "select account_name, target, address, detail from audit order by audit_id"
        ).fetchall()
    assert lines[-4:-1] == [
        (pseudonym, "/reservations", "", {}),
        ("admin-all", f"/users/{pseudonym}", "192.0.2.9", {"name": pseudonym, "other": "idalia"}),
        ("admin-all", "/users/idalia", "192.0.2.9", {}),
    ]
    assert lines[-1][:2] == ("command line", pseudonym)
    with connect(traces) as conn:
        assert [name for (name,) in conn.execute("select name from account where name like 'ida%'")] == [
            "idalia"
        ]


def test_signed_records_where_asked_and_recipients(traces: str) -> None:
    with connect(traces, autocommit=True) as conn:
        done = remove(conn, "ida", signed=True)
        assert set(done.stays) == {"dossier.finished_by"}
        mail = remove(conn, "ida@example.com")
        assert mail.gone == {"alert_target.recipients": 1}
        assert "only recipient" in mail.stays["alert_target.recipients"][1]
        left = conn.execute("select spec -> 'recipients' from alert_target order by name").fetchall()
    assert left == [(["max@example.com"],), (["ida@example.com"],)]


@pytest.mark.parametrize("name", ["admin", "role", "north-yard"])
def test_who_is_called_like_a_role_a_key_or_a_site_changes_only_what_tells_of_the_person(
    fresh_yard_url: str, name: str
) -> None:
    said = {"role": "admin", "sites": ["north-yard"], "crane": name, "note": f'called "{name}"'}
    with connect(fresh_yard_url, autocommit=True) as conn:
        insert = "insert into audit (account_name, via, action, detail) values ('max', 'command', 'x', %s)"
        conn.execute(insert, [json.dumps(said)])
        with pytest.raises(NotFound):
            remove(conn, name)
        access.create_user(conn, name, PASSWORD, access.Role.VIEWER)
        conn.execute(insert, [json.dumps(said | {"decided_by": name})])
        pseudonym = remove(conn, name).pseudonym
        found = conn.execute(
            "select detail from audit where account_name = 'max' order by audit_id"
        ).fetchall()
    assert found == [(said,), (said | {"decided_by": pseudonym},)]


def test_a_crane_a_channel_and_a_file_of_the_same_name_keep_it_in_the_audit(traces: str) -> None:
    of_things = (
        "exclude span",
        "describe crane",
        "register channel",
        "back up",
        "export lifts",
        "replay quarantine",
    )
    with connect(traces, autocommit=True) as conn:
        for action in of_things:
            note_command(conn, action, "ida", {})
        note_command(conn, "make reset link", "ida", {})
        pseudonym = remove(conn, "ida").pseudonym
        found = conn.execute(
            "select action, target from audit where account_name = 'command line' and action <> 'remove person' order by audit_id"
        ).fetchall()
    assert found[-len(of_things) - 1 :] == [
        *((action, "ida") for action in of_things),
        ("make reset link", pseudonym),
    ]


def test_nobody_the_unknown_and_the_last_administrator_are_refused(fresh_yard_url: str) -> None:
    with connect(fresh_yard_url, autocommit=True) as conn:
        with pytest.raises(InvalidInput):
            remove(conn, "command line")
        with pytest.raises(NotFound, match="exactly"):
            remove(conn, "who is that")
        with pytest.raises(Conflict, match="no administrator"):
            remove(conn, "admin-all")
        assert conn.execute("select count(*) from account where name = 'admin-all'").fetchone() == (1,)
        access.create_user(conn, "second-admin", PASSWORD, access.Role.ADMIN)
        assert remove(conn, "admin-all").gone["account.name"] == 1


@pytest.mark.anyio
async def test_a_person_sees_the_own_and_an_administrator_everybodys(
    traces: str, fresh_api: FastAPI, token_of: TokenOf
) -> None:
    def client(account: str) -> Any:
        return client_of(fresh_api, headers={"authorization": f"Bearer {token_of(account)}"})

    async with (
        client("ida") as ida,
        client("admin-all") as admin,
        client("admin-north") as north,
        client("engineer-north") as other,
    ):
        own = (await ida.get("/me/kept")).json()
        all_of = (await admin.get("/users/ida/kept")).json()
        assert own["name"] == all_of["name"] == "ida"
        shown = {there["place"] for there in own["places"]}
        missing = {place.name for place in PLACES} - shown - set(own["withheld"])
        assert missing == set()
        assert {there["place"] for there in all_of["places"]} == shown - {"idempotency.account_name"}
        assert "hash-of-ida" not in str(own) + str(all_of)
        assert (await other.get("/users/ida/kept")).status_code == 403
        assert (await north.get("/users/ida/kept")).status_code == 403
        assert (await other.get("/me/kept")).status_code == 200
        own_of_some_sites = {there["place"] for there in (await other.get("/me/kept")).json()["places"]}
        assert own_of_some_sites >= {
            "audit.account_name",
            "account.name",
            "api_token.account_id",
        }
    with connect(traces) as conn:
        noted = conn.execute(
            "select account_name, target from audit where action like 'GET %kept' order by audit_id"
        ).fetchall()
    assert noted == [
        ("ida", "/me/kept"),
        ("admin-all", "/users/ida/kept"),
        *[("engineer-north", "/me/kept")] * 2,
    ]
