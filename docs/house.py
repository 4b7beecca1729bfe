"""How large the house is, and which rules stand outside their author.

    python docs/house.py           a table
    python docs/house.py --json    one line of JSON

Rules are readings of charts, spreads, kinematics, thresholds and unit conversions, and sentences in English outside `words/`. Their authors are `duty/`, `domain/units.py`,
`domain/attention.py` and `domain/remark.py`. The simulator has physics of its own on purpose: what is counted is judged against it.
"""

import ast
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

ROOT: Final = Path(__file__).parents[1]
ROOMS: Final = (
    "domain", "duty", "store", "transfer", "ingest", "analytics", "alerts", "answers", "words", "reports", "api", "dashboard", "simulator", "boomledger",
)  # fmt: skip
AUTHORS: Final = ("duty/", "simulator/", "domain/units.py", "domain/attention.py", "domain/remark.py")
JUDGES: Final = (
    "domain/",
    "ingest/",
)  # name steps of their own: what a value may be, what a message at the door may hold
SHORT_MODULE: Final = 60

FACTORS: Final = frozenset(
    {60, 1000, 3600, 60_000, 86_400, 3_600_000, 86_400_000, 1e6, 0.3048, 0.45359237, 9.80665, 9.81, 0.44704}
    | {2.20462, 3.28084, 4.44822, 365.25}
)
TRIGONOMETRY: Final = frozenset({"cos", "sin", "tan", "atan", "atan2", "arctan", "arctan2", "acos", "arccos", "asin", "arcsin", "radians", "deg2rad", "hypot"})  # fmt: skip
CHART_WORDS: Final = re.compile(r"chart|outreach|capacity|\breach")
PCT_WORDS: Final = re.compile(r"\w*(_pct|_share|\bshare|utilisation)\b")
SENTENCES: Final = frozenset({"text", "detail", "sentence", "reason", "reasons", "advice", "explanation", "note", "notes", "words", "message"})  # fmt: skip
TAKEN_APART_BY: Final = frozenset({"startswith", "endswith", "split", "partition", "rpartition", "removeprefix", "removesuffix", "replace", "find", "index"})  # fmt: skip
MARKUP: Final = re.compile(
    r"</?(?:html|head|body|div|span|p|a|h\d|ul|li|table|t[rdh]|script|style|svg|path)\b[^<]*>|=>|\bfunction ?\(|\b(?:document|window)\.\w+[.(]"
)
"""HTML or JavaScript in a string: it belongs into a file of its own, where it is looked at as what it is."""
TELLING: Final = (
    "domain/",
    "duty/",
    "answers/",
    "alerts/",
    "analytics/",
    "api/routes/",
    "dashboard/",
    "reports/",
    "words/",
)
"""Rooms whose figures people read: what they tell are codes, whose words stand in the catalogue."""
ENGLISH: Final = re.compile(r"[A-Za-z][a-z',]*(?: (?:[a-z][a-z',-]*|[A-Z0-9][\w.]*|\u2026)[,:;.]?){2,}")
"""Three words and more in a row; a value that is filled in stands as \u2026."""
NO_WORDS: Final = re.compile(
    r"^\s*(?:select|insert|with|update) |%\{|bl-[a-z]|(?:default|script|style|img|font|worker)-src |<\w+ "
)
"""Queries, hover forms, classes, policies and markup are no sentences."""
TO_DEVELOPERS: Final = re.compile(
    r"(?:^|\.)(?:_?(?:log|LOG|logger)\.\w+|Field|Query|Body|File|Form|Path|Header|Counter|Gauge|Histogram|(?:Invalid|Refused|Bad|Not)\w+|\w*(?:Error|Problem)|field_error|Option|Argument)$"
)
"""Calls whose texts are errors, descriptions of the api or lines of a log: those are in English (see DEVELOPERS.md)."""
ENGINE: Final = "dashboard/engine/"  # reads and writes the document
DRAWN_ONLY: Final = re.compile(r"FULL|STEP|CELL")  # how far a scale goes or how wide a class is, no threshold


class Stray(NamedTuple):
    """A rule outside its author."""

    place: str
    line: int
    rule: str
    text: str


