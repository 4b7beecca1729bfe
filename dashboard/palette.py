"""Every colour of the screens, by the part it plays, for the light and the dark theme.

Categories are the colours of Okabe and Ito (Color Universal Design, 2002), magnitudes use Cividis (Nuñez,
Anderton, Renslow, PLoS ONE 13 (2018) e0199239). A saturated colour means that someone must act; state is always
a word and a shape as well. Contrast is tested: 4.5:1 for text, 3:1 for lines and marks (WCAG 2.2).
"""

from typing import Final

LIGHT: Final[dict[str, str]] = {
    "ground": "#f3f1ec",
    "surface": "#ffffff",
    "raised": "#faf9f6",
    "line": "#dedad1",
    "line_strong": "#83888a",
    "ink": "#1a2225",
    "ink_soft": "#4a5559",
    "accent": "#0e5a6b",
    "accent_soft": "#dcebee",
    "on_accent": "#ffffff",
    "series": "#2f6f80",
    "series_soft": "#b7d0d6",
    "band": "#efece5",
    "good": "#00664d",
    "watch": "#7d5200",
    "watch_fill": "#e69f00",
    "watch_soft": "#fbf0d9",
    "act": "#a83c00",
    "act_fill": "#d55e00",
    "act_soft": "#fbe7da",
    "stale": "#5f666a",
}
DARK: Final[dict[str, str]] = {
    "ground": "#11171a",
    "surface": "#192125",
    "raised": "#1f292e",
    "line": "#303c42",
    "line_strong": "#7b888e",
    "ink": "#e7ebeb",
    "ink_soft": "#aab5b8",
    "accent": "#7fc4d3",
    "accent_soft": "#1c3840",
    "on_accent": "#0d1a1e",
    "series": "#77b3c2",
    "series_soft": "#35545d",
    "band": "#242e33",
    "good": "#4fc7a3",
    "watch": "#f0bf52",
    "watch_fill": "#e69f00",
    "watch_soft": "#33290f",
    "act": "#ff9d63",
    "act_fill": "#e8691a",
    "act_soft": "#3a2113",
    "stale": "#9aa5a9",
}
THEMES: Final[dict[str, dict[str, str]]] = {"light": LIGHT, "dark": DARK}

MAGNITUDE: Final = "Cividis"


def css_variables() -> str:
    """The two palettes as CSS custom properties, switched by Mantine's colour-scheme attribute."""
    blocks = []
    for scheme, colours in THEMES.items():
        lines = "".join(f"--bl-{role.replace('_', '-')}:{value};" for role, value in colours.items())
        first = f':root[data-scheme="{scheme}"] .bl-prerender'  # before Mantine knows which one it is
        blocks.append(f':root[data-mantine-color-scheme="{scheme}"],{first}{{{lines}}}')
    return "".join(blocks)


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two #rrggbb colours, 1 to 21 (WCAG 2.2, definitions of contrast and luminance)."""
    lighter, darker = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
