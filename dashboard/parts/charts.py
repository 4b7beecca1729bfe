"""Charts: plain figure values painted in the browser, each with title, summary, table and CSV.

Colours are named by the part they play ("@series"); assets/ui.mjs puts in those of the theme in force, so that a
switch of theme asks the server for nothing.
"""

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final
from urllib.parse import quote

from dash import dcc, html

from dashboard.palette import MAGNITUDE
from dashboard.parts import page, states
from dashboard.theme import FONT, graph_config
from dashboard.visit import Trouble
from domain.remark import THIN
from words.texts import spoken, t

Row = Sequence[object]
TABLE_ROWS: Final = 60


TIMES: Final[tuple[dict[str, Any], ...]] = tuple(
    {"dtickrange": [least, most], "value": shown}
    for least, most, shown in (
        (None, 60_000, "%H:%M:%S\n%-d %b %Y"),
        (60_000, 86_400_000, "%H:%M\n%-d %b %Y"),
        (86_400_000, "M1", "%-d %b\n%Y"),
        ("M1", "M12", "%b\n%Y"),
        ("M12", None, "%Y"),
    )
)
"""How an axis of time reads, from seconds to years: as dates and clock times read everywhere else."""


def layout(*, x_title: str, y_title: str, height: int = 280, **more: Any) -> dict[str, Any]:
    """The look that all cartesian charts share. `more` is merged in, axes key by key."""
    axis: dict[str, Any] = {
        "gridcolor": "@line",
        "linecolor": "@line_strong",
        "tickcolor": "@line_strong",
        "zeroline": False,
        "automargin": True,
        "ticks": "outside",
        "ticklen": 4,
        "title": {"standoff": 8, "font": {"size": 12, "color": "@ink_soft"}},
        "tickfont": {"size": 12, "color": "@ink_soft"},
    }
    base: dict[str, Any] = {
        "height": height,
        "margin": {"l": 56, "r": 20, "t": 14, "b": 46},
        "font": {"family": FONT, "size": 12, "color": "@ink"},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False,
        "separators": f"{spoken().decimal}{THIN}",
        "hoverlabel": {
            "bgcolor": "@surface",
            "bordercolor": "@line_strong",
            "font": {"color": "@ink", "family": FONT},
        },
        "dragmode": "zoom",
        "xaxis": {**axis, "title": {**axis["title"], "text": x_title}, "showgrid": False},
        "yaxis": {**axis, "title": {**axis["title"], "text": y_title}},
    }
    for key, value in more.items():
        base[key] = {**base.get(key, {}), **value} if isinstance(value, dict) else value
    return base


def chart(
    name: str,
    title: str,
    summary: str,
    figure: dict[str, Any],
    *,
    headers: Sequence[str],
    rows: Sequence[Row],
    more: Any = None,
    trace_of: str | None = None,
) -> html.Figure:
    """A chart with everything that belongs to one.

    name: unique on its page and the name of its CSV. rows: what the table and the CSV hold, one per header.
    more: what else belongs to it, such as its formula; it stands below. trace_of: address of the crane whose trace a
    span dragged on the chart leads to (assets/reach.mjs).
    """
    dragged = html.A(
        hidden=True, className="bl-link bl-dragged", href=trace_of, **{"data-words": t("trace.dragged")}
    )
    top = html.Div(html.H2(title), className="bl-card-head")
    return html.Figure(
        [
            top,
            html.Figcaption(summary, className="bl-summary"),
            dragged if trace_of else None,
            dcc.Store(id={"type": "figure", "name": name}, data=figure),
            html.Div(
                dcc.Graph(
                    id={"type": "graph", "name": name},
                    config=graph_config(),
                    style={"height": f"{figure['layout']['height']}px"},
                ),
                role="img",
                **{"aria-label": f"{title}. {summary}"},
            ),
            numbers_behind(name, headers, rows),
            more,
        ],
        className="bl-card bl-chart",
        **({"data-trace": trace_of} if trace_of else {}),
    )


