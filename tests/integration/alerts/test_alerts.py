"""Rules over a real database, told over a real mail server and a real web server."""

import base64
import hashlib
import hmac
import json
import multiprocessing
import os
import signal
import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from pydantic import SecretStr

from alerts import post
from alerts.delivery import Delivery, NotSent, key_of, send_web_call
from alerts.messages import alerts_body
from alerts.rounds import judge_all
from alerts.service import run
from domain.alerts import DEFAULT_RULES, AlertKind, AlertRuleAsked, AlertTargetAsked, Priority
from ingest.limits import Limits
from ingest.writer import Writer
from store import alert_watch
from store.alert_watch import Claimed
from store.alerts import enter_rules
from tests.integration.alerts.conftest import NOW, MailServer, WebServer, fill, set_near_limit
from tests.support import rows
from tests.support.days import Moment, on_any_day

SECRET = "s" * 40
SHARE = AlertRuleAsked(kind=AlertKind.NEAR_LIMIT_SHARE, raise_at=25, clear_at=20, clear_after_min=0)


def add_target(conn: psycopg.Connection, name: str, **spec: Any) -> None:
    asked = AlertTargetAsked(**spec)
    rows.insert(conn, "alert_target", name=name, spec=asked.model_dump(mode="json"), entered_by="test")


def open_alerts(conn: psycopg.Connection) -> set[tuple[str, str, str]]:
    rules, cranes = (
        dict(rows.rows(conn, name, f"{name.split('_')[-1]}_id", "name")) for name in ("alert_rule", "crane")
    )
    found = rows.rows(conn, "alert", "rule_id", "crane_id", "subject", cleared_at=None)
    return {(rules[rule], cranes[crane], subject) for rule, crane, subject in found}


def mail_delivery(server: MailServer, **more: Any) -> Delivery:
    return Delivery(
        **{
            "smtp_host": "127.0.0.1",
            "smtp_port": server.port,
            "smtp_security": "none",
            "smtp_sender": "boomledger@yard.example",
            **more,
        }
    )


def web_delivery(**more: Any) -> Delivery:
    return Delivery(**{"webhook_secret": SecretStr(SECRET), "webhook_local": True, "timeout_s": 5.0, **more})


def history_alerts(conn: psycopg.Connection) -> list[tuple[str, float, str]]:
    names = {key: name for name, key in rows.crane_ids(conn).items()}
    found = rows.rows(conn, "alert", "crane_id", "value", "detail", cleared_at=None)
    return [(names[crane], value, detail) for crane, value, detail in found]


def test_one_alert_a_site_names_the_cranes_whose_history_is_not_entered(yard: psycopg.Connection) -> None:
    rule = AlertRuleAsked(kind=AlertKind.HISTORY_UNKNOWN, raise_at=1, clear_after_min=0)
    enter_rules(yard, {"history": rule}, "test")
    judge_all(yard, NOW)
    assert history_alerts(yard) == []
    rows.change(yard, "crane_summary", {"unknown_years": 2})
    judge_all(yard, NOW)
    assert history_alerts(yard) == [("yard-01", 2, "yard-01, yard-02"), ("yard-03", 1, "yard-03")]
    assert (
        rows.rows(yard, "alert_history", "history_id", "note")[0][1]
        == "cranes whose life before the record is not entered: 2 (yard-01, yard-02)"
    )
    # the alert stays where it is while others of the site are unknown, and clears with the last
    for crane in ("yard-01", "yard-03"):
        rows.summarise(yard, crane, unknown_years=0)
    assert judge_all(yard, NOW).raised == 0
    assert history_alerts(yard) == [("yard-01", 1, "yard-02")]
    rows.summarise(yard, "yard-02", unknown_years=0)
    judge_all(yard, NOW)
    assert history_alerts(yard) == []


def test_a_message_names_the_cranes_of_all_its_sites_once(yard: psycopg.Connection) -> None:
    rule = AlertRuleAsked(kind=AlertKind.HISTORY_UNKNOWN, raise_at=1, clear_after_min=0)
    enter_rules(yard, {"history": rule}, "test")
    add_target(yard, "whole fleet", recipients=("fleet@yard.example",))
    add_target(yard, "one site", recipients=("one@yard.example",), sites=("south",))
    rows.change(yard, "crane_summary", {"unknown_years": 2})
    judge_all(yard, NOW)
    told = {
        name: alerts_body(alert_watch.NEWS.all(yard, target_id=target_id, now=NOW), NOW, None)
        for target_id, name in rows.rows(yard, "alert_target", "target_id", "name")
    }
    words = "cranes whose life before the record is not entered: "
    assert [one["text"] for crane in told["whole fleet"]["cranes"] for one in crane["alerts"]] == [
        f"{words}3 (yard-01, yard-02, yard-03)"
    ]
    assert [one["text"] for crane in told["one site"]["cranes"] for one in crane["alerts"]] == [
        f"{words}1 (yard-03)"
    ]


