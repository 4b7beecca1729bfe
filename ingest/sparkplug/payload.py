"""Payloads of Sparkplug B 3.0: the fields that are used here, as protocol buffers, and the values of metrics.

Field numbers, types of data and the layout of arrays are those of chapter 6.4 of the Eclipse Sparkplug specification 3.0.0.
"""

from collections.abc import Sequence
from enum import IntEnum
from typing import Any, Final

import numpy as np
from google.protobuf.descriptor_pb2 import FieldDescriptorProto, FileDescriptorProto
from google.protobuf.descriptor_pool import DescriptorPool
from google.protobuf.message import DecodeError
from google.protobuf.message_factory import GetMessageClass

from domain.errors import QuarantineReason, UnreadableMessage

REBIRTH: Final = "Node Control/Rebirth"
BD_SEQ: Final = "bdSeq"
_LARGEST: Final = float(np.finfo(np.float32).max)


class DataType(IntEnum):
    """Types of data that a metric of ours may have."""

    INT8 = 1
    INT16 = 2
    INT32 = 3
    INT64 = 4
    UINT8 = 5
    UINT16 = 6
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    INT8_ARRAY = 22
    INT16_ARRAY = 23
    INT32_ARRAY = 24
    INT64_ARRAY = 25
    UINT8_ARRAY = 26
    UINT16_ARRAY = 27
    UINT32_ARRAY = 28
    UINT64_ARRAY = 29
    FLOAT_ARRAY = 30
    DOUBLE_ARRAY = 31


_SIGNED_BITS: Final = {DataType.INT8: 8, DataType.INT16: 16, DataType.INT32: 32, DataType.INT64: 64}
_ARRAYS: Final = {
    DataType.INT8_ARRAY: "<i1",
    DataType.INT16_ARRAY: "<i2",
    DataType.INT32_ARRAY: "<i4",
    DataType.INT64_ARRAY: "<i8",
    DataType.UINT8_ARRAY: "<u1",
    DataType.UINT16_ARRAY: "<u2",
    DataType.UINT32_ARRAY: "<u4",
    DataType.UINT64_ARRAY: "<u8",
    DataType.FLOAT_ARRAY: "<f4",
    DataType.DOUBLE_ARRAY: "<f8",
}
_F: Final = FieldDescriptorProto
_METRIC_FIELDS: Final = (
    ("name", 1, _F.TYPE_STRING),
    ("alias", 2, _F.TYPE_UINT64),
    ("timestamp", 3, _F.TYPE_UINT64),
    ("datatype", 4, _F.TYPE_UINT32),
    ("is_historical", 5, _F.TYPE_BOOL),
    ("is_null", 7, _F.TYPE_BOOL),
    ("int_value", 10, _F.TYPE_UINT32),
    ("long_value", 11, _F.TYPE_UINT64),
    ("float_value", 12, _F.TYPE_FLOAT),
    ("double_value", 13, _F.TYPE_DOUBLE),
    ("boolean_value", 14, _F.TYPE_BOOL),
    ("bytes_value", 16, _F.TYPE_BYTES),
)


def _payload_class() -> Any:
    file = FileDescriptorProto(
        name="boomledger/sparkplug.proto", package="boomledger.sparkplug", syntax="proto2"
    )
    payload = file.message_type.add(name="Payload")
    metric = payload.nested_type.add(name="Metric")
    for name, number, kind in _METRIC_FIELDS:
        metric.field.add(name=name, number=number, type=kind, label=_F.LABEL_OPTIONAL)
    payload.field.add(name="timestamp", number=1, type=_F.TYPE_UINT64, label=_F.LABEL_OPTIONAL)
    payload.field.add(
        name="metrics",
        number=2,
        type=_F.TYPE_MESSAGE,
        label=_F.LABEL_REPEATED,
        type_name=".boomledger.sparkplug.Payload.Metric",
    )
    payload.field.add(name="seq", number=3, type=_F.TYPE_UINT64, label=_F.LABEL_OPTIONAL)
    pool = DescriptorPool()
    pool.Add(file)
    return GetMessageClass(pool.FindMessageTypeByName("boomledger.sparkplug.Payload"))


Payload: Final = _payload_class()


def decode(data: bytes) -> Any:
    """A payload. Raises UnreadableMessage."""
    try:
        return Payload.FromString(data)
    except DecodeError as problem:
        raise UnreadableMessage(
            QuarantineReason.NOT_SPARKPLUG, f"no payload of Sparkplug B: {problem}"
        ) from None


def rebirth_request(at_ms: int) -> bytes:
    """The payload that asks a node for its births again."""
    payload = Payload(timestamp=at_ms)
    payload.metrics.add(name=REBIRTH, timestamp=at_ms, datatype=DataType.BOOLEAN, boolean_value=True)
    data: bytes = payload.SerializeToString()
    return data


def value_of(metric: Any, name: str, datatype: int) -> float | bool | Sequence[float | None] | None:
    """The value of a metric: a number, a truth value, a list for an array, None for null or NaN.

    Raises UnreadableMessage for another type of data.
    """
    if metric.is_null:
        return None
    if datatype == DataType.BOOLEAN:
        return bool(metric.boolean_value)
    if datatype in _ARRAYS:
        kind = np.dtype(_ARRAYS[DataType(datatype)])
        if len(metric.bytes_value) % kind.itemsize:
            raise _unusable(
                name, f"{len(metric.bytes_value)} bytes are no array of {kind.itemsize}-byte values"
            )
        values = np.frombuffer(metric.bytes_value, dtype=kind)
        return [_finite(float(str(value))) for value in values]
    if datatype in (DataType.FLOAT, DataType.DOUBLE):
        # A float32 written as a double shows digits that were never measured.
        single = metric.HasField("float_value")
        return _finite(float(str(np.float32(metric.float_value))) if single else metric.double_value)
    if DataType.INT8 <= datatype <= DataType.UINT64:
        number = int(metric.long_value if metric.HasField("long_value") else metric.int_value)
        bits = _SIGNED_BITS.get(DataType(datatype))
        if bits is not None:
            # Two's complement; some senders fill the whole field with the sign and some do not.
            number &= 2**bits - 1
            number -= (number >> (bits - 1)) << bits
        return number
    raise _unusable(name, f"type of data {datatype} is no number, truth value or array of numbers")


def _finite(value: float) -> float | None:
    """An infinite reading as the largest number, which is out of every range; JSON has no other way to say it."""
    return None if np.isnan(value) else float(np.clip(value, -_LARGEST, _LARGEST))


def _unusable(name: str, text: str) -> UnreadableMessage:
    return UnreadableMessage(QuarantineReason.BAD_SHAPE, f"metric {name}: {text}", field=name)
