"""Who may call what: the one table of roles by route. A route that does not stand here answers 403 to everyone."""

from typing import Final

from fastapi import Request

from api.gate import PRINCIPAL
from api.problems import Refused
from store.access import Principal, Role

VIEWER, DISPATCHER, ENGINEER, ADMIN = Role.VIEWER, Role.DISPATCHER, Role.ENGINEER, Role.ADMIN

OPEN_ROUTES: Final[frozenset[tuple[str, str]]] = frozenset(
    {("GET", "/healthz"), ("GET", "/readyz"), ("POST", "/login")}
)

LEAST_ROLE: Final[dict[tuple[str, str], Role]] = {
    ("GET", "/version"): VIEWER,
    ("GET", "/metrics"): VIEWER,
    ("GET", "/system"): VIEWER,
    ("GET", "/openapi.json"): VIEWER,
    ("GET", "/docs"): VIEWER,
    ("GET", "/cranes"): VIEWER,
    ("POST", "/cranes"): ADMIN,
    ("GET", "/cranes/{name}"): VIEWER,
    ("PUT", "/cranes/{name}"): ADMIN,
    ("GET", "/cranes/{name}/descriptions"): VIEWER,
    ("POST", "/cranes/{name}/descriptions"): ENGINEER,
    ("GET", "/cranes/{name}/descriptions/{valid_from}"): VIEWER,
    ("PUT", "/cranes/{name}/descriptions/{valid_from}"): ENGINEER,
    ("DELETE", "/cranes/{name}/descriptions/{valid_from}"): ENGINEER,
    ("GET", "/sites"): VIEWER,
    ("GET", "/cranes/{name}/counters"): VIEWER,
    ("POST", "/cranes/{name}/counters"): ENGINEER,
    ("DELETE", "/cranes/{name}/counters/{reading_id}"): ENGINEER,
    ("GET", "/cranes/{name}/life-records"): VIEWER,
    ("POST", "/cranes/{name}/life-records"): ENGINEER,
    ("GET", "/cranes/{name}/life-records/{record_id}"): VIEWER,
    ("PUT", "/cranes/{name}/life-records/{record_id}"): ENGINEER,
    ("DELETE", "/cranes/{name}/life-records/{record_id}"): ENGINEER,
    ("POST", "/cranes/{name}/life-records/{record_id}/files"): ENGINEER,
    ("GET", "/cranes/{name}/life-records/{record_id}/files/{file_id}"): VIEWER,
    ("GET", "/life-history"): VIEWER,
    ("POST", "/life-history"): ENGINEER,
    ("GET", "/crane-types"): ENGINEER,
    ("GET", "/crane-types/{entry}"): ENGINEER,
    ("GET", "/cranes/{name}/live"): VIEWER,
    ("GET", "/cranes/{name}/samples"): VIEWER,
    ("GET", "/cranes/{name}/lifts"): VIEWER,
    ("GET", "/cranes/{name}/events"): VIEWER,
    ("GET", "/cranes/{name}/faults"): VIEWER,
    ("GET", "/cranes/{name}/ledger"): VIEWER,
    ("GET", "/cranes/{name}/spectrum"): VIEWER,
    ("GET", "/cranes/{name}/coverage"): VIEWER,
    ("GET", "/cranes/{name}/fault-episodes"): VIEWER,
    ("GET", "/faults/pareto"): VIEWER,
    ("GET", "/faults/overloads"): VIEWER,
    ("GET", "/status-codes"): VIEWER,
    ("POST", "/status-codes"): ENGINEER,
    ("GET", "/cranes/{name}/spectrum/comparison"): VIEWER,
    ("GET", "/cranes/{name}/spectrum/configurations"): VIEWER,
    ("GET", "/cranes/{name}/working-area"): VIEWER,
    ("GET", "/cranes/{name}/life"): VIEWER,
    ("GET", "/near-limit"): VIEWER,
    ("GET", "/near-limit/places"): VIEWER,
    ("GET", "/cranes/{name}/near-limit"): VIEWER,
    ("GET", "/cranes/{name}/override-trace"): VIEWER,
    ("GET", "/cranes/{name}/life/what-if"): VIEWER,
    ("GET", "/cranes/{name}/life/factors"): VIEWER,
    ("GET", "/cranes/{name}/life/damage"): VIEWER,
    ("GET", "/cranes/{name}/charts"): VIEWER,
    ("GET", "/cranes/{name}/charts.csv"): VIEWER,
    ("GET", "/cranes/{name}/chart-versions"): VIEWER,
    ("POST", "/cranes/{name}/chart-versions"): ENGINEER,
    ("GET", "/cranes/{name}/days"): VIEWER,
    ("GET", "/cranes/{name}/report"): VIEWER,
    ("GET", "/cranes/{name}/dossier"): VIEWER,
    ("GET", "/cranes/{name}/dossier/report"): VIEWER,
    ("GET", "/cranes/{name}/dossiers"): VIEWER,
    ("POST", "/cranes/{name}/dossiers"): ENGINEER,
    ("GET", "/cranes/{name}/dossiers/{number}"): VIEWER,
    ("GET", "/cranes/{name}/dossiers/{number}/report"): VIEWER,
    ("GET", "/cranes/{name}/dossiers/{number}/changes"): VIEWER,
    ("GET", "/cranes/{name}/gaps"): VIEWER,
    ("GET", "/cranes/{name}/findings"): VIEWER,
    ("GET", "/findings"): VIEWER,
    ("GET", "/cranes/{name}/overrides"): VIEWER,
    ("GET", "/overloads"): VIEWER,
    ("GET", "/overloads/counts"): VIEWER,
    ("GET", "/cranes/{name}/overloads"): VIEWER,
    ("POST", "/cranes/{name}/overloads"): ENGINEER,
    ("GET", "/cranes/{name}/overloads/{started_at}"): VIEWER,
    ("PUT", "/cranes/{name}/overloads/{started_at}"): ENGINEER,
    ("GET", "/exclusions"): VIEWER,
    ("GET", "/cranes/{name}/exclusions"): VIEWER,
    ("POST", "/cranes/{name}/exclusions"): ENGINEER,
    ("GET", "/cranes/{name}/exclusions/{exclusion_id}"): VIEWER,
    ("DELETE", "/cranes/{name}/exclusions/{exclusion_id}"): ENGINEER,
    ("GET", "/cranes/{name}/details"): VIEWER,
    ("GET", "/cranes/{name}/details/{entry}"): VIEWER,
    ("PUT", "/cranes/{name}/details/{entry}"): ENGINEER,
    ("DELETE", "/cranes/{name}/details/{entry}"): ENGINEER,
    ("GET", "/cranes/{name}/service"): VIEWER,
    ("GET", "/service"): VIEWER,
    ("GET", "/cranes/{name}/service/{entry}"): VIEWER,
    ("PUT", "/cranes/{name}/service/{entry}"): ENGINEER,
    ("DELETE", "/cranes/{name}/service/{entry}"): ENGINEER,
    ("GET", "/cranes/{name}/service-done"): VIEWER,
    ("POST", "/cranes/{name}/service-done"): ENGINEER,
    ("GET", "/faults"): VIEWER,
    ("GET", "/fleet"): VIEWER,
    ("GET", "/days"): VIEWER,
    ("GET", "/fleet/report"): VIEWER,
    ("GET", "/fleet/weeks"): VIEWER,
    ("GET", "/events"): VIEWER,
    ("GET", "/quarantine"): ENGINEER,
    ("POST", "/imports"): ENGINEER,
    ("GET", "/imports"): ENGINEER,
    ("GET", "/imports/running"): ENGINEER,
    ("DELETE", "/imports/running"): ENGINEER,
    ("POST", "/dispatch"): DISPATCHER,
    ("POST", "/dispatch/assignment"): DISPATCHER,
    ("POST", "/dispatch/lift-sheet"): DISPATCHER,
    ("POST", "/dispatch/drawing"): VIEWER,
    ("GET", "/cranes/{name}/drawing"): VIEWER,
    ("GET", "/cranes/{name}/poses"): VIEWER,
    ("GET", "/reservations/{reservation_id}/lift-sheet"): VIEWER,
    ("GET", "/dispatch/levelling"): VIEWER,
    ("GET", "/dispatch/planned-and-measured"): VIEWER,
    ("GET", "/reservations"): VIEWER,
    ("POST", "/reservations"): DISPATCHER,
    ("GET", "/reservations/{reservation_id}"): VIEWER,
    ("DELETE", "/reservations/{reservation_id}"): DISPATCHER,
    ("GET", "/cranes/{name}/planned-and-measured"): VIEWER,
    ("GET", "/live"): VIEWER,
    ("GET", "/live/stream"): VIEWER,
    ("GET", "/alerts"): VIEWER,
    ("GET", "/alerts/summary"): VIEWER,
    ("GET", "/alerts/{alert_id}"): VIEWER,
    ("POST", "/alerts/{alert_id}/acknowledgement"): DISPATCHER,
    ("PUT", "/alerts/{alert_id}/shelf"): ENGINEER,
    ("DELETE", "/alerts/{alert_id}/shelf"): ENGINEER,
    ("GET", "/alert-rules"): VIEWER,
    ("GET", "/alert-rules/{entry}"): VIEWER,
    ("PUT", "/alert-rules/{entry}"): ENGINEER,
    ("DELETE", "/alert-rules/{entry}"): ENGINEER,
    ("GET", "/alert-targets"): ADMIN,
    ("GET", "/alert-targets/{entry}"): ADMIN,
    ("PUT", "/alert-targets/{entry}"): ADMIN,
    ("DELETE", "/alert-targets/{entry}"): ADMIN,
    ("POST", "/alert-targets/{entry}/trial"): ADMIN,
    ("GET", "/alert-deliveries"): ADMIN,
    ("POST", "/logout"): VIEWER,
    ("GET", "/me"): VIEWER,
    ("GET", "/sessions"): VIEWER,
    ("DELETE", "/sessions/{session_id}"): VIEWER,
    ("GET", "/tokens"): VIEWER,
    ("POST", "/tokens"): VIEWER,
    ("DELETE", "/tokens/{token_id}"): VIEWER,
    ("GET", "/users"): ADMIN,
    ("POST", "/users"): ADMIN,
    ("GET", "/users/{account}"): ADMIN,
    ("PATCH", "/users/{account}"): ADMIN,
    ("GET", "/audit"): ADMIN,
}