def test_an_assessment_is_told_before_it_is_due_also_before_any_count(yard: psycopg.Connection) -> None:
    rule = AlertRuleAsked(kind=AlertKind.ASSESSMENT_DUE, raise_at=180, clear_at=181, clear_after_min=0)
    enter_rules(yard, {"assessment": rule}, "test")
    judge_all(yard, NOW)
    assert open_alerts(yard) == set()
    rows.summarise(yard, "yard-01", assessment_on=NOW.date() + timedelta(days=25))
    rows.remove(yard, "crane_summary", crane="yard-03")
    rows.describe(yard, "yard-03", manufactured_on=f"{NOW.date() - timedelta(days=3700)}")
    judge_all(yard, NOW)
    assert open_alerts(yard) == {("assessment", "yard-01", ""), ("assessment", "yard-03", "")}


@on_any_day
def test_every_kind_of_rule_finds_what_it_watches(connection: psycopg.Connection, moment: Moment) -> None:
    yard, now, today = connection, moment.at, moment.day
    fill(yard, now, moment.zone)
    enter_rules(yard, DEFAULT_RULES, "test")
    assert enter_rules(yard, DEFAULT_RULES, "test") == 0
    judge_all(yard, now)
    assert open_alerts(yard) == {("near the limit", "yard-01", "")} | {
        ("nothing heard", f"yard-0{n}", "") for n in (1, 2, 3)
    }
    set_near_limit(yard, "yard-02", 5, now, overrides=3)
    for crane in ("yard-01", "yard-02", "yard-03"):
        rows.hear(yard, crane, now, now)
    rows.summarise(yard, "yard-01", used_share=0.81, unknown_years=3.2)
    rows.summarise(yard, "yard-02", assessment_on=today + timedelta(days=100), unknown_years=3.2)
    rows.summarise(yard, "yard-03", forecast_early_on=today + timedelta(days=100))
    for code in ("E-07", "E-09"):
        rows.fault(yard, "yard-02", now, code)
    for number in range(12):
        rows.set_aside(yard, "yard-03", now, number)
    rows.service(yard, "grease", 35)
    rows.service(yard, "oil", 300)
    for days in range(3):
        rows.find(yard, "yard-02", today - timedelta(days=days), "spikes", "utilisation_pct", 120)
    rows.find(yard, "yard-03", today - timedelta(days=40), "clock_ahead")
    judge_all(yard, now)
    assert open_alerts(yard) == {
        ("special assessment", "yard-02", ""),
        ("life history", "yard-01", ""),
        ("readings not plausible", "yard-02", "spikes"),
        ("near the limit", "yard-01", ""),
        ("limiter overrides", "yard-02", ""),
        ("life used", "yard-01", ""),
        ("life forecast", "yard-03", ""),
        ("open fault", "yard-02", "E-07"),
        ("open fault", "yard-02", "E-09"),
        ("messages set aside", "yard-03", ""),
        *(("service due", f"yard-0{n}", "grease") for n in (1, 2, 3)),
    }
    assert judge_all(yard, now).raised == 0, "a second round finds nothing new"


@on_any_day
def test_the_last_days_of_a_rule_are_those_of_the_site(
    connection: psycopg.Connection, moment: Moment
) -> None:
    yard = connection
    fill(yard, moment.at, moment.zone)
    rule = AlertRuleAsked(kind=AlertKind.FINDING, days=7, clear_after_min=0)
    enter_rules(yard, {"readings": rule}, "test")
    rows.find(yard, "yard-01", moment.day - timedelta(days=6), "first_of_them")
    rows.find(yard, "yard-01", moment.day - timedelta(days=7), "day_before")
    rows.find(yard, "yard-02", moment.day, "today")
    judge_all(yard, moment.at)
    assert open_alerts(yard) == {("readings", "yard-01", "first_of_them"), ("readings", "yard-02", "today")}