ALLOWED: Final[dict[tuple[str, str], str]] = {
    ("dashboard/policy.py", "markup"): "finds the inline scripts of a page, to allow them by their hash",
    ("store/queries/duty.sql", "formula"): "cubes that the database sums; tests/acceptance/test_analytics.py holds them to duty.spectrum.kq",
    ("store/schema/tables/3_counting.sql", "threshold"): "an index takes a constant; tests/integration/store/test_migrate.py holds it to duty.overloads",
    ("boomledger/tally.py", "formula"): "the self-check sums the simulator's truth on its own, to judge what was counted",
    ("boomledger/truth_check.py", "formula"): "the same",
    ("domain/channels.py", "english"): "the wire's documents, for who builds a sender",
    ("domain/dossier.py", "english"): "a description of the api",
    ("domain/errors.py", "english"): "an error",
    ("domain/life_record.py", "english"): "part of an error",
    ("domain/near_limit.py", "english"): "a code of the wire, whose words are near.change.*",
    ("duty/chart_rules.py", "english"): "an error in a line of a file",
    ("duty/damage.py", "english"): "what the entry of a weld detail names as its source",
    ("duty/rates.py", "english"): "a code of the wire, whose words are near.change.*",
    ("duty/sn.py", "english"): "the name of a curve in its standard",
    ("duty/status_csv.py", "english"): "an error in a line of a file",
    ("analytics/worker.py", "english"): "what a process tells of itself, for who runs the server",
    ("domain/alerts.py", "english"): "names of rules, which their owner changes",
    ("domain/further_channel.py", "english"): "an error",
    ("answers/passwords.py", "english"): "the library's own, by which its findings are told apart",
    ("api/routes/access.py", "english"): "an error, and what the audit calls it",
    ("alerts/messages.py", "english"): "a code of the wire",
    ("alerts/post.py", "english"): "an error",
    ("alerts/delivery.py", "english"): "what a key is derived with",
    ("answers/dossier_changes.py", "english"): "a field of the dossier's JSON",
    ("api/routes/faults.py", "english"): "an error",
    ("api/routes/health.py", "english"): "for who runs the server",
    ("api/routes/imports.py", "english"): "errors, and the description of the api",
    ("api/routes/life_records.py", "english"): "errors, and the description of the api",
    ("api/routes/maintenance.py", "english"): "an error",
    ("api/routes/spectrum.py", "english"): "an error",
    ("dashboard/pages/fleet/page.py", "english"): "commands",
    ("dashboard/pages/settings/cranes.py", "english"): "a command",
    ("boomledger/yard.py", "threshold"): "what the invented owner of the demo had looked at, no rule of the product",
}  # fmt: skip
"""Where a rule has to stand a second time, and which test holds it to its author; where English is for developers or no sentence."""


def strays() -> list[Stray]:
    """Every rule outside its author, but those of ALLOWED."""
    found = [
        stray
        for room in ROOMS
        for path in sorted((ROOT / room).rglob("*"))
        if path.suffix in _READERS
        for stray in _READERS[path.suffix](_name(path), path.read_text(encoding="utf-8"))
        if stray.rule == "english" or not stray.place.startswith(AUTHORS)
    ]
    return [stray for stray in found if (stray.place, stray.rule) not in ALLOWED]


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def in_python(place: str, text: str) -> Iterator[Stray]:
    """Rules in a Python module."""
    tree = ast.parse(text)
    spoken = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}  # docstrings
    for node in ast.walk(tree):
        if id(node) in spoken:
            continue
        for rule in _rules_of(node, place):
            yield Stray(place, getattr(node, "lineno", 0), rule, ast.unparse(node)[:100])
    if place.startswith(TELLING):
        yield from _english(place, tree)


def _english(place: str, tree: ast.Module) -> Iterator[Stray]:
    """Sentences in a module, but docstrings, errors and what developers read."""
    left: set[int] = set()
    for node in ast.walk(tree):
        named = isinstance(node, ast.Call) and TO_DEVELOPERS.search(ast.unparse(node.func))
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        described = isinstance(node, ast.keyword) and node.arg in ("description", "summary")
        if named or docstring or described or isinstance(node, ast.Raise | ast.Assert):
            left |= {id(one) for one in ast.walk(node)}
        if isinstance(node, ast.JoinedStr):
            left |= {id(one) for one in node.values}
    for node in ast.walk(tree):
        parts = node.values if isinstance(node, ast.JoinedStr) else [node]
        text = "".join(
            str(one.value) if isinstance(one, ast.Constant) and isinstance(one.value, str) else "\u2026"
            for one in parts
        )
        if id(node) not in left and ENGLISH.search(text) and not NO_WORDS.search(text):
            yield Stray(place, getattr(node, "lineno", 0), "english", text[:100])