# Dependencies are async even where they wait for nothing: plain ones are each run in a thread, which costs more than they do.
EVERY_SITE: Final[frozenset[tuple[str, str]]] = frozenset(
    {
        ("GET", "/users"),
        ("POST", "/users"),
        ("GET", "/users/{account}"),
        ("PATCH", "/users/{account}"),
        ("GET", "/audit"),
        ("POST", "/status-codes"),
        ("GET", "/alert-targets"),
        ("GET", "/alert-targets/{entry}"),
        ("PUT", "/alert-targets/{entry}"),
        ("DELETE", "/alert-targets/{entry}"),
        ("POST", "/alert-targets/{entry}/trial"),
        ("GET", "/alert-deliveries"),
    }
)
"""Routes about the whole installation: an administrator of some sites could widen their own site scope by them."""


async def principal_of(request: Request) -> Principal:
    """Who is asking; 401 for nobody."""
    return known_principal(request)


def known_principal(request: Request) -> Principal:
    """The same, for who needs no dependency."""
    found: Principal | None = request.scope.get(PRINCIPAL)
    if found is None:
        raise Refused(401, "sign in, or send a token as `Authorization: Bearer`")
    return found


async def check_role(request: Request) -> None:
    """Refuse a caller whose role does not cover the route. Runs before every route of the api."""
    route = (request.method, route_template(request))
    if route in OPEN_ROUTES:
        return
    principal = known_principal(request)
    least = LEAST_ROLE.get(route)
    if least is None:
        raise Refused(403, "nobody may call this: the route has no entry in the table of roles")
    if not principal.role.covers(least):
        raise Refused(
            403, f"this needs the role {least}; the account {principal.account} has the role {principal.role}"
        )
    if route in EVERY_SITE and principal.sites is not None:
        raise Refused(403, f"this needs every site in scope, and {principal.account} sees some")


def route_template(request: Request) -> str:
    """The path of the matched route with its parameters as names; empty when nothing matched."""
    return getattr(request.scope.get("route"), "path", "")
