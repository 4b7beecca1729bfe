"""The alert of the system itself: one message for the fleet, from another process than the one that died."""

from datetime import UTC, datetime, timedelta

import psycopg

from alerts.delivery import Delivery
from alerts.rounds import judge_all
from alerts.service import Watch
from domain.alerts import AlertKind, AlertRuleAsked
from store import cranes
from store.alerts import enter_rules
from store.system_watch import beat
from tests.integration.alerts.conftest import NOW, MailServer
from tests.integration.alerts.test_alerts import add_target, mail_delivery, open_alerts
from tests.support import rows


def age(conn: psycopg.Connection, seconds: int, *processes: str) -> None:
    at = datetime.now(UTC) - timedelta(seconds=seconds)
    for process in processes:
        rows.change(conn, "process_heartbeat", {"beat_at": at, "working_at": at}, process=process)


def look(conn: psycopg.Connection, delivery: Delivery) -> None:
    conn.commit()
    conn.autocommit = True
    Watch(conn, delivery, "https://cranes.example/alerts", steady_s=0.0).step()


def test_a_dead_ingest_is_one_message_for_the_fleet_and_another_when_it_works_again(
    yard: psycopg.Connection, mail_server: MailServer
) -> None:
    delivery = mail_delivery(mail_server)
    add_target(yard, "yard", recipients=["ida@yard.example"])
    for process in ("ingest", "broker", "analytics", "watch", "backup"):
        beat(yard, process)
    look(yard, delivery)
    assert mail_server.taken == []
    age(yard, 90, "ingest", "broker", "watch")
    look(yard, delivery)
    look(yard, delivery)
    (mail,) = mail_server.taken
    assert mail["subject"] == "Boomledger itself: 1 not working"
    text = mail.get_content()  # type: ignore[attr-defined]
    assert "Ingest tells nothing of itself" in text
    assert "No message of any crane is stored" in text
    assert "yard-01" not in text
    for process in ("ingest", "broker"):
        beat(yard, process)
    look(yard, delivery)
    assert [one["subject"] for one in mail_server.taken[1:]] == ["Boomledger itself: works again"]


def test_a_part_that_says_what_is_wrong_is_quoted_and_an_old_backup_is_told(
    yard: psycopg.Connection, mail_server: MailServer
) -> None:
    add_target(yard, "yard", recipients=["ida@yard.example"])
    for process in ("broker", "ingest", "backup"):
        beat(yard, process)
    age(yard, 90, "broker")
    beat(yard, "broker", "the broker does not have our subscription")
    age(yard, 9 * 86_400, "backup")
    look(yard, mail_delivery(mail_server))
    (mail,) = mail_server.taken
    assert mail["subject"] == "Boomledger itself: 2 not working"
    text = mail.get_content()  # type: ignore[attr-defined]
    assert "Broker does not work: the broker does not have our subscription" in text
    assert "The last backup is old" in text


def test_a_watch_that_has_just_come_back_to_its_database_judges_nobody_yet(
    yard: psycopg.Connection, mail_server: MailServer
) -> None:
    add_target(yard, "yard", recipients=["ida@yard.example"])
    beat(yard, "ingest")
    age(yard, 90, "ingest")
    yard.commit()
    yard.autocommit = True
    Watch(yard, mail_delivery(mail_server)).step()
    assert mail_server.taken == []


def test_cranes_that_were_never_heard_raise_no_alert_of_silence(yard: psycopg.Connection) -> None:
    known = {entry.crane.name: entry.crane for entry in cranes.list_cranes(yard)}["yard-01"]
    for number in range(20):
        cranes.save_crane(
            yard,
            known.model_copy(update={"name": f"new-{number}", "registered_at": NOW - timedelta(days=2)}),
        )
    enter_rules(yard, {"silent": AlertRuleAsked(kind=AlertKind.OFFLINE, raise_at=0.01)}, "test")
    judge_all(yard, NOW)
    assert {crane for _, crane, _ in open_alerts(yard)} == {"yard-01", "yard-02", "yard-03"}