def _rules_of(node: ast.AST, place: str) -> Iterator[str]:
    match node:
        case ast.Constant(value=str(text)) if MARKUP.search(text) and not place.startswith(ENGINE):
            yield "markup"
        case ast.BinOp(op=ast.Mult() | ast.Div() | ast.FloorDiv() | ast.Mod()):
            if any(_number(side) in FACTORS for side in (node.left, node.right)):
                yield "conversion"
        case ast.BinOp(op=ast.Pow(), right=power):
            if ast.unparse(power) in ("3", "3.0", "1 / 3"):
                yield "formula"
        case ast.Call(func=ast.Attribute() as called):
            yield from _rules_of_call(node, called, place)
        case ast.Compare(left=left, comparators=[right]):
            yield from _rules_of_comparison(node, left, right, place)
        case ast.AnnAssign(target=ast.Name(id=name), value=ast.Constant(value=int() | float())):
            if (
                name.endswith(("_PCT", "_SHARE"))
                and not DRAWN_ONLY.search(name)
                and not place.startswith(JUDGES)
            ):
                yield "threshold"


def _rules_of_call(node: ast.Call, called: ast.Attribute, place: str) -> Iterator[str]:
    if called.attr in TRIGONOMETRY:
        yield "kinematics"
    if called.attr == "interp" or (
        called.attr in ("searchsorted", "digitize") and CHART_WORDS.search(ast.unparse(node))
    ):
        yield "chart"
    if place.startswith("dashboard/"):
        read = isinstance(called.value, ast.Attribute | ast.Call) and _is_sentence(called.value)
        taken_apart = called.attr in TAKEN_APART_BY and read
        searched = (
            isinstance(called.value, ast.Name)
            and called.value.id == "re"
            and any(map(_is_sentence, node.args))
        )
        if taken_apart or searched:
            yield "sentence"


def _rules_of_comparison(node: ast.Compare, left: ast.expr, right: ast.expr, place: str) -> Iterator[str]:
    if isinstance(node.ops[0], ast.In | ast.NotIn):
        if place.startswith("dashboard/") and isinstance(right, ast.Attribute) and _is_sentence(right):
            yield "sentence"
        return
    for one, other in ((left, right), (right, left)):
        if _number(one) not in (None, 0, 1) and PCT_WORDS.search(ast.unparse(other)):
            yield "threshold"


def _number(node: ast.expr) -> float | None:
    value = node.value if isinstance(node, ast.Constant) else None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _is_sentence(node: ast.expr) -> bool:
    named = (isinstance(node, ast.Attribute) and node.attr) or (isinstance(node, ast.Name) and node.id)
    return named in SENTENCES or (
        isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "str" and node.args != []
        and isinstance(node.args[0], ast.Name) and node.args[0].id in ("problem", "error")
    )  # fmt: skip


_COMMENT: Final = re.compile(r"/\*.*?\*/|(?<!:)//[^\n]*", re.DOTALL)
_NUMBER: Final = r"(?:60|1_?000|3_?600|60_?000|86_?400|3_?600_?000|1e3|1e6|0\.3048|0\.4535\d*|9\.80?\d*|2\.204\d*|3\.280?\d*)\b(?!\.)"
_JUDGED: Final = r"[\w.?]*\b(?:utilisation\w*|\w+_(?:pct|share)|(?:watch|act|warning|limit)(?:_\w+)?)\b(?!\()"
"""A share or a step of attention, even one that came with the page: the state of a figure comes with it."""
_IN_JAVASCRIPT: Final = (
    ("conversion", re.compile(rf"[*/]\s*{_NUMBER}|(?<![\w.]){_NUMBER}\s*[*/]")),
    ("kinematics", re.compile(r"Math\.(?:a?cos|a?sin|a?tan2?|PI)\b|\b(?:main_boom|knuckle_boom|jib|boom)_deg\b|pivot_offset")),
    ("threshold", re.compile(
        r"[<>]=?\s*(?:8[05]|9[059]|1[015]0)\b(?!\s*[*/])|\b(?:line|y)\((?:85|90|95|100)\b"
        rf"|{_JUDGED}\s*[<>]|(?<!=)[<>]=?\s*{_JUDGED}"
    )),
    ("chart", re.compile(r"capacityAt|spread_none|stabiliser_\w*pct")),
    ("sentence", re.compile(r"\.(?:text|sentence|detail|reason)\.(?:match|replace|split|startsWith|includes|indexOf)\(")),
)  # fmt: skip