@pytest.mark.parametrize(
    ("scope", "cranes"),
    [({}, {1, 2}), ({"site": "north"}, {1, 2}), ({"site": "south"}, set()), ({"crane": "yard-02"}, {2})],
)
def test_a_rule_keeps_to_its_scope(yard: psycopg.Connection, scope: dict[str, str], cranes: set[int]) -> None:
    enter_rules(yard, {"often": AlertRuleAsked(kind=AlertKind.NEAR_LIMIT_SHARE, raise_at=4, **scope)}, "test")  # type: ignore[arg-type]
    judge_all(yard, NOW)
    assert {name for _, name, _ in open_alerts(yard)} == {f"yard-0{n}" for n in cranes}


def test_a_mail_is_grouped_by_crane_and_says_what_to_do(
    yard: psycopg.Connection, mail_server: MailServer
) -> None:
    enter_rules(yard, {"often": SHARE, "silent": AlertRuleAsked(kind=AlertKind.OFFLINE, raise_at=24)}, "test")
    add_target(yard, "yard", recipients=["ida@yard.example", "otto@yard.example"])
    judge_all(yard, NOW)
    assert post.collect(yard, "https://cranes.example/alerts", NOW) == 1, "one message, not four"
    assert post.send_due(yard, mail_delivery(mail_server), now=NOW) == 1
    (mail,) = mail_server.taken
    assert mail["subject"] == "Boomledger: 4 alerts at 3 cranes"
    assert mail["to"] == "ida@yard.example, otto@yard.example"
    assert mail["auto-submitted"] == "auto-generated"
    text = mail.get_content()  # type: ignore[attr-defined]
    assert text.count("yard-01 (north)") == 1
    assert "40 % of the time under load near the limit, last 7 days" in text
    assert "Europe/Vienna" in text
    assert "what to do: " in text
    assert "https://cranes.example/alerts" in text
    assert "Telemetry is no inspection" in text
    assert post.send_due(yard, mail_delivery(mail_server), now=NOW) == 0
    assert post.collect(yard, None, NOW) == 0
    assert len(mail_server.taken) == 1


def test_mail_goes_over_tls_with_a_log_in_and_refuses_a_certificate_nobody_vouches_for(
    yard: psycopg.Connection, guarded_mail_server: MailServer
) -> None:
    enter_rules(yard, {"often": SHARE}, "test")
    add_target(yard, "yard", recipients=["ida@yard.example"])
    judge_all(yard, NOW)
    post.collect(yard, None, NOW)
    assert guarded_mail_server.certificate is not None
    good: dict[str, Any] = {
        "smtp_host": "localhost",
        "smtp_security": "starttls",
        "smtp_user": "boom",
        "smtp_password": SecretStr("let me in"),
        "smtp_ca_file": str(guarded_mail_server.certificate[0]),
    }
    errors = []
    for change in ({"smtp_ca_file": None}, {"smtp_password": SecretStr("guess")}, {"smtp_security": "none"}):
        assert post.send_due(yard, mail_delivery(guarded_mail_server, **{**good, **change}), now=NOW) == 0
        errors.append(rows.one(yard, "alert_delivery", "last_error"))
        rows.change(yard, "alert_delivery", {"due_at": NOW, "given_up_at": None})
    assert "certificate" in errors[0].lower()
    assert "log-in" in errors[1]
    assert errors[2]
    assert guarded_mail_server.taken == []
    assert post.send_due(yard, mail_delivery(guarded_mail_server, **good), now=NOW) == 1
    assert guarded_mail_server.sessions_with_tls == 1


def test_a_mail_is_tried_again_with_the_same_id_and_given_up_when_it_is_refused_for_good(
    yard: psycopg.Connection, mail_server: MailServer
) -> None:
    enter_rules(yard, {"often": SHARE}, "test")
    add_target(yard, "yard", recipients=["ida@yard.example"])
    judge_all(yard, NOW)
    post.collect(yard, None, NOW)
    mail_server.answers = ["451 try again later"]
    assert post.send_due(yard, mail_delivery(mail_server), now=NOW) == 0
    tries, due_at, given_up = rows.one(yard, "alert_delivery", "tries", "due_at", "given_up_at")
    assert (tries, given_up) == (1, None)
    assert 20 < due_at.timestamp() - time.time() < 40
    assert post.send_due(yard, mail_delivery(mail_server), now=NOW) == 0, "not before its time"
    rows.change(yard, "alert_delivery", {"due_at": NOW})
    assert post.send_due(yard, mail_delivery(mail_server), now=NOW) == 1
    message_id = rows.one(yard, "alert_delivery", "message_id")
    assert mail_server.taken[0]["message-id"] == f"<{message_id}@yard.example>"

    add_target(yard, "gone", recipients=["nobody@yard.example"])
    rows.change(yard, "alert", {"cleared_at": NOW})
    judge_all(yard, NOW)
    post.collect(yard, None, NOW)
    post.send_due(yard, mail_delivery(mail_server), now=NOW)
    errors = rows.rows(yard, "alert_delivery", "last_error", "given_up_at")
    assert ["550" in error for error, given_up_at in errors if given_up_at is not None] == [True]


