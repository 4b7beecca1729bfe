"""Classes of use, kQ and s_m against published or hand-worked values, each with its source.

Not found: an openly published worked example that leads from lifts of a loader crane to kQ, U and Q with all numbers.
"""

import pytest

from domain.crane import DesignClass, Edition
from duty.life import used_share
from duty.spectrum import group, kq, q_class, s_class, stress_history, u_class

OLD, NEW = Edition.ISO_4301_1_1986, Edition.EN_13001_1


@pytest.mark.parametrize(
    ("edition", "limits"),
    [
        # ISO 4301-1:1986 Table 1 as engineering calculators restate it (second-hand); U0 from memory
        (OLD, [16e3, 32e3, 63e3, 125e3, 250e3, 500e3, 1e6, 2e6, 4e6]),
        # EN 13001-1, ISO 4301-1:2016: from memory; open pages restate the same numbers (second-hand)
        (NEW, [1.6e4, 3.15e4, 6.3e4, 1.25e5, 2.5e5, 5e5, 1e6, 2e6, 4e6, 8e6]),
    ],
)
def test_u_classes_change_just_above_their_limits(edition: Edition, limits: list[float]) -> None:
    for number, limit in enumerate(limits):
        at = u_class(limit, edition)
        above = u_class(limit + 1, edition)
        assert at is not None
        assert at.letter == f"U{number}"
        assert (above.letter if above else None) == (f"U{number + 1}" if number < 9 else None)


@pytest.mark.parametrize(
    ("edition", "letters"),
    [
        # ISO 4301-1:1986 Table 2: from memory, consistent with the cube roots 0.5, 0.63, 0.8, 1 restated openly
        (OLD, {"Q1": 0.125, "Q2": 0.25, "Q3": 0.5, "Q4": 1.0}),
        # EN 13001-1, ISO 4301-1:2016: from memory
        (NEW, {"Q0": 0.0313, "Q1": 0.0625, "Q2": 0.125, "Q3": 0.25, "Q4": 0.5, "Q5": 1.0}),
    ],
)
def test_q_classes_change_just_above_their_limits(edition: Edition, letters: dict[str, float]) -> None:
    following = [*list(letters)[1:], None]
    for (letter, limit), after in zip(letters.items(), following, strict=True):
        at, above = q_class(limit, edition), q_class(limit * 1.0001, edition)
        assert at is not None
        assert at.letter == letter
        assert (above.letter if above else None) == after


def test_the_cube_roots_of_the_1986_factors_are_those_restated_openly() -> None:
    roots = [q_class(k, OLD).upper ** (1 / 3) for k in (0.125, 0.25, 0.5, 1.0)]  # type: ignore[union-attr]
    assert roots == pytest.approx([0.5, 0.63, 0.8, 1.0], abs=0.007)


@pytest.mark.parametrize(
    ("letter", "limit"),
    # EN 13001-1: from memory
    [
        *[("S02", 0.002), ("S01", 0.004), ("S0", 0.008), ("S1", 0.016), ("S2", 0.032), ("S3", 0.063)],
        *[("S4", 0.125), ("S5", 0.25), ("S6", 0.5), ("S7", 1.0), ("S8", 2.0), ("S9", 4.0)],
    ],
)
def test_s_classes_end_at_their_limits(letter: str, limit: float) -> None:
    at, above = s_class(limit, NEW), s_class(limit * 1.0001, NEW)
    assert at is not None
    assert at.letter == letter
    assert above is None or above.letter != letter


@pytest.mark.parametrize(
    ("cycles", "k", "s", "letter"),
    # arithmetic that anyone can redo: s = cycles / 2e6 * k
    [(6.3e4, 0.25, 0.007875, "S0"), (1.25e5, 0.25, 0.015625, "S1"), (5e5, 0.25, 0.0625, "S3")],
)
def test_stress_history_parameter_at_class_boundaries(cycles: float, k: float, s: float, letter: str) -> None:
    # one cycle of the largest range and the rest of one smaller range make k_3 what is asked for
    largest = 100.0
    smaller = largest * ((k * cycles - 1) / (cycles - 1)) ** (1 / 3)
    found = stress_history([largest, smaller], [1, cycles - 1], m=3)
    assert found.k_m == pytest.approx(k)
    assert found.s_m == pytest.approx(s)
    at = s_class(found.s_m, NEW)
    assert at is not None
    assert at.letter == letter


@pytest.mark.parametrize(
    ("peaks", "counts", "expected"),
    # arithmetic that anyone can redo
    [
        ([25, 50, 75, 100], [1, 1, 1, 1], 0.390625),
        ([100, 60, 30], [20, 30, 50], 0.2783),
        ([100], [1], 1.0),
        ([50], [7], 0.125),
    ],
)
def test_kq_of_hand_worked_spectra(peaks: list[float], counts: list[float], expected: float) -> None:
    assert kq(peaks, counts) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("lifts", "k", "expected"),
    # rule of the 1986 edition: Q1 gives A(u-1), Q2 A(u), Q3 A(u+1), Q4 A(u+2), inside A1..A8
    [
        (16e3, 0.125, "A1"),  # A(-1) kept inside
        (125e3, 0.125, "A2"),
        (250e3, 0.25, "A4"),
        (500e3, 0.5, "A6"),
        (1e6, 1.0, "A8"),
        (5e6, 1.0, "A8"),  # A(11) kept inside
    ],
)
def test_groups_of_1986(lifts: float, k: float, expected: str) -> None:
    u, q = u_class(lifts, OLD), q_class(k, OLD)
    assert u is not None
    assert q is not None
    assert group(u, q) == expected


@pytest.mark.parametrize(
    ("k", "groups"),
    # rows of the 1986 table from U1 on, as an open engineering calculator restates them (second-hand)
    [(0.125, "A1 A1 A2 A3 A4 A5 A6 A7 A8"), (0.25, "A1 A2 A3 A4")],
)
def test_rows_of_the_1986_group_table(k: float, groups: str) -> None:
    q = q_class(k, OLD)
    assert q is not None
    cycles = [32e3, 63e3, 125e3, 250e3, 500e3, 1e6, 2e6, 4e6, 4e6 + 1]
    for lifts, expected in zip(cycles, groups.split(), strict=False):
        u = u_class(lifts, OLD)
        assert u is not None
        assert group(u, q) == expected


def test_published_example_of_a_spectrum_factor_and_the_duty_counted_with_it() -> None:
    """A hoist maker's manual on the safe working period, in the manner of FEM 9.755 (read in excerpt): full load for 10 %
    of the time, 40 % for 30 % and 20 % for 60 % give 0.124; with a factor of 1.2 on 1440 hours, 214.272 are used.
    The sum and the factor are those of kQ and f1; hours of a hoist stand where lifts of a crane do.
    """
    factor = kq([100, 40, 20], [10, 30, 60])
    assert factor == pytest.approx(0.124, rel=1e-12)
    design = DesignClass(edition=NEW, u_class="U4", q_class="Q3")
    share = used_share(design, 1440, factor, 1.2).total
    assert share * 250_000 * 0.25 == pytest.approx(214.272, rel=1e-12)
