"""The order of cranes: which weight decides when."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.job import LiftJob, Weights
from duty.damage import Detail
from duty.dispatch import match
from duty.fleet import build
from duty.ranking import Facts, detail_life_ppm, lift_life_share, rank, remaining_life_ppm
from duty.sn import en_13001_3_1
from tests.unit.duty.invented import TYPE, chart, crane

JOB = LiftJob(mass_kg=1000.0, rigging_kg=0.0, outreach_m=5.0)
WEAK = TYPE.model_copy(update={"name": "invented-weak", "charts": (chart(((2.0, 900.0), (7.0, 300.0))),)})


def facts(count: int, **changed: object) -> Facts:
    plain = {
        "free": np.ones(count, np.bool_),
        "open_faults": np.zeros(count, np.intp),
        "forbidding_faults": np.zeros(count, np.intp),
        "assessment_overdue": np.zeros(count, np.bool_),
        "findings": np.zeros(count, np.bool_),
        "never_heard": np.zeros(count, np.bool_),
        "service_overdue": np.zeros(count, np.bool_),
        "life_ppm": np.ones(count),
        "distance_km": np.zeros(count),
    }
    return Facts(**{**plain, **{name: np.array(value) for name, value in changed.items()}})  # type: ignore[arg-type]


MATCHES = match(build([crane(f"invented-{index}") for index in range(5)]), JOB)


def test_the_order_of_the_defaults() -> None:
    ranking = rank(
        MATCHES,
        facts(
            5,
            free=[False, True, True, True, True],
            forbidding_faults=[0, 2, 0, 0, 0],
            service_overdue=[False, False, True, False, False],
            life_ppm=[1.0, 1.0, 1.0, 9.0, 2.0],
            distance_km=[0.0, 0.0, 0.0, 0.0, 50.0],
        ),
        Weights(),
    )
    # Points: 1001, 501, 201, 9, 2 + 0.1 * 50 = 7.
    assert ranking.points.tolist() == pytest.approx([1001, 501, 201, 9, 7])
    assert ranking.order.tolist() == [4, 3, 2, 1, 0]


def test_what_is_the_matter_moves_a_crane_back_and_some_of_it_needs_an_override() -> None:
    yes = [True, False, False, False, False]
    told = facts(
        5,
        assessment_overdue=yes,
        findings=np.roll(yes, 1),
        never_heard=np.roll(yes, 2),
        open_faults=[0, 0, 0, 1, 2],
        forbidding_faults=[0, 0, 0, 1, 0],
    )
    ranking = rank(MATCHES, told, Weights())
    # 500, 100, 100 and 500 points, and 1 for the life of the lift. Faults that a question tolerates cost no points, and stay open.
    assert ranking.points.tolist() == pytest.approx([501, 101, 101, 501, 1])
    assert told.needs_override.tolist() == [True, False, False, True, True]


def test_cranes_that_do_not_fit_come_last_whatever_the_points() -> None:
    matches = match(build([crane("invented-a", WEAK), crane("invented-b")]), JOB)
    ranking = rank(matches, facts(2, free=[True, False]), Weights())
    assert ranking.order.tolist() == [1, 0]


def test_life_is_bounded_and_has_a_price_where_it_is_not_known() -> None:
    ranking = rank(MATCHES, facts(5, life_ppm=[np.nan, 1e9, 10.0, 0.0, 0.0]), Weights())
    assert ranking.terms["life"].tolist() == [50.0, 100.0, 10.0, 0.0, 0.0]


def test_ties_keep_the_order_of_the_fleet() -> None:
    assert rank(MATCHES, facts(5), Weights()).order.tolist() == [0, 1, 2, 3, 4]


@settings(deadline=None)
@given(st.lists(st.floats(0, 1e6), min_size=10, max_size=10))
def test_points_are_the_sum_of_their_terms(values: list[float]) -> None:
    weights = Weights(**dict(zip(Weights.model_fields, values, strict=True)))
    ranking = rank(
        MATCHES, facts(5, free=[False, True, False, True, True], distance_km=[1, 2, 3, np.nan, 5.0]), weights
    )
    np.testing.assert_allclose(sum(ranking.terms.values()), ranking.points)
    fit_points = ranking.points[ranking.order]
    assert (np.diff(fit_points) >= 0).all()


def test_life_share_worked_by_hand() -> None:
    # Half the structural rating counts an eighth; 63 000 lifts at kQ 0.25 are 15 750 full lifts: 0.125 / 15 750.
    share = float(lift_life_share(50.0, 63_000.0, 0.25))
    assert share == pytest.approx(0.125 / 15_750)
    # With f1 1.2 and 40 % left: 1.2 / 0.4 = 3 times as many millionths of what remains.
    assert remaining_life_ppm(share, 1.2, 0.6) == pytest.approx(3e6 * share)
    # A spent crane costs a thousand times, not infinitely much.
    assert remaining_life_ppm(share, 1.0, 1.4) == pytest.approx(1e9 * share)


def test_life_of_a_weld_detail_worked_by_hand() -> None:
    # 100 MPa at 2e6 cycles, m = 3, 2 MPa per percent, no factor: a lift to 50 % makes a range of 100 MPa, D = 1 / 2e6.
    detail = Detail(name="invented", mpa_per_pct=2.0, curve=en_13001_3_1(100.0), gamma_mf=1.0)
    found = detail_life_ppm([50.0, 100.0, 50.0, np.nan], detail, [0.0, 0.0, 0.75, 0.0])
    half = detail_life_ppm([50.0], replace(detail, allowed_sum=0.5), [0.0])
    np.testing.assert_allclose(half, 2 * found[:1])  # a detail that may reach 0.5 has half as much left
    # To 100 % it is 2^3 times as much; with a quarter left, 4 times as much of what remains.
    np.testing.assert_allclose(found, [0.5, 4.0, 2.0, np.nan])