def test_a_web_call_is_signed_and_tried_again_with_the_same_id(
    yard: psycopg.Connection, web_server: WebServer
) -> None:
    enter_rules(yard, {"often": SHARE}, "test")
    add_target(yard, "office", web_address=web_server.url)
    judge_all(yard, NOW)
    post.collect(yard, None, NOW)
    web_server.answers = [500, 302]
    for _ in range(3):
        post.send_due(yard, web_delivery(), now=NOW)
        rows.change(yard, "alert_delivery", {"due_at": NOW}, sent_at=None)
    assert len(web_server.calls) == 3, "a redirect is not followed, it is a failure"
    assert len({headers["webhook-id"] for headers, _ in web_server.calls}) == 1
    headers, body = web_server.calls[-1]
    signed = b".".join((headers["webhook-id"].encode(), headers["webhook-timestamp"].encode(), body))
    mac = hmac.new(key_of(SECRET, "office"), signed, hashlib.sha256).digest()
    assert headers["webhook-signature"] == "v1," + base64.b64encode(mac).decode()
    assert abs(int(headers["webhook-timestamp"]) - time.time()) < 60
    told = json.loads(body)
    assert (told["kind"], told["target"], told["id"]) == ("alerts", "office", headers["webhook-id"])
    (crane,) = told["cranes"]
    assert crane["crane"] == "yard-01"
    assert crane["alerts"][0]["value"] == pytest.approx(40)
    sent_at, tries = rows.one(yard, "alert_delivery", "sent_at", "tries")
    assert (sent_at is not None, tries) == (True, 3)


def test_a_receiver_that_is_gone_for_good_is_not_asked_again(
    yard: psycopg.Connection, web_server: WebServer
) -> None:
    enter_rules(yard, {"often": SHARE}, "test")
    add_target(yard, "office", web_address=web_server.url)
    judge_all(yard, NOW)
    post.collect(yard, None, NOW)
    web_server.answers = [410]
    post.send_due(yard, web_delivery(), now=NOW)
    assert rows.one(yard, "alert_delivery", "given_up_at") is not None


def test_this_machine_is_not_called_unless_that_is_allowed(web_server: WebServer) -> None:
    with pytest.raises(NotSent, match="the server itself"):
        send_web_call(web_delivery(webhook_local=False), "x", web_server.url, "id", b"{}")
    assert web_server.calls == []
    send_web_call(web_delivery(), "x", web_server.url, "id", b"{}")
    assert len(web_server.calls) == 1


def test_quiet_hours_hold_all_but_high_back_until_their_end(yard: psycopg.Connection) -> None:
    high = SHARE.model_copy(update={"priority": Priority.HIGH})
    enter_rules(yard, {"often": SHARE, "urgent": high}, "test")
    add_target(yard, "yard", recipients=["ida@yard.example"], quiet_from="20:00", quiet_to="06:00")
    night = datetime(2026, 1, 10, 23, tzinfo=UTC)  # midnight in Vienna
    set_near_limit(yard, "yard-01", 40, night)
    judge_all(yard, night)
    rules = dict(rows.rows(yard, "alert_rule", "rule_id", "name"))
    told = {rules[rule]: alert for rule, alert in rows.rows(yard, "alert", "rule_id", "alert_id")}
    assert {name: rows.one(yard, "alert_news", "not_before", alert_id=key) for name, key in told.items()} == {
        "urgent": night,
        "often": datetime(2026, 1, 11, 5, tzinfo=UTC),
    }
    assert post.collect(yard, None, night) == 1
    assert post.collect(yard, None, night + timedelta(hours=2)) == 0
    assert post.collect(yard, None, datetime(2026, 1, 11, 5, tzinfo=UTC)) == 1


