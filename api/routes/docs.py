"""The description of the api, for programs and as a page: plain HTML from this server alone, without scripts."""

import base64
import hashlib
from html import escape
from typing import Any, Final

from anyio import to_thread
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse

from api.permissions import VIEWER

router = APIRouter(tags=["docs"])

STYLE: Final = """
body{font:16px/1.5 system-ui,sans-serif;max-width:60rem;margin:0 auto;padding:1rem;color:#1a1a1a;background:#fff}
h2{border-top:1px solid #bbb;padding-top:1rem;font-size:1.1rem}
code{font-size:.95rem}table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.25rem .75rem .25rem 0;border-bottom:1px solid #ddd}
@media (prefers-color-scheme:dark){body{color:#eee;background:#1a1a1a}a{color:#9cf}}
"""
_HASH: Final = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
PAGE_POLICY: Final = f"default-src 'none'; style-src 'sha256-{_HASH}'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"


@router.get("/openapi.json", dependencies=[VIEWER])
async def show_openapi(request: Request) -> JSONResponse:
    """This api described by OpenAPI 3.1."""
    return JSONResponse(await to_thread.run_sync(request.app.state.describe))


@router.get("/docs", dependencies=[VIEWER], response_class=HTMLResponse)
async def show_docs(request: Request) -> HTMLResponse:
    """The same as a page to read."""
    spec = await to_thread.run_sync(request.app.state.describe)
    return HTMLResponse(page(spec), headers={"content-security-policy": PAGE_POLICY})


def page(spec: dict[str, Any]) -> str:
    """The page of a description."""
    routes = "".join(
        _route(method.upper(), path, operation)
        for path, operations in spec["paths"].items()
        for method, operation in operations.items()
    )
    about = "".join(f"<p>{escape(part)}</p>" for part in spec["info"]["description"].strip().split("\n\n"))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Boomledger api</title>'
        f'<meta name="viewport" content="width=device-width"><style>{STYLE}</style></head><body>'
        f"<h1>Boomledger api</h1>{about}<p><a href='openapi.json'>OpenAPI description</a></p>{routes}</body></html>"
    )


def _route(method: str, path: str, operation: dict[str, Any]) -> str:
    rows = "".join(_parameter(one) for one in operation.get("parameters", ()))
    table = (
        f"<table><tr><th>parameter</th><th>in</th><th>form</th><th>meaning</th></tr>{rows}</table>"
        if rows
        else ""
    )
    role = operation.get("x-least-role")
    answers = ", ".join(
        f"{status} {escape(one.get('description', ''))}"
        for status, one in sorted(operation["responses"].items())
    )
    return (
        f"<h2><code>{method} {escape(path)}</code></h2><p>{escape(operation.get('description', ''))}</p>"
        + (f"<p>Least role: {escape(role)}</p>" if role else "<p>Open to everyone</p>")
        + table
        + f"<p>Answers: {answers}</p>"
    )


def _parameter(one: dict[str, Any]) -> str:
    schema = one.get("schema", {})
    kinds = [schema, *schema.get("anyOf", ())]
    form = next(
        (kind.get("format") or kind.get("type") for kind in kinds if kind.get("type") not in (None, "null")),
        "",
    )
    needed = " (needed)" if one.get("required") else ""
    cells = (f"<code>{escape(one['name'])}</code>{needed}", escape(one["in"]), escape(str(form)))
    return f"<tr><td>{'</td><td>'.join(cells)}</td><td>{escape(one.get('description', ''))}</td></tr>"
