"""The log-in page: plain HTML with a few lines of script, because nothing of Dash may load before it."""

from html import escape
from typing import Final

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from dashboard.theme import template
from words.texts import t

PATH: Final = "/login"
_WORDS: Final = {"heading": "app.name"} | {
    name: f"login.{name}" for name in ("account", "password", "sign_in", "wrong", "gone", "own", "emergency")
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
    words["title"] = f"{words['sign_in']} · {words['heading']}"
    return template("login.html", **{name: escape(word) for name, word in words.items()})


def register(server: FastAPI) -> None:
    """Serve the page at /login."""

    @server.get(PATH, include_in_schema=False)
    async def log_in(request: Request) -> HTMLResponse:
        refused = request.query_params.get("refused", "")
        return HTMLResponse(page(refused), headers={"cache-control": "no-store"})
