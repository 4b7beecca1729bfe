"""CSV and Parquet files as chunks of columns that know the line they stand on, in bounded memory and linear time.

Only the columns that a mapping names become Python values. What is too large is refused by the first limit that it meets.
"""

import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import Any, Final, TextIO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from domain.errors import InvalidInput
from transfer.cells import shown
from transfer.limits import ON_SERVER, TableLimits
from transfer.mapping import Mapping

CHUNK_ROWS: Final = 20_000
GROUP_BYTES_MAX: Final = 512_000_000
CUT_IT: Final = "cut the file into smaller ones, or take it in on the server with `boomledger import`"


@dataclass(frozen=True, slots=True)
class Chunk:
    """Rows of a file by column. `lines` counts from 1, the header of a CSV included; Parquet counts rows."""

    lines: list[int]
    columns: dict[str, list[Any]]  # text in a CSV, Python values in Parquet; None where a cell is empty
    broken: list[tuple[int, str]]  # lines that are no row, and why


def column_names(file: Path, mapping: Mapping, limits: TableLimits = ON_SERVER) -> list[str]:
    """Names of the columns, each once. Raises InvalidInput when they cannot be read, stand twice or are too many."""
    if _is_parquet(file):
        with _parquet(file) as opened:
            return _checked(file, opened.schema_arrow.names, limits)
    with _csv(file, mapping, limits) as lines:
        return _header(file, csv.reader(lines, delimiter=mapping.delimiter), limits)


def chunks(
    file: Path, mapping: Mapping, limits: TableLimits = ON_SERVER, rows: int = CHUNK_ROWS
) -> Iterator[Chunk]:
    """The file in order, `rows` at a time, with the columns of the mapping. Raises InvalidInput when it cannot be read at all."""
    if _is_parquet(file):
        yield from _parquet_chunks(file, mapping, limits, rows)
        return
    with _csv(file, mapping, limits) as lines:
        yield from _csv_chunks(file, lines, mapping, limits, rows)


def _is_parquet(file: Path) -> bool:
    if not file.is_file():
        raise InvalidInput(f"there is no file {file}", field="file")
    return file.suffix == ".parquet"


def _checked(file: Path, names: Sequence[str], limits: TableLimits) -> list[str]:
    if len(names) > limits.columns:
        raise InvalidInput(
            f"{file.name} has {len(names)} columns, an import reads at most {limits.columns}: leave out those"
            " that the mapping does not name",
            field="file",
        )
    twice = [shown(name) for name, times in Counter(names).items() if times > 1]
    if not names or twice:
        raise InvalidInput(
            f"{file.name}: the first line must name every column once, found {', '.join(twice[:10]) or 'nothing'}",
            field="file",
        )
    return list(names)


class _Lines:
    """Lines of a CSV for its reader. It counts the characters of a record, which may go over many lines."""

    def __init__(self, file: Path, stream: TextIO, most: int) -> None:
        self._file, self._stream, self._most = file, stream, most
        self.record_chars = 0  # set to 0 after each record

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._stream.readline(self._most + 1)
        if not line:
            raise StopIteration
        self.record_chars += len(line)
        if self.record_chars > self._most:
            raise InvalidInput(
                f"{self._file.name} has a line of more than {self._most} characters: look whether quotes and line ends are right",
                field="file",
            )
        return line


@contextmanager
def _csv(file: Path, mapping: Mapping, limits: TableLimits) -> Iterator[_Lines]:
    before = csv.field_size_limit(limits.cell_chars)
    try:
        with file.open(encoding=mapping.encoding, newline="") as stream:
            yield _Lines(file, stream, limits.line_chars)
    except UnicodeError as problem:
        raise InvalidInput(
            f"{file.name} is not written in {mapping.encoding}: {problem}; name another `encoding` in the mapping",
            field="encoding",
        ) from problem
    except InvalidInput:
        raise
    except (LookupError, ValueError, TypeError) as problem:
        raise InvalidInput(f"mapping: {problem}", field="encoding") from problem
    finally:
        csv.field_size_limit(before)


def _header(file: Path, reader: Any, limits: TableLimits) -> list[str]:
    try:
        return _checked(file, next(reader, []), limits)
    except csv.Error as problem:
        raise InvalidInput(f"{file.name} is no CSV: {_told(problem, limits)}", field="file") from problem


def _told(problem: csv.Error, limits: TableLimits) -> str:
    if "field limit" in str(problem):
        return f"a cell has more than {limits.cell_chars} characters"
    return str(problem)


