"""Takes the published messages out of a stream of MQTT 5 packets (OASIS standard, sections 2.1 and 3.3). No I/O.

Only what arrives thousands of times a second is read here: PUBLISH with QoS 1. Every other packet is the library's.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from ingest.content import CONTENT_ENCODING, PLAIN, Content

# Packet type and QoS in the first byte; the other two bits tell a repetition and a retained message.
_KIND: Final = 0xF6
_PUBLISH_QOS_1: Final = 0x32
_PUBACK: Final = np.dtype([("kind and length", ">u2"), ("packet_id", ">u2")])
_PUBACK_OF_2: Final = 0x4002
_LONGEST_LENGTH: Final = 4
# Properties of a PUBLISH (section 3.3.2.3) by the bytes of their values; a length comes before a text.
_FIXED: Final = {0x01: 1, 0x02: 4, 0x23: 2}
_TEXTS: Final = {0x03: 1, 0x08: 1, 0x09: 1, 0x26: 2}
_CONTENT_TYPE, _USER_PROPERTY, _SUBSCRIPTION = 0x03, 0x26, 0x0B
_REMEMBERED_BYTES: Final = 200  # of properties: a sender's are the same in all its messages


class Published(NamedTuple):
    """A message with QoS 1, and the number to acknowledge it by."""

    topic: bytes
    packet_id: int
    payload: bytes
    content: Content = PLAIN


@dataclass(frozen=True, slots=True)
class Split:
    """What was found in a piece of the stream that begins with a packet."""

    published: list[Published]
    others: list[bytes]  # whole packets of any other kind, and those that are malformed
    used: int  # bytes of the piece that these packets take
    needed: int  # bytes that the next packet takes at least, from `used` on


def split(data: bytes) -> Split:
    """The whole packets at the beginning of `data`."""
    published: list[Published] = []
    others: list[bytes] = []
    place, end = 0, len(data)
    while True:
        length, begin = _length(data, place + 1, end)
        if length < 0:
            # Not yet there, or longer than the standard allows: then the library has to see it, and gives up.
            if end - place > _LONGEST_LENGTH + 1:
                others.append(data[place:])
                place = end
            return Split(published, others, place, end - place + 1)
        past = begin + length
        if past > end:
            return Split(published, others, place, past - place)
        found = _published(data, begin, past) if data[place] & _KIND == _PUBLISH_QOS_1 else None
        if found is None:
            others.append(data[place:past])
        else:
            published.append(found)
        place = past


def acknowledgement(packet_ids: Sequence[int]) -> bytes:
    """The PUBACK packets that say success, one after the other."""
    packets = np.empty(len(packet_ids), dtype=_PUBACK)
    packets["kind and length"] = _PUBACK_OF_2
    packets["packet_id"] = packet_ids
    return packets.tobytes()


def _published(data: bytes, begin: int, past: int) -> Published | None:
    topic_at = begin + 2
    if topic_at > past:
        return None
    id_at = topic_at + (data[begin] << 8 | data[begin + 1])
    if id_at + 3 > past:
        return None
    properties, begin = _length(data, id_at + 2, past)
    payload_at = begin + properties
    if properties < 0 or payload_at > past:
        return None
    content = stated(data[id_at + 2 : payload_at]) if properties else PLAIN
    return Published(data[topic_at:id_at], data[id_at] << 8 | data[id_at + 1], data[payload_at:past], content)


def stated(properties: bytes) -> Content:
    """What the properties of a PUBLISH, their length before them, say of its payload; a broker has checked them."""
    return (_remembered if len(properties) <= _REMEMBERED_BYTES else _stated)(properties)


def _stated(properties: bytes) -> Content:
    content_type, encodings, place = "", [], _length(properties, 0, len(properties))[1]
    while place < len(properties):
        kind, place, texts = properties[place], place + 1, []
        for _ in range(_TEXTS.get(kind, 0)):
            end = place + 2 + int.from_bytes(properties[place : place + 2])
            texts.append(properties[place + 2 : end].decode("utf-8", "replace"))
            place = end
        if kind == _SUBSCRIPTION:
            _, place = _length(properties, place, len(properties))
        elif not texts:
            place += _FIXED.get(kind, len(properties))
        if kind == _CONTENT_TYPE:
            content_type = texts[0]
        elif kind == _USER_PROPERTY and texts[0].lower() == CONTENT_ENCODING:
            encodings.append(texts[1])
    return Content(content_type, ", ".join(encodings))


_remembered: Final = lru_cache(maxsize=1000)(_stated)


def _length(data: bytes, place: int, end: int) -> tuple[int, int]:
    """A variable byte integer and the place behind it; -1 when it does not end before `end`, or is too long."""
    if place < end and data[place] < 128:
        return data[place], place + 1
    value = 0
    for number in range(_LONGEST_LENGTH):
        if place + number >= end:
            break
        byte = data[place + number]
        value |= (byte & 127) << (7 * number)
        if byte < 128:
            return value, place + number + 1
    return -1, place
