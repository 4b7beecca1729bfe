"""Levels, hysteresis, waits, quiet hours, signatures, and where web calls may go."""

import base64
import random
from datetime import UTC, datetime, time, timedelta

import pytest
from pydantic import SecretStr, ValidationError

from alerts.delivery import Delivery, NotSent, key_of, reachable, send_web_call, shown_key, signature
from alerts.judge import Clear, Raise, Reading, See, Side, quiet_until, side, steps
from alerts.post import LONGEST_WAIT_S, wait_s
from domain.alerts import UNITS, AlertKind, AlertRuleAsked, AlertTargetAsked
from domain.errors import InvalidInput
from domain.web_address import is_local, refuse_local
from store.alert_watch import OpenAlert
from words.alerts import alert_words, sentence

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
SHARE = AlertRuleAsked(kind=AlertKind.NEAR_LIMIT_SHARE, raise_at=25, clear_at=20, clear_after_min=10)
DUE = AlertRuleAsked(kind=AlertKind.SERVICE_DUE, raise_at=14, clear_at=20, clear_after_min=0)


def open_alert(**change: object) -> OpenAlert:
    values = {"alert_id": 7, "crane_id": 1, "rule_id": 3, "subject": "", "calm_since": None}
    return OpenAlert(**{**values, "value": 30.0, "worst_value": 30.0, **change})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("rule", "value", "where"),
    [
        (SHARE, 25.0, Side.BAD),
        (SHARE, 24.9, Side.BETWEEN),
        (SHARE, 20.0, Side.BETWEEN),
        (SHARE, 19.9, Side.GOOD),
        (SHARE, None, Side.UNKNOWN),
        (DUE, 14.0, Side.BAD),
        (DUE, -3.0, Side.BAD),
        (DUE, 20.0, Side.BETWEEN),
        (DUE, 20.1, Side.GOOD),
        (AlertRuleAsked(kind=AlertKind.OFFLINE, raise_at=72), 71.9, Side.GOOD),
    ],
)
def test_the_side_of_a_value(rule: AlertRuleAsked, value: float | None, where: Side) -> None:
    assert side(rule, value) is where


def test_a_value_that_swings_between_the_levels_raises_one_alert() -> None:
    raised = 0
    alerts: list[OpenAlert] = []
    rng = random.Random(1)
    for minute in range(600):
        now = NOW + timedelta(minutes=minute)
        value = 22.5 + rng.uniform(
            -2.4, 2.6
        )  # 20.1 to 25.1: over the raise level now and then, never below the clear level
        (step, *rest) = steps(3, SHARE, [Reading(1, value)], alerts, now) or [None]
        assert not rest
        if isinstance(step, Raise):
            raised += 1
            alerts = [open_alert()]
        assert not isinstance(step, Clear)
    assert raised == 1


def test_an_alert_clears_only_after_its_wait_on_the_good_side() -> None:
    alert = open_alert()
    (first,) = steps(3, SHARE, [Reading(1, 10.0)], [alert], NOW)
    assert isinstance(first, See)
    assert first.calm_since == NOW
    calm = open_alert(calm_since=NOW)
    (again,) = steps(3, SHARE, [Reading(1, 22.0)], [calm], NOW + timedelta(minutes=5))
    assert isinstance(again, See)
    assert again.calm_since is None, "between the levels the wait begins anew"
    (last,) = steps(3, SHARE, [Reading(1, 10.0)], [calm], NOW + timedelta(minutes=10))
    assert isinstance(last, Clear)


def test_an_unknown_value_changes_nothing_and_the_worst_value_stays() -> None:
    (step,) = steps(3, SHARE, [Reading(1, None)], [open_alert()], NOW)
    assert step == See(open_alert(), None, 30.0, None)
    (worse,) = steps(3, SHARE, [Reading(1, 40.0)], [open_alert()], NOW)
    assert isinstance(worse, See)
    assert worse.worst_value == 40.0
    (sooner,) = steps(3, DUE, [Reading(1, 2.0)], [open_alert(worst_value=5.0)], NOW)
    assert isinstance(sooner, See)
    assert sooner.worst_value == 2.0


