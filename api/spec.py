"""The OpenAPI description: problems instead of the framework's own errors, ways to sign in, least roles, tables."""

from collections.abc import Iterable
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from api.body_examples import BY_SCHEMA
from api.bounds import TAGS
from api.matching import CONDITIONAL
from api.permissions import least_of
from api.problems import PROBLEM_JSON
from api.tables import CSV, PARQUET, TableRoute
from domain.answers import Problem

DESCRIPTION = """
Times are UTC, numbers carry their unit in their name. Lists come in pages: ask again with `cursor=next_cursor`.
Errors are RFC 9457 problem details; every refusal says what to do next. Writes take an `Idempotency-Key`; answers to
GET carry an `ETag`. Rows come as JSON, CSV or Parquet by `Accept`.

Telemetry is no inspection and postpones none. Headroom on a screen is not permission to lift.
"""


def describe(api: FastAPI, routes: Iterable[APIRoute]) -> dict[str, Any]:
    """The description of an api with its routes, made once."""
    if api.openapi_schema is None:
        spec = get_openapi(
            title=api.title,
            version=api.version,
            summary=api.summary,
            description=DESCRIPTION,
            routes=api.routes,
            servers=[{"url": "/api/v1"}],
        )
        parts = spec.setdefault("components", {})
        problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        parts.setdefault("schemas", {}).update({**problem.pop("$defs"), "Problem": problem})
        for name in ("HTTPValidationError", "ValidationError"):
            parts["schemas"].pop(name, None)
        parts["securitySchemes"] = {
            "token": {"type": "http", "scheme": "bearer", "description": "an api token"},
            "session": {"type": "apiKey", "in": "cookie", "name": "__Host-boomledger"},
        }
        for route in routes:
            for method in route.methods or ():
                _describe_one(spec["paths"][route.path][method.lower()], method, route)
        _forget(spec, "uniqueItems")  # sets: an entry that comes twice is taken once
        api.openapi_schema = spec
    return api.openapi_schema


def _forget(part: Any, key: str) -> None:
    """Take a key out of a description, wherever it stands."""
    if isinstance(part, dict):
        part.pop(key, None)
    for inner in part.values() if isinstance(part, dict) else part if isinstance(part, list) else ():
        _forget(inner, key)


def _describe_one(operation: dict[str, Any], method: str, route: APIRoute) -> None:
    path, least = route.path, least_of(route).role
    responses = operation["responses"]
    if isinstance(route, TableRoute):
        content = responses["200"]["content"]
        content[CSV] = {"schema": {"type": "string"}}
        content[PARQUET] = {"schema": {"type": "string", "format": "binary"}}
        responses["406"] = problem("Not available in that form")
    if path.endswith(".csv"):
        responses["200"]["content"] = {CSV: {"schema": {"type": "string"}}}
    responses["422"] = problem("Invalid input: `fields` names what to mend")
    if "requestBody" in operation:
        responses["400"] = responses.get("400") or problem("The body is no JSON text in UTF-8")
        for form in operation["requestBody"]["content"].values():
            schema = form["schema"].get("$ref", "").rpartition("/")[2]
            if schema in BY_SCHEMA:
                form["examples"] = {"example": {"value": BY_SCHEMA[schema]}}
    responses["413"] = problem("Too large")
    responses["429"] = problem(
        "Too much at once of this account or address; `Retry-After` says when to try again"
    )
    responses["503"] = responses.get("503") or problem("The database cannot be reached now")
    names = {one["name"] for one in operation.get("parameters", ())}
    if "{" in path or method != "GET" or "crane" in names:  # a body names cranes too
        responses["404"] = problem("Not found, or not yours to see")
    if method != "GET":
        responses["409"] = problem("Conflict")
        operation.setdefault("parameters", []).append(IDEMPOTENCY_KEY)
    if method in CONDITIONAL:
        responses["412"] = problem("Changed since it was read")
        operation.setdefault("parameters", []).append(IF_MATCH)
    if least is None:
        operation["security"] = []
        if path == "/login":
            responses["401"] = problem("Wrong name or password")
        if method == "POST":
            responses["403"] = problem("Sent from a page of another site")
        return
    operation["x-least-role"] = str(least)
    operation["security"] = [{"token": []}, {"session": []}]
    responses["401"] = problem("Sign in first")
    responses["403"] = problem("Not allowed")


def problem(description: str) -> dict[str, Any]:
    """A response that is a problem."""
    return {
        "description": description,
        "content": {PROBLEM_JSON: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


IF_MATCH = {
    "name": "If-Match",
    "in": "header",
    "required": False,
    "description": "the ETag of the same path's GET, several parted by commas, or `*`; 412 where it was changed since",
    "schema": {"type": "string", "maxLength": 200, "pattern": f"^{TAGS}$"},
}
IDEMPOTENCY_KEY = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "description": "the same key again, from the same token on the same path, within a day brings the first answer back and does nothing",
    "schema": {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[\\x21-\\x7e]+$"},
}
