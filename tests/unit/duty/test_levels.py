"""Sums of sample time: whole, additive, and with the two percents apart."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from domain.channels import Mode
from domain.errors import InvalidInput
from duty.levels import (
    SLEW_SECTORS,
    below_zero_ms,
    empty,
    from_bytes,
    merge,
    mode_ms,
    near_limit_by_mode_ms,
    near_limit_ms,
    near_limit_place,
    quarter_of,
    tally,
    to_bytes,
)
from duty.packing import pack
from duty.statics import sector_of

NAN = float("nan")
readings = st.floats(-20, 400) | st.sampled_from([NAN, 90.0, 89.99, 0.0, 150.0])


@st.composite
def samples(draw: st.DrawFn) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    n = draw(st.integers(0, 40))
    step = draw(hnp.arrays(np.int64, n, elements=st.integers(1, 600_000)))
    return step, {
        "utilisation_pct": draw(hnp.arrays(float, n, elements=readings)),
        "limit_pct": draw(hnp.arrays(float, n, elements=st.floats(0, 150) | st.just(NAN))),
        "mode": draw(hnp.arrays(float, n, elements=st.sampled_from([0.0, 1.0, 2.0, 3.0, NAN]))),
        "slew_deg": draw(hnp.arrays(float, n, elements=st.floats(-720, 720) | st.just(NAN))),
        "outreach_m": draw(hnp.arrays(float, n, elements=st.floats(-5, 100) | st.just(NAN))),
    }


@given(record=samples(), data=st.data())
def test_tallies_of_parts_add_up_to_those_of_the_whole(
    record: tuple[np.ndarray, dict[str, np.ndarray]], data: st.DataObject
) -> None:
    step, channels = record
    at = data.draw(st.integers(0, step.size))
    first = tally(step[:at], **{name: values[:at] for name, values in channels.items()})
    rest = tally(step[at:], **{name: values[at:] for name, values in channels.items()})
    whole = tally(step, **channels)
    assert merge(first, rest) == whole == merge(rest, first)
    assert merge(whole, empty()) == whole


@given(record=samples())
def test_no_time_is_lost(record: tuple[np.ndarray, dict[str, np.ndarray]]) -> None:
    step, channels = record
    found = tally(step, **channels)
    assert found.recorded_ms == step.sum()
    assert found.utilisation_ms.sum() + found.missing_ms == found.recorded_ms
    assert found.structural_ms.sum() == found.utilisation_ms.sum()
    assert sum(mode_ms(found).values()) == found.utilisation_ms.sum()
    assert (found.area_near_limit_ms <= found.area_ms).all()
    assert from_bytes(to_bytes(found)) == found


@given(record=samples(), threshold=st.integers(1, 400))
def test_time_near_the_limit_is_exact_at_every_whole_percent(
    record: tuple[np.ndarray, dict[str, np.ndarray]], threshold: int
) -> None:
    step, channels = record
    expected = step[channels["utilisation_pct"] >= threshold].sum()
    found = tally(step, **channels)
    assert near_limit_ms(found, threshold) == expected == near_limit_by_mode_ms(found, threshold).sum()
    assert below_zero_ms(found) == step[channels["utilisation_pct"] < 0].sum()


def test_every_reading_that_the_wire_takes_has_a_level_and_a_ring_of_its_own() -> None:
    found = tally(10, [-20.0, -0.001, 0.0, 399.0, 400.0], slew_deg=0.0, outreach_m=[0, 1, 2, 99.5, 100.0])
    assert found.utilisation_ms[-1, [0, 1, -2, -1]].tolist() == [20, 10, 10, 10]
    assert found.area_ms[0, [0, 1, 2, 99]].tolist() == [10, 10, 10, 20]


def test_tallies_of_the_version_before_are_read() -> None:
    """Levels to 150 % with what is below 0 in the first, rings to 40 m."""
    levels, areas = np.zeros((6, 151), np.int64), np.zeros((48, 40), np.int64)
    levels[1, [0, 90]], levels[5, 38], areas[0, 39], areas[24, 39] = (5, 7), 12, 12, 7
    flat = np.concatenate([levels.ravel(), areas.ravel(), [13, 1, 3, 4]]).astype("<i8")
    found = from_bytes(pack(b"tall", 1, flat.tobytes()))
    assert (mode_ms(found)[Mode.STABILISER], near_limit_ms(found), below_zero_ms(found)) == (12, 7, 0)
    assert found.structural_ms[39] == 12
    assert (found.area_ms[0, 39], found.area_near_limit_ms[0, 39]) == (12, 7)
    assert (found.recorded_ms, found.missing_ms, found.limit_assumed_ms, found.samples) == (13, 1, 3, 4)
    assert from_bytes(to_bytes(found)) == found


@given(record=samples())
def test_near_limit_time_gathers_in_the_quarter_and_at_the_metre_with_most_of_it(
    record: tuple[np.ndarray, dict[str, np.ndarray]],
) -> None:
    step, channels = record
    slew, outreach = channels["slew_deg"], channels["outreach_m"]
    near = (channels["utilisation_pct"] >= 90) & ~np.isnan(slew) & ~np.isnan(outreach)
    # sectors of 15 deg begin at 0: the quarter over the cab reaches from -45 up to 45
    quarter = (np.floor(slew[near] % 360 / 15) % 24 + 3) % 24 // 6
    metre = np.floor(np.clip(outreach[near], 0, 99))
    time = {
        (q, m): step[near][(quarter == q) & (metre == m)].sum() for q, m in zip(quarter, metre, strict=True)
    }
    place = near_limit_place(tally(step, **channels))
    if place is None:
        assert not time
        return
    in_quarter = [sum(ms for (q, _), ms in time.items() if q == one) for one in range(4)]
    found = ("over_cab", "right", "rear", "left").index(place.quarter)
    assert in_quarter[found] == max(in_quarter)
    assert place.share == pytest.approx(max(in_quarter) / sum(in_quarter))
    assert time[found, place.outreach_from_m] == max(ms for (q, _), ms in time.items() if q == found)
    assert place.outreach_to_m == place.outreach_from_m + 1


def test_a_stability_limited_hour_is_near_the_limit_and_easy_on_the_steel() -> None:
    found = tally(np.full(36_000, 100), np.full(36_000, 95.0), np.full(36_000, 40.0))
    assert near_limit_ms(found) == 3_600_000
    assert found.structural_ms[39] == 3_600_000
    assert found.structural_ms[91:].sum() == 0
    assert found.limit_assumed_ms == 0


def test_a_missing_limit_is_assumed_and_said() -> None:
    found = tally(100, [50.0, 50.0, NAN], [NAN, 40.0, NAN])
    assert found.limit_assumed_ms == 100
    assert found.structural_ms[[51, 21]].tolist() == [100, 100]
    assert tally(100, [50.0, NAN]).limit_assumed_ms == 100


def test_places_and_modes() -> None:
    found = tally(
        10,
        [95.0, 20.0, 95.0, 30.0],
        mode=[Mode.REMOTE, Mode.EMERGENCY, NAN, 2.5],
        slew_deg=[-1e-15, 14.9, 359.0, NAN],
        outreach_m=[3.2, 3.9, 60.0, 5.0],
    )
    assert mode_ms(found) == {
        Mode.TRANSPORT: 0,
        Mode.STABILISER: 0,
        Mode.REMOTE: 10,
        Mode.EMERGENCY: 10,
        None: 20,
    }
    assert found.area_ms[0, 3] == 20
    assert found.area_near_limit_ms[0, 3] == 10
    assert found.area_ms[23, 60] == 10
    assert found.area_ms.sum() == 30


@pytest.mark.parametrize("step", [0.5, 0, -100, np.array([100, 100, 100])])
def test_a_step_that_is_no_whole_positive_time_is_refused(step: object) -> None:
    with pytest.raises(InvalidInput):
        tally(step, [50.0, 60.0])  # type: ignore[arg-type]


def test_a_threshold_that_the_bins_cannot_tell_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"1\.\.400"):
        near_limit_ms(empty(), 401)


def test_damaged_or_foreign_bytes_are_refused() -> None:
    good = to_bytes(empty())
    for bad in (b"", b"lift" + good[4:], good[:4] + b"\x09" + good[5:], good[:-1] + bytes([good[-1] ^ 1])):
        with pytest.raises(InvalidInput, match="count that day again"):
            from_bytes(bad)


def test_the_quarter_of_a_sector_is_that_of_its_angles() -> None:
    """The same quarters as in `statics.sector_of`, which charts are read by."""
    for sector in range(SLEW_SECTORS):
        middle = (sector + 0.5) * 360 / SLEW_SECTORS
        assert quarter_of(sector) == sector_of(middle).item()
