"""Alerts about tokens: told before a token expires, one a token, over when it is revoked, renewed or expired."""

from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Any

import psycopg
import pytest
from pydantic import ValidationError

from alerts import judge
from alerts.messages import alerts_body, plain_text, subject_line
from alerts.post import collect
from alerts.rounds import judge_all
from domain.alerts import DEFAULT_RULES, AlertKind, AlertRuleAsked, AlertTargetAsked
from store import alert_watch
from store.access import Role, create_user
from store.alerts import ALERTS, BY_CRANE, enter_rules
from store.privacy import kept, remove
from tests.support import rows

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
RULES = {name: rule for name, rule in DEFAULT_RULES.items() if rule.kind is AlertKind.TOKEN_EXPIRY}
SOON, NEAR = "token expires in two weeks", "token expires in days"


def make_token(
    conn: psycopg.Connection, title: str, days: float, made_at: datetime = NOW, **more: Any
) -> int:
    account_id = dict(rows.rows(conn, "account", "name", "account_id"))["ida"]
    return int(
        rows.insert(
            conn, "api_token", secret_sha256=sha256(f"{title} {days}".encode()).digest(), account_id=account_id, title=title,
            role="viewer", created_at=made_at, expires_at=NOW + timedelta(days=days), **more,
        )[0]
    )  # fmt: skip


@pytest.fixture
def server(connection: psycopg.Connection) -> psycopg.Connection:
    """A server with one account, the default rules and no crane."""
    create_user(connection, "ida", "plover over a tin roof", Role.VIEWER)
    enter_rules(connection, RULES, "test")
    return connection


def told(conn: psycopg.Connection) -> list[tuple[str, str, float]]:
    names = dict(rows.rows(conn, "alert_rule", "rule_id", "name"))
    found = rows.rows(conn, "alert", "rule_id", "detail", "value", cleared_at=None)
    return [(names[rule], detail, value) for rule, detail, value in found]


def ends(conn: psycopg.Connection) -> list[str]:
    return [note for what, note in rows.rows(conn, "alert_history", "what", "note") if what == "cleared"]


def test_the_rules_to_start_from_warn_two_weeks_and_three_days_before() -> None:
    assert {name: rule.raise_at for name, rule in RULES.items()} == {SOON: 14, NEAR: 3}


def test_one_alert_a_token_by_the_rule_nearest_to_the_day(server: psycopg.Connection) -> None:
    make_token(server, "nightly export", 14.01)
    for days, alerts in (
        (0, []),
        (0.1, [(SOON, "nightly export, ida", 14)]),
        (11, [(SOON, "nightly export, ida", 4)]),
        (11.1, [(NEAR, "nightly export, ida", 3)]),
        (14, [(NEAR, "nightly export, ida", 1)]),
        (14.1, []),
    ):
        judge_all(server, NOW + timedelta(days=days))
        assert told(server) == alerts, days
    assert sorted(ends(server)) == ["the token has expired", "told by a rule that is nearer to the day"]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda conn: rows.remove(conn, "api_token"), "the token was revoked"),
        (lambda conn: rows.change(conn, "account", {"disabled_at": NOW}), "or its account is disabled"),
        (lambda conn: make_token(conn, "nightly export", 90), "a newer token of the same title"),
    ],
)
def test_it_is_over_with_the_token(server: psycopg.Connection, change: Any, why: str) -> None:
    make_token(server, "nightly export", 10, NOW - timedelta(days=80), last_used_at=NOW - timedelta(hours=1))
    judge_all(server, NOW)
    assert len(told(server)) == 1
    change(server)
    judge_all(server, NOW)
    assert told(server) == []
    assert why in ends(server)[0]


