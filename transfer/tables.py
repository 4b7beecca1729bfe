"""CSV and Parquet files as chunks of columns that know the line they stand on."""

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from domain.errors import InvalidInput
from transfer.mapping import Mapping

CHUNK_ROWS: Final = 20_000
GROUP_BYTES_MAX: Final = 512_000_000


@dataclass(frozen=True, slots=True)
class Chunk:
    """Rows of a file by column. `lines` counts from 1, the header of a CSV included; Parquet counts rows."""

    lines: list[int]
    columns: dict[str, list[Any]]  # text in a CSV, Python values in Parquet; None where a cell is empty
    broken: list[tuple[int, str]]  # lines that are no row, and why


def chunks(file: Path, mapping: Mapping, rows: int = CHUNK_ROWS) -> Iterator[Chunk]:
    """The file in order, `rows` at a time; a file without rows is one chunk with its columns. Raises InvalidInput when it cannot be read at all."""
    if not file.is_file():
        raise InvalidInput(f"there is no file {file}", field="file")
    if file.suffix == ".parquet":
        yield from _parquet_chunks(file, rows)
        return
    try:
        with file.open(encoding=mapping.encoding, newline="") as stream:
            yield from _csv_chunks(file, csv.reader(stream, delimiter=mapping.delimiter), rows)
    except UnicodeError as problem:
        raise InvalidInput(
            f"{file.name} is not written in {mapping.encoding}: {problem}; name another `encoding` in the mapping",
            field="encoding",
        ) from problem
    except InvalidInput:
        raise
    except (LookupError, ValueError, TypeError) as problem:
        raise InvalidInput(f"mapping: {problem}", field="encoding") from problem


def _csv_chunks(file: Path, reader: Any, rows: int) -> Iterator[Chunk]:
    try:
        header: list[str] = next(reader, [])
    except csv.Error as problem:
        raise InvalidInput(f"{file.name} is no CSV: {problem}", field="file") from problem
    twice = sorted({name for name in header if header.count(name) > 1})
    if not header or twice:
        raise InvalidInput(
            f"{file.name}: the first line must name every column once, found {twice or 'nothing'}"
        )
    lines: list[int] = []
    cells: list[list[str]] = []
    broken: list[tuple[int, str]] = []
    untold = True
    while True:
        line = reader.line_num + 1
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error as problem:
            broken.append((line, f"no CSV: {problem}"))
            continue
        if not row:
            continue
        if len(row) != len(header):
            broken.append((line, f"{len(row)} cells, the first line has {len(header)}"))
            continue
        lines.append(line)
        cells.append(row)
        if len(cells) >= rows:
            yield _chunk(header, lines, cells, broken)
            lines, cells, broken, untold = [], [], [], False
    if cells or broken or untold:
        yield _chunk(header, lines, cells, broken)


def _chunk(
    header: Sequence[str], lines: list[int], cells: list[list[str]], broken: list[tuple[int, str]]
) -> Chunk:
    columns = zip(header, zip(*cells, strict=True), strict=True) if cells else ((name, ()) for name in header)
    return Chunk(lines, {name: list(values) for name, values in columns}, broken)


def _parquet_chunks(file: Path, rows: int) -> Iterator[Chunk]:
    first = 1
    try:
        with pq.ParquetFile(file) as opened:
            _check_size(file, opened.metadata)
            if not opened.metadata.num_rows:
                yield Chunk([], {name: [] for name in opened.schema_arrow.names}, [])
            for batch in opened.iter_batches(batch_size=rows):
                columns = {name: _cells(batch.column(name)) for name in batch.schema.names}
                yield Chunk(list(range(first, first + batch.num_rows)), columns, [])
                first += batch.num_rows
    except InvalidInput:
        raise
    except (pa.ArrowException, ValueError, KeyError, OSError) as problem:
        raise InvalidInput(
            f"{file.name} is no Parquet file that can be read: {problem}", field="file"
        ) from problem


def _check_size(file: Path, metadata: Any) -> None:
    """A small file can unfold to more than there is memory."""
    sizes = [metadata.row_group(group).total_byte_size for group in range(metadata.num_row_groups)]
    if max(sizes, default=0) > GROUP_BYTES_MAX:
        raise InvalidInput(
            f"{file.name}: a row group unfolds to {max(sizes)} bytes: write groups of at most {GROUP_BYTES_MAX}",
            field="file",
        )


def _cells(column: Any) -> list[Any]:
    """A column as Python values; lists and structures, which no mapping can mean, as text."""
    values: list[Any] = column.to_pylist()
    if pa.types.is_nested(column.type):
        return [None if value is None else str(value) for value in values]
    return values
