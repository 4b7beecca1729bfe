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
    name: f"login.{name}" for name in ("account", "password", "sign_in", "wrong", "gone")
}


def page() -> str:
    """The page with its texts filled in."""
    words = {name: t(key) for name, key in _WORDS.items()}
    words["title"] = f"{words['sign_in']} · {words['heading']}"
    return template("login.html", **{name: escape(word) for name, word in words.items()})


def register(server: FastAPI) -> None:
    """Serve the page at /login."""

    @server.get(PATH, include_in_schema=False)
    async def log_in(_request: Request) -> HTMLResponse:
        return HTMLResponse(page(), headers={"cache-control": "no-store"})
