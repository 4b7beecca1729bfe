"""The outer form of the compact bytes of parts and tallies: what it is, its version, a checksum, compressed body."""

import struct
import zlib
from typing import Final

from domain.errors import InvalidInput

_HEADER: Final = struct.Struct("<4sBI")


def pack(kind: bytes, version: int, body: bytes) -> bytes:
    """`body` compressed behind a header of kind (4 bytes), version (0..255) and CRC-32 of the compressed body."""
    packed = zlib.compress(body, 6)
    return _HEADER.pack(kind, version, zlib.crc32(packed)) + packed


def version_of(kind: bytes, data: bytes) -> int | None:
    """The version of bytes of this kind; None of others."""
    return data[len(kind)] if data[: len(kind)] == kind and len(data) > len(kind) else None


def unpack(kind: bytes, version: int, data: bytes) -> bytes:
    """The body that `pack` wrote. Raises InvalidInput for another kind or version, or a damaged body."""
    name = kind.decode("ascii")
    if len(data) < _HEADER.size or data[:4] != kind:
        raise InvalidInput(f"these bytes are no {name}: count that day again", field=name)
    _, found, check = _HEADER.unpack_from(data)
    if found != version:
        raise InvalidInput(
            f"{name} has version {found}, this program reads {version}: count that day again", field=name
        )
    packed = data[_HEADER.size :]
    if zlib.crc32(packed) != check:
        raise InvalidInput(f"{name} is damaged: count that day again", field=name)
    return zlib.decompress(packed)
