"""S-N curves and damage: continuity, inverses, the identity with s_m, and directions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from domain.detail import CurveFamily, DetailSpec
from domain.errors import InvalidInput
from duty.damage import (
    Detail,
    by_direction,
    detail_of,
    failure_range,
    miner,
    of_cycles,
    of_directions,
    of_ledger,
)
from duty.directions import count_directions
from duty.edges import DIRECTION_EDGES, Edges
from duty.ledger import count
from duty.reading import Cycles
from duty.sn import SnCurve, en_1993_1_9, en_13001_3_1, iiw, own
from duty.spectrum import stress_history

CURVES = [en_1993_1_9(71.0), iiw(80.0), en_13001_3_1(100.0), en_13001_3_1(160.0, m=5.0)]


def as_cycles(ranges: np.ndarray, counts: np.ndarray) -> Cycles:
    return Cycles(np.zeros(ranges.size), ranges, counts)


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
def test_a_curve_passes_its_reference_and_has_no_jump(curve: SnCurve) -> None:
    assert curve.cycles_to_failure(curve.reference_mpa) == pytest.approx(2e6)
    for (_, end), knee in zip(curve.branches[:-1], curve.knees_mpa[:-1], strict=True):
        beside = curve.cycles_to_failure([knee * (1 - 1e-9), knee, knee * (1 + 1e-9)])
        np.testing.assert_allclose(beside, end, rtol=1e-7)


@given(curve=st.sampled_from(CURVES), n=st.floats(1e3, 9.9e7))
def test_range_at_is_the_inverse(curve: SnCurve, n: float) -> None:
    assert float(curve.cycles_to_failure(curve.range_at(n))) == pytest.approx(n, rel=1e-9)


def test_below_the_cut_off_a_cycle_does_nothing() -> None:
    curve = en_1993_1_9(71.0)
    cut_off = curve.knees_mpa[-1]
    assert curve.cycles_to_failure([0.0, cut_off * 0.999]).tolist() == [np.inf, np.inf]
    assert np.isfinite(curve.cycles_to_failure(cut_off * 1.001))
    assert curve.range_at(1e12) == cut_off
    assert en_13001_3_1(100.0).range_at(np.inf) == 0.0


@pytest.mark.parametrize(
    ("reference", "branches"),
    [
        (0.0, ((3.0, 5e6),)),
        (71.0, ()),
        (71.0, ((3.0, 5e6), (5.0, 1e6))),
        (71.0, ((3.0, 1e6), (5.0, 1e8))),
        (71.0, ((-3.0, 5e6),)),
    ],
)
def test_a_curve_that_makes_no_sense_is_refused(
    reference: float, branches: tuple[tuple[float, float], ...]
) -> None:
    with pytest.raises(InvalidInput):
        SnCurve("own", reference, branches, "none")


spectra = st.lists(st.tuples(st.floats(1, 150), st.floats(0.5, 1e6)), min_size=1, max_size=20)


@given(
    spectrum=spectra,
    m=st.sampled_from([3.0, 5.0]),
    gamma=st.floats(1, 1.25),
    slope=st.floats(0.1, 5) | st.floats(-5, -0.1),
)
def test_miner_is_s_m_times_the_range_ratio_to_the_m(
    spectrum: list[tuple[float, float]], m: float, gamma: float, slope: float
) -> None:
    ranges, counts = np.array(spectrum).T
    curve = en_13001_3_1(100.0, m)
    detail = Detail(name="weld", mpa_per_pct=slope, curve=curve, gamma_mf=gamma)
    total = of_cycles(detail, as_cycles(ranges, counts)).total
    history = stress_history(ranges, counts, m)
    largest = abs(slope) * history.reference
    assert total == pytest.approx(history.s_m * (gamma * largest / 100.0) ** m)
    # so the two forms of the proof agree: the largest range allowed is ds_c / (gamma_mf * s_m^(1/m))
    limit = curve.reference_mpa / (gamma * history.s_m ** (1 / m))
    assert total == pytest.approx((largest / limit) ** m)


@given(spectrum=spectra, curve=st.sampled_from(CURVES), gamma=st.floats(1, 1.25))
def test_as_many_cycles_of_the_equivalent_range_do_the_same_damage(
    spectrum: list[tuple[float, float]], curve: SnCurve, gamma: float
) -> None:
    ranges, counts = np.array(spectrum).T
    detail = Detail(name="weld", mpa_per_pct=1.5, curve=curve, gamma_mf=gamma)
    found = of_cycles(detail, as_cycles(ranges, counts))
    if found.total == 0:
        assert found.equivalent_mpa == 0
        return
    again = counts.sum() / curve.cycles_to_failure(found.equivalent_mpa * gamma * (1 + 1e-12))
    # where no branch reaches so low, the equivalent range ends at the cut-off and errs to the safe side
    assert again >= found.total * (1 - 1e-9)
    if counts.sum() / found.total <= curve.branches[-1][1]:
        assert float(again) == pytest.approx(found.total, rel=1e-6)
    assert found.share.sum() == pytest.approx(1.0)


def test_damage_adds_up_and_its_shares_tell_what_did_it() -> None:
    detail = Detail(name="weld", mpa_per_pct=1.0, curve=en_13001_3_1(100.0), gamma_mf=1.0)
    found = of_cycles(detail, as_cycles(np.array([50.0, 100.0]), np.array([8.0, 1.0])))
    np.testing.assert_allclose(found.share, [0.5, 0.5])
    assert found.total == pytest.approx(2 / 2e6)
    assert failure_range(found.total) == pytest.approx((found.total / 3, found.total / 0.33))


def test_a_stability_limited_history_damages_less_than_its_utilisation_says() -> None:
    utilisation = np.tile([0.0, 100.0], 500)
    detail = Detail(name="weld", mpa_per_pct=1.0, curve=en_13001_3_1(100.0))
    edges = Edges(0.0, 150.0, 256)
    wrong = of_ledger(detail, count(utilisation, edges)).total
    right = of_ledger(detail, count(utilisation * 0.5, edges)).total
    assert right == pytest.approx(wrong / 8, rel=0.03)


def test_a_detail_is_read_from_the_ledger_that_it_belongs_to() -> None:
    curve = en_13001_3_1(100.0)
    boom = Detail(name="boom", mpa_per_pct=1.0, curve=curve)
    column = Detail(name="column", mpa_per_pct=1.0, curve=curve, direction="worst")
    directions = count_directions([0.0, 90.0, 0.0], [0.0, 0.0, 0.0])
    with pytest.raises(InvalidInput, match="direction ledger"):
        of_ledger(column, count([0.0, 1.0], DIRECTION_EDGES))
    with pytest.raises(InvalidInput, match="plain ledger"):
        of_directions(boom, directions)


def test_lifts_over_one_side_damage_that_side_and_its_mirror() -> None:
    structural = np.tile([0.0, 90.0], 200)
    slew = np.full(structural.size, 75.0)
    detail = Detail(name="column", mpa_per_pct=1.0, curve=en_13001_3_1(100.0), direction="worst")
    counted = count_directions(structural, slew, directions=24)
    around = by_direction(detail, counted)
    assert around.phi_deg.tolist() == [7.5 * i for i in range(48)]
    assert abs(around.worst[0] - 75.0) <= 7.5  # the neighbours may fall into the same class
    np.testing.assert_array_equal(around.total[:24], around.total[24:])
    # 60 deg away the component is half, the damage an eighth
    assert around.total[18] == pytest.approx(around.total[10] / 8, rel=0.05)
    worst = of_directions(detail, counted)
    assert (worst.phi_deg, worst.total) == around.worst
    for angle, counted_at in ((255.0, 75.0), (78.0, 75.0), (-105.0, 75.0), (172.0, 172.5), (179.0, 0.0)):
        at = of_directions(
            Detail(name="column", mpa_per_pct=1.0, curve=en_13001_3_1(100.0), direction=angle), counted
        )
        assert at.phi_deg in (counted_at, 172.5)
        assert at.total <= worst.total


def test_turning_with_a_hanging_load_damages_the_column_and_not_the_boom() -> None:
    slew = np.tile([0.0, 180.0], 100)
    structural = np.full(slew.size, 60.0)
    curve = en_13001_3_1(100.0)
    boom = Detail(name="boom", mpa_per_pct=1.0, curve=curve)
    column = Detail(name="column", mpa_per_pct=1.0, curve=curve, direction=0.0)
    assert of_ledger(boom, count(structural, Edges(0.0, 150.0, 256))).total == 0
    found = of_directions(column, count_directions(structural, slew))
    # ranges of 120 % of 1 MPa each, half a cycle a turn
    assert found.total == pytest.approx(99.5 * (1.25 * 120 / 100) ** 3 / 2e6, rel=0.03)


@pytest.mark.parametrize(
    "wrong",
    [
        {"mpa_per_pct": 0.0},
        {"mpa_per_pct": float("nan")},
        {"gamma_mf": 0.9},
        {"direction": "left"},
        {"direction": float("inf")},
    ],
)
def test_a_detail_that_makes_no_sense_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(InvalidInput):
        Detail(**({"name": "weld", "mpa_per_pct": 1.0, "curve": CURVES[0]} | wrong))  # type: ignore[arg-type]


def test_wrong_spectra_are_refused() -> None:
    curve = CURVES[0]
    for ranges, counts in (([1.0], [1.0, 2.0]), ([1.0], [-1.0]), ([-1.0], [1.0])):
        with pytest.raises(InvalidInput):
            miner(ranges, counts, curve)


def test_a_stress_range_has_no_offset_and_no_factor() -> None:
    detail = Detail(name="weld", mpa_per_pct=-1.5, offset_mpa=20.0, curve=CURVES[0], gamma_mf=1.25)
    assert detail.range_mpa(100.0) == 150.0


@pytest.mark.parametrize(
    ("entered", "curve"),
    [
        ({"curve": "EN 1993-1-9", "reference_mpa": 71.0}, en_1993_1_9(71.0)),
        ({"curve": "IIW", "reference_mpa": 80.0}, iiw(80.0)),
        ({"curve": "EN 13001-3-1", "reference_mpa": 160.0, "slope_m": 5.0}, en_13001_3_1(160.0, m=5.0)),
        (
            {
                "curve": "own",
                "reference_mpa": 90.0,
                "branches": [{"slope_m": 4.0, "to_cycles": 3e6}, {"slope_m": 7.0}],
                "source": "invented test report",
            },
            own(90.0, ((4.0, 3e6), (7.0, np.inf)), "invented test report"),
        ),
    ],
)
def test_a_detail_as_entered_becomes_what_it_says(entered: dict[str, object], curve: SnCurve) -> None:
    spec = DetailSpec.model_validate({"mpa_per_pct": 1.2, "gamma_mf": 1.1, "direction": 30.0} | entered)
    assert detail_of("weld", spec) == Detail(
        name="weld",
        mpa_per_pct=1.2,
        gamma_mf=1.1,
        direction=30.0,
        curve=curve,
        allowed_sum=0.5 if spec.curve is CurveFamily.IIW else 1.0,
    )
    given = spec.model_copy(update={"allowed_sum": 0.3})
    assert detail_of("weld", given).allowed_sum == 0.3


def test_an_own_curve_with_the_shape_of_a_published_one_gives_the_same_lives() -> None:
    ranges = np.geomspace(20.0, 400.0, 50)
    shape = own(71.0, ((3.0, 5e6), (5.0, 1e8)), "EN 1993-1-9, entered by hand")
    np.testing.assert_array_equal(
        shape.cycles_to_failure(ranges), en_1993_1_9(71.0).cycles_to_failure(ranges)
    )


@pytest.mark.parametrize(
    ("entered", "words"),
    [
        ({"curve": "own", "source": "a test"}, "needs 1 to 6"),
        ({"curve": "IIW", "branches": [{"slope_m": 3.0}]}, "belong to the curve 'own'"),
        ({"curve": "own", "branches": [{"slope_m": 3.0}]}, "source must say"),
        (
            {"curve": "own", "source": "a", "branches": [{"slope_m": 3.0}, {"slope_m": 5.0}]},
            "last of the branches",
        ),
        ({"curve": "own", "source": "a", "branches": [{"slope_m": 3.0, "to_cycles": 1e6}]}, "must reach 2e6"),
        (
            {
                "curve": "own",
                "source": "a",
                "branches": [{"slope_m": 3.0, "to_cycles": 5e6}, {"slope_m": 5.0, "to_cycles": 4e6}],
            },
            "must rise",
        ),
    ],
)
def test_an_own_curve_that_is_none_is_refused_with_what_to_mend(
    entered: dict[str, object], words: str
) -> None:
    with pytest.raises(ValidationError, match=words):
        DetailSpec.model_validate({"mpa_per_pct": 1.0, "reference_mpa": 71.0} | entered)