def test_a_token_that_is_used_beside_its_newer_one_goes_on_warning(server: psycopg.Connection) -> None:
    old = make_token(server, "nightly export", 10, NOW - timedelta(days=80))
    make_token(server, "nightly export", 90)
    make_token(server, "other", 90)
    used = NOW + timedelta(hours=3)
    rows.change(server, "api_token", {"last_used_at": used}, token_id=old)
    judge_all(server, used)
    assert [detail for _, detail, _ in told(server)] == ["nightly export, ida"]
    judge_all(server, used + timedelta(hours=23))
    assert len(told(server)) == 1
    judge_all(server, used + timedelta(hours=25))
    assert told(server) == []


def test_targets_of_every_site_are_told_and_no_others(server: psycopg.Connection) -> None:
    for name, sites in (("office", None), ("yard", ["north"])):
        spec = AlertTargetAsked(recipients=(f"{name}@yard.example",), sites=sites and tuple(sites))
        rows.insert(server, "alert_target", name=name, spec=spec.model_dump(mode="json"), entered_by="test")
    token = make_token(server, "nightly export", 2)
    judge_all(server, NOW)
    told_to = {
        name: alert_watch.NEWS.all(server, target_id=target_id, now=NOW)
        for target_id, name in rows.rows(server, "alert_target", "target_id", "name")
    }
    assert (len(told_to["office"]), told_to["yard"]) == (1, [])
    body = alerts_body(told_to["office"], NOW, None)
    assert subject_line(body) == "Boomledger: 1 alert, 1 of high priority"
    text = plain_text(body)
    assert text.startswith(
        "Accounts\n  [high] raised: days to the expiry of a token: 2 (nightly export, ida)"
    )
    assert body["cranes"][0]["alerts"][0]["subject"] == str(token)
    assert collect(server, None, NOW) == 1


def test_what_an_alert_tells_of_its_person_is_given_and_goes_with_them(server: psycopg.Connection) -> None:
    create_user(server, "rida", "plover over a tin roof", Role.VIEWER)
    make_token(server, "nightly export", 2)
    judge_all(server, NOW)
    rida = dict(rows.rows(server, "account", "name", "account_id"))["rida"]
    rows.change(server, "api_token", {"account_id": rida})
    rows.change(server, "alert", {"detail": "nightly export, rida"})
    assert "alert.detail" not in [there.place for there in kept(server, "ida")[0]]
    (there,) = (one for one in kept(server, "rida")[0] if one.place == "alert.detail")
    assert there.rows[0]["detail"] == "nightly export, rida"
    remove(server, "ida")
    assert rows.count(server, "alert") == 1
    assert remove(server, "rida").gone["alert.detail"] == 1
    assert (rows.count(server, "alert"), rows.count(server, "alert_history")) == (0, 0)


@pytest.mark.parametrize("accounts", [True, False])
def test_the_queries_leave_them_out_without_the_wall_of_the_database(
    server: psycopg.Connection, accounts: bool
) -> None:
    make_token(server, "nightly export", 2)
    judge_all(server, NOW)
    asked = dict.fromkeys(("alert_id", "crane", "open_only", "priority", "before"))
    scope: dict[str, Any] = {"sites": None, "accounts": accounts, "fleet_kinds": []}
    assert len(ALERTS.all(server, **scope, **asked, rows=10)) == accounts
    assert len(BY_CRANE.all(server, **scope)) == accounts


def test_a_rule_about_tokens_has_no_scope() -> None:
    with pytest.raises(ValidationError, match="belongs to no site"):
        AlertRuleAsked(kind=AlertKind.TOKEN_EXPIRY, site="north")


def test_days_are_rounded_up_and_an_hour_before_the_end_one_is_left() -> None:
    token = alert_watch.TokenFacts(
        token="7", title="x", account="ida", expires_at=NOW + timedelta(hours=1), renewed=False
    )
    assert [one.value for one in judge.token_readings([token], (3, 2), [(3, 2), (14, 1)], NOW)] == [1.0]
    assert judge.token_readings([token], (14, 1), [(3, 2), (14, 1)], NOW) == []
    assert judge.token_readings([token], (3, 2), [(3, 2), (3, 1)], NOW) == [], "of two alike the first"
    assert judge.token_readings([token], (3, 2), [(3, 2)], NOW + timedelta(hours=1)) == []
