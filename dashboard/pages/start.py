"""The start page by role: the dispatcher's day begins at dispatch, the engineer's with life, everyone else's with the fleet."""

from typing import Any, Final

from dash import html

from dashboard.pages.fleet import page as fleet
from dashboard.parts import states
from dashboard.parts.components import Go
from dashboard.visit import Trouble, Visit, attempt

STARTS: Final = {"dispatcher": "/dispatch", "engineer": "/life"}


async def render(visit: Visit) -> Any:
    """The fleet, or the way to the page of the role."""
    me = await attempt(visit.client.me())
    path = None if isinstance(me, Trouble) else STARTS.get(me.role)
    if path is None or visit.query:
        return await fleet.render(visit)
    return html.Div([Go(to=path), states.loading()])
