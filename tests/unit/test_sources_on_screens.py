"""Sources on screens, in reports and in answers read as edition and clause, or as unverified: never where the writer had them from."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

PRODUCT = Path(__file__).parents[2]
ROOMS = ("alerts", "answers", "api", "dashboard", "domain", "duty", "reports", "transfer", "words")
WORDS = re.compile(r"from memory|second-?hand", re.I)


def spoken(source: str) -> Iterator[tuple[int, str]]:
    """Every text of a module but its docstrings and comments, with its line."""
    tree = ast.parse(source)
    silent = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    # a text that stands alone explains the constant above it
    silent |= {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.lineno, node.value


def test_texts_of_the_product_do_not_say_where_their_writer_had_them_from() -> None:
    told = [
        f"{path.relative_to(PRODUCT)}:{line}: {text[:80]}"
        for room in ROOMS
        for path in sorted((PRODUCT / room).rglob("*.py"))
        for line, text in spoken(path.read_text(encoding="utf-8"))
        if WORDS.search(text)
    ]
    assert told == []


def test_catalogue_pages_of_reports_and_scripts_do_not_either() -> None:
    found = [
        path
        for room in ("dashboard", "reports", "words")
        for ending in ("toml", "typ", "js")
        for path in sorted((PRODUCT / room).rglob(f"*.{ending}"))
    ]
    assert len(found) > 5
    told = [
        f"{path.relative_to(PRODUCT)}: {line.strip()[:80]}"
        for path in found
        for line in path.read_text(encoding="utf-8").splitlines()
        if WORDS.search(line) and not line.lstrip().startswith(("#", "//", "/*", "*"))
    ]
    assert told == []


def test_unverified_is_explained_once() -> None:
    words = (PRODUCT / "words" / "catalogue" / "en.toml").read_text(encoding="utf-8")
    assert len(re.findall(r"Unverified means", words)) == 1, "Settings, About says what unverified means"
