"""The named queries of store/queries/*.sql, and of store/cluster.

A query begins with `-- name: the_name` and a comment line with its purpose, and ends where the next one begins.
"""

import re
from functools import cache
from importlib.resources import files
from typing import LiteralString, NamedTuple, cast

_HEAD = re.compile(r"^-- name: (\w+)\n-- (.+)\n", re.MULTILINE)


class Query(NamedTuple):
    """One query with its purpose and the file that it stands in."""

    text: LiteralString
    purpose: str
    file: str


@cache
def queries() -> dict[str, Query]:
    """Every query by its name. Raises ValueError when two share one or a file holds a query without a head."""
    found: dict[str, Query] = {}
    here = files(__package__)
    entries = [*here.joinpath("queries").iterdir(), here.joinpath("cluster", "queries.sql")]
    for file in sorted(entries, key=lambda entry: entry.name):
        if not (file.name.endswith(".sql") and file.is_file()):
            continue
        before, *parts = _HEAD.split(file.read_text())
        if before.strip() or not parts:
            raise ValueError(f"{file.name}: every query needs '-- name: x' and a line '-- purpose' above it")
        for name, purpose, text in zip(parts[::3], parts[1::3], parts[2::3], strict=True):
            if name in found:
                raise ValueError(f"{file.name}: query {name} stands in {found[name].file} too")
            # The text comes from our own package and from nowhere else, which is what a literal promises.
            found[name] = Query(cast("LiteralString", text.strip().removesuffix(";")), purpose, file.name)
    return found


def query(name: str) -> LiteralString:
    """The text of one query. Raises KeyError for an unknown name."""
    return queries()[name].text
