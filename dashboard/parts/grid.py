"""Long lists: the community grid with one look, sortable and filterable, hiding its lesser columns on a phone."""

from collections.abc import Sequence
from typing import Any

import dash_ag_grid as dag
from dash import html

from dashboard.theme import GRID_THEME
from words.texts import t

TALL_FROM_ROWS = 30


def column(
    field: str,
    header: str,
    least: int,
    cell: str | None = None,
    *,
    wrap: bool = False,
    tall: bool = False,
    right: bool = False,
    fixed: bool = False,
    **more: Any,
) -> dict[str, Any]:
    """A column of a grid. least: its least width [px], with `fixed` its only one. cell: what draws it. wrap: in the height of a row; tall: the row grows."""
    look: dict[str, Any] = {"field": field, "headerName": header, "minWidth": least, **more}
    if cell:
        look["cellRenderer"] = cell
    if fixed:
        look["width"] = least
    if right:
        look["type"] = "rightAligned"
    if wrap or tall:
        look |= {"wrapText": True, "cellClass": "bl-cell-wrap"} | ({"autoHeight": True} if tall else {})
    return look


def bars(
    kind: str, header: str, least: int, full: float, band: Sequence[float] | None = None, **more: Any
) -> dict[str, Any]:
    """A column of bars. full: the whole of one. band: where attention begins and ends; without it each row has its own."""
    drawn = {"kind": kind, "full": full, **({} if band is None else {"band": list(band)})}
    return column(kind, header, least, "BarCell", cellRendererParams=drawn, **more)


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
