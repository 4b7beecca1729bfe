"""Who may call what: the least role stands beside each route, as one of its `dependencies`. The api starts with no route without."""

from typing import Final

from fastapi import Depends, Request
from fastapi.routing import APIRoute

from api.gate import PRINCIPAL
from api.problems import Refused
from store.access import Principal, Role


# Dependencies are async even where they wait for nothing: plain ones are each run in a thread, which costs more than they do.
class Least:
    """The least role that a route asks for; none: everyone may call it, signed in or not.

    every_site: of a route about the whole installation, by which an administrator of some sites could widen their own site scope.
    """

    def __init__(self, role: Role | None, *, every_site: bool = False) -> None:
        self.role = role
        self.every_site = every_site

    async def __call__(self, request: Request) -> None:
        """Refuse a caller whose role does not cover the route."""
        if self.role is None:
            return
        principal = known_principal(request)
        if not principal.role.covers(self.role):
            raise Refused(
                403,
                f"this needs the role {self.role}; the account {principal.account} has the role {principal.role}",
            )
        if self.every_site and principal.sites is not None:
            raise Refused(403, f"this needs every site in scope, and {principal.account} sees some")


class PersonalData:
    """Of a route whose answer tells of people: who reads it is written down in the audit (api/reads.py)."""

    async def __call__(self, request: Request) -> None:
        """Mark the request."""
        request.scope[PERSONAL_READ] = True


PERSONAL_READ: Final = "boomledger.personal_read"
"""In the scope of a request to such a route."""
PERSONAL: Final = Depends(PersonalData())
OPEN: Final = Depends(Least(None))
VIEWER: Final = Depends(Least(Role.VIEWER))
DISPATCHER: Final = Depends(Least(Role.DISPATCHER))
ENGINEER: Final = Depends(Least(Role.ENGINEER))
ADMIN: Final = Depends(Least(Role.ADMIN))
ENGINEER_OF_ALL_SITES: Final = Depends(Least(Role.ENGINEER, every_site=True))
ADMIN_OF_ALL_SITES: Final = Depends(Least(Role.ADMIN, every_site=True))


def least_of(route: APIRoute) -> Least:
    """What a route asks for. Raises ValueError for one that names no role."""
    for one in route.dependencies:
        if isinstance(one.dependency, Least):
            return one.dependency
    raise ValueError(
        f"{route.path} names no role: give it `dependencies=[VIEWER]` or what it needs (api/permissions.py)"
    )


async def principal_of(request: Request) -> Principal:
    """Who is asking; 401 for nobody."""
    return known_principal(request)


def known_principal(request: Request) -> Principal:
    """The same, for who needs no dependency."""
    found: Principal | None = request.scope.get(PRINCIPAL)
    if found is None:
        raise Refused(401, "sign in, or send a token as `Authorization: Bearer`")
    return found