def numbers_behind(name: str, headers: Sequence[str], rows: Sequence[Row]) -> html.Details:
    """The figures of a chart as a table that opens, and all of them as a CSV file."""
    shown = rows[:TABLE_ROWS]
    rest = len(rows) - len(shown)
    body = [html.Tr([html.Td(_cell(value)) for value in row]) for row in shown]
    return page.fold(
        t("chart.numbers"),
        html.Div(
            html.Table(
                [html.Thead(html.Tr([html.Th(word, scope="col") for word in headers])), html.Tbody(body)]
            ),
            className="bl-table-scroll",
            tabIndex=0,
            role="region",
            **{"aria-label": t("chart.table", name=name)},
        ),
        html.P(t("chart.more_rows", count=rest)) if rest > 0 else None,
        html.A(
            t("chart.csv"),
            href=_csv_address(headers, rows),
            download=f"{name}.csv",
            className="bl-quiet-link",
        ),
    )


def columns(rows: Iterable[Any], *names: str) -> dict[str, Any]:
    """`headers` and `rows` of a chart: the named attributes of each row. "seconds=value" heads the attribute `value`."""
    parts = [(header, attribute or header) for header, _, attribute in (one.partition("=") for one in names)]
    return {
        "headers": [header for header, _ in parts],
        "rows": [[getattr(row, attribute) for _, attribute in parts] for row in rows],
    }


def rule(
    axis: str, at: Any, colour: str, dash: str | None = None, *, width: float = 1.2, **more: Any
) -> dict[str, Any]:
    """A line across a chart where one axis has the value `at`."""
    across = "x" if axis == "y" else "y"
    line = {"color": colour, "width": width, **({} if dash is None else {"dash": dash})}
    ends = {f"{across}ref": "paper", f"{across}0": 0, f"{across}1": 1, f"{axis}0": at, f"{axis}1": at}
    return {"type": "line", **ends, "line": line, **more}


def label(text: str, colour: str, **place: Any) -> dict[str, Any]:
    """Words in a chart; without a place across it they stand at its left edge."""
    left = {} if "x" in place else {"xref": "paper", "x": 0.005}
    font = {"color": colour, "size": 11}
    return {"text": text, "showarrow": False, "font": font, "xanchor": "left", **left, **place}


def heat(
    x: Any, y: Any, z: Any, *, unit: str, hover: str, gap: int = 1, ticks: Any = None, **more: Any
) -> dict[str, Any]:
    """Cells coloured by magnitude with the bar that says what a colour means. ticks: values and words of that bar."""
    bar = {"title": {"text": unit}, "thickness": 10, "outlinewidth": 0, "tickfont": {"color": "@ink_soft"}}
    if ticks is not None:
        bar |= {"tickvals": list(ticks), "ticktext": list(ticks.values())}
    return {
        "type": "heatmap", "x": x, "y": y, "z": z, "colorscale": MAGNITUDE, "xgap": gap, "ygap": gap,
        "colorbar": bar, "hovertemplate": f"{hover}<extra></extra>", **more,
    }  # fmt: skip


def grid_csv(grid: str, fields: dict[str, str]) -> html.Button:
    """A button that writes the rows of a grid, as its filters leave them, into a CSV file. fields: column to field of a row."""
    return html.Button(
        t("chart.csv"),
        type="button",
        className="bl-quiet-button",
        **{
            "data-csv-of": grid,
            "data-csv-fields": " ".join(f"{name}={field}" for name, field in fields.items()),
        },
    )


def either(title: str, answer: Any, draw: Callable[[Any], Any]) -> Any:
    """What an answer draws, or that it is missing."""
    return missing(title, answer) if isinstance(answer, Trouble) else draw(answer)


def missing(title: str, trouble: Trouble) -> html.Section:
    """Where a chart would stand, when its answer did not come."""
    return page.card(title, states.partial(title, trouble.text))


def nothing(title: str, text: str) -> html.Section:
    """Where a chart would stand, when there is nothing to draw yet."""
    return page.card(title, page.nothing(text))


def _cell(value: object) -> str:
    if value is None:
        return "–"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _csv_address(headers: Sequence[str], rows: Sequence[Row]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(headers)
    writer.writerows([["" if value is None else _guarded(value) for value in row] for row in rows])
    return f"data:text/csv;charset=utf-8,{quote(out.getvalue())}"


def _guarded(value: object) -> object:
    """Text that a spreadsheet would run as a formula gets a leading apostrophe."""
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@\t" else value
