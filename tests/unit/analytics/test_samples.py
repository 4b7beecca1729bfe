"""Outreach and hook height of a day's samples, where the crane does not send them."""

import numpy as np

from analytics.samples import with_pose
from domain.crane import CraneType


def test_a_jib_of_unknown_length_leaves_outreach_and_height_unknown(round_type: CraneType) -> None:
    joints = {"main_boom_deg": 60.0, "knuckle_boom_deg": 0.0, "extension_m": 1.0, "jib_deg": 30.0}
    sent = {name: np.full(3, value, np.float32) for name, value in joints.items()}
    made = with_pose(round_type, sent)
    assert np.isnan(made["outreach_m"]).all()
    assert np.isnan(made["hook_height_m"]).all()
    known = with_pose(round_type, {**sent, "jib_extension_m": np.ones(3, np.float32)})
    assert np.isfinite(known["outreach_m"]).all()
