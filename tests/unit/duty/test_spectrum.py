"""kQ, classes and s_m: behaviour; published values and class boundaries are in tests/external."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from domain.crane import DesignClass, Edition
from domain.errors import InvalidInput
from duty.spectrum import (
    cube,
    design_limits,
    group,
    kq,
    kq_level_pct,
    q_class,
    s_class,
    stress_history,
    u_class,
)
from duty.statics import structural_pct

OLD, NEW = Edition.ISO_4301_1_1986, Edition.EN_13001_1


@given(hnp.arrays(float, st.integers(1, 50), elements=st.floats(0, 130)), st.integers(0, 50))
def test_kq_of_all_lifts_is_the_mean_of_kq_of_its_parts(peaks: np.ndarray, at: int) -> None:
    at = min(at, peaks.size)
    parts = [part for part in (peaks[:at], peaks[at:]) if part.size]
    mean = sum(kq(part) * part.size for part in parts) / peaks.size
    assert kq(peaks) == pytest.approx(mean)


def test_kq_counts_overload_with_its_cube_and_nothing_below_zero() -> None:
    assert kq([120.0]) == pytest.approx(1.728)
    assert kq([-10.0, 0.0]) == 0.0
    assert math.isnan(kq([]))


def test_kq_of_stability_limited_lifts_is_taken_from_structural_percent() -> None:
    at_the_limit = np.full(10, 100.0)  # utilisation that the operator saw
    assert kq(structural_pct(at_the_limit, np.full(10, 50.0))) == pytest.approx(0.125)
    assert kq(structural_pct(at_the_limit, None)) == 1.0  # limit not sent: the safe side


def test_the_same_letter_differs_by_edition() -> None:
    assert q_class(0.1, OLD) == (OLD, "Q1", 0.125)
    assert q_class(0.1, NEW) == (NEW, "Q2", 0.125)
    assert u_class(31_800, OLD).letter == "U1"  # type: ignore[union-attr]
    assert u_class(31_800, NEW).letter == "U2"  # type: ignore[union-attr]


def test_beyond_the_table_there_is_no_class() -> None:
    assert u_class(8.1e6, NEW) is None
    assert u_class(8.1e6, OLD) == (OLD, "U9", math.inf)
    assert q_class(1.01, OLD) is None
    assert q_class(math.nan, NEW) is None
    assert s_class(4.01, NEW) is None
    with pytest.raises(InvalidInput):
        u_class(-1, NEW)
    with pytest.raises(InvalidInput, match="no S classes"):
        s_class(0.1, OLD)


def test_groups_are_of_1986_only_and_editions_never_mix() -> None:
    u_old, q_old = u_class(3e5, OLD), q_class(0.2, OLD)
    u_new, q_new = u_class(3e5, NEW), q_class(0.2, NEW)
    assert u_old is not None
    assert q_old is not None
    assert u_new is not None
    assert q_new is not None
    assert group(u_old, q_old) == "A5"
    for u, q in ((u_old, q_new), (u_new, q_old)):
        with pytest.raises(InvalidInput, match="never mix"):
            group(u, q)
    with pytest.raises(InvalidInput, match="not of EN 13001-1"):
        group(u_new, q_new)


def test_a_design_class_gives_its_upper_limits_or_says_why_not() -> None:
    assert design_limits(DesignClass(edition=NEW, u_class="U4", q_class="Q2")) == (2.5e5, 0.125)
    assert design_limits(DesignClass(edition=OLD, u_class="U4", q_class="Q2")) == (250e3, 0.25)
    with pytest.raises(InvalidInput, match="no upper limit"):
        design_limits(DesignClass(edition=OLD, u_class="U9", q_class="Q2"))
    with pytest.raises(InvalidInput, match="Q1, Q2, Q3, Q4, not Q5"):
        design_limits(DesignClass(edition=OLD, u_class="U4", q_class="Q5"))


S_LETTERS = ["S02", "S01", *(f"S{k}" for k in range(10))]
spectra = st.lists(st.tuples(st.floats(1, 150), st.floats(1, 1e5)), min_size=1, max_size=20)


@given(spectrum=spectra, m=st.sampled_from([3.0, 5.0]), factor=st.floats(0.1, 10))
def test_s_m_does_not_depend_on_the_unit_of_the_ranges(
    spectrum: list[tuple[float, float]], m: float, factor: float
) -> None:
    ranges, counts = np.array(spectrum).T
    one = stress_history(ranges, counts, m, reference=150.0)
    other = stress_history(ranges * factor, counts, m, reference=150.0 * factor)
    assert other.s_m == pytest.approx(one.s_m)
    assert one.s_m == pytest.approx(one.nu * one.k_m)
    assert 0 < one.k_m <= 1 + 1e-12
    assert one.largest_pct == ranges.max()


@given(spectrum=spectra, more=spectra)
def test_more_duty_never_gives_a_lower_class(
    spectrum: list[tuple[float, float]], more: list[tuple[float, float]]
) -> None:
    """One overload among many light cycles lowered the class while the largest range seen was the reference."""

    def rank_of(cycles: list[tuple[float, float]]) -> int:
        found = s_class(stress_history(*np.array(cycles).T).s_m, NEW)
        return len(S_LETTERS) if found is None else S_LETTERS.index(found.letter)

    assert rank_of(spectrum + more) >= rank_of(spectrum)
    overload = [(50.0, 1e6)]
    assert rank_of([*overload, (150.0, 1.0)]) >= rank_of(overload)


def test_s_m_of_nothing_is_nothing_and_wrong_spectra_are_refused() -> None:
    assert stress_history([], []).s_m == 0
    assert stress_history([0.0, 50.0], [10.0, 0.0]).cycles == 0
    for ranges, counts, m in (([-1.0], [1.0], 3.0), ([1.0], [-1.0], 3.0), ([1.0], [1.0], 0.0)):
        with pytest.raises(InvalidInput):
            stress_history(ranges, counts, m)


@given(st.floats(0.0, 400.0))
def test_the_level_of_a_kq_is_the_peak_that_all_lifts_would_have(peak_pct: float) -> None:
    assert kq_level_pct(kq([peak_pct, peak_pct])) == pytest.approx(peak_pct, abs=1e-6)
    assert cube(peak_pct) == pytest.approx(kq([peak_pct]))
