"""The Parquet file of one crane and day: one row a sample, readable by any tool, and exactly what was stored.

Readings are decimals held as integers and coded by their differences, which is small because a crane moves steadily;
a channel whose readings are no short decimals is kept as floats. `channels` says, bit by bit in the order of
domain.channels, which channels the segment had: a null is a missing reading or a missing channel. Further channels stand behind them
by name; a segment had those of which it has a reading.
"""

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any, Final, cast
from urllib.parse import urlsplit, urlunsplit

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from pyarrow import fs

from domain.channels import CHANNEL_BY_NAME, CHANNEL_NAMES
from domain.errors import FilesUnavailable, InvalidInput
from store.columns import Floats, Ints, Segment

DECIMALS: Final = (0, 1, 2, 3, 4)
LARGEST: Final = 10**9 - 1  # nine digits: a decimal that Parquet keeps as a 4-byte integer
FRAME: Final = ("at", "t0", "boot", "seq", "dt_ms", "received_at", "channels")


def coded(stem: str, segments: Sequence[Segment]) -> tuple[str, Any]:
    """Name and contents of the file of segments of one crane, given in the order of their key.

    The name ends in a digest of the contents, so a file is never changed once it is there.
    """
    table = _table(segments)
    sink = pa.BufferOutputStream()
    plain = [name for name in table.column_names if pa.types.is_floating(table.schema.field(name).type)]
    coded = [name for name in table.column_names if name not in plain]
    pq.write_table(
        table,
        sink,
        compression="zstd",
        compression_level=9,
        use_dictionary=False,
        column_encoding={
            **dict.fromkeys(coded, "DELTA_BINARY_PACKED"),
            **dict.fromkeys(plain, "BYTE_STREAM_SPLIT"),
        },
        store_decimal_as_integer=True,
    )
    data = sink.getvalue()
    return f"{stem}_{hashlib.sha256(data).hexdigest()[:12]}.parquet", data


def write(location: str, data: Any) -> None:
    """Write a file. Raises FilesUnavailable."""
    try:
        system, path = _open(location)
        system.create_dir(path.rsplit("/", 1)[0], recursive=True)
        with system.open_output_stream(path) as stream:
            stream.write(data)
    except OSError as problem:
        raise FilesUnavailable(f"{location} cannot be written: {problem}") from problem


def load(location: str, names: Iterable[str] | None = None, crane_id: int = 0) -> list[Segment]:
    """Segments of a file with some of their channels, None for all of them. Raises FilesUnavailable."""
    try:
        system, path = _open(location)
        with system.open_input_file(path) as stream:
            file = pq.ParquetFile(stream)
            there = file.schema_arrow.names
            if names is None:
                names = (*CHANNEL_NAMES, *sorted(set(there) - {*CHANNEL_NAMES, *FRAME}))
            present = [name for name in names if name in there]
            table = file.read(columns=[*FRAME, *present])
    except (OSError, pa.ArrowInvalid) as problem:  # the second one where it is cut off
        raise FilesUnavailable(
            f"{location} cannot be read: {problem}; the days in it are missing until it can"
        ) from problem
    return _segments(table, present, crane_id)


def remove(location: str) -> bool:
    """Delete a file that is no longer referred to; whether it was there. Raises FilesUnavailable."""
    try:
        system, path = _open(location)
        system.delete_file(path)
    except FileNotFoundError:
        return False
    except OSError as problem:
        raise FilesUnavailable(f"{location} cannot be removed: {problem}") from problem
    return True


def listed(folder: str) -> dict[str, int]:
    """Files below a folder or URL: their names from there, and bytes; none where it is not there. Raises FilesUnavailable."""
    try:
        system, path = _open(folder)
        found = system.get_file_info(fs.FileSelector(path, recursive=True, allow_not_found=True))
    except OSError as problem:
        raise FilesUnavailable(f"{folder} cannot be read: {problem}") from problem
    return {str(one.path).removeprefix(path).lstrip("/"): one.size for one in found if one.is_file}


def below(folder: str, name: str) -> str:
    """A file below a folder or URL; what stands behind a question mark in the URL stays there. A whole path stays."""
    if not folder or name.startswith("/") or "://" in name:
        return name
    if "://" not in folder:
        return f"{folder.rstrip('/')}/{name}"
    parts = urlsplit(folder)
    return urlunsplit(parts._replace(path=f"{parts.path.rstrip('/')}/{name}"))


def _open(location: str) -> tuple[Any, str]:
    """File system and path of a folder, file:// or s3:// URL; an S3 URL may carry ?endpoint_override=... and more."""
    if "://" not in location:
        return fs.LocalFileSystem(), location
    if "@" in urlsplit(location).netloc:
        # A location is kept in the database and said in errors.
        raise InvalidInput(
            "credentials do not belong into the URL of the cold tier: set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY",
            field="folder",
        )
    system, path = fs.FileSystem.from_uri(location)
    return system, path


