"""How large a table may be: each limit is met by the file that is just over it, and named."""

import io
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from domain.errors import InvalidInput
from transfer.limits import TableLimits
from transfer.mapping import Mapping, mapping_of
from transfer.tables import chunks, column_names

MAPPING = Mapping.model_validate(
    {
        "kind": "samples",
        "crane": {"column": "crane"},
        "time": {"column": "at"},
        "step": {"ms": 1000},
        "channels": {"utilisation_pct": "load"},
    }
)
LIMITS = TableLimits(rows=30, columns=5, cell_chars=50, line_chars=400, unfolded_bytes=5_000)


def csv_of(rows: int = 30, more: str = "", crane: str = "crane-a") -> bytes:
    line = f"{crane},2026-03-02T06:00:00Z,41.5{',1' * more.count(',')}\n"
    return (f"crane,at,load{more}\n" + line * rows).encode()


def parquet_of(
    rows: int = 30, columns: int = 3, crane: str = "crane-a", kind: pa.DataType | None = None
) -> bytes:
    table = {"crane": pa.array([crane] * rows, kind), "at": [0] * rows, "load": [1.0] * rows}
    table |= {f"more_{place}": [0] * rows for place in range(columns - 3)}
    sink = io.BytesIO()
    pq.write_table(pa.table(table), sink)
    return sink.getvalue()


def read(folder: Path, content: bytes) -> list[str]:
    file = folder / ("file.parquet" if content.startswith(b"PAR1") else "file.csv")
    file.write_bytes(content)
    found = list(chunks(file, MAPPING, LIMITS, rows=7))
    assert [sorted(chunk.columns) for chunk in found] == [["at", "crane", "load"]] * len(found), (
        "no other is read"
    )
    return [
        text for chunk in found for text in [*chunk.columns["crane"], *(text for _, text in chunk.broken)]
    ]


@pytest.mark.parametrize(
    "content",
    [csv_of(), csv_of(more=",a,b"), csv_of(crane="c" * 50), parquet_of(), parquet_of(columns=5), parquet_of(crane="c" * 50)],
    ids=["csv", "csv of 5 columns", "csv with cells of 50", "parquet", "parquet of 5 columns", "parquet with cells of 50"],
)  # fmt: skip
def test_a_table_at_its_limits_is_read(tmp_path: Path, content: bytes) -> None:
    assert len(read(tmp_path, content)) == 30


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (csv_of(31), "more than 30 rows"),
        (parquet_of(31), "more than 30 rows"),
        (csv_of(more=",a,b,c"), "6 columns, an import reads at most 5"),
        (parquet_of(columns=6), "6 columns, an import reads at most 5"),
        (b"crane,at," + b"l" * 51 + b"\n", "a cell has more than 50 characters"),
        (b"crane,at,load" * 40, "a line of more than 400 characters"),
        (csv_of(2) + b'"' + b"a\n" * 25 + b'","' + b"a\n" * 25 + b'"' * 400, "a line of more than 400 characters"),
        (parquet_of(crane="c" * 201), "201 bytes, an import reads at most 50 characters"),
        (parquet_of(crane="c" * 201, kind=pa.large_string()), "201 bytes"),
        (parquet_of(crane="c" * 190, kind=pa.large_string()), "unfolds to more than 5000 bytes"),
    ],
)  # fmt: skip
def test_a_table_over_a_limit_is_refused_by_its_name(tmp_path: Path, content: bytes, told: str) -> None:
    with pytest.raises(InvalidInput, match=told):
        read(tmp_path, content)


def test_a_cell_that_is_too_long_spoils_its_own_line(tmp_path: Path) -> None:
    found = read(
        tmp_path, csv_of(10) + csv_of(1, crane="c" * 51).partition(b"\n")[2] + csv_of(9).partition(b"\n")[2]
    )
    assert found.count("no CSV: a cell has more than 50 characters") == 1
    assert found.count("crane-a") == 19


def test_a_text_that_rows_share_is_in_memory_once(tmp_path: Path) -> None:
    file = tmp_path / "file.parquet"
    file.write_bytes(parquet_of(rows=1000, crane="c" * 10_000))
    (chunk,) = chunks(file, MAPPING)
    assert len({id(cell) for cell in chunk.columns["crane"]}) == 1


@pytest.mark.parametrize("content", [b"crane,crane,at\n", b"\n"], ids=["a name twice", "no name"])
def test_every_column_has_a_name_of_its_own(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "file.csv"
    file.write_bytes(content)
    with pytest.raises(InvalidInput, match="every column once"):
        column_names(file, MAPPING)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a = " + "[" * 5000, "too deep"),
        ('kind = "samples"\ntime = {column = "at", format = "%d%d"}', "does not read what it writes"),
    ],
    ids=["tables in tables", "a pattern with a part twice"],
)
def test_a_mapping_that_means_harm_is_refused_in_words(text: str, told: str) -> None:
    with pytest.raises(InvalidInput, match=told):
        mapping_of(text, "the text")


def test_a_row_of_another_width_is_told(tmp_path: Path) -> None:
    assert read(tmp_path, csv_of(3) + b"one,two\n")[-1] == "2 cells, the first line has 3"
