"""What the drawings are made from: the position as the api sends it, and the words of the working area."""

import re
from pathlib import Path

import pytest

from dashboard.live import row_of
from dashboard.pages.replay import frames_of
from dashboard.parts import components
from domain import attention
from domain.answers import LiveAnswer
from domain.crane import Spread
from domain.drawing_answers import Drawn, Figure, PosesAnswer

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


@pytest.mark.parametrize("script", sorted(ASSETS.glob("*.mjs")), ids=lambda path: path.name)
def test_no_script_knows_a_boom_a_chart_or_a_spread(script: Path) -> None:
    """Positions, capacities and spreads are sent: what would be needed to work them out does not stand in a script."""
    text = script.read_text()
    for word in ("boom_deg", "jib_deg", "pivot_offset", "stabiliser_", "spread_none", "capacityAt"):
        assert not re.search(word, text), word


@pytest.mark.parametrize(
    ("utilisation_pct", "age_s", "state"),
    [(89.9, 0, "ok"), (90.0, 0, "watch"), (100.0, 300, "act"), (100.0, 301, "stale"), (None, 0, "stale")],
)
def test_a_live_row_comes_with_its_state(utilisation_pct: float | None, age_s: float, state: str) -> None:
    values = {"utilisation_pct": utilisation_pct}
    answer = LiveAnswer(crane="a", online=True, at=None, received_at=None, age_s=age_s, values=values)
    assert row_of(answer)["state"] == state


def test_a_replay_comes_with_the_state_of_each_moment() -> None:
    carrier = {"crane": "a", "rear_m": -5.0, "front_m": 2.0, "spread_none_m": 1.0}
    lengths = {"pivot_height_m": 3.0, "knuckle_m": 2.0, "reach_m": 9.0}
    lists = {"strokes_m": (), "jib_m": 0.0, "jib_strokes_m": (), "outline": ()}
    poses = PosesAnswer(
        figure=Figure(**carrier, **lengths, **lists), at_ms=(0, 1, 2), recorded_samples=3, reduced=False, bucket_ms=None, gap_ms=10,
        joints_m=((0.0, 0.0, 0.0), (3.0, 3.0, 3.0)), readings={"utilisation_pct": (95.0, None, 20.0)},
        outreach_m=(4.0, 4.0, None), left_m=(1.0,) * 3, right_m=(1.0,) * 3, rated_kg=(500.0,) * 3, curve=(0, 0, 0), curves=((),),
    )  # fmt: skip
    frames = frames_of(poses)
    states = list(attention.State)
    assert [states[place].value for place in frames["state"]] == ["watch", "stale", "ok"]
    assert {len(values) for values in frames.values()} == {3}