def test_no_flood_a_target_gets_few_messages_however_much_happens(yard: psycopg.Connection) -> None:
    enter_rules(yard, {"fault": AlertRuleAsked(kind=AlertKind.FAULT_CODE, clear_after_min=0)}, "test")
    add_target(yard, "yard", recipients=["ida@yard.example"], minutes_between=15)
    for minute in range(120):
        now = NOW + timedelta(minutes=minute)
        rows.remove(yard, "fault_episode")
        for crane in ("yard-01", "yard-02", "yard-03"):
            rows.fault(yard, crane, now, f"E-{minute:03d}")
        judge_all(yard, now)
        post.collect(yard, None, now)
    assert rows.count(yard, "alert_news") > 700
    assert rows.count(yard, "alert_delivery") == 8, "one every 15 minutes in two hours"


def test_a_finding_is_one_alert_by_code_with_its_own_words_and_clears_when_it_is_gone(
    yard: psycopg.Connection, mail_server: MailServer
) -> None:
    rule = AlertRuleAsked(
        kind=AlertKind.FINDING, days=7, codes=("clock_ahead", "limit_zero"), clear_after_min=0
    )
    enter_rules(yard, {"readings": rule}, "test")
    add_target(yard, "yard", recipients=["ida@yard.example"])
    for code, day in (("clock_ahead", 0), ("clock_ahead", 1), ("limit_zero", 0), ("spikes", 0)):
        rows.find(yard, "yard-01", NOW.date() - timedelta(days=day), code)
    judge_all(yard, NOW)
    assert open_alerts(yard) == {
        ("readings", "yard-01", "clock_ahead"),
        ("readings", "yard-01", "limit_zero"),
    }
    post.collect(yard, None, NOW)
    assert post.send_due(yard, mail_delivery(mail_server), now=NOW) == 1
    text = mail_server.taken[0].get_content()  # type: ignore[attr-defined]
    assert "Clock ahead: messages refused: on 2 of the last 7 days" in text
    assert "Set the clock of the sender; correct the refused messages by an offset under Data health" in text
    rows.remove(yard, "finding", code="limit_zero")
    judge_all(yard, NOW)
    judge_all(yard, NOW)
    assert open_alerts(yard) == {("readings", "yard-01", "clock_ahead")}


def test_what_is_on_the_shelf_sends_nothing_until_it_runs_out(yard: psycopg.Connection) -> None:
    enter_rules(yard, {"often": SHARE}, "test")
    add_target(yard, "yard", recipients=["ida@yard.example"])
    shelf = {"until": NOW + timedelta(days=1), "reason": "at the workshop", "shelved_by": "ida"}
    rows.insert(
        yard, "alert_shelf", crane="yard-01", rule_id=rows.one(yard, "alert_rule", "rule_id"), **shelf
    )
    judge_all(yard, NOW)
    assert len(open_alerts(yard)) == 1, "the list shows it all the same"
    set_near_limit(yard, "yard-01", 3)
    judge_all(yard, NOW)
    assert open_alerts(yard) == set()
    assert rows.count(yard, "alert_news") == 0
    set_near_limit(yard, "yard-01", 50)
    judge_all(yard, NOW + timedelta(days=1))
    assert rows.count(yard, "alert_news") == 1
    told = [what for _, what in rows.rows(yard, "alert_history", "history_id", "what")]
    assert told == ["raised", "cleared", "raised"]


def test_targets_get_the_sites_and_priorities_that_they_ask_for(yard: psycopg.Connection) -> None:
    low = AlertRuleAsked(kind=AlertKind.OFFLINE, raise_at=24, priority=Priority.LOW)
    enter_rules(yard, {"often": SHARE, "silent": low}, "test")
    add_target(yard, "all", recipients=["a@yard.example"])
    add_target(yard, "south", recipients=["b@yard.example"], sites=["south"])
    add_target(yard, "urgent", recipients=["c@yard.example"], least_priority="medium")
    add_target(yard, "off", recipients=["d@yard.example"], enabled=False)
    judge_all(yard, NOW)
    told = dict(rows.rows(yard, "alert_target", "name", "target_id"))
    counts = {name: rows.count(yard, "alert_news", target_id=key) for name, key in told.items()}
    assert counts == {"all": 4, "south": 1, "urgent": 1, "off": 0}


def _send_and_die(url: str, sink: str) -> None:
    """A sender that is killed after the other side has the message and before that is written down."""

    def send(delivery: Delivery, claimed: Claimed, target: AlertTargetAsked) -> None:
        post.deliver(delivery, claimed, target)
        os.kill(os.getpid(), signal.SIGKILL)

    with psycopg.connect(url, autocommit=True) as conn:
        post.send_due(conn, web_delivery(), claim_s=1.0, send=send)


