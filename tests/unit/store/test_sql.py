"""Named queries: each has a name and a purpose, and names are unique."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from store.sql import queries, query

ROOT = Path(__file__).parents[3]
ROOMS = ("store", "transfer", "ingest", "analytics", "alerts", "answers", "api", "boomledger")


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


def calls_of_statements() -> Iterator[tuple[str, str, set[str]]]:
    """Each call of a statement or named query in the product that names what it gives: where, the query, the names."""
    trees = {path: ast.parse(path.read_text()) for room in ROOMS for path in (ROOT / room).rglob("*.py")}
    named = {
        (path.stem if path.parent.name == "store" else str(path), ast.unparse(node.target)): node.value.args[
            0
        ].value
        for path, tree in trees.items()
        for node in tree.body
        if isinstance(node, ast.AnnAssign)
        and isinstance(node.value, ast.Call)
        and ast.unparse(node.value.func) == "Statement"
    }
    for path, tree in trees.items():
        own = path.stem if path.parent.name == "store" else str(path)
        came = {
            alias.asname or alias.name: ((node.module or "").removeprefix("store").lstrip("."), alias.name)
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("store")
            for alias in node.names
        }
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call) or any(key.arg is None for key in node.keywords):
                continue
            given = {str(key.arg) for key in node.keywords}
            match node:
                case ast.Call(
                    func=ast.Name(id="run" | "run_async" | "scalar" | "scalar_async" | "dicts_async"),
                    args=[_, ast.Constant(value=str(query_name))],
                ):
                    yield f"{path.name}:{node.lineno}", query_name, given
            match node.func:
                case ast.Attribute(
                    value=ast.Name(id=name), attr="all" | "first" | "all_async" | "first_async"
                ):
                    key = came.get(name, (own, name))
                case ast.Attribute(
                    value=ast.Attribute(value=ast.Name(id=module), attr=name),
                    attr="all" | "first" | "all_async" | "first_async",
                ):
                    key = (came.get(module, ("", module))[1], name)
                case _:
                    continue
            if key in named:
                yield f"{path.name}:{node.lineno}", named[key], given


def test_a_call_gives_what_its_query_asks_for_and_nothing_else() -> None:
    calls = list(calls_of_statements())
    assert len(calls) > 100
    for where, name, given in calls:
        assert given == set(re.findall(r"%\((\w+)\)s", query(name))), f"{where}: {name}"
