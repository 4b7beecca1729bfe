"""How a payload is written: its content type and its compression, stated by MQTT 5 properties. No I/O.

The content type is that of the message (`application/json`, `application/cbor`); the user property `content-encoding` names
how it is compressed, by the names of HTTP (RFC 9110, section 8.4.1): `zstd` (RFC 8878), or `deflate`, which is the zlib
format (RFC 1950). What a payload unpacks to is known to be small before anything is made ready for it.
"""

import threading
import zlib
from functools import lru_cache
from typing import Final, NamedTuple

import zstandard

from domain.errors import QuarantineReason, UnreadableMessage

CONTENT_ENCODING: Final = "content-encoding"
CBOR: Final = "application/cbor"
WINDOW_BYTES: Final = 8_388_608  # what RFC 8878, section 3.1.1.1.2, asks of every decoder, and no more
_JSON: Final = ("", "application/json")


_THREAD: Final = (
    threading.local()
)  # threads must not share a decompressor, and one for each message costs tenfold


class Content(NamedTuple):
    """As the sender states it; empty where it states nothing."""

    type: str = ""
    encoding: str = ""

    @property
    def is_cbor(self) -> bool:
        """Whether it is CBOR, else JSON. Raises UnreadableMessage where it is neither."""
        return _is_cbor(self.type)


PLAIN: Final = Content()


def unpacked(payload: bytes, content: Content, most: int) -> bytes:
    """The payload without its compression, at most so many bytes. Raises UnreadableMessage."""
    if not content.encoding:
        return payload
    encoding = content.encoding.strip().lower()
    if encoding == "identity":
        return payload
    try:
        if encoding == "zstd":
            return _from_zstd(payload, most)
        if encoding == "deflate":
            return _from_deflate(payload, most)
    except (zstandard.ZstdError, zlib.error) as problem:
        raise _bad(f"it cannot be unpacked as {encoding}: {problem}") from None
    raise _bad(f"{CONTENT_ENCODING} {encoding[:64]} is not known; known are zstd and deflate")


def _from_zstd(payload: bytes, most: int) -> bytes:
    frame = zstandard.get_frame_parameters(payload)
    if frame.content_size in (zstandard.CONTENTSIZE_UNKNOWN, zstandard.CONTENTSIZE_ERROR):
        raise _bad("its zstd frame does not state its size: compress each message in one piece")
    if frame.content_size > most:
        raise _too_large(f"{frame.content_size}", most)
    if frame.window_size > WINDOW_BYTES:
        raise _bad(f"its zstd frame needs a window of {frame.window_size} bytes; at most {WINDOW_BYTES}")
    if not hasattr(_THREAD, "zstd"):
        _THREAD.zstd = zstandard.ZstdDecompressor(max_window_size=WINDOW_BYTES)
    message: bytes = _THREAD.zstd.decompress(payload, allow_extra_data=False)
    return message


def _from_deflate(payload: bytes, most: int) -> bytes:
    unpacking = zlib.decompressobj()
    message = unpacking.decompress(payload, most + 1)
    if len(message) > most:
        raise _too_large(f"more than {most}", most)
    if not unpacking.eof or unpacking.unused_data:
        raise _bad(
            "its zlib stream is followed by other bytes" if unpacking.eof else "its zlib stream is cut off"
        )
    return message


@lru_cache(maxsize=100)
def _is_cbor(media_type: str) -> bool:
    name = media_type.partition(";")[0].strip().lower()
    if name != CBOR and name not in _JSON:
        raise _bad(f"content type {media_type[:64]} is not known; known are application/json and {CBOR}")
    return name == CBOR


def _bad(text: str) -> UnreadableMessage:
    return UnreadableMessage(QuarantineReason.BAD_ENCODING, text)


def _too_large(size: str, most: int) -> UnreadableMessage:
    return UnreadableMessage(
        QuarantineReason.TOO_LARGE, f"{size} bytes when unpacked; at most {most} are accepted"
    )