def test_a_killed_sender_loses_nothing_and_the_copy_can_be_told(
    yard: psycopg.Connection, database: str, web_server: WebServer
) -> None:
    enter_rules(yard, {"often": SHARE}, "test")
    add_target(yard, "office", web_address=web_server.url)
    judge_all(yard, NOW)
    post.collect(yard, None, NOW)
    child = multiprocessing.get_context("spawn").Process(
        target=_send_and_die, args=(database, web_server.url)
    )
    child.start()
    child.join(60)
    assert child.exitcode == -signal.SIGKILL
    assert len(web_server.calls) == 1
    give_up = time.monotonic() + 30
    while post.send_due(yard, web_delivery(), now=NOW) == 0:  # the claim of the dead sender runs out
        assert time.monotonic() < give_up
        time.sleep(0.1)
    assert len(web_server.calls) == 2
    assert len({headers["webhook-id"] for headers, _ in web_server.calls}) == 1
    assert post.send_due(yard, web_delivery(), now=NOW) == 0


def test_two_senders_never_send_the_same_message_at_once(
    yard: psycopg.Connection, database: str, web_server: WebServer
) -> None:
    for number in range(12):
        add_target(yard, f"office-{number}", web_address=web_server.url)
    enter_rules(yard, {"often": SHARE}, "test")
    judge_all(yard, NOW)
    assert post.collect(yard, None, NOW) == 12

    def send() -> None:
        with psycopg.connect(database, autocommit=True) as conn:
            post.send_due(conn, web_delivery(), most=20)

    senders = [threading.Thread(target=send) for _ in range(3)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join(60)
    assert len(web_server.calls) == 12
    assert len({headers["webhook-id"] for headers, _ in web_server.calls}) == 12


def broken(yard: psycopg.Connection) -> None:
    """An alert that is raised on any day."""
    enter_rules(yard, {"fault": AlertRuleAsked(kind=AlertKind.FAULT_CODE)}, "test")
    rows.fault(yard, "yard-01", NOW)


def test_no_secret_comes_into_the_log_or_the_database(
    yard: psycopg.Connection, database: str, capfd: pytest.CaptureFixture[str], mail_server: MailServer
) -> None:
    broken(yard)
    add_target(yard, "yard", recipients=["nobody@yard.example"])
    add_target(yard, "office", web_address="http://127.0.0.1:9/x?token=in-the-address")
    secrets = {"smtp_password": SecretStr("mail password"), "webhook_secret": SecretStr(SECRET)}
    delivery = mail_delivery(mail_server, smtp_user="boom", webhook_local=True, timeout_s=2.0, **secrets)
    for _ in range(2):
        run(database, threading.Event(), delivery, once=True)
    said = "".join(capfd.readouterr())
    kept = f"{rows.everything(yard, 'alert_delivery')} {rows.everything(yard, 'alert_target')}"
    assert "message_not_sent" in said
    assert "in-the-address" in kept
    for secret in ("mail password", SECRET, key_of(SECRET, "office").hex()):
        assert secret not in said
        assert secret not in kept
    assert "in-the-address" not in said
    assert "mail password" not in repr(delivery)


def test_the_watch_tells_whether_it_works(database: str) -> None:
    told: list[str] = []
    run(database, threading.Event(), Delivery(), once=True, on_step=told.append)
    assert told == [""]
    stop = threading.Event()

    def hear(problem: str) -> None:
        told.append(problem)
        stop.set()

    run("postgresql://nobody@127.0.0.1:9/x", stop, Delivery(), on_step=hear)
    assert told[1:] == ["the database does not answer"]


def test_the_watch_runs_beside_ingest_until_it_is_told_to_stop(
    yard: psycopg.Connection, database: str, mail_server: MailServer
) -> None:
    ingest = Writer(database, Limits(), alone=True)
    ingest.bound_quarantine()  # from here on it holds the database for itself
    broken(yard)
    add_target(yard, "yard", recipients=["ida@yard.example"])
    stop = threading.Event()
    watch = threading.Thread(
        target=run, args=(database, stop, mail_delivery(mail_server)), kwargs={"every_s": 0.2}
    )
    watch.start()
    give_up = time.monotonic() + 30
    while not mail_server.taken and time.monotonic() < give_up:
        time.sleep(0.05)
    stop.set()
    watch.join(10)
    ingest.leave()
    assert not watch.is_alive()
    assert len(mail_server.taken) == 1
