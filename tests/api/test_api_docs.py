"""docs/api.md names every route with its least role, and no other."""

import re
from pathlib import Path

from api.app import every_route
from api.permissions import LEAST_ROLE

PAGE = Path(__file__).parents[2] / "docs" / "api.md"


def test_every_route_is_documented_with_its_role() -> None:
    written = dict(re.findall(r"^\| `([A-Z]+ /\S*)` \| (\w+) \|", PAGE.read_text(), re.MULTILINE))
    routes = {
        f"{method} {route.path}": str(LEAST_ROLE.get((method, route.path), "open"))
        for route in every_route()
        for method in route.methods
    }
    assert written == routes
