"""Every word on the screens, from one catalogue: a translation is one more file beside catalogue/en.toml.

t("fleet.context", count=12)      fills {count}; with count=1 the key "fleet.context.one" is taken if it exists
"""

import tomllib
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any, Final

from words.numbers import ages_drawn

_FOLDER: Final = Path(__file__).parent / "catalogue"
_LANGUAGE: Final = "en"
CONTACT_EVERY: Final = timedelta(
    seconds=5
)  # how often a page asks whether server, session and system are well


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


def age_words() -> dict[str, Any]:
    """How the browser says an age: steps of (text, below which age, in units of what) [ms], and words for what is old."""
    steps = [(t(f"age.{name}"), below, unit) for name, below, unit in ages_drawn()]
    return {"steps": steps, "stale": t("age.stale"), "never": t("age.never")}


def browser_words() -> dict[str, Any]:
    """The few texts that are put together in the browser."""
    return {
        "age": age_words(),
        "pause": t("shell.pause"),
        "resume": t("shell.resume"),
        "contact": {
            **{word: t(f"contact.{word}") for word in ("lost", "signed_out", "sign_in", "since")},
            "trying": t("contact.trying", s=CONTACT_EVERY.seconds),
            "every_ms": CONTACT_EVERY // timedelta(milliseconds=1),
        },
        "units_metric": t("units.metric"),
        "units_us": t("units.us"),
    }
