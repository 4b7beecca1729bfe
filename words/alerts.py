"""What findings about readings and alerts say, from the catalogue."""

from typing import NamedTuple

from domain.alerts import AlertKind
from domain.findings import FindingCode
from domain.system_watch import PARTS, Trouble
from words.remarks import text
from words.texts import t


class FindingWords(NamedTuple):
    """What a finding is, the figures that it moves, what follows, and what to do."""

    title: str
    figures: str
    consequence: str
    next_step: str


class AlertWords(NamedTuple):
    """What an alert says where its rule has no words of its own."""

    cause: str
    consequence: str
    action: str


def finding_words(code: str) -> FindingWords:
    """The words of a code of a finding."""
    return FindingWords(*(t(f"finding.{code}.{part}") for part in FindingWords._fields))


def alert_words(kind: AlertKind, subject: str = "") -> AlertWords:
    """The words of a kind; of an alert about a finding those of its code."""
    if kind is AlertKind.FINDING and subject in set(FindingCode):
        of_code = finding_words(subject)
        return AlertWords(f"{of_code.title}.", of_code.consequence, of_code.next_step)
    return AlertWords(*(t(f"alert.{kind}.{part}") for part in AlertWords._fields))


def token_end_words(end: str) -> str:
    """Why an alert about a token is over: revoked, expired, renewed or nearer."""
    return t(f"alert.token_expiry.end.{end}")


def sentence(kind: AlertKind, value: float | None, subject: str, days: int, detail: str = "") -> str:
    """What an alert found, in words. detail: names, where it is about several cranes of a site."""
    if value is None:
        return t("alert.none", kind=kind.replace("_", " "))
    if kind is AlertKind.SERVICE_DUE and value <= 0:
        return t("alert.service_overdue", subject=subject)
    if kind is AlertKind.ASSESSMENT_DUE and value <= 0:
        return t("alert.assessment_now" if value == 0 else "alert.assessment_overdue")
    if kind is AlertKind.FINDING and subject in set(FindingCode):
        subject = finding_words(subject).title
    words = t(f"alert.{kind}.measure", value=value, subject=subject, days=days)
    return t("alert.cranes", what=words, cranes=detail) if detail else words


class SystemWords(NamedTuple):
    """What is wrong with a part of the system, what follows, and what to do."""

    text: str
    consequence: str
    action: str


def system_words(trouble: Trouble) -> SystemWords:
    """The words of something that is wrong with the system."""
    told, part = text(trouble.told), trouble.subject.replace(" ", "_")
    if trouble.subject not in PARTS:
        return SystemWords(told, "", t("system.other.action"))
    return SystemWords(told, t(f"system.{part}.consequence"), t(f"system.{part}.action"))
