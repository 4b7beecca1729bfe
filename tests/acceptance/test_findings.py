"""Readings that cannot be true, each sent over the broker by a crane of its own, and what the api says of it."""

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import orjson
import paho.mqtt.client as mqtt
import psycopg
import pytest

from analytics import worker
from boomledger.broker import Broker, find_mosquitto
from domain.crane import Crane
from domain.messages import Leaf, topic
from duty.minutes import Readings
from store import cranes
from tests.integration.analytics.test_one_life_status import asked
from tests.support.databases import new_database
from tests.support.ingesting import Receipts, ingesting, mqtt_client, publish_all, wait_until
from tests.support.readings import FOLDED, TYPE, by_statics, changed, folded, work
from tests.support.telemetry import SITE

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
PERIOD = "day_from=2026-01-01&day_to=2026-10-31"
MESSAGE = 300  # samples
Messages = list[tuple[str, bytes]]


@dataclass
class Sender:
    """A box that numbers its messages."""

    crane: str
    boot: int = 1
    seq: int = 0
    counts: bool = True  # False: every message has number 0
    stated_step: float = 1.0  # the step that it states over the true one
    sent: Messages = field(default_factory=list)

    def send(self, readings: Readings, start: datetime = START) -> "Sender":
        """Readings from `start` on, as messages."""
        step_ms = int(readings.step_ms[0])
        for first in range(0, readings.at_ms.size, MESSAGE):
            rows = {name: values[first : first + MESSAGE] for name, values in readings.channels.items()}
            body = {
                "boot": self.boot,
                "seq": self.seq,
                "t0": start + timedelta(milliseconds=int(readings.at_ms[first])),
                "dt_ms": round(step_ms * self.stated_step),
                "channels": {
                    name: [None if np.isnan(value) else float(str(value)) for value in values]
                    for name, values in rows.items()
                },
            }
            self.sent.append((topic(self.crane, Leaf.SAMPLES), orjson.dumps(body)))
            self.seq += self.counts
        return self

    def started(self) -> "Sender":
        """The same after another start."""
        self.boot += 1
        return self


