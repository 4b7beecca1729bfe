"""Five different pictures: loading, empty, partial, error, not allowed. Each says the next step."""

from typing import Any

from dash import dcc, html

from words.texts import t


def _picture(kind: str, title: str, text: str, *steps: Any) -> html.Section:
    return html.Section(
        [
            html.Div(className=f"bl-picture bl-picture-{kind}", **{"aria-hidden": "true"}),
            html.H2(title) if kind == "empty" else html.H1(title),
            html.P(text),
            html.Div(list(steps), className="bl-steps") if steps else None,
        ],
        className="bl-state",
        **{"data-state": kind},
    )


def loading() -> html.Div:
    """Grey shapes where the page will stand."""
    blocks = [html.Div(className=f"bl-bone bl-bone-{size}") for size in ("title", "line", "wide", "tall")]
    return html.Div(
        blocks,
        className="bl-loading",
        role="status",
        **{"data-state": "loading", "aria-label": t("state.loading")},
    )


def empty(title: str, text: str, *steps: Any) -> html.Section:
    """Nothing there yet, and how something comes there."""
    return _picture("empty", title, text, *steps)


def no_fleet() -> html.Section:
    """No crane is registered yet."""
    return empty(t("fleet.empty.title"), t("fleet.empty.text"))


def error(detail: str, href: str) -> html.Section:
    """It did not work; the same page can be asked for again."""
    return _picture(
        "error",
        t("state.error.title"),
        detail,
        html.A(t("state.error.again"), href=href, className="bl-button"),
    )


def not_allowed(detail: str, *, signed_in: bool) -> html.Section:
    """Signed out, or signed in without the role."""
    step = html.A(
        t("state.not_allowed.other" if signed_in else "state.not_allowed.sign_in"),
        href="/login",
        className="bl-button bl-button-quiet" if signed_in else "bl-button",
    )
    back = dcc.Link(t("state.not_allowed.start"), href="/", className="bl-button")
    return _picture(
        "not-allowed",
        t("state.not_allowed.title"),
        f"{detail}{t('state.not_allowed.ask')}" if signed_in else detail,
        *([back, step] if signed_in else [step]),
    )


def not_found(detail: str) -> html.Section:
    """No such page or crane."""
    return _picture(
        "not-found",
        t("state.not_found.title"),
        detail,
        dcc.Link(t("state.not_found.fleet"), href="/", className="bl-button"),
    )


def partial(name: str, detail: str) -> html.P:
    """One part of a page is missing while the rest stands."""
    return html.P(
        [html.Strong(t("state.partial", name=name)), " ", detail],
        className="bl-partial",
        **{"data-state": "partial"},
    )
