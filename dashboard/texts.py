"""Every word on the screens, from one catalogue: a translation is one more file beside catalogue/en.toml.

t("fleet.context", count=12)      fills {count}; with count=1 the key "fleet.context.one" is taken if it exists
"""

import tomllib
from functools import cache
from pathlib import Path
from typing import Any, Final

_FOLDER: Final = Path(__file__).parent / "catalogue"
_LANGUAGE: Final = "en"


@cache
def catalogue(language: str = _LANGUAGE) -> dict[str, str]:
    """All texts of a language by their key."""
    return tomllib.loads((_FOLDER / f"{language}.toml").read_text(encoding="utf-8"))


def t(key: str, **values: Any) -> str:
    """The text of a key with its values filled in. An unknown key is a mistake in the program: KeyError."""
    texts = catalogue()
    if values.get("count") == 1 and f"{key}.one" in texts:
        key = f"{key}.one"
    return texts[key].format(**values) if values else texts[key]


def browser_words() -> dict[str, Any]:
    """The few texts that are put together in the browser."""
    ages = ("now", "seconds", "minutes", "hours", "days", "stale", "never")
    return {
        "age": {name: t(f"age.{name}") for name in ages},
        "pause": t("shell.pause"),
        "resume": t("shell.resume"),
        "units_metric": t("units.metric"),
        "units_us": t("units.us"),
    }