def test_what_is_no_longer_watched_is_cleared_and_a_fault_that_is_gone_waits_first() -> None:
    (out,) = steps(3, SHARE, [], [open_alert()], NOW)
    assert isinstance(out, Clear)
    fault = AlertRuleAsked(kind=AlertKind.FAULT_CODE, clear_after_min=30)
    (waits,) = steps(3, fault, [], [open_alert(subject="E-07")], NOW)
    assert isinstance(waits, See)
    off = SHARE.model_copy(update={"enabled": False})
    (cleared,) = steps(3, off, [Reading(1, 99.0)], [open_alert()], NOW)
    assert isinstance(cleared, Clear)
    assert steps(4, SHARE, [], [open_alert()], NOW) == [], "alerts of other rules are left alone"


@pytest.mark.parametrize("kind", list(AlertKind))
def test_every_kind_says_what_it_found_and_what_to_do(kind: AlertKind) -> None:
    words = alert_words(kind)
    assert UNITS[kind]
    assert words.cause
    assert words.consequence
    assert words.action
    assert sentence(kind, 12.0, "oil", 7)
    assert "no value" in sentence(kind, None, "", 7)


def test_levels_that_would_never_hold_are_refused() -> None:
    with pytest.raises(ValidationError, match="above raise_at"):
        AlertRuleAsked(kind=AlertKind.OFFLINE, raise_at=10, clear_at=11)
    with pytest.raises(ValidationError, match="below raise_at"):
        AlertRuleAsked(kind=AlertKind.LIFE_DATE, raise_at=10, clear_at=9)
    with pytest.raises(ValidationError, match="at most one"):
        AlertRuleAsked(kind=AlertKind.OFFLINE, site="yard", crane="heron-3")
    for wrong in ({}, {"recipients": ["a@b.example"], "web_address": "https://x.example/"}):
        with pytest.raises(ValidationError, match="either"):
            AlertTargetAsked.model_validate(wrong)
    for line in ("a@b.example\nBcc: c@d.example", "a@b.example, c@d.example", "<a@b.example>"):
        with pytest.raises(ValidationError):
            AlertTargetAsked(recipients=(line,))


@pytest.mark.parametrize(
    ("now", "until"),
    [
        # Vienna is UTC+1 in winter: quiet from 20:00 to 06:00 local is 19:00 to 05:00 UTC.
        (datetime(2026, 1, 10, 18, 59, tzinfo=UTC), datetime(2026, 1, 10, 18, 59, tzinfo=UTC)),
        (datetime(2026, 1, 10, 19, 0, tzinfo=UTC), datetime(2026, 1, 11, 5, 0, tzinfo=UTC)),
        (datetime(2026, 1, 11, 4, 59, tzinfo=UTC), datetime(2026, 1, 11, 5, 0, tzinfo=UTC)),
        (datetime(2026, 1, 11, 5, 0, tzinfo=UTC), datetime(2026, 1, 11, 5, 0, tzinfo=UTC)),
        # The night in which the clock goes forward (29 March 2026): it is 06:00 at 04:00 UTC.
        (datetime(2026, 3, 28, 22, 0, tzinfo=UTC), datetime(2026, 3, 29, 4, 0, tzinfo=UTC)),
        # And back (25 October 2026): it is 06:00 at 05:00 UTC.
        (datetime(2026, 10, 24, 22, 0, tzinfo=UTC), datetime(2026, 10, 25, 5, 0, tzinfo=UTC)),
    ],
)
def test_quiet_hours_go_by_the_clock_of_the_site(now: datetime, until: datetime) -> None:
    assert quiet_until(now, "Europe/Vienna", time(20), time(6)) == until


