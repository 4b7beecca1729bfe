"""What the drawings are made from: the position as the api sends it, and the words of the working area."""

import re
from pathlib import Path

import pytest

from dashboard.parts import components
from domain.crane import Spread
from domain.drawing_answers import Drawn

ASSETS = Path(__file__).parents[3] / "dashboard" / "assets"


def test_a_position_is_passed_on_as_it_was_sent() -> None:
    drawn = Drawn(
        joints_m=((0.4, 3.0), (3.0, 6.0), (7.5, 5.0)),
        extension_m=1.5,
        left_m=3.0,
        spread_left=Spread.FULL,
        spread_right=Spread.NONE,
        outreach_m=7.5,
        hook_height_m=5.0,
        rated_kg=1190.0,
        curve=((3.0, 2000.0), (7.5, 2000.0)),
    )
    assert components.position_of(drawn) == {
        "x0": 0.4, "y0": 3.0, "x1": 3.0, "y1": 6.0, "x2": 7.5, "y2": 5.0, "extension_m": 1.5, "jib_extension_m": 0.0,
        "outreach_m": 7.5, "rated_kg": 1190.0, "left_m": 3.0,
    }  # fmt: skip
    assert components.position_of(None) is None


@pytest.mark.parametrize("script", ["drawings.mjs", "components.mjs", "replay.mjs"])
def test_no_script_knows_a_boom_a_chart_or_a_spread(script: str) -> None:
    """Positions, capacities and spreads are sent: what would be needed to work them out does not stand in a script."""
    text = (ASSETS / script).read_text()
    for word in ("boom_deg", "jib_deg", "pivot_offset", "stabiliser_", "spread_none", "capacityAt"):
        assert not re.search(word, text), word
