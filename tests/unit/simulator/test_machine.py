"""Poses for a point, limits and load charts of the invented types."""

import numpy as np
import pytest

from domain.crane import Sector, Spread
from simulator.machine import (
    TYPES_FOLDER,
    folded,
    hook_of,
    joints_for,
    limit_of,
    load_machine,
    reach_m,
    utilisation_of,
)
from simulator.scenario import SCENARIOS_FOLDER, Scenario, load_scenario

TYPES = sorted(file.stem for file in TYPES_FOLDER.glob("*.yaml"))


@pytest.mark.parametrize("name", TYPES)
def test_a_pose_for_a_point_puts_the_hook_there(name: str) -> None:
    machine = load_machine(name)
    outreach, height = np.meshgrid(np.linspace(0.2, 0.98, 30) * reach_m(machine), np.linspace(0.5, 9, 10))
    joints = joints_for(machine, 30.0, outreach, height, 15.0 if machine.has_jib else 0.0)
    there = np.isfinite(joints).all(axis=-1)
    assert there.mean() > 0.5
    hook = hook_of(machine, joints[there])
    np.testing.assert_allclose(hook.outreach_m, outreach[there], atol=1e-9)
    np.testing.assert_allclose(hook.hook_height_m, height[there], atol=1e-9)
    crane_type = machine.crane_type
    main, knuckle, out = joints[there][:, 1], joints[there][:, 2], joints[there][:, 3]
    slack = 1e-6
    assert main.min() >= crane_type.main_boom.lowest_deg - slack
    assert main.max() <= crane_type.main_boom.highest_deg + slack
    assert knuckle.min() >= crane_type.knuckle_boom.lowest_deg - slack
    assert out.min() >= 0
    assert out.max() <= sum(extension.stroke_m for extension in crane_type.extensions) + slack


@pytest.mark.parametrize("name", TYPES)
def test_the_charts_never_promise_more_than_a_pose_can_take(name: str) -> None:
    machine = load_machine(name)
    rng = np.random.default_rng(3)
    jib = rng.uniform(-30, 45, 4000) if machine.has_jib else np.zeros(4000)
    outreach, slew = rng.uniform(0.26, 0.99, 4000) * reach_m(machine), rng.uniform(45, 135, 4000)
    joints = joints_for(machine, slew, outreach, rng.uniform(0.5, 8, 4000), jib)
    joints = joints[np.isfinite(joints).all(axis=1)]
    hook = hook_of(machine, joints)
    for spread, percent in ((Spread.FULL, 100.0), (Spread.PART, 50.0), (Spread.NONE, 0.0)):
        chart = next(
            c
            for c in machine.crane_type.charts
            if (c.spread_left, c.spread_right, c.sector) == (spread, spread, Sector.SIDE)
        )
        at = [point.outreach_m for point in chart.points]
        mass = np.array([point.capacity_kg for point in chart.points])
        index = np.searchsorted(at, hook.outreach_m)
        inside = (index < len(at)) & (hook.outreach_m >= at[0])
        level = utilisation_of(
            machine,
            hook,
            mass[np.minimum(index, len(at) - 1)],
            limit_of(machine, joints[:, 0], percent, percent),
        )
        assert level[inside].max() <= 100.5


def test_the_limit_falls_with_the_spread_on_the_working_side() -> None:
    machine = load_machine("long-40")
    right = np.array([90.0])
    full, part, none = (float(limit_of(machine, right, 100.0, spread)[0]) for spread in (100.0, 50.0, 0.0))
    assert full == 100.0
    assert full > part > none > 0
    # the other side's stabiliser matters little when the boom points right
    assert float(limit_of(machine, right, 0.0, 100.0)[0]) == pytest.approx(full, abs=1.0)


@pytest.mark.parametrize("name", TYPES)
def test_the_parked_pose_weighs_little(name: str) -> None:
    machine = load_machine(name)
    level = utilisation_of(machine, hook_of(machine, folded(machine)), 0.0, 100.0)
    assert 0 <= float(level) < 8


def test_every_scenario_file_is_read() -> None:
    names = [file.stem for file in SCENARIOS_FOLDER.glob("*.yaml")]
    assert len(names) >= 5
    for name in names:
        assert load_scenario(name).title


def test_a_scenario_whose_shares_do_not_add_up_is_refused() -> None:
    raw = load_scenario("roof-work").model_dump()
    raw["spread_pct"] = {100: 0.5, 0: 0.4}
    with pytest.raises(ValueError, match="must add up to 1"):
        Scenario.model_validate(raw)
