"""Further channels from the broker to the reader: stored, judged, moved to the cold tier, exported and brought in."""

import contextlib
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import cbor2
import numpy as np
import orjson
import psycopg
import pytest
from typer.testing import CliRunner

from boomledger.cli import app
from boomledger.console import out
from domain.errors import Conflict, InvalidInput
from domain.further_channel import MOST, FurtherChannelAsked, check_name
from domain.messages import Leaf, topic
from ingest import replay
from ingest.content import Content
from ingest.limits import Limits
from ingest.writer import Incoming, Outcome, Writer
from simulator.messages import samples_cbor
from store import cold, further_channels, refused, segments
from store.statement import run
from tests.support.ingesting import Receipts, ingesting, mqtt_client, publish_all, register, wait_until

T0 = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
DAY = date(2026, 3, 2)
BAR = FurtherChannelAsked(unit="bar", low=0, high=400, meaning="pump")
READINGS: dict[str, list[float | None]] = {
    "slew_deg": [1, 2, 3],
    "oil_pressure_bar": [180.5, None, 401.0],
    "utilisation_pct": [10, 20, 30],
    "speed_1_min": [900, 901, 902],
}


def body(seq: int = 0, channels: dict[str, Any] = READINGS, **more: object) -> bytes:
    t0 = T0 + timedelta(minutes=seq)
    return orjson.dumps({"boot": 7, "seq": seq, "t0": t0, "dt_ms": 1000, "channels": channels, **more})


def in_cbor(seq: int) -> bytes:
    readings = {name: np.array(row, np.float32) for name, row in READINGS.items()}
    t0_ms = segments.to_ms(T0 + timedelta(minutes=seq))
    return samples_cbor(7, seq, t0_ms, 1000, readings)


def stored(database: str, *bodies: bytes, crane: str = "crane-a") -> list[Outcome]:
    writer = Writer(database, Limits(), alone=False)
    results = writer.store([Incoming(topic(crane, Leaf.SAMPLES), raw, NOW) for raw in bodies])
    writer.close()
    return [result.outcome for result in results]


def stored_cbor(database: str, seq: int) -> Outcome:
    writer = Writer(database, Limits(), alone=False)
    content = Content("application/cbor", "")
    (result,) = writer.store([Incoming(topic("crane-a", Leaf.SAMPLES), in_cbor(seq), NOW, content=content)])
    writer.close()
    return result.outcome


def pressure(conn: psycopg.Connection, crane_id: int, name: str = "oil_pressure_bar") -> list[float]:
    return segments.read(conn, crane_id, T0, NOW, ["slew_deg"], [name]).channels[name].tolist()


@pytest.mark.mosquitto
def test_a_registered_channel_is_stored_and_another_is_kept_apart(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int]
) -> None:
    ids = register(database, "crane-a", "crane-b")
    further_channels.register(connection, ids["crane-a"], "oil_pressure_bar", BAR, "ida")
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        # Read quickly, and by the model.
        publish_all(
            client, [(topic("crane-a", Leaf.SAMPLES), body(0)), (topic("crane-b", Leaf.SAMPLES), body(0))]
        )
        publish_all(client, [(topic("crane-a", Leaf.SAMPLES), body(1, crane="crane-a"))])
        wait_until(lambda: len(receipts.stored) == 3, "the receipts")
    np.testing.assert_array_equal(pressure(connection, ids["crane-a"]), [180.5, np.nan, np.nan] * 2)
    assert np.isnan(pressure(connection, ids["crane-b"])).all()
    found = {one.channel: one for one in refused.by_day(connection, ids["crane-a"], DAY, DAY)}
    assert {name: (one.readings, one.known) for name, one in found.items()} == {
        "oil_pressure_bar": (2, True),
        "speed_1_min": (6, False),
    }
    assert found["oil_pressure_bar"].most == 401.0
    (row,) = connection.execute(
        "select last_values from live where crane_id = %s", [ids["crane-a"]]
    ).fetchall()
    assert row[0] == {"utilisation_pct": 30.0, "slew_deg": 3.0, "oil_pressure_bar": None}


def test_a_channel_of_the_fleet_is_of_every_crane_and_a_crane_s_own_range_comes_first(
    database: str, connection: psycopg.Connection
) -> None:
    ids = register(database, "crane-a", "crane-b")
    further_channels.register(connection, None, "oil_pressure_bar", BAR, "ida")
    wide = BAR.model_copy(update={"high": 600.0})
    further_channels.register(connection, ids["crane-b"], "oil_pressure_bar", wide, "ida")
    for crane in ids:
        assert stored(database, body(), crane=crane) == [Outcome.STORED]
    np.testing.assert_array_equal(pressure(connection, ids["crane-a"]), [180.5, np.nan, np.nan])
    np.testing.assert_array_equal(pressure(connection, ids["crane-b"]), [180.5, np.nan, 401.0])