def _csv_chunks(
    file: Path, source: _Lines, mapping: Mapping, limits: TableLimits, rows: int
) -> Iterator[Chunk]:
    reader = csv.reader(source, delimiter=mapping.delimiter)
    header = _header(file, reader, limits)
    wanted = mapping.columns()
    places = [place for place, name in enumerate(header) if name in wanted]
    names = [header[place] for place in places]
    pick: Any = itemgetter(*places) if len(places) > 1 else lambda row: tuple(row[place] for place in places)
    lines: list[int] = []
    cells: list[tuple[str, ...]] = []
    broken: list[tuple[int, str]] = []
    read = 0
    while True:
        line, source.record_chars = reader.line_num + 1, 0
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error as problem:
            broken.append((line, f"no CSV: {_told(problem, limits)}"))
            row = []
        if row and len(row) != len(header):
            broken.append((line, f"{len(row)} cells, the first line has {len(header)}"))
        elif row:
            lines.append(line)
            cells.append(pick(row))
        if len(cells) + len(broken) >= rows:
            read = _counted(file, read + len(cells) + len(broken), limits)
            yield _chunk(names, lines, cells, broken)
            lines, cells, broken = [], [], []
    if cells or broken:
        _counted(file, read + len(cells) + len(broken), limits)
        yield _chunk(names, lines, cells, broken)


def _counted(file: Path, rows: int, limits: TableLimits) -> int:
    if rows > limits.rows:
        raise InvalidInput(
            f"{file.name} has more than {limits.rows} rows, the most of an import: {CUT_IT}", field="file"
        )
    return rows


def _chunk(
    names: Sequence[str], lines: list[int], cells: list[tuple[str, ...]], broken: list[tuple[int, str]]
) -> Chunk:
    columns = zip(names, zip(*cells, strict=True), strict=True) if cells else ((name, ()) for name in names)
    return Chunk(lines, {name: list(values) for name, values in columns}, broken)


@contextmanager
def _parquet(file: Path, texts: Sequence[str] = ()) -> Iterator[pq.ParquetFile]:
    """A Parquet file; columns of `texts` come as a dictionary, so that a text that rows share is in memory once."""
    try:
        with pq.ParquetFile(file, read_dictionary=list(texts) or None) as opened:
            yield opened
    except (InvalidInput, MemoryError):
        raise
    except (pa.ArrowException, ValueError, KeyError, OSError) as problem:
        raise InvalidInput(
            f"{file.name} is no Parquet file that can be read: {str(problem)[:200]}", field="file"
        ) from problem


def _parquet_chunks(file: Path, mapping: Mapping, limits: TableLimits, rows: int) -> Iterator[Chunk]:
    with _parquet(file) as opened:
        metadata, schema = opened.metadata, opened.schema_arrow
        wanted = mapping.columns()
        names = [name for name in _checked(file, schema.names, limits) if name in wanted]
        _counted(file, metadata.num_rows, limits)
        _check_size(file, metadata)
    texts = [name for name in names if _is_text(schema.field(name).type)]
    first, unfolded = 1, 0
    with _parquet(file, texts) as opened:
        for batch in opened.iter_batches(batch_size=rows, columns=names, use_threads=False):
            _counted(file, first - 1 + batch.num_rows, limits)
            unfolded += batch.nbytes
            if unfolded > limits.unfolded_bytes:
                raise InvalidInput(
                    f"{file.name} unfolds to more than {limits.unfolded_bytes} bytes, the most of an import: {CUT_IT}",
                    field="file",
                )
            columns = {name: _cells(name, batch.column(name), limits) for name in names}
            yield Chunk(list(range(first, first + batch.num_rows)), columns, [])
            first += batch.num_rows


def _check_size(file: Path, metadata: Any) -> None:
    """A small file can unfold to more than there is memory; this is what it says of itself."""
    sizes = [metadata.row_group(group).total_byte_size for group in range(metadata.num_row_groups)]
    if max(sizes, default=0) > GROUP_BYTES_MAX:
        raise InvalidInput(
            f"{file.name}: a row group unfolds to {max(sizes)} bytes: write groups of at most {GROUP_BYTES_MAX}",
            field="file",
        )


def _is_text(kind: Any) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_binary(kind))


def _cells(name: str, column: Any, limits: TableLimits) -> list[Any]:
    """A column as Python values; of lists and structures, which no mapping can mean, the name of their type."""
    if pa.types.is_nested(column.type):
        word = shown(str(column.type))
        return [word if given else None for given in column.is_valid().to_pylist()]
    if not pa.types.is_dictionary(column.type):
        _check_lengths(name, column, limits)
        return list(column.to_pylist())
    _check_lengths(name, column.dictionary, limits)
    values = column.dictionary.to_pylist()
    return [None if place is None else values[place] for place in column.indices.to_pylist()]


def _check_lengths(name: str, column: Any, limits: TableLimits) -> None:
    kind = column.type
    if not (_is_text(kind) or pa.types.is_large_string(kind) or pa.types.is_large_binary(kind)):
        return
    longest = pc.max(pc.binary_length(column)).as_py() or 0
    if longest > 4 * limits.cell_chars:  # bytes: a character of UTF-8 has at most four
        raise InvalidInput(
            f"a cell of the column {shown(name)} has {longest} bytes, an import reads at most"
            f" {limits.cell_chars} characters: leave the column out, or cut its texts",
            field="file",
        )
