"""The log-in page: plain HTML with a few lines of script, because nothing of Dash may load before it."""

from html import escape
from typing import Final

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from dashboard.palette import css_variables
from dashboard.theme import FONT, SCHEME_SCRIPT
from words.texts import t

PATH: Final = "/login"

_PAGE: Final = """<!DOCTYPE html>
<html lang="en" data-mantine-color-scheme="light">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>__TITLE__</title>
<link rel="icon" href="data:,">
<style>__COLOURS__
body{margin:0;min-height:100vh;display:grid;place-items:center;background:var(--bl-ground);color:var(--bl-ink);font:16px/1.5 __FONT__}
main{width:min(360px,calc(100vw - 32px));background:var(--bl-surface);border:1px solid var(--bl-line);border-radius:12px;padding:28px;box-sizing:border-box}
h1{font-size:22px;margin:0 0 18px}label{display:block;margin:12px 0 4px;font-size:14px}
input{width:100%;box-sizing:border-box;min-height:44px;padding:0 12px;font:inherit;color:inherit;background:var(--bl-surface);border:1px solid var(--bl-line-strong);border-radius:8px}
button{width:100%;min-height:46px;margin-top:20px;font:inherit;font-weight:600;border:0;border-radius:8px;background:var(--bl-accent);color:var(--bl-on-accent);cursor:pointer}
:focus-visible{outline:2px solid var(--bl-accent);outline-offset:2px}#problem{color:var(--bl-act);font-weight:600;min-height:24px;margin:14px 0 0}
</style>
</head>
<body>
<main>
<h1>__HEADING__</h1>
<form id="form">
<label for="account">__ACCOUNT__</label><input id="account" name="account" autocomplete="username" required autofocus>
<label for="password">__PASSWORD__</label><input id="password" name="password" type="password" autocomplete="current-password" required>
<button>__SIGN_IN__</button>
<p id="problem" role="alert"></p>
</form>
</main>
<script>
__SCHEME__document.documentElement.dataset.mantineColorScheme = scheme;
document.getElementById("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const problem = document.getElementById("problem");
  problem.textContent = "";
  const body = JSON.stringify(Object.fromEntries(new FormData(event.target)));
  let answer, told;
  try {
    answer = await fetch("/api/v1/login", { method: "POST", headers: { "content-type": "application/json" }, body });
    told = answer.ok || answer.status === 401 ? {} : await answer.json();
  } catch {
    problem.textContent = "__GONE__";
    return;
  }
  if (!answer.ok) {
    problem.textContent = told.detail || "__WRONG__";
    if (answer.status === 401) document.getElementById("password").select();
    return;
  }
  const next = new URL(new URLSearchParams(location.search).get("next") || "/", location.origin);
  location.assign(next.origin === location.origin ? next : "/");
});
</script>
</body>
</html>"""


def page() -> str:
    """The page with its texts filled in."""
    words = {
        "TITLE": f"{t('login.sign_in')} · {t('app.name')}",
        "HEADING": t("app.name"),
        "ACCOUNT": t("login.account"),
        "PASSWORD": t("login.password"),
        "SIGN_IN": t("login.sign_in"),
        "WRONG": t("login.wrong"),
        "GONE": t("login.gone"),
    }
    filled = (
        _PAGE.replace("__COLOURS__", css_variables())
        .replace("__FONT__", FONT)
        .replace("__SCHEME__", SCHEME_SCRIPT)
    )
    for name, word in words.items():
        filled = filled.replace(f"__{name}__", escape(word))
    return filled


def register(server: FastAPI) -> None:
    """Serve the page at /login."""

    @server.get(PATH, include_in_schema=False)
    async def log_in(_request: Request) -> HTMLResponse:
        return HTMLResponse(page(), headers={"cache-control": "no-store"})
