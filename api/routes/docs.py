"""The description of the api, for programs and as a page: plain HTML from this server alone, without scripts."""

import base64
import hashlib
from pathlib import Path
from typing import Any, Final

from anyio import to_thread
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse
from jinja2 import Environment, FileSystemLoader

from api.permissions import VIEWER

router = APIRouter(tags=["docs"])

HERE: Final = Path(__file__).parent
STYLE: Final = (HERE / "docs.css").read_text(encoding="utf-8")
_PAGE: Final = Environment(loader=FileSystemLoader(HERE), autoescape=True, trim_blocks=True).get_template(
    "docs.html"
)
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
    return _PAGE.render(spec=spec, style=STYLE, form=_form)


def _form(parameter: dict[str, Any]) -> str:
    schema = parameter.get("schema", {})
    kinds = [schema, *schema.get("anyOf", ())]
    return next(
        (
            str(kind.get("format") or kind.get("type"))
            for kind in kinds
            if kind.get("type") not in (None, "null")
        ),
        "",
    )
