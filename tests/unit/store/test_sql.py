"""Named queries: each has a name and a purpose, and names are unique."""

from pathlib import Path

import pytest

from store.sql import queries, query

ROOT = Path(__file__).parents[3]


def test_every_query_has_a_purpose_and_is_used() -> None:
    code = "\n".join(
        path.read_text()
        for room in ("store", "ingest", "analytics", "api", "boomledger")
        for path in (ROOT / room).rglob("*.py")
    )
    for name, found in queries().items():
        assert found.purpose.strip().endswith("."), name
        assert f'"{name}"' in code, f"{found.file}: nobody uses {name}"


def test_an_unknown_name_is_an_error() -> None:
    with pytest.raises(KeyError):
        query("no_such_query")
