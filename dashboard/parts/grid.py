"""Long lists: the community grid with one look, sortable and filterable, hiding its lesser columns on a phone."""

from typing import Any

import dash_ag_grid as dag
from dash import html

from dashboard.theme import GRID_THEME
from words.texts import t

TALL_FROM_ROWS = 30


def grid(
    name: str, label: str, columns: list[dict[str, Any]], rows: list[dict[str, Any]], **options: Any
) -> html.Div:
    """A grid. A column with `"narrow": False` is hidden below 700 px of width.

    name: its id. label: what it lists. rows: plain values only; what is drawn is chosen by `cellRenderer`.
    """
    tall = len(rows) > TALL_FROM_ROWS
    for column in columns:
        if "width" not in column:
            column.setdefault("flex", 1)
    lesser = [column["field"] for column in columns if column.pop("narrow", True) is False]
    return html.Div(
        dag.AgGrid(
            id=name,
            columnDefs=columns,
            rowData=rows,
            defaultColDef={
                "sortable": True,
                "filter": False,
                "resizable": True,
                "suppressMovable": True,
                "wrapHeaderText": True,
                "autoHeaderHeight": True,
                "suppressHeaderMenuButton": True,
            },
            dashGridOptions={
                "theme": GRID_THEME,
                "rowHeight": 52,
                "domLayout": "normal" if tall else "autoHeight",
                "animateRows": False,
                "rowBuffer": 3,
                "suppressCellFocus": False,
                "ensureDomOrder": True,
                "context": {"lesser": lesser},
                "localeText": {"noRowsToShow": t("grid.none")},
                **options,
            },
            style={"height": "70vh" if tall else None, "width": "100%"},
        ),
        className="bl-grid",
        role="region",
        **{"aria-label": label, "data-grid": name},
    )
