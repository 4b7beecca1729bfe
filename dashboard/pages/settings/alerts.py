"""Rules of alerts, and whom they are told to."""

from typing import Any, Final

from dash import html

from dashboard.client import Client
from dashboard.parts import form, page
from dashboard.parts.form import Done, Values
from dashboard.visit import UTC_ZONE, Visit
from domain.accounts import WhoAmI
from domain.alerts import (
    UNITS,
    AlertKind,
    AlertRuleAsked,
    AlertRuleRow,
    AlertTargetAsked,
    AlertTargetRow,
    Priority,
)
from words import numbers
from words.alerts import alert_words
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")
SCOPES: Final = ("fleet", "site", "type", "crane")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """Rules with a form; for administrators also targets and what became of the last messages."""
    rules = (await visit.client.alert_rules()).items
    may = who.role in MAY_ENTER
    lines = [_rule(visit, row, may) for row in rules]
    parts: list[Any] = [
        page.card(t("rules.title"), page.entries(lines, t("rules.none")), note=t("rules.note"))
    ]
    if may:
        parts.append(_rule_form(next((row for row in rules if row.name == visit.query.get("rule")), None)))
    else:
        parts.append(page.note(t("details.not_yours")))
    if who.role == "admin":
        parts += await _targets(visit)
    return html.Div(parts)


def _rule(visit: Visit, row: AlertRuleRow, may: bool) -> list[Any]:
    scope = next(
        (f"{t(f'rules.scope.{one}')} {getattr(row, one)}" for one in SCOPES[1:] if getattr(row, one)),
        t("rules.scope.fleet"),
    )
    words = t(
        "rules.line",
        kind=t(f"rules.kind.{row.kind}"),
        side=t("rules.falling" if row.falling else "rules.rising"),
        level=f"{row.raise_at:g}{numbers.NBSP}{row.unit}",
        clear=numbers.figure(row.clear_level),
        scope=scope,
        priority=t(f"alerts.priority.{row.priority}").lower(),
        count=row.open_alerts,
    )
    found: list[Any] = [
        html.Div([html.Strong(row.name), "" if row.enabled else t("rules.off"), html.Br(), words]),
    ]
    if may:
        found += [
            page.link(t("details.change"), visit.href(rule=row.name)),
            form.sure(
                "rule-drop", t("details.drop"), t("rules.drop.sure"), key=row.name, context={"rule": row.name}
            ),
        ]
    return found  # fmt: skip


def _rule_form(row: AlertRuleRow | None) -> html.Section:
    name = "rule"
    scope = next((one for one in SCOPES[1:] if row is not None and getattr(row, one)), "fleet")
    fields = [
        form.text(name, "name", row.name if row else ""),
        form.choose(name, "kind", row.kind.value if row else "near_limit_share", [(one.value, t(f"rules.kind.{one}")) for one in AlertKind], note=t("rules.kind.note")),
        form.choose(name, "priority", row.priority.value if row else "medium", [(one.value, t(f"alerts.priority.{one}")) for one in Priority]),
        form.number(name, "raise_at", row.raise_at if row else 5, note=t("rules.raise.note")),
        form.number(name, "clear_at", row.clear_at if row else None, note=t("rules.clear.note")),
        form.number(name, "days", row.days if row else 7, note=t("rules.days.note"), min=1, allowDecimal=False),
        form.choose(name, "scope", scope, [(one, t(f"rules.scope.{one}")) for one in SCOPES]),
        form.text(name, "scope_name", getattr(row, scope) if row is not None and scope != "fleet" else "", note=t("rules.scope.note")),
        form.text(name, "codes", ", ".join(row.codes) if row else "", note=t("rules.codes.note")),
        form.text(name, "action", row.action if row else "", note=t("rules.action.note")),
        form.yes_no(name, "enabled", row.enabled if row else True),
    ]  # fmt: skip
    units = html.Ul(
        [
            html.Li(f"{t(f'rules.kind.{kind}')}: {unit}; {alert_words(kind).cause}")
            for kind, unit in UNITS.items()
        ],
        className="bl-notes",
    )
    return page.card(
        t("rules.change", name=row.name) if row else t("rules.new"),
        form.form(name, fields, t("rules.save")),
        page.fold(t("rules.units"), units),
    )


