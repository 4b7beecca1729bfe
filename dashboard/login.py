"""The pages before anybody is signed in, to log in and to set a password by a link: plain HTML and a few lines of script, without Dash."""

from collections.abc import Mapping
from html import escape
from typing import Final

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from dashboard.theme import template
from domain.accounts import RESET_PATH
from words.texts import t

PATH: Final = "/login"
_WORDS: Final = {
    name: f"login.{name}" for name in ("account", "password", "sign_in", "wrong", "gone", "own", "emergency")
}
_RESET: Final = {
    "gone": "login.gone",
    "sign_in": "login.sign_in",
    **{name: f"reset.{name}" for name in ("set", "new", "again", "differ", "empty", "done")},
}

_REFUSED: Final = frozenset(
    {
        "away",
        "begin_again",
        "none_here",
        "no_name",
        "no_role",
        "no_site",
        "not_here",
        "not_valid",
        "refused_there",
    }
)
"""Why a sign-on at the provider did not succeed, as the api sends a browser back."""


def page(refused: str = "") -> str:
    """The page with its texts filled in. refused: why a sign-on did not succeed; what is none of the codes is not shown."""
    words = {name: t(key) for name, key in _WORDS.items()}
    words["provider"] = t("login.provider", name="{name}")
    words["refused"] = t(f"login.refused.{refused}") if refused in _REFUSED else ""
    return _door("login.html", words["sign_in"], words)


def reset_page() -> str:
    """The page on which a person sets a password by a link."""
    words = {name: t(key) for name, key in _RESET.items()}
    return _door("reset.html", words["set"], words)


def _door(name: str, title: str, words: Mapping[str, str]) -> str:
    main = template(name, **{part: escape(word) for part, word in words.items()})
    heading = escape(t("app.name"))
    return template("door.html", title=f"{escape(title)} · {heading}", heading=heading, main=main)


def register(server: FastAPI) -> None:
    """Serve both pages. Neither is kept anywhere, and the page of a link says nothing of its secret to anybody but the api."""

    @server.get(PATH, include_in_schema=False)
    async def log_in(request: Request) -> HTMLResponse:
        refused = request.query_params.get("refused", "")
        return HTMLResponse(page(refused), headers={"cache-control": "no-store"})

    @server.get(RESET_PATH, include_in_schema=False)
    async def reset() -> HTMLResponse:
        return HTMLResponse(
            reset_page(), headers={"cache-control": "no-store", "referrer-policy": "no-referrer"}
        )
