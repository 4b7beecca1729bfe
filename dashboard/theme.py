"""What Mantine, plotly and ag-grid look like: built from the palette, and from nothing else."""

from typing import Any, Final

from dashboard.palette import DARK, LIGHT

FONT: Final = 'Inter, "Segoe UI", "Helvetica Neue", "Liberation Sans", Arial, sans-serif'

SCHEME_SCRIPT: Final = """let kept = null;
try { kept = JSON.parse(localStorage.getItem("scheme")); } catch { /* nothing was kept */ }
const own = window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
const scheme = kept === "light" || kept === "dark" ? kept : own;
"""
"""Finds out which colours somebody wants, before the scripts that keep it (assets/ui.mjs) have run."""

GRAPH_CONFIG: Final[dict[str, Any]] = {
    "showSendToCloud": False,
    "showEditInChartStudio": False,
    "plotlyServerURL": "",
    "displaylogo": False,
    "responsive": True,
    "displayModeBar": False,
    "scrollZoom": False,
}
"""The one configuration of every graph: no button that could send a figure to another host."""


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

GRID_THEME: Final = {
    "function": "themeQuartz.withParams({"
    "fontFamily: 'inherit', fontSize: 14, headerFontSize: 13, headerFontWeight: 600, "
    "backgroundColor: 'var(--bl-surface)', foregroundColor: 'var(--bl-ink)', "
    "headerBackgroundColor: 'var(--bl-surface)', headerTextColor: 'var(--bl-ink-soft)', "
    "borderColor: 'var(--bl-line)', wrapperBorder: false, wrapperBorderRadius: 0, columnBorder: false, "
    "rowHoverColor: 'var(--bl-raised)', accentColor: 'var(--bl-accent)', "
    "oddRowBackgroundColor: 'var(--bl-surface)', menuBackgroundColor: 'var(--bl-surface)', "
    "inputBackgroundColor: 'var(--bl-surface)', chromeBackgroundColor: 'var(--bl-surface)', "
    "headerColumnResizeHandleColor: 'transparent', headerColumnBorder: false, headerRowBorder: true, cellHorizontalPadding: 12})"
}