def _table(segments: Sequence[Segment]) -> Any:
    n = np.array([segment.values.shape[1] for segment in segments])

    def spread(values: Iterable[int], kind: Any) -> Any:
        return pa.array(np.repeat(np.array(list(values), dtype=np.int64), n)).cast(kind)

    time = pa.timestamp("ms", tz="UTC")
    t0_ms = np.repeat(np.array([segment.t0_ms for segment in segments], dtype=np.int64), n)
    step = np.repeat(np.array([segment.dt_ms for segment in segments], dtype=np.int64), n)
    within = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
    columns: dict[str, Any] = {
        "at": pa.array(t0_ms + within * step).cast(time),
        "t0": pa.array(t0_ms).cast(time),
        "boot": spread((segment.boot for segment in segments), pa.int64()),
        "seq": spread((segment.seq for segment in segments), pa.int64()),
        "dt_ms": spread((segment.dt_ms for segment in segments), pa.int32()),
        "received_at": spread((segment.received_ms for segment in segments), time),
        "channels": spread((channel_bits(segment.channels) for segment in segments), pa.int32()),
    }
    given = {name for segment in segments for name in segment.channels}
    for name in (*CHANNEL_NAMES, *sorted(given - set(CHANNEL_NAMES))):
        if name in given:
            columns[name] = _column(np.concatenate([segment.readings(name) for segment in segments]))
    return pa.table(columns)


def _column(values: Floats) -> Any:
    """Readings as a decimal column where that is exact, else as floats; NaN is null."""
    missing = np.isnan(values)
    wide = np.where(missing, 0.0, values).astype(np.float64)
    for decimals in DECIMALS:
        scaled = np.rint(wide * 10**decimals)
        exact = (scaled / 10**decimals).astype(np.float32) == wide.astype(np.float32)
        if np.all(exact & (np.abs(scaled) <= LARGEST)) and not np.any(np.signbit(wide) & (wide == 0)):
            return _decimals(scaled.astype(np.int64), missing, decimals)
    return pa.array(values, mask=missing)


def _decimals(scaled: Ints, missing: np.ndarray[Any, np.dtype[np.bool_]], decimals: int) -> Any:
    """Decimals built from their 128-bit form, which is the integer itself."""
    words = np.empty((len(scaled), 2), dtype=np.int64)
    words[:, 0], words[:, 1] = scaled, scaled >> 63
    validity = None if not missing.any() else pa.py_buffer(np.packbits(~missing, bitorder="little").tobytes())
    return pa.Array.from_buffers(
        pa.decimal128(9, decimals), len(scaled), [validity, pa.py_buffer(words.tobytes())]
    )


def _floats(column: Any) -> Floats:
    chunk = column.combine_chunks()
    if pa.types.is_decimal(chunk.type):
        scale = chunk.type.scale
        words = np.frombuffer(chunk.buffers()[1], dtype=np.int64).reshape(-1, 2)[chunk.offset :][
            : len(chunk), 0
        ]
        values = (words / 10**scale).astype(np.float32)
    else:
        values = np.array(chunk.fill_null(np.nan), dtype=np.float32)
    values[np.asarray(pc.is_null(chunk))] = np.nan
    return cast("Floats", values)


def _segments(table: Any, names: Sequence[str], crane_id: int) -> list[Segment]:
    at, t0, boot, seq, dt_ms, received, bits = (_integers(table[name]) for name in FRAME)
    if not len(at):
        return []
    first = np.flatnonzero(np.r_[True, (np.diff(t0) != 0) | (np.diff(boot) != 0) | (np.diff(seq) != 0)])
    ends = np.append(first[1:], len(at))
    readings = {name: _floats(table[name]) for name in names}
    found = []
    for begin, end in zip(first.tolist(), ends.tolist(), strict=True):
        channels = tuple(
            name
            for name in names
            if (
                bits[begin] >> CHANNEL_NAMES.index(name) & 1
                if name in CHANNEL_BY_NAME
                else not np.isnan(readings[name][begin:end]).all()
            )
        )
        values = np.array([readings[name][begin:end] for name in channels], dtype=np.float32)
        found.append(
            Segment(
                crane_id=crane_id,
                t0_ms=int(t0[begin]),
                boot=int(boot[begin]),
                seq=int(seq[begin]),
                dt_ms=int(dt_ms[begin]),
                channels=channels,
                values=values.reshape(len(channels), end - begin),
                received_ms=int(received[begin]),
            )
        )
    return found


def _integers(column: Any) -> Ints:
    return np.asarray(column.cast(pa.int64()), dtype=np.int64)


def channel_bits(channels: Iterable[str]) -> int:
    """Channels as bits, in the order of domain.channels."""
    return sum(1 << CHANNEL_NAMES.index(name) for name in channels if name in CHANNEL_BY_NAME)
