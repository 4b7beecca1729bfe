"""A second language is one more catalogue: its words, plurals, decimal sign and days come out, and gaps are said in English."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dashboard.app import create_dashboard
from dashboard.pages.dispatch import parts
from dashboard.parts import charts
from dashboard.theme import graph_config
from domain.alerts import AlertKind
from domain.remark import Quantity, count, significant, years
from reports.document import hours, percent
from reports.rows import overload_words
from words import numbers, remarks
from words.alerts import sentence
from words.numbers import NBSP, THIN, Units
from words.remarks import remark
from words.texts import Language, english, speak, t

HERE = Path(__file__).parent / "catalogue"


@pytest.fixture
def german() -> Iterator[Language]:
    language = Language("de", HERE)
    speak(language)
    yield language
    speak(english())


@pytest.mark.usefixtures("german")
def test_a_page_an_alert_and_a_report_speak_the_language() -> None:
    assert "Disposition" in str(parts.head("dispatch.tab.job", t("dispatch.title")).to_plotly_json())
    assert sentence(AlertKind.LIFE_USED, 91.25, "", 30) == "91,2 % der vorgesehenen Nutzungsdauer verbraucht"
    assert overload_words(3, 1) == "3, davon 1 offen"
    assert (percent(0.1234), hours(4_500_000)) == ("12,3 %", f"1{THIN}250,0 h")
    assert '<html lang="de"' in create_dashboard("http://127.0.0.1:1").index_string


@pytest.mark.usefixtures("german")
def test_one_and_many_have_their_forms() -> None:
    assert [t("period.days", count=days) for days in (1, 3)] == ["Ein Tag", "3 Tage"]
    low, high = significant(0.0, "%"), significant(200.0, "%")
    beyond = [remark("readings.beyond", count=count(how_many), low=low, high=high) for how_many in (1, 2.0)]
    assert [one.text.split(" außer")[0] for one in beyond] == ["1 Messwert", "2 Messwerte"]


def test_the_forms_are_those_of_the_language(tmp_path: Path) -> None:
    (tmp_path / "pl.toml").write_text(
        '"d" = "{count} dnia"\n"d.one" = "dzień"\n"d.few" = "dni"\n"d.many" = "dni wiele"\n'
    )
    polish = Language("pl", tmp_path)
    assert [polish.text("d", n) for n in (1, 2, 5, 22, 1.5)] == [
        "dzień",
        "dni",
        "dni wiele",
        "dni",
        "{count} dnia",
    ]


@pytest.mark.usefixtures("german")
@pytest.mark.parametrize("shown", [
    lambda: (numbers.plain(-1234.5, 1), f"\u22121{THIN}234,5"),
    lambda: (numbers.plain(1234.0), f"1{THIN}234"),
    lambda: (numbers.rated(4998, Units.METRIC), f"4,99{NBSP}t"),  # cut, in every language
    lambda: (numbers.figure(0.125), "0,125"),
    lambda: (charts.layout(x_title="", y_title="")["separators"], f",{THIN}"),
    lambda: (numbers.day(date(2026, 3, 2)), f"2.{NBSP}März{NBSP}2026"),
    lambda: (numbers.weekday(date(2026, 3, 2)), f"Montag, 2.{NBSP}März{NBSP}2026"),
    lambda: (numbers.moment(datetime(2026, 3, 2, 9, 5, tzinfo=UTC), ZoneInfo("Europe/Vienna")), f"2.{NBSP}März{NBSP}2026, 10:05{NBSP}CET"),
    lambda: (numbers.listed(["a", "b"]), "a und b"),
    lambda: (remark("life.nothing_before", years=years(2.5)).text, "Über 2,5 Jahre vor der Aufzeichnung ist nichts bekannt."),
    lambda: (remark("what_if.about", middle=date(2031, 5, 4)).text, "etwa Mai 2031"),
    lambda: (graph_config()["locales"]["de"]["format"]["months"][2], "März"),
    lambda: (graph_config()["locales"]["de"]["format"]["days"][0], "Sonntag"),
])  # fmt: skip
def test_figures_and_days_read_as_in_the_language(shown: object) -> None:
    read, wanted = shown()  # type: ignore[operator]
    assert read == wanted


def test_what_has_no_words_is_said_in_english_and_counted(german: Language) -> None:
    far = remark("ruled.too_far", outreach=Quantity(value=11.04, unit="m", decimals=1))
    assert far.text == "reach: 11,0 m is farther out than its charts go"
    assert remarks.text(far, Units.US) == f"reach: 36,2{NBSP}ft is farther out than its charts go"
    missing = german.missing()
    assert "remark.ruled.too_far" in missing
    assert "period.days" not in missing
    texts = english().texts
    plain = [key for key in texts if not key.endswith(".one") or key.removesuffix(".one") not in texts]
    assert len(missing) == len(plain) - sum(key in plain for key in german.texts)
    assert english().missing() == []


def test_a_language_without_a_catalogue_is_refused_with_those_there_are() -> None:
    for name in ("xx", "../en", "de"):
        with pytest.raises(ValueError, match=r"no words in the language .*; there are en"):
            Language(name)
