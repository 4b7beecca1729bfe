"""A remark carries its figures: rounded to the safe side, and filled into the words."""

from datetime import date

import pytest

from domain.remark import Bound, Quantity, percent, plain_remark, remark, rounded, significant, written_day


@pytest.mark.parametrize(
    ("value", "decimals", "bound", "wanted"),
    [
        (7999.6, 0, "near", 8000.0),
        (7999.6, 0, "most", 7999.0),
        (7999.4, 0, "least", 8000.0),
        (1.2, 1, "most", 1.2),  # 1.2 * 10 lies below 12 in binary fractions
        (0.29, 2, "most", 0.29),
        (0.29, 2, "least", 0.29),
        (1.191, 2, "least", 1.2),
    ],
)
def test_a_bound_is_never_crossed_by_rounding(
    value: float, decimals: int, bound: Bound, wanted: float
) -> None:
    assert rounded(value, decimals, bound) == pytest.approx(wanted, abs=1e-12)


def test_words_are_filled_with_their_quantities() -> None:
    found = remark(
        "too_far", "reach: {outreach} is too far", outreach=Quantity(value=11.04, unit="m", decimals=1)
    )
    assert found.text == "reach: 11.0 m is too far"
    assert found.values["outreach"] == Quantity(value=11.04, unit="m", decimals=1)


def test_a_count_or_ratio_has_no_unit() -> None:
    found = remark(
        "pace",
        "{days} days at {pace}",
        days=Quantity(value=5, unit="1"),
        pace=Quantity(value=1.61, unit="1", decimals=1),
    )
    assert found.text == "5 days at 1.6"


def test_what_people_entered_is_no_slot() -> None:
    found = plain_remark("service_overdue", "service overdue: {yearly} check")
    assert found.text == found.words.format() == "service overdue: {yearly} check"


def test_a_day_reads_alike_in_every_sentence() -> None:
    assert written_day(date(2028, 1, 28)) == "28 Jan 2028"


@pytest.mark.parametrize(
    ("quantity", "wanted"),
    [
        (significant(0.0), "0"),
        (significant(0.5), "0.5"),
        (significant(12.0), "12"),
        (significant(1.15), "1.15"),
        (significant(1234.0, digits=2), "1234"),
        (significant(0.00012, digits=2), "0.00012"),
        (percent(0.0423), "4.2 %"),
        (percent(0.9996), "100 %"),
        (percent(1.8049), "180 %"),
    ],
)
def test_a_figure_has_so_many_digits_and_no_zeros_after_them(quantity: Quantity, wanted: str) -> None:
    assert str(quantity) == wanted
