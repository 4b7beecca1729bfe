"""What is in a file of telemetry, or what became of it, and the step that follows."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.parts import marks, page
from domain.attention import State as Attention
from domain.transfer_answers import ImportDone, ImportProblem
from words import numbers
from words.texts import t

PROBLEMS_SHOWN: Final = 100


def answer(done: ImportDone, name: str, zone: ZoneInfo) -> html.Div:
    """What a file holds, or what became of it, and the step that follows."""
    if done.stored:
        head = marks.mark(Attention.OK, t("import.stored", name=name))
    elif done.problem_count:
        head = marks.mark(Attention.WATCH, t("import.looked.problems", name=name))
    elif done.refused_count:
        head = marks.mark(Attention.WATCH, t("import.looked.refused", name=name))
    else:
        head = marks.mark(Attention.OK, t("import.looked", name=name))
    return html.Div(
        [
            html.Div(head, className="bl-mark-row"),
            marks.facts(
                marks.fact(t("import.rows"), numbers.plain(done.rows), t("import.rows.note")),
                marks.fact(
                    t("import.new"),
                    numbers.plain(done.new),
                    t("import.new.note", samples=numbers.plain(done.samples)) if done.samples else None,
                ),
                marks.fact(t("import.known"), numbers.plain(done.known), t("import.known.note")),
                marks.fact(
                    t("import.problems"),
                    numbers.plain(done.problem_count),
                    t("import.problems.note") if done.problem_count else None,
                ),
                *([marks.fact(t("import.empty"), numbers.plain(done.empty_rows))] if done.empty_rows else []),
                *(
                    [
                        marks.fact(
                            t("import.refused"), numbers.plain(done.refused_count), t("import.refused.note")
                        )
                    ]
                    if done.refused_count
                    else []
                ),
            ),
            _cranes(done, zone),
            _problems(
                t("import.problems.title"), done.problems, done.problem_count, t("import.problems.mend")
            ),
            _problems(t("import.refused.title"), done.refused, len(done.refused)),
            *_steps(done),
        ],
        className="bl-answer",
    )


def _cranes(done: ImportDone, zone: ZoneInfo) -> Any:
    if not done.cranes:
        return None
    head = [t("fleet.col.crane"), t("import.rows"), t("import.times")]
    rows = [
        (
            page.row_head(page.crane_link(one.crane)),
            numbers.plain(one.rows),
            [html.Div(numbers.moment(at, zone, seconds=True)) for at in (one.first_at, one.last_at)],
        )
        for one in done.cranes
    ]
    return page.table(head, rows, t("import.cranes.label"), "bl-import-cranes")


def _problems(title: str, found: Sequence[ImportProblem], count: int, mend: str = "") -> Any:
    if not found:
        return None
    lines = [html.Li([html.Strong(_place(one)), " ", one.text]) for one in found[:PROBLEMS_SHOWN]]
    more = count - len(lines)
    return html.Div(
        [
            html.H3(title),
            html.Ul(lines, className="bl-problems"),
            page.note(f"{t('import.problems.more', count=more)} {mend}".strip()) if more > 0 else None,
        ]
    )


def _place(one: ImportProblem) -> str:
    if one.first_line == one.last_line:
        return t("import.line", number=numbers.plain(one.first_line))
    return t("import.lines", first=numbers.plain(one.first_line), last=numbers.plain(one.last_line))


def _steps(done: ImportDone) -> list[Any]:
    if done.stored:
        return [page.note(t("import.stored.next"))]
    if not done.new:
        word = "import.nothing_new" if done.known else "import.nothing_usable"
        return [page.note(t(word))]
    how = "good" if done.problem_count else "all"
    return [
        page.note(t(f"import.store.{how}.note")),
        html.Button(
            t(f"import.store.{how}"),
            id={"type": "import-store", "how": how},
            type="button",
            className="bl-button bl-button-tall" + (" bl-button-quiet" if how == "good" else ""),
        ),
    ]