def test_what_comes_again_after_a_registration_or_a_withdrawal_is_no_other_message(
    database: str, connection: psycopg.Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    assert stored(database, body(0)) == [Outcome.STORED]
    further_channels.register(connection, crane_id, "oil_pressure_bar", BAR, "ida")
    assert stored(database, body(0), body(1)) == [Outcome.DUPLICATE, Outcome.STORED]
    other = {**READINGS, "oil_pressure_bar": [1, 2, 3]}
    assert stored(database, body(1, other)) == [Outcome.QUARANTINED]
    gone = further_channels.withdraw(connection, crane_id, "oil_pressure_bar", "ida")
    assert gone.withdrawn_by == "ida"
    assert stored(database, body(1), body(2)) == [Outcome.DUPLICATE, Outcome.STORED]
    np.testing.assert_array_equal(pressure(connection, crane_id), [np.nan] * 3 + [180.5] + [np.nan] * 5)


def test_what_was_kept_apart_before_is_brought_in_once(
    database: str, connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    assert set(stored(database, body(0))) == {Outcome.STORED}
    assert stored_cbor(database, 1) == Outcome.STORED
    asked = BAR.model_copy(update={"high": 500.0})
    further_channels.register(connection, crane_id, "oil_pressure_bar", asked, "ida")
    assert not replay.bring_in_next(connection, Limits())  # not every ingest knows it yet
    monkeypatch.setattr(replay, "BRING_IN_AFTER_S", 0)
    assert stored_cbor(database, 2) == Outcome.STORED
    assert replay.bring_in_next(connection, Limits())
    assert not replay.bring_in_next(connection, Limits())
    np.testing.assert_array_equal(pressure(connection, crane_id), [180.5, np.nan, 401.0] * 3)
    (row,) = further_channels.listed(connection, crane_id)
    assert (row.brought_in, row.brought_in_at is None) == (2, False)
    speed = FurtherChannelAsked(unit="1/min", low=0, high=3000)
    further_channels.register(connection, None, "speed_1_min", speed, "ida")
    assert replay.bring_in_next(connection, Limits())
    assert pressure(connection, crane_id, "speed_1_min") == [900, 901, 902] * 3
    # In the order of their names, as the cold tier has them.
    assert {one.channels[-2:] for one in segments.read_whole(connection, crane_id, T0, NOW)} == {
        ("oil_pressure_bar", "speed_1_min")
    }
    assert stored(database, body(0)) == [Outcome.DUPLICATE]


def test_a_moved_day_keeps_them(database: str, connection: psycopg.Connection, tmp_path: Path) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    further_channels.register(connection, crane_id, "oil_pressure_bar", BAR, "ida")
    empty = {**READINGS, "oil_pressure_bar": [None] * 3}
    without = {"slew_deg": [1.0]}
    assert set(stored(database, body(0), body(1, empty), body(2, without))) == {Outcome.STORED}
    before = pressure(connection, crane_id)
    np.testing.assert_array_equal(before, [180.5] + [np.nan] * 6)
    connection.execute("delete from touched_day")
    assert cold.move(connection, str(tmp_path), before=DAY + timedelta(days=1)).days == 1
    assert connection.execute("select count(*) from segment").fetchone() == (0,)
    np.testing.assert_array_equal(pressure(connection, crane_id), before)
    whole = segments.read_both_tiers(connection, crane_id, T0, NOW)
    assert [one.channels[-1] for one in whole] == ["oil_pressure_bar", "slew_deg", "slew_deg"]
    further_channels.withdraw(connection, crane_id, "oil_pressure_bar", "ida")
    assert stored(database, body(0)) == [Outcome.DUPLICATE]


@pytest.mark.parametrize(
    ("name", "unit", "told"),
    [
        ("oil_pressure", "bar", "oil_pressure_bar"),
        ("slew_deg", "deg", "taken"),
        ("dt_ms", "ms", "taken"),
        ("Oil_bar", "bar", "small letters"),
        ("x" * 57 + "_bar", "bar", "60 characters"),
        ("level", "%", "level_pct"),
        ("flow", "l/min", "flow_l_min"),
        ("count\n", "1", "small letters"),
    ],
)
def test_a_name_is_one_of_the_dictionary_s_form(name: str, unit: str, told: str) -> None:
    with pytest.raises(InvalidInput, match=told):
        check_name(name, unit)


def test_there_is_a_bound_and_names_are_checked(database: str, connection: psycopg.Connection) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    plain = FurtherChannelAsked(unit="1", low=0, high=9)
    for number in range(MOST):
        further_channels.register(connection, crane_id, f"count_{number}", plain, "ida")
    with pytest.raises(Conflict, match="withdraw one"):
        further_channels.register(connection, crane_id, "one_more", plain, "ida")
    further_channels.register(connection, crane_id, "count_0", plain.model_copy(update={"high": 5.0}), "ida")
    further_channels.withdraw(connection, crane_id, "count_1", "ida")
    further_channels.register(connection, crane_id, "one_more", plain, "ida")
    with pytest.raises(InvalidInput, match="end in its unit"):
        further_channels.register(connection, None, "oil_pressure", BAR, "ida")
    assert [row.high for row in further_channels.listed(connection, crane_id) if row.name == "count_0"] == [5]


def test_a_message_that_a_withdrawn_correction_sets_aside_keeps_them(
    database: str, connection: psycopg.Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    further_channels.register(connection, crane_id, "oil_pressure_bar", BAR, "ida")
    assert stored(database, body(0)) == [Outcome.STORED]
    segments.prepare(connection)
    with connection.transaction():
        run(connection, "corrected_segments_staged", crane_id=crane_id, boot=7, seq_from=0, seq_to=9)
        given = {"topic": topic("crane-a", Leaf.SAMPLES), "crane": "crane-a", "detail": "invented"}
        ahead = {"skew": timedelta(minutes=5), "registered_at": T0 + timedelta(days=1)}
        run(connection, "corrected_ahead_set_aside", **given, **ahead)
    (row,) = connection.execute("select raw from quarantine").fetchall()
    assert orjson.loads(row[0])["channels"] == {
        "utilisation_pct": [10, 20, 30],
        "slew_deg": [1, 2, 3],
        "oil_pressure_bar": [180.5, None, None],
    }


def test_the_command_registers_lists_and_withdraws(
    database: str, connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    register(database, "crane-a")
    monkeypatch.setenv("BOOMLEDGER_DATABASE_URL", database)
    monkeypatch.setattr(out, "width", 200)

    def run_it(*words: str) -> str:
        done = CliRunner().invoke(app, ["channel", *words], catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.output

    limits = ("--unit", "bar", "--low", "-1", "--high", "400")
    run_it("add", "oil_pressure_bar", *limits)
    run_it("add", "pump_bar", *limits, "--crane", "crane-a")
    run_it("withdraw", "pump_bar", "--crane", "crane-a")
    listed = [row for row in run_it("list").splitlines() if "_bar" in row]
    assert ["all" in row for row in listed] == [True, False]
    assert [row.count("command line") for row in listed] == [1, 2]
    wrong = CliRunner().invoke(
        app, ["channel", "add", "pump_bar", "--unit", "bar", "--low", "2", "--high", "1"]
    )
    assert (wrong.exit_code, "above the smallest" in wrong.output) == (2, True)
    noted = connection.execute("select action from audit order by audit_id").fetchall()
    assert noted == [("register channel",), ("register channel",), ("withdraw channel",)]


@pytest.mark.parametrize("name", [b"oil_pressure_bar", b"\0"])
def test_a_name_in_bytes_is_refused_and_stops_nothing(database: str, name: bytes) -> None:
    register(database, "crane-a")
    row = cbor2.CBORTag(85, np.array([1, 2, 3], "<f4").tobytes())
    said = {"boot": 7, "seq": 0, "t0": T0, "dt_ms": 1000, "channels": {"slew_deg": row, name: row}}
    content = Content("application/cbor", "")
    batch = [
        Incoming(topic("crane-a", Leaf.SAMPLES), raw, NOW, content=content)
        for raw in (cbor2.dumps(said), in_cbor(1))
    ]
    with contextlib.closing(Writer(database, Limits(), alone=False)) as writer:
        outcomes = [result.outcome for result in writer.store(batch)]
    assert outcomes == [Outcome.QUARANTINED, Outcome.STORED]


def kept_apart(conn: psycopg.Connection) -> dict[str, tuple[int, int, bool]]:
    rows = conn.execute("select channel, messages, readings, most = 'NaN' from refused_reading").fetchall()
    return {channel: (messages, readings, unknown) for channel, messages, readings, unknown in rows}


def test_every_unknown_name_of_a_message_is_counted_as_far_as_a_day_has_room(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-a")
    stored(database, body(0), body(1))
    assert kept_apart(connection) == dict.fromkeys(("oil_pressure_bar", "speed_1_min"), (2, 6, True))
    many = {"slew_deg": [1.0], **{f"name_{number:04}": [1.0] for number in range(500)}}
    others = {"slew_deg": [1.0], **{f"other_{number:04}": [1.0] for number in range(500)}}
    stored(database, body(2, many), body(3, others), body(4))
    found = kept_apart(connection)
    assert len(found) == refused.MOST_NAMES
    assert {name: found[name] for name in ("oil_pressure_bar", "speed_1_min")} == dict.fromkeys(
        ("oil_pressure_bar", "speed_1_min"), (3, 9, True)
    )
    assert sum(name.startswith("name_") for name in found) == refused.MOST_NAMES - 2, "those that came first"
    stored(database, body(5, others))
    assert len(kept_apart(connection)) == refused.MOST_NAMES


def test_what_is_brought_in_is_no_longer_unknown_and_its_day_is_judged_again(
    database: str, connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    stored(database, body(0), body(1), body(2))
    connection.execute("delete from refused_message where seq = 2")  # there was no room for it
    connection.execute("delete from touched_day")
    monkeypatch.setattr(replay, "BRING_IN_AFTER_S", 0)
    speed = FurtherChannelAsked(unit="1/min", low=0, high=3000)
    further_channels.register(connection, crane_id, "speed_1_min", speed, "ida")
    assert replay.bring_in_next(connection, Limits())
    assert kept_apart(connection)["speed_1_min"] == (1, 3, True), "one is still not there"
    assert connection.execute("select crane_id, day from touched_day").fetchall() == [(crane_id, DAY)]
    connection.execute("delete from refused_reading where channel = 'speed_1_min'")
    connection.execute("update refused_reading set messages = 2, readings = 6")
    further_channels.register(connection, crane_id, "oil_pressure_bar", BAR, "ida")
    assert replay.bring_in_next(connection, Limits())
    # 401 bar of each of the two lie beyond what it was registered with.
    assert kept_apart(connection) == {"oil_pressure_bar": (2, 2, False)}


@pytest.mark.parametrize("unit", ["mPa", "mpa", "MPA"])
def test_a_unit_in_letters_of_another_case_is_asked_about(
    database: str, connection: psycopg.Connection, unit: str
) -> None:
    asked = FurtherChannelAsked(unit=unit, low=0, high=40)
    with pytest.raises(InvalidInput, match="is it MPa"):
        further_channels.register(connection, None, "oil_mpa", asked, "ida")
    assert further_channels.listed(connection) == []


def test_a_name_keeps_its_unit_at_every_crane_and_after_a_withdrawal(
    database: str, connection: psycopg.Connection
) -> None:
    ids = register(database, "crane-a", "crane-b")
    mega = FurtherChannelAsked(unit="MPa", low=0, high=40)
    milli = FurtherChannelAsked(unit="mPa", low=0, high=40)
    further_channels.register(connection, ids["crane-a"], "oil_mpa", mega, "ida")
    for crane_id in (ids["crane-a"], ids["crane-b"], None):
        with pytest.raises(Conflict, match="oil_mpa is in MPa"):
            further_channels.register(connection, crane_id, "oil_mpa", milli, "ida")
    further_channels.withdraw(connection, ids["crane-a"], "oil_mpa", "ida")
    with pytest.raises(Conflict, match="oil_mpa is in MPa"):
        further_channels.register(connection, ids["crane-a"], "oil_mpa", milli, "ida")
    wider = further_channels.register(
        connection, ids["crane-a"], "oil_mpa", mega.model_copy(update={"high": 60.0}), "ida"
    )
    assert (wider.unit, wider.high, wider.withdrawn_at) == ("MPa", 60.0, None)


def test_registrations_at_the_same_time_do_not_pass_the_bound(
    database: str, connection: psycopg.Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    plain = FurtherChannelAsked(unit="1", low=0, high=9)
    for number in range(MOST - 1):
        further_channels.register(connection, crane_id, f"count_{number}", plain, "ida")
    connection.commit()

    def one_more(number: int) -> str:
        with psycopg.connect(database) as conn:
            try:
                further_channels.register(conn, crane_id, f"one_more_{number}", plain, "ida")
            except Conflict:
                return "refused"
            conn.execute("select pg_sleep(0.2)")  # not committed yet
            return "registered"

    with ThreadPoolExecutor(6) as pool:
        outcomes = sorted(pool.map(one_more, range(6)))
    assert outcomes == ["refused"] * 5 + ["registered"]
    assert len(further_channels.listed(connection, crane_id)) == MOST
