"""Time by reach and height, stabilisers and hour: against numpy, in parts, and as bytes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty import circumstances
from duty.circumstances import HEIGHT_M, OUTREACH_M, Circumstances, count, merge_all
from duty.packing import pack


def random_samples(seed: int, n: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)

    def reading(low: float, high: float) -> np.ndarray:
        values = rng.uniform(low, high, n).astype(np.float32)
        return np.where(rng.random(n) < 0.1, np.float32(np.nan), values)

    return {
        "step_ms": rng.integers(50, 1000, n),
        "hour": rng.integers(0, 24, n),
        "utilisation_pct": reading(0, 120),
        "outreach_m": reading(0, 99),
        "hook_height_m": reading(-59, 119),
        "stabiliser_left_pct": reading(0, 100),
        "stabiliser_right_pct": reading(0, 100),
    }


def test_against_histograms_of_numpy() -> None:
    given_samples = random_samples(1, 5000)
    found = count(**given_samples)
    u, steps = given_samples["utilisation_pct"], given_samples["step_ms"]
    for place, chosen in enumerate((np.isfinite(u), u >= 90)):
        both = chosen & np.isfinite(given_samples["outreach_m"]) & np.isfinite(given_samples["hook_height_m"])
        reach, _, _ = np.histogram2d(
            given_samples["outreach_m"][both],
            given_samples["hook_height_m"][both],
            bins=[OUTREACH_M, HEIGHT_M],
            weights=steps[both],
        )
        np.testing.assert_array_equal(found.reach_ms[place], reach)
        hours = np.bincount(given_samples["hour"][chosen], weights=steps[chosen], minlength=24)
        np.testing.assert_array_equal(found.hour_ms[place], hours)
        assert found.spread_ms[place].sum() == steps[chosen].sum()


def test_stabiliser_states() -> None:
    found = count(
        np.full(4, 10),
        np.zeros(4, int),
        np.full(4, 95.0),
        stabiliser_left_pct=np.array([0.0, 50.0, 100.0, np.nan]),
        stabiliser_right_pct=np.array([100.0, 100.0, 100.0, 100.0]),
    )
    assert found.spread_ms[1, :, 2].tolist() == [10, 10, 10, 10]
    assert found.spread_ms[0, :, [0, 1, 3]].sum() == 0


@settings(max_examples=30)
@given(n=st.integers(0, 300), cuts=st.lists(st.integers(0, 300), max_size=4))
def test_parts_add_up_to_the_whole(n: int, cuts: list[int]) -> None:
    whole = random_samples(2, n)
    edges = sorted({0, n, *(cut for cut in cuts if cut < n)})
    parts = [
        count(**{name: values[a:b] for name, values in whole.items()})
        for a, b in zip(edges, edges[1:], strict=False)
    ]
    merged = merge_all(reversed(parts))
    assert merged == count(**whole)
    assert circumstances.from_bytes(circumstances.to_bytes(merged)) == merged


def test_circumstances_of_the_version_before_are_read() -> None:
    """Outreach 0 to 40 m by height -10 to 40 m: cells keep their metres."""
    cells = np.array([2 * 50 + 13, 2000 + 2 * 50 + 13, 4000 + 7, 4016 + 7, 4032 + 5, 4056 + 5])
    ms = np.array([40, 30, 40, 30, 40, 30])
    found = circumstances.from_bytes(
        pack(b"circ", 1, cells.astype("<u2").tobytes() + ms.astype("<i8").tobytes())
    )
    step = np.array([10, 30])
    new = count(step, [5, 5], [50.0, 95.0], outreach_m=[2.5, 2.5], hook_height_m=[3.5, 3.5],
                stabiliser_left_pct=[50.0, 50.0])  # fmt: skip
    assert found == new


def test_damaged_bytes_and_odd_shapes_are_refused() -> None:
    data = bytearray(circumstances.to_bytes(count(**random_samples(3, 50))))
    data[-1] ^= 1
    with pytest.raises(InvalidInput):
        circumstances.from_bytes(bytes(data))
    with pytest.raises(InvalidInput):
        count(np.ones(3, int), np.zeros(3, int), np.zeros(4))


def test_nothing_is_neutral() -> None:
    some = count(**random_samples(4, 20))
    assert merge_all([circumstances.empty(), some]) == some
    assert (
        merge_all([])
        == circumstances.empty()
        == Circumstances(**{name: np.zeros(shape, np.int64) for name, shape in circumstances._SHAPES.items()})
    )
