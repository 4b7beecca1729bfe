"""What Mantine, plotly and ag-grid look like: built from the palette, and from nothing else."""

import json
from pathlib import Path
from typing import Any, Final

from dashboard.palette import DARK, LIGHT, css_variables
from words.texts import english, spoken

FONT: Final = 'Inter, "Segoe UI", "Helvetica Neue", "Liberation Sans", Arial, sans-serif'

_GRAPH: Final[dict[str, Any]] = {
    "showSendToCloud": False,
    "showEditInChartStudio": False,
    "plotlyServerURL": "",
    "displaylogo": False,
    "responsive": True,
    "displayModeBar": False,
    "scrollZoom": False,
}
"""No button that could send a figure to another host."""


def graph_config() -> dict[str, Any]:
    """The one configuration of every graph, with the names of days and months in the language of the pages."""
    language = spoken()
    if language is english():  # as plotly has it
        return _GRAPH
    days, months = language.locale.days["format"], language.locale.months["format"]
    names = {
        name: [of[width][key] for key in keys]
        for name, of, width, keys in (
            ("days", days, "wide", (6, *range(6))),
            ("shortDays", days, "abbreviated", (6, *range(6))),
            ("months", months, "wide", range(1, 13)),
            ("shortMonths", months, "abbreviated", range(1, 13)),
        )
    }
    return {**_GRAPH, "locale": language.name, "locales": {language.name: {"format": names}}}


def _shades(light: str, dark: str) -> list[str]:
    """Mantine wants ten shades; only index 8 (light) and 5 (dark) are ever used as primary."""
    return [dark] * 7 + [light] * 3


MANTINE: Final[dict[str, Any]] = {
    "fontFamily": FONT,
    "headings": {"fontFamily": FONT, "fontWeight": "650"},
    "primaryColor": "petrol",
    "colors": {"petrol": _shades(LIGHT["accent"], DARK["accent"])},
    "primaryShade": {"light": 8, "dark": 5},
    "autoContrast": True,
    "defaultRadius": "md",
    "respectReducedMotion": True,
    "cursorType": "pointer",
}

_GRID: Final = {
    "fontFamily": "inherit",
    "fontSize": 14,
    "headerFontSize": 13,
    "headerFontWeight": 600,
    "backgroundColor": "var(--bl-surface)",
    "foregroundColor": "var(--bl-ink)",
    "headerBackgroundColor": "var(--bl-surface)",
    "headerTextColor": "var(--bl-ink-soft)",
    "borderColor": "var(--bl-line)",
    "wrapperBorder": False,
    "wrapperBorderRadius": 0,
    "columnBorder": False,
    "rowHoverColor": "var(--bl-raised)",
    "accentColor": "var(--bl-accent)",
    "oddRowBackgroundColor": "var(--bl-surface)",
    "menuBackgroundColor": "var(--bl-surface)",
    "inputBackgroundColor": "var(--bl-surface)",
    "chromeBackgroundColor": "var(--bl-surface)",
    "headerColumnResizeHandleColor": "transparent",
    "headerColumnBorder": False,
    "headerRowBorder": True,
    "cellHorizontalPadding": 12,
}
GRID_THEME: Final = {"function": f"themeQuartz.withParams({json.dumps(_GRID)})"}


def template(name: str, **parts: str) -> str:
    """A file of templates/ with its parts filled in: __NAME__ becomes parts["name"]; __LOOK__, __SCHEME__ and __LANGUAGE__ are there for all."""
    folder = Path(__file__).parent / "templates"
    text = (folder / name).read_text(encoding="utf-8")
    look = f"{css_variables()}:root{{--bl-font:{FONT}}}"
    scheme = (folder / "scheme.js").read_text(encoding="utf-8")
    for part, value in {"look": look, "scheme": scheme, "language": spoken().name, **parts}.items():
        text = text.replace(f"__{part.upper()}__", value)
    return text
