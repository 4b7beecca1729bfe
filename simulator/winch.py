"""What an operator does with a winch at the jib's tip: how much rope is out where, and who draws the hook up."""

from typing import Final

import numpy as np

from simulator.machine import ROPE, Floats, Machine, joints_for

# Assumed: rope beyond the shortest
_AT_PICK_M: Final = (2.0, 5.0)
_AT_PLACE_M: Final = (1.0, 4.0)


def ropes(rng: np.random.Generator, machine: Machine, count: int) -> tuple[Floats | None, Floats | None]:
    """Rope out at pick-up and at the place [m]; None without a winch. Drawn from a stream of their own."""
    if machine.winch is None:
        return None, None
    own = rng.spawn(1)[0]  # what else is drawn stays the same with and without a winch
    least, spare = machine.winch.shortest_m, machine.winch.longest_m - machine.winch.shortest_m
    at_pick, at_place = (
        least + np.minimum(own.uniform(low, high, count), spare) for low, high in (_AT_PICK_M, _AT_PLACE_M)
    )
    return at_pick, at_place


def poses_for(
    machine: Machine, slew: Floats, outreach: Floats, height_m: Floats, jib_deg: Floats, rope_m: Floats | None
) -> Floats:
    """Poses that put the hook at points with so much rope out, or with the hook drawn up where the tip gets no higher."""
    at_the_top = joints_for(machine, slew, outreach, height_m, jib_deg)
    if rope_m is None:
        return at_the_top
    wanted = joints_for(machine, slew, outreach, height_m, jib_deg, rope_m)
    return np.where(np.isfinite(wanted).all(axis=-1, keepdims=True), wanted, at_the_top)


def drawn_up(machine: Machine, poses: Floats, by_m: Floats | float, by_booms: Floats) -> Floats:
    """Poses with the hook higher: by the winch with the booms at rest where the rope allows, by the booms where not."""
    if machine.winch is None:
        return by_booms
    drawn = poses.copy()
    drawn[:, ROPE] -= by_m
    return np.where(drawn[:, ROPE, None] >= machine.winch.shortest_m, drawn, by_booms)