def test_quiet_hours_within_a_day() -> None:
    noon = datetime(2026, 1, 10, 12, 30, tzinfo=UTC)
    assert quiet_until(noon, "UTC", time(12), time(13)) == datetime(2026, 1, 10, 13, tzinfo=UTC)
    assert quiet_until(noon, "UTC", time(13), time(14)) == noon
    assert quiet_until(noon, "UTC", time(6), time(6)) == noon


def test_the_signature_is_the_published_example_of_the_scheme() -> None:
    # The worked example that libraries of the Standard Webhooks scheme carry in their documentation and tests.
    key = base64.b64decode("plJ3nmyCDGBKInavdOK15jsl")
    body = b'{"event_type":"ping","data":{"success":true}}'
    found = signature(key, "msg_loFOjxBNrRLzqYUf", 1731705121, body)
    assert found == "v1,rAvfW3dJ/X/qxhsaXPOyyCGmRKsaKWcsNccKXlIktD0="


def test_each_target_has_a_key_of_its_own() -> None:
    assert key_of("s" * 32, "yard") != key_of("s" * 32, "office")
    assert base64.b64decode(shown_key("s" * 32, "yard").removeprefix("whsec_")) == key_of("s" * 32, "yard")


@pytest.mark.parametrize(
    ("address", "local"),
    [
        ("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("::ffff:127.0.0.1", True),
        ("169.254.169.254", True), ("fe80::1%eth0", True), ("0.0.0.0", True), ("0.1.2.3", True), ("::", True),
        ("224.0.0.1", True), ("255.255.255.255", True), ("2002:7f00:1::", True), ("64:ff9b::7f00:1", True),
        ("fd00:ec2::254", True), ("100.100.100.200", True), ("::ffff:192.0.0.192", True), ("168.63.129.16", True),
        ("fd00:ec2::253", False), ("100.100.100.201", False),
        ("10.1.2.3", False), ("192.168.1.9", False), ("fd00::7", False), ("93.184.216.34", False),
    ],
)  # fmt: skip
def test_which_addresses_are_the_machine_itself(address: str, local: bool) -> None:
    assert is_local(address) is local


@pytest.mark.parametrize(
    "web_address",
    ["http://127.0.0.1/", "http://localhost:9/", "https://LOCALHOST./x", "http://a.localhost/", "http://[::1]/",
     "http://169.254.169.254/latest", "http:///x", "http://[::1]:99999/", "http://0/", "http://127.1/", "http://0x7f.1/",
     "http://2130706433/", "http://0251.0376.0251.0376/"],
)  # fmt: skip
def test_local_targets_are_refused_when_they_are_entered(web_address: str) -> None:
    with pytest.raises(InvalidInput):
        refuse_local(web_address)


@pytest.mark.parametrize(
    "web_address", ["http://10.1/", "https://example.com/127.1", "http://192.168.1.9:81/"]
)
def test_targets_elsewhere_are_entered(web_address: str) -> None:
    refuse_local(web_address)


@pytest.mark.parametrize("host", ["2130706433", "127.1", "0x7f.1", "localhost"])
def test_other_spellings_of_this_machine_are_refused_when_they_are_called(host: str) -> None:
    try:
        with pytest.raises(InvalidInput, match="resolves to this machine"):
            reachable(host, 80, local=False)
    except OSError:
        pytest.skip("this system does not read such a spelling")
    with pytest.raises(NotSent):
        send_web_call(Delivery(webhook_secret=SecretStr("s" * 32)), "yard", f"http://{host}/", "id", b"{}")


def test_tries_wait_twice_as_long_each_time_up_to_an_hour() -> None:
    assert 24 <= wait_s(1) <= 36
    assert 96 <= wait_s(3) <= 144
    assert 0.8 * LONGEST_WAIT_S <= wait_s(40) <= 1.2 * LONGEST_WAIT_S