def in_javascript(place: str, text: str) -> Iterator[Stray]:
    """Rules in a script; what stands in comments is none."""
    bare = _COMMENT.sub(lambda found: re.sub(r"[^\n]", " ", found[0]), text)
    for number, line in enumerate(bare.splitlines(), 1):
        for rule, pattern in _IN_JAVASCRIPT:
            if pattern.search(line):
                yield Stray(place, number, rule, line.strip()[:100])


_IN_SQL: Final = (
    ("threshold", re.compile(r"[<>]=?\s*(?:8[05]|9[059]|1[015]0)\b|\b0\.95\b")),
    ("formula", re.compile(r"\bpower\(")),
    ("kinematics", re.compile(r"\b(?:cos|sin|tan|radians)d?\(")),
)


def in_sql(place: str, text: str) -> Iterator[Stray]:
    """Rules in named queries and in the schema; the steps to it are history."""
    if "/upgrade_from_" in place:
        return
    for number, line in enumerate(re.sub(r"--[^\n]*", "", text).splitlines(), 1):
        for rule, pattern in _IN_SQL:
            if pattern.search(line):
                yield Stray(place, number, rule, line.strip()[:100])


_READERS: Final = {".py": in_python, ".mjs": in_javascript, ".js": in_javascript, ".sql": in_sql}


def lines_of(path: Path) -> int:
    """Lines that are not blank."""
    return sum(bool(line.strip()) for line in path.read_text(encoding="utf-8").splitlines())


def engine_imports() -> dict[str, set[str]]:
    """What files of the product outside dashboard/engine import of it, by file."""
    found: dict[str, set[str]] = {}
    for path in (path for room in ROOMS for path in (ROOT / room).rglob("*.py")):
        names = {
            node.module
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("dashboard.engine")
        }
        if names and not _name(path).startswith("dashboard/engine/"):
            found[_name(path)] = {str(name) for name in names}
    return found


def measure() -> dict[str, object]:
    """Product lines by room, JavaScript lines, short modules, and rules outside their author."""
    modules = {room: sorted((ROOT / room).rglob("*.py")) for room in ROOMS}
    scripts = [path for path in (ROOT / "dashboard").rglob("*") if path.suffix in (".mjs", ".js")]
    short = [
        _name(path)
        for paths in modules.values()
        for path in paths
        if path.name != "__init__.py" and lines_of(path) < SHORT_MODULE
    ]
    lines = {room: sum(map(lines_of, paths)) for room, paths in modules.items()}
    return {
        "python_lines": lines,
        "python_lines_total": sum(lines.values()),
        "javascript_lines": sum(map(lines_of, scripts)),
        "sql_lines": sum(
            lines_of(path) for path in (ROOT / "store").rglob("*.sql") if "/upgrade_from_" not in _name(path)
        ),
        "modules_under_60_lines": len(short),
        "rules_outside_their_author": len(strays()),
        "rules_allowed_twice": len(ALLOWED),
        "files_that_import_the_engine": len(engine_imports()),
    }


def main() -> int:
    """Print the measures, and each stray rule with its place."""
    found = measure()
    if "--json" in sys.argv[1:]:
        print(json.dumps(found))
        return 0
    for name, value in found.items():
        if isinstance(value, dict):
            for room, count in value.items():
                print(f"{name:<28} {room:<12} {count:>6}")
        else:
            print(f"{name:<41} {value:>6}")
    for stray in strays():
        print(f"{stray.place}:{stray.line}: {stray.rule}: {stray.text}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
