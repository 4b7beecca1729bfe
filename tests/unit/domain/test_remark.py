"""A remark carries its figures: rounded to the safe side, and filled into the words."""

from datetime import date

import pytest

from domain.remark import Bound, Quantity, Remark, coded, percent, rounded, significant
from words.remarks import kept, remark, text


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
    found = remark("ruled.too_far", outreach=Quantity(value=11.04, unit="m", decimals=1))
    assert found.text == "reach: 11.0 m is farther out than its charts go"
    assert found.values["outreach"] == Quantity(value=11.04, unit="m", decimals=1)


def test_a_count_or_ratio_has_no_unit() -> None:
    assert remark("lighter", pace=Quantity(value=1.61, unit="1", decimals=1)).text.endswith(
        "at 1.6 times the even pace"
    )


def test_what_people_entered_is_no_slot() -> None:
    found = remark("service_overdue", plan="{yearly} check")
    assert found.text == text(found) == "service overdue: {yearly} check"


def test_a_remark_that_was_kept_reads_as_it_was_told_where_nobody_tells_it_any_more() -> None:
    kept = Remark(code="of_old", values={"m": Quantity(value=1, unit="m")}, text="farther than 1 m")
    assert text(kept) == "farther than 1 m"
    with pytest.raises(KeyError):
        remark("of_old")


def test_a_day_reads_alike_in_every_sentence() -> None:
    assert remark("due_on", day=date(2028, 1, 28)).text == "due on 28 Jan 2028"


def test_a_remark_in_the_store_gets_its_words_and_a_sentence_of_before_stays() -> None:
    reason = coded("f1.unsupported", recorded=coded("f1.coverage_unknown"), stated=coded("f1.not_stated"))
    told = kept(reason.model_dump_json(exclude={"text"}))
    assert (
        told.text
        == "coverage is not known; how the recorder runs is not stated; nothing independent supports it"
    )
    assert told.values["recorded"][0].text == "coverage is not known"  # type: ignore[index, union-attr]
    assert kept("10 years after manufacture").text == "10 years after manufacture"


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
