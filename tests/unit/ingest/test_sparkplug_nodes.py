"""Sparkplug: births, aliases, numbers, held values, history and deaths become messages of our own."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import QuarantineReason, UnreadableMessage
from ingest.sparkplug.nodes import Nodes, Translated, Unanswered
from ingest.sparkplug.payload import DataType, Payload, decode, rebirth_request, value_of

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
T0 = int(NOW.timestamp() * 1000)
ALIASES = {
    "utilisation_pct": 1,
    "slew_deg": 2,
    "event/fault/E1": 3,
    "event/limiter_override": 4,
    "Motor/Hours": 5,
}


class Box:
    """A node with one crane, itself or a device, and its running number."""

    def __init__(self, device: str | None = "crane-a", node: str = "box-1") -> None:
        self.nodes, self.node, self.device, self.seq, self.clock = Nodes(), node, device, 0, 0.0

    def send(self, kind: str, *metrics: dict[str, Any], at: int = T0, seq: int | None = None) -> Translated:
        payload = Payload(timestamp=at)
        if kind == "NBIRTH":
            self.seq = 0
        if kind != "NDEATH":
            payload.seq = self.seq % 256 if seq is None else seq
            self.seq = payload.seq + 1
        for metric in metrics:
            payload.metrics.add(**metric)
        topic = f"spBv1.0/yard/{kind}/{self.node}" + (f"/{self.device}" if kind[0] == "D" else "")
        return self.nodes.take(topic, payload.SerializeToString(), NOW, self.clock)

    def birth(self, at: int = T0, bd_seq: int = 7, fault: bool = False, **more: Any) -> Translated:
        own = [
            {"name": "dt_ms", "datatype": DataType.INT32, "int_value": 100},
            {"name": "utilisation_pct", "alias": 1, "datatype": DataType.FLOAT, "float_value": 10.1},
            {"name": "slew_deg", "alias": 2, "datatype": DataType.DOUBLE, "double_value": -5.5},
            {"name": "event/fault/E1", "alias": 3, "datatype": DataType.BOOLEAN, "boolean_value": fault},
            {
                "name": "event/limiter_override",
                "alias": 4,
                "datatype": DataType.BOOLEAN,
                "boolean_value": False,
            },
            {"name": "Motor/Hours", "alias": 5, "datatype": DataType.INT32, "int_value": 99},
        ]
        session = {"name": "bdSeq", "datatype": DataType.INT64, "long_value": bd_seq}
        if self.device is None:
            return self.send("NBIRTH", session, *own, at=at)
        self.send("NBIRTH", session, at=at)
        return self.send("DBIRTH", *own, at=at)

    def data(self, at: int = T0, seq: int | None = None, past: bool = False, **values: Any) -> Translated:
        metrics = []
        for name, value in values.items():
            metric: dict[str, Any] = {"alias": ALIASES[name.replace("__", "/")], "timestamp": at}
            if value is None:
                metric["is_null"] = True
            elif isinstance(value, bool):
                metric["boolean_value"] = value
            elif name == "slew_deg":
                metric["double_value"] = value
            else:
                metric["float_value"] = value
            metrics.append(metric | ({"is_historical": True} if past else {}))
        return self.send("NDATA" if self.device is None else "DDATA", *metrics, at=at, seq=seq)


def bodies(done: Translated) -> list[dict[str, Any]]:
    return [orjson.loads(data) for _, data in done.messages]


@pytest.mark.parametrize("device", ["crane-a", None])
def test_a_device_or_a_node_is_a_crane(device: str | None) -> None:
    box = Box(device, node="box-1" if device else "crane-a")
    ((topic, data),) = box.birth().messages
    online = orjson.loads(data)
    assert (topic, online["state"]) == ("boomledger/v1/crane-a/status", "online")
    ((topic, data),) = box.data(T0 + 100, utilisation_pct=50.3).messages
    assert topic == "boomledger/v1/crane-a/samples"
    assert orjson.loads(data) == {
        "boot": online["boot"],
        "seq": 0,
        "t0": "2026-03-02T06:00:00.100000+00:00",
        "dt_ms": 100,
        # What was not reported has not changed; a float of 4 bytes is read as the decimal that it was.
        "channels": {"utilisation_pct": [50.3], "slew_deg": [-5.5], "Motor/Hours": [99.0]},
    }
    assert [body["seq"] for body in bodies(box.data(T0 + 200, utilisation_pct=None))] == [1]


def test_metrics_of_several_times_become_one_message_of_even_steps_and_another_after_a_hole() -> None:
    box = Box()
    box.birth()
    payload = [{"alias": 1, "timestamp": T0 + ms, "float_value": float(ms)} for ms in (300, 100, 200, 500)]
    first, second = bodies(box.send("DDATA", *payload))
    assert first["channels"]["utilisation_pct"] == [100, 200, 300]
    assert first["channels"]["slew_deg"] == [-5.5] * 3
    assert (second["channels"]["utilisation_pct"], second["seq"]) == ([500], 1)


def test_arrays_are_blocks_of_samples() -> None:
    box = Box()
    box.birth()
    values = np.array([1.5, np.nan, 3.25], dtype="<f4").tobytes()
    angles = np.array([-7, 8, 9], dtype="<i2").tobytes()
    (body,) = bodies(
        box.send(
            "DDATA",
            {"alias": 1, "timestamp": T0, "datatype": DataType.FLOAT_ARRAY, "bytes_value": values},
            {"alias": 2, "timestamp": T0, "datatype": DataType.INT16_ARRAY, "bytes_value": angles},
        )
    )
    assert body["channels"] == {
        "utilisation_pct": [1.5, None, 3.25],
        "slew_deg": [-7, 8, 9],
        "Motor/Hours": [None] * 3,
    }
    with pytest.raises(UnreadableMessage, match="no array of 4-byte"):
        box.send("DDATA", {"alias": 1, "datatype": DataType.FLOAT_ARRAY, "bytes_value": b"12345"})


def test_a_number_that_is_no_channel_is_named_in_every_sample_and_makes_none() -> None:
    box = Box()
    box.birth()
    assert box.send("DDATA", {"alias": 5, "int_value": 100, "timestamp": T0 + 50}).messages == []
    (body,) = bodies(box.data(T0 + 100, utilisation_pct=50.0))
    assert body["channels"]["Motor/Hours"] == [100.0]
    # One that no birth named, an array of another length, and what is no number.
    switch = {"name": "PTO", "datatype": DataType.BOOLEAN, "boolean_value": True}
    text = {"name": "Properties/Make", "datatype": 12}
    short = np.array([1], "<i2").tobytes()
    (body,) = bodies(
        box.send(
            "DDATA",
            {"alias": 1, "float_value": 51.0},
            {"name": "far", "datatype": DataType.INT16_ARRAY, "bytes_value": short * 3},
            switch,
            text,
            {"name": "Node Control/Scan", "datatype": DataType.INT32, "int_value": 1},
            at=T0 + 200,
        )
    )
    assert body["channels"] == {
        "utilisation_pct": [51.0],
        "slew_deg": [-5.5],
        "Motor/Hours": [100.0],
        "far": [None],
        "PTO": [1.0],
    }


def test_some_names_that_are_no_channel_are_handed_on_and_cut() -> None:
    box = Box()
    box.birth()
    many = [{"name": "x" * 70 + str(k), "datatype": DataType.INT8, "int_value": k} for k in range(5)]
    many += [{"name": f"made-up-{k}", "datatype": DataType.INT8, "int_value": k} for k in range(50)]
    box.send("DDATA", *many)
    (body,) = bodies(box.data(T0 + 100, utilisation_pct=50.0))
    names = [name for name in body["channels"] if name not in ("utilisation_pct", "slew_deg")]
    assert names == ["Motor/Hours", "x" * 64, *(f"made-up-{k}" for k in range(14))]


def test_history_says_only_what_it_gives_and_changes_no_present_value() -> None:
    box = Box()
    box.birth()
    (old,) = bodies(box.data(T0 - 60_000, past=True, utilisation_pct=99.0))
    assert old["channels"] == {"utilisation_pct": [99.0], "Motor/Hours": [None]}
    (new,) = bodies(box.data(T0 + 100, slew_deg=1.0))
    assert new["channels"] == {"utilisation_pct": [10.1], "slew_deg": [1.0], "Motor/Hours": [99.0]}


def test_a_missing_number_is_a_gap_the_node_is_asked_and_old_values_are_not_held() -> None:
    box = Box()
    box.birth()
    assert box.data(T0 + 100, utilisation_pct=1.0).ask is None
    late = box.data(T0 + 500, seq=6, utilisation_pct=2.0)
    assert late.ask == "box-1"
    (body,) = bodies(late)
    assert (body["seq"], body["channels"]) == (
        1 + 3,
        {"utilisation_pct": [2.0], "slew_deg": [None], "Motor/Hours": [None]},
    )
    # Not asked again at once, then less and less often.
    assert box.data(T0 + 900, seq=9, utilisation_pct=2.0).ask is None
    box.clock = 6
    assert box.data(T0 + 950, seq=12, utilisation_pct=2.0).ask == "box-1"
    box.clock = 12
    assert box.data(T0 + 990, seq=15, utilisation_pct=2.0).ask is None
    box.birth(at=T0 + 1000)
    (body,) = bodies(box.data(T0 + 1100, utilisation_pct=3.0))
    assert (body["seq"], body["channels"]["slew_deg"]) == (0, [-5.5])


def test_numbers_go_round_after_255_and_the_same_message_again_is_nothing_new() -> None:
    box = Box()
    box.birth()
    sent = [box.data(T0 + 100 * step, utilisation_pct=float(step)) for step in range(600)]
    assert [bodies(done)[0]["seq"] for done in sent] == list(range(600))
    assert all(done.ask is None for done in sent)
    assert box.data(T0 + 100 * 599, seq=(box.seq - 1) % 256, utilisation_pct=599.0) == Translated()


def test_data_without_a_birth_are_set_aside_and_the_node_is_asked() -> None:
    box = Box()
    with pytest.raises(Unanswered) as raised:
        box.data(utilisation_pct=1.0)
    assert (raised.value.reason, raised.value.ask) == (QuarantineReason.NO_BIRTH, "box-1")
    box.birth()
    box.nodes.forget()
    box.clock = 1000
    with pytest.raises(Unanswered, match="birth of its node"):
        box.data(utilisation_pct=1.0)
    box.birth()
    with pytest.raises(Unanswered):
        box.send("DDATA", {"alias": 77, "float_value": 1.0})
    box.device = "crane-b"
    with pytest.raises(Unanswered, match="birth of crane-b"):
        box.data(utilisation_pct=1.0)


def test_deaths_say_offline_and_one_of_an_earlier_session_is_late() -> None:
    box = Box()
    box.birth(bd_seq=8)
    old = {"name": "bdSeq", "datatype": DataType.INT64, "long_value": 7}
    assert box.send("NDEATH", old).messages == []
    assert box.send("NDEATH", {**old, "long_value": 8 + 255}).messages == []
    (gone,) = bodies(box.send("NDEATH", {**old, "long_value": 8}))
    assert gone["state"] == "offline"
    with pytest.raises(Unanswered):
        box.data(utilisation_pct=1.0)
    box.birth(bd_seq=9)
    (gone,) = bodies(box.send("DDEATH"))
    assert gone["state"] == "offline"
    box.birth(bd_seq=255)
    # The node came back and died before it could be born again: the will of its new connection is all that is heard.
    (gone,) = bodies(box.send("NDEATH", {**old, "long_value": 0}))
    assert gone["state"] == "offline"


def test_a_lasting_event_is_told_when_it_changes_and_a_moment_whenever_it_comes() -> None:
    box = Box()
    _, raised = bodies(box.birth(fault=True))
    assert (raised["kind"], raised["code"], raised["state"]) == ("fault", "E1", "raised")
    assert len(box.birth(at=T0 + 5, fault=True).messages) == 1  # asked for again: known already
    assert box.data(event__fault__E1=True).messages == []
    (cleared,) = bodies(box.data(event__fault__E1=False))
    assert cleared["state"] == "cleared"
    for _ in range(2):
        (moment,) = bodies(box.data(event__limiter_override=True))
        assert (moment["kind"], moment["code"], moment["state"]) == ("limiter_override", "", "raised")
        assert box.data(event__limiter_override=False).messages == []


def test_what_cannot_be_understood_has_a_reason() -> None:
    box = Box()
    with pytest.raises(UnreadableMessage) as raised:
        box.nodes.take("spBv1.0/yard/DBIRTH/box-1/crane-a", b"\xff\xff", NOW, 0)
    assert raised.value.reason is QuarantineReason.NOT_SPARKPLUG
    for topic in ("spBv1.0/yard/DDATA/box-1", "spBv1.0/yard/NDATA/box-1/crane-a", "spBv1.0/STATE/x", "else"):
        with pytest.raises(UnreadableMessage) as raised:
            box.nodes.take(topic, b"", NOW, 0)
        assert raised.value.reason is QuarantineReason.UNKNOWN_TOPIC
    box.birth()
    (samples,) = bodies(box.data(utilisation_pct=float("-inf")))
    assert samples["channels"]["utilisation_pct"][0] < -3e38, "out of range, and so missing when it is stored"
    with pytest.raises(UnreadableMessage, match="type of data 12"):
        box.send("DDATA", {"alias": 1, "datatype": 12})
    with pytest.raises(UnreadableMessage, match="no time"):
        box.data(at=2**63, utilisation_pct=1.0)


def test_a_birth_without_a_step_or_with_a_bad_name_is_refused_and_so_are_the_data_after_it() -> None:
    box = Box(None, node="crane-a")
    channel = {"name": "utilisation_pct", "alias": 1, "datatype": DataType.FLOAT, "float_value": 1.0}
    with pytest.raises(UnreadableMessage, match="needs a metric dt_ms"):
        box.send("NBIRTH", channel)
    with pytest.raises(Unanswered):
        box.data(utilisation_pct=1.0)
    with pytest.raises(UnreadableMessage, match="no name of a crane"):
        Box("Crane A").birth()


@pytest.mark.parametrize(
    ("datatype", "field", "raw", "value"),
    [
        (DataType.INT8, "int_value", 0xFF, -1),
        (DataType.INT8, "int_value", 0xFFFFFFFF, -1),
        (DataType.INT16, "int_value", 0x8000, -32768),
        (DataType.INT32, "int_value", 2**32 - 5, -5),
        (DataType.INT64, "long_value", 2**64 - 5, -5),
        (DataType.UINT32, "int_value", 2**32 - 5, 2**32 - 5),
        (DataType.UINT64, "long_value", 2**63, 2**63),
        (DataType.FLOAT, "float_value", 0.1, 0.1),
        (DataType.DOUBLE, "double_value", 0.1, 0.1),
        (DataType.DOUBLE, "double_value", float("nan"), None),
    ],
)
def test_values_of_every_type(datatype: DataType, field: str, raw: float, value: float | None) -> None:
    metric = Payload.Metric(**{field: raw})
    assert value_of(metric, "x", datatype) == value


def test_the_request_for_births_is_what_the_standard_says() -> None:
    payload = decode(rebirth_request(T0))
    (metric,) = payload.metrics
    assert (metric.name, metric.datatype, metric.boolean_value) == ("Node Control/Rebirth", 11, True)
    assert not payload.HasField("seq")


@given(
    st.sampled_from(["NBIRTH", "DBIRTH", "NDATA", "DDATA", "NDEATH", "DDEATH"]),
    st.binary(max_size=80),
    st.data(),
)
@settings(max_examples=300, deadline=None)
def test_no_bytes_bring_it_down(kind: str, noise: bytes, data: st.DataObject) -> None:
    """Random bytes, and a real message with some of its bytes changed."""
    box = Box()
    box.birth()
    payload = Payload(timestamp=T0, seq=2)
    payload.metrics.add(alias=1, timestamp=T0, float_value=2.0)
    payload.metrics.add(alias=3, boolean_value=True)
    real = bytearray(payload.SerializeToString())
    for _ in range(data.draw(st.integers(0, 3))):
        real[data.draw(st.integers(0, len(real) - 1))] = data.draw(st.integers(0, 255))
    topic = f"spBv1.0/yard/{kind}/box-1" + ("/crane-a" if kind[0] == "D" else "")
    for raw in (noise, bytes(real)):
        try:
            done = box.nodes.take(topic, raw, NOW, 0)
        except UnreadableMessage:
            continue
        for body in bodies(done):
            assert body["boot"] >= 0
