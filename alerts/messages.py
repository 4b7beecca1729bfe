"""What a message says: one JSON body a message, grouped by crane, and the same as plain text for e-mail."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import groupby
from typing import Any, Final
from zoneinfo import ZoneInfo

from domain.alerts import FLEET_KINDS, UNITS, AlertRuleAsked
from store.alert_watch import News
from words.alerts import alert_words, sentence
from words.texts import t

ALERTS_MAX: Final = 100
Body = dict[str, Any]


def alerts_body(news: Sequence[News], made_at: datetime, link: str | None) -> Body:
    """News of one target as a body, by crane. Raised and cleared before it was told is one entry.

    So is what is raised by one rule about the fleet at several sites: it stands at the first crane.
    """
    cranes: list[Body] = []
    listed = 0
    news = _together(news)
    for crane, of_crane in groupby(news, key=lambda one: one.crane):
        entries: list[Body] = []
        rows = list(of_crane)
        for _, of_alert in groupby(rows, key=lambda one: one.alert_id):
            whole = list(of_alert)
            if listed < ALERTS_MAX:
                entries.append(_entry(whole))
            listed += 1
        if entries:
            first = rows[0]
            cranes.append(
                {"crane": crane, "site": first.site, "time_zone": first.time_zone, "alerts": entries}
            )
    return {
        "kind": "alerts",
        "made_at": made_at.isoformat(),
        "cranes": cranes,
        "more": max(0, listed - ALERTS_MAX),
        "link": link,
        "caution": t("caution.alert"),
    }


def _together(news: Sequence[News]) -> list[News]:
    """The news with that of one rule about the fleet, raised at several sites, as one."""
    of_rule: dict[str, list[News]] = {}
    for one in news:
        if one.what == "raised" and one.cleared_at is None and one.spec.get("kind") in set(FLEET_KINDS):
            of_rule.setdefault(one.rule, []).append(one)
    whole = {
        alike[0].news_id: replace(
            alike[0],
            value=sum(one.value or 0.0 for one in alike),
            detail=", ".join(sorted(one.detail for one in alike)),
        )
        for alike in of_rule.values()
    }
    folded = {one.news_id for alike in of_rule.values() for one in alike[1:]}
    return [whole.get(one.news_id, one) for one in news if one.news_id not in folded]


def _entry(news: Sequence[News]) -> Body:
    newest = news[-1]
    rule = AlertRuleAsked.model_validate(newest.spec)
    words = alert_words(rule.kind, newest.subject)
    return {
        "alert_id": newest.alert_id,
        "what": "raised and cleared" if len({one.what for one in news}) > 1 else newest.what,
        "rule": newest.rule,
        "watches": rule.kind.value,
        "priority": rule.priority.value,
        "text": sentence(rule.kind, newest.value, newest.subject, rule.days, newest.detail),
        "subject": newest.subject,
        "value": newest.value,
        "unit": UNITS[rule.kind],
        "raised_at": newest.raised_at.isoformat(),
        "cleared_at": newest.cleared_at.isoformat() if newest.cleared_at else None,
        "acknowledged_by": newest.acknowledged_by,
        "cause": rule.cause or words.cause,
        "consequence": rule.consequence or words.consequence,
        "what_to_do": rule.action or words.action,
    }


def subject_line(body: Mapping[str, Any]) -> str:
    """Counts only: the subject of a mail is read on locked screens."""
    if body["kind"] == "trial":
        return t("mail.trial")
    if body["kind"] == "system":
        wrong = len(body["raised"])
        return t("mail.system", count=wrong) if wrong else t("mail.system.again")
    entries = [entry for crane in body["cranes"] for entry in crane["alerts"]]
    total = len(entries) + body["more"]
    high = sum(entry["priority"] == "high" and entry["what"] != "cleared" for entry in entries)
    cranes = sum(bool(one["crane"]) for one in body["cranes"])
    at = t("mail.at", cranes=t("many.cranes", count=cranes)) if cranes else ""
    text = t("mail.subject", alerts=t("mail.alerts", count=total), at=at)
    return text + t("mail.high", count=high) if high else text


def plain_text(body: Mapping[str, Any]) -> str:
    """A body as the text of a mail; times by the clock of each crane's site, with its name."""
    if body["kind"] == "trial":
        return f"{body['text']}\n"
    if body["kind"] == "system":
        return _system_text(body)
    parts: list[str] = []
    for crane in body["cranes"]:
        zone = crane["time_zone"]
        parts.append(f"{crane['crane']} ({crane['site']})" if crane["crane"] else t("alerts.accounts"))
        for entry in crane["alerts"]:
            parts.append(f"  [{entry['priority']}] {entry['what']}: {entry['text']}")
            parts.append(t("mail.raised", at=_local(entry["raised_at"], zone), rule=entry["rule"]))
            if entry["cleared_at"]:
                parts.append(t("mail.cleared", at=_local(entry["cleared_at"], zone)))
                continue
            if entry["acknowledged_by"]:
                parts.append(t("mail.acknowledged", who=entry["acknowledged_by"]))
            parts += [t(f"mail.{part}", text=entry[part]) for part in ("cause", "consequence", "what_to_do")]
        parts.append("")
    if body["more"]:
        parts.append(t("mail.more", count=body["more"]) + "\n")
    if body["link"]:
        parts.append(f"{body['link']}\n")
    parts.append(body["caution"])
    return "\n".join(parts) + "\n"


def _system_text(body: Mapping[str, Any]) -> str:
    parts = [t("mail.about_system"), ""]
    for one in body["raised"]:
        parts += [
            t("mail.since", text=one["text"], at=_utc(one["since"])),
            t("mail.consequence", text=one["consequence"]),
            t("mail.what_to_do", text=one["what_to_do"]),
        ]
    parts += [t("mail.works_again", part=one["part"], at=_utc(one["raised_at"])) for one in body["cleared"]]
    return "\n".join([*parts, *([body["link"]] if body["link"] else [])]) + "\n"


def _utc(moment: str) -> str:
    return f"{datetime.fromisoformat(moment).astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _local(moment: str, zone: str) -> str:
    return f"{datetime.fromisoformat(moment).astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M} {zone}"