async def _targets(visit: Visit) -> list[Any]:
    targets = (await visit.client.alert_targets()).items
    sent = (await visit.client.alert_deliveries(limit=20)).items
    lines = [_target(row) for row in targets]
    fields = [
        form.text("target", "name"),
        form.text("target", "recipients", note=t("targets.recipients.note")),
        form.text("target", "web_address", note=t("targets.web.note")),
        form.choose(
            "target", "least_priority", "low", [(one.value, t(f"alerts.priority.{one}")) for one in Priority]
        ),
        form.text("target", "quiet_from", note=t("targets.quiet.note")),
        form.text("target", "quiet_to"),
    ]
    tried = [
        html.Li(t("targets.sent", target=one.target, when=numbers.moment(one.made_at, UTC_ZONE), state=one.state, error=one.last_error))
        for one in sent
    ]  # fmt: skip
    return [
        page.card(
            t("targets.title"),
            page.entries(lines, t("targets.none")),
            html.H3(t("targets.new")),
            form.form("target", fields, t("targets.save")),
            page.fold(
                t("targets.last"), html.Ul(tried or [html.Li(t("targets.never"))], className="bl-notes")
            ),
            note=t("targets.note"),
        )
    ]


def _target(row: AlertTargetRow) -> list[Any]:
    where = row.web_address or numbers.listed(list(row.recipients))
    words = t("targets.line", where=where, priority=t(f"alerts.priority.{row.least_priority}").lower())
    context = {"target": row.name}
    return [
        html.Div([html.Strong(row.name), html.Br(), words]),
        form.form("target-try", (), t("targets.try"), key=row.name, context=context, quiet=True, label=f"{t('targets.try')}: {row.name}"),
        form.sure("target-drop", t("details.drop"), t("targets.drop.sure"), key=row.name, context=context),
    ]  # fmt: skip


def rule_of(values: Values) -> dict[str, Any]:
    """What the form holds, as the api wants it."""
    found = {key: values.get(key) for key in ("kind", "priority", "raise_at", "clear_at", "days", "action")}
    found["codes"] = [one for one in str(values.get("codes") or "").replace(",", " ").split() if one]
    found["enabled"] = values.get("enabled") == "yes"
    scope = str(values.get("scope") or "fleet")
    if scope != "fleet":
        if not values.get("scope_name"):
            raise form.Unreadable({"scope_name": t("form.needed")})
        found[scope] = values["scope_name"]
    return found


def _named(values: Values) -> str:
    name = str(values.get("name") or "").strip()
    if not name:
        raise form.Unreadable({"name": t("form.needed")})
    return name


@form.handles("rule")
async def _enter(client: Client, values: Values, _context: Values) -> Done:
    name = _named(values)
    await client.write_alert_rule(name, form.read(AlertRuleAsked, rule_of(values)))
    return Done(said=t("rules.saved", name=name))


@form.handles("rule-drop")
async def _drop(client: Client, _values: Values, context: Values) -> Done:
    await client.drop_alert_rule(context["rule"])
    return Done(said=t("details.dropped", name=context["rule"]))


@form.handles("target")
async def _enter_target(client: Client, values: Values, _context: Values) -> Done:
    name = _named(values)
    people = [one for one in str(values.get("recipients") or "").replace(",", " ").split() if one]
    given = {key: values.get(key) for key in ("web_address", "least_priority", "quiet_from", "quiet_to")}
    await client.write_alert_target(name, form.read(AlertTargetAsked, {**given, "recipients": people}))
    return Done(said=t("rules.saved", name=name))


@form.handles("target-drop")
async def _drop_target(client: Client, _values: Values, context: Values) -> Done:
    await client.drop_alert_target(context["target"])
    return Done(said=t("details.dropped", name=context["target"]))


@form.handles("target-try")
async def _try(client: Client, _values: Values, context: Values) -> Done:
    await client.try_alert_target(context["target"])
    return Done(said=t("targets.tried"))