def spiking(name: str) -> Messages:
    """28 single samples of 250 % in 8 h."""
    readings = work(480, step_ms=2000)
    utilisation = readings.channels["utilisation_pct"].copy()
    utilisation[250 :: utilisation.size // 28][:28] = 250.0
    return Sender(name).send(changed(readings, utilisation_pct=utilisation)).sent


def stuck_at_100(name: str) -> Messages:
    sender = Sender(name)
    for day in range(5):
        readings = work(60, seed=day, step_ms=2000)
        stuck = changed(readings, utilisation_pct=np.full(readings.at_ms.size, 100.0))
        sender.started().send(stuck, START + timedelta(days=day))
    return sender.sent


def in_other_units(**factors: float) -> Callable[[str], Messages]:
    def messages(name: str) -> Messages:
        readings = work(60)
        wrong = {channel: readings.channels[channel] * factor for channel, factor in factors.items()}
        return Sender(name).send(changed(readings, **wrong)).sent

    return messages


def with_channels(**channels: Callable[[np.ndarray], np.ndarray | None]) -> Callable[[str], Messages]:
    """An hour of work with some channels made of those that were."""

    def messages(name: str) -> Messages:
        readings = work(60)
        made = {
            channel: make(readings.channels.get(channel, readings.channels["utilisation_pct"]))
            for channel, make in channels.items()
        }
        return Sender(name).send(changed(readings, **made)).sent

    return messages


def weeks_of(levels: list[float]) -> Callable[[str], Messages]:
    """A quarter of an hour twice a week at these zeros of the reading."""

    def messages(name: str) -> Messages:
        sender = Sender(name)
        for number, zero_pct in enumerate(levels):
            day = START + timedelta(days=7 * (number // 2) + 2 * (number % 2))
            sender.started().send(folded(15, seed=number, step_ms=3000, zero_pct=zero_pct), day)
        return sender.sent

    return messages


def two_boxes(name: str) -> Messages:
    return [
        message
        for pair in zip(
            Sender(name, boot=1).send(work(40)).sent,
            Sender(name, boot=2).send(work(40, seed=1), START + timedelta(minutes=2, seconds=30)).sent,
            strict=True,
        )
        for message in pair
    ]


def clock_set_back(name: str) -> Messages:
    sender = Sender(name).send(work(40))
    return sender.send(work(40, seed=1), START + timedelta(minutes=15, seconds=7)).sent


def clock_ahead_then_right(name: str) -> Messages:
    sender = Sender(name).send(work(40), datetime(2090, 1, 1, 6, tzinfo=UTC))
    return sender.send(work(20)).sent


def clock_behind(name: str) -> Messages:
    """An hour; `as_recorded` dates its arrival, which nobody waits for."""
    return Sender(name).send(work(60, step_ms=1000), datetime(2025, 6, 2, 6, tzinfo=UTC)).sent


def as_recorded(url: str, name: str) -> None:
    """Has the messages of a crane come as fast as they were recorded, the last one just now."""
    with psycopg.connect(url) as conn:
        found = conn.execute(
            "select crane_id, t0, now() from segment join crane using (crane_id) where name = %s order by t0",
            [name],
        ).fetchall()
        _, last_at, now = found[-1]
        conn.cursor().executemany(
            "update segment set received_at = %s where crane_id = %s and t0 = %s",
            [(now - (last_at - t0), crane_id, t0) for crane_id, t0, _ in found],
        )


def one_boot_for_two_days(name: str) -> Messages:
    sender = Sender(name).send(work(60))
    return sender.send(work(60, seed=1), START + timedelta(days=1)).sent


def misnamed(name: str) -> Messages:
    """Utilisation under a name that is no channel."""
    return [
        (at, raw.replace(b'"utilisation_pct"', b'"utilization_pct"'))
        for at, raw in Sender(name).send(work(60)).sent
    ]


def unreadable(name: str, good: int = 4) -> Messages:
    """A message whose step is a text, after some that are right."""
    sent = Sender(name).send(work(40)).sent
    return [*sent[:good], (sent[good][0], sent[good][1].replace(b'"dt_ms":1000', b'"dt_ms":"1000"'))]


def empty_booms_up_and_down(name: str) -> Messages:
    """50 times from folded to far out and back with an empty hook: large cycles and no lift."""
    n = 3600
    share = np.abs((np.arange(n) % 72) / 36.0 - 1.0)
    far = {"main_boom_deg": 10.0, "knuckle_boom_deg": 0.0, "extension_m": 6.0}
    pose = {channel: share * far[channel] + (1 - share) * FOLDED[channel] for channel in far}
    noise = np.random.default_rng(1).normal(0, 0.1, n)
    return Sender(name).send(changed(work(60), **pose, utilisation_pct=by_statics(**pose) + noise)).sent


CASES: dict[str, tuple[Callable[[str], Messages], set[tuple[str, str]]]] = {
    "clean": (lambda name: Sender(name).send(work(60)).sent, set()),
    "spikes": (spiking, {("spikes", "utilisation_pct")}),
    "stuck": (stuck_at_100, {("sensor_stuck", "utilisation_pct")}),
    "fraction": (in_other_units(utilisation_pct=0.01), {("fraction_for_percent", "utilisation_pct")}),
    "radians": (
        in_other_units(main_boom_deg=np.pi / 180, knuckle_boom_deg=np.pi / 180, slew_deg=np.pi / 180),
        {("radians_for_degrees", name) for name in ("main_boom_deg", "knuckle_boom_deg", "slew_deg")},
    ),
    "centimetres": (in_other_units(extension_m=9.0), {("length_unit", "extension_m")}),
    "feet": (in_other_units(extension_m=3.281), {("length_unit", "extension_m")}),
    "no-limit": (with_channels(limit_pct=np.zeros_like), {("limit_zero", "limit_pct")}),
    "limit-unsent": (with_channels(limit_pct=lambda _: None), {("limit_missing", "limit_pct")}),
    "overload": (
        with_channels(utilisation_pct=lambda u: np.where(np.arange(u.size) % 300 < 30, 200.0 + u / 10, u)),
        {("overload", "utilisation_pct")},
    ),
    "half": (in_other_units(utilisation_pct=0.5), {("scale_wrong", "utilisation_pct")}),
    "flipped": (in_other_units(utilisation_pct=-1.0), {("scale_wrong", "utilisation_pct")}),
    "limit-low": (with_channels(limit_pct=lambda u: np.full(u.size, 5.0)), {("limit_low", "limit_pct")}),
    "transport": (with_channels(mode=np.zeros_like), {("mode_stuck", "mode")}),
    "frozen": (
        with_channels(
            main_boom_deg=lambda angle: np.full(angle.size, 42.0),
            knuckle_boom_deg=lambda angle: np.full(angle.size, -21.0),
            extension_m=lambda extension: np.full(extension.size, 2.5),
            utilisation_pct=lambda u: u + np.where(np.arange(u.size) % 100 < 50, 30.0, 0.0),
        ),
        {("sensor_stuck", "main_boom_deg"), ("sensor_stuck", "knuckle_boom_deg")},
    ),
    "misnamed": (misnamed, {("unknown_channel", "utilization_pct")}),
    "unreadable": (unreadable, {("messages_refused", "")}),
    "never-readable": (lambda name: unreadable(name, good=0), {("messages_refused", "")}),
    "angle": (
        with_channels(main_boom_deg=lambda angle: np.minimum(angle + 55.0, 119.0)),
        {("angle_out_of_geometry", "main_boom_deg")},
    ),
    "misfit": (
        with_channels(outreach_m=lambda u: 16.0 + 0.3 * np.sin(np.arange(u.size) / 60)),
        {("outreach_misfit", "outreach_m")},
    ),
    "poseless": (with_channels(extension_m=lambda _: None), {("pose_missing", "")}),
    "dropouts": (
        with_channels(utilisation_pct=lambda u: np.where(np.arange(u.size) < 1200, np.nan, u)),
        {("sensor_gap", "utilisation_pct")},
    ),
    "seldom": (lambda name: Sender(name).send(work(120, step_ms=10_000)).sent, {("samples_too_seldom", "")}),
    "drift": (weeks_of(np.linspace(0, 2.6, 40).tolist()), {("zero_drift", "utilisation_pct")}),
    "offset": (weeks_of([4.0] * 4), {("zero_offset", "utilisation_pct")}),
    "jump": (weeks_of([0.0] * 8 + [2.8] * 8), {("calibration_jump", "utilisation_pct")}),
    "two-boxes": (two_boxes, {("boots_overlap", "")}),
    "set-back": (clock_set_back, {("clock_set_back", "")}),
    "ahead": (clock_ahead_then_right, {("clock_ahead", "")}),
    "behind": (clock_behind, {("clock_behind", "")}),
    "short-step": (lambda name: Sender(name, stated_step=0.1).send(work(60)).sent, {("time_hole", "")}),
    "paused": (one_boot_for_two_days, {("time_hole", "")}),
    "uncounted": (lambda name: Sender(name, counts=False).send(work(60)).sent, {("seq_repeated", "")}),
    "apart": (empty_booms_up_and_down, {("lifts_apart", "")}),
}
ON_ARRIVAL = {"ahead", "behind", "unreadable", "never-readable"}  # told of the day on which it came
INCOMPLETE = {"two-boxes": "overlap", "set-back": "clock", "ahead": "clock", "behind": "clock"}


@pytest.fixture(scope="module")
def counted(
    database_server: str, database_template: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """A database with everything that the cranes sent, counted."""
    program = find_mosquitto()
    if program is None:
        pytest.skip("no mosquitto on this machine: apt-get install mosquitto")
    folder: Path = tmp_path_factory.mktemp("findings")
    with contextlib.ExitStack() as closing:
        url = closing.enter_context(new_database(database_server, database_template))
        with psycopg.connect(url) as conn:
            cranes.save_site(conn, SITE)
            for name in CASES:
                cranes.save_crane(conn, registered(name))
        broker = Broker(folder / "broker", program=program)
        address = broker.start()
        closing.callback(broker.stop)
        closing.enter_context(ingesting(url, address))
        client = closing.enter_context(mqtt_client(address, in_flight=100))
        send_all(client)
        as_recorded(url, "behind")
        worker.run(url, threading.Event(), once=True)
        yield url


def registered(name: str) -> Crane:
    return Crane(
        name=name,
        type=TYPE,
        site=SITE.name,
        registered_at=datetime(2025, 1, 1, tzinfo=UTC),
        commissioned_on=datetime(2025, 1, 1, tzinfo=UTC).date(),
    )


def send_all(client: mqtt.Client) -> None:
    receipts = Receipts(client)
    expected = 0

    def answered() -> bool:
        return len(receipts.stored) + len(receipts.quarantined) >= expected

    for name, (messages, _) in CASES.items():
        sent = messages(name)
        publish_all(client, sent)
        expected += 1 if name == "uncounted" else len(sent)  # receipts name numbers
    wait_until(answered, "a receipt of each message")


@pytest.mark.parametrize("name", CASES)
def test_what_cannot_be_true_is_told(counted: str, name: str) -> None:
    """Each wrong reading by its own code, and nothing about the clean crane."""
    # What was refused or is dated back stands on the day it came; that is not known here, so those days are asked for by default.
    periods = [""] if name in ON_ARRIVAL else ["day_from=2025-05-01&day_to=2025-07-31", PERIOD]
    answers = asked(counted, *(f"/cranes/{name}/findings?{period}" for period in periods))
    rows = [row for answer in answers for row in answer["items"]]
    expected = CASES[name][1]
    found = {(row["code"], row["channel"]) for row in rows}
    assert expected <= found, found
    if name == "clean":
        assert found == set()
    if name == "misnamed":
        assert ("sensor_gap", "utilisation_pct") not in found
    for row in rows:
        assert row["from_at"] < row["to_at"]
        assert row["day_from"] <= row["day_to"]
        assert row["days"] >= 1
        assert row["consequence"] and row["next_step"]  # noqa: PT018


@pytest.mark.parametrize("name", INCOMPLETE)
def test_a_day_with_a_wrong_clock_or_two_boxes_is_not_complete(counted: str, name: str) -> None:
    period = {"ahead": "", "behind": "day_from=2025-05-01&day_to=2025-07-31"}.get(name, PERIOD)
    (coverage,) = asked(counted, f"/cranes/{name}/coverage?{period}")
    (cause,) = (each for each in coverage["causes"] if each["cause"] == INCOMPLETE[name])
    assert cause["missing_s"] > 60
    assert coverage["coverage"] < 0.99
    assert coverage["f1"] > 1.0
    assert coverage["life_f1"] > 1.0


def test_a_clock_behind_is_seen_among_the_findings_of_today_and_counted_for_the_fleet(counted: str) -> None:
    own, fleet = asked(counted, "/findings?code=clock_behind", "/fleet")
    (row,) = own["items"]
    assert (row["crane"], row["day_from"], row["day_to"]) == ("behind", "2025-06-02", "2025-06-02")
    assert next(each for each in fleet["rows"] if each["crane"] == "behind")["findings"] >= 1


def test_time_that_no_message_accounts_for_is_missing(counted: str) -> None:
    """One reading a second that is said to stand for a tenth of it; and a boot that goes on after a night, a day at most."""
    short, paused = asked(
        counted, *(f"/cranes/{name}/coverage?{PERIOD}" for name in ("short-step", "paused"))
    )
    assert short["coverage"] == pytest.approx(0.1, abs=0.01)
    assert short["f1"] == pytest.approx(10, rel=0.1)
    (night,) = paused["causes"]
    assert (night["cause"], night["missing_s"], night["gaps"]) == ("hole", 23 * 3600, 1)
    assert paused["f1"] == pytest.approx(25 / 2)
    assert (paused["life_coverage"], paused["life_f1"]) == (paused["coverage"], paused["f1"])
    assert "without a pause" in night["what_to_do"]["text"]


def test_without_numbers_coverage_is_not_known(counted: str) -> None:
    period, life = asked(counted, f"/cranes/uncounted/coverage?{PERIOD}", "/cranes/uncounted/life")
    assert (period["coverage"], period["life_coverage"], life["coverage"]) == (None, None, None)
    assert (period["f1"], period["life_f1"], life["f1"]) == (1.5, 1.5, 1.5)
    assert "do not count up" in period["f1_reason"]["text"]


def test_the_fleet_lists_what_its_cranes_list(counted: str) -> None:
    fleet, *each = asked(
        counted, f"/findings?{PERIOD}&limit=1000", *(f"/cranes/{name}/findings?{PERIOD}" for name in CASES)
    )
    assert fleet["items"] == sorted(
        (row for answer in each for row in answer["items"]),
        key=lambda row: (row["crane"], row["code"], row["channel"]),
    )
    assert len({row["crane"] for row in fleet["items"]}) >= len(CASES) - 5
