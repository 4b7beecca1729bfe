"""A catalogue of status codes, line by line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from duty.status_csv import read_codes


@pytest.mark.parametrize("between", [",", ";", "\t"])
def test_codes_with_and_without_advice(between: str) -> None:
    lines = ["\ufeffcode,meaning,advice", "# a remark", "X-01,oil hot,let it cool", "", 'X-02,"oil, low",']
    text = "\n".join(lines[:2] + [line.replace(",", between) for line in lines[2:4]])
    text = text.replace("code,meaning,advice", between.join(["code", "meaning", "advice"]))
    found = read_codes(text)
    assert found.problems == ()
    assert found.codes == (("X-01", "oil hot", "let it cool"),)
    quoted = read_codes("\n".join(lines))
    assert quoted.codes[1] == ("X-02", "oil, low", "")


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ("", 0, "header"),
        ("code,text\nX,y", 0, "meaning"),
        ("code,meaning\n", 0, "no code"),
        ("code,meaning\n,oil", 2, "empty"),
        ("code,meaning\nX-1,", 2, "meaning of X-1"),
        ("code,meaning\nX-1,a\nX-1,b", 3, "twice"),
        (f"code,meaning\n{'X' * 65},a", 2, "longer than 64"),
        ("code,meaning\nX-1,a\0b", 2, "NUL"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(text: str, line: int, word: str) -> None:
    (problem,) = read_codes(text).problems
    assert problem.line == line
    assert word in problem.text


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused(text: str) -> None:
    found = read_codes(text)
    assert bool(found.problems) != bool(found.codes)
