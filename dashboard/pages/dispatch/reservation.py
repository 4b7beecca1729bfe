"""One reservation: who holds which crane when, the lift that was planned, the lift sheet, and giving the crane back."""

from typing import Any
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard.client import Client
from dashboard.pages.dispatch import lift as dispatch_lift
from dashboard.pages.dispatch.answer import job_words
from dashboard.pages.dispatch.parts import clock, head
from dashboard.pages.dispatch.question import address_of
from dashboard.parts import form, marks, page
from dashboard.parts.form import Done, Values
from dashboard.visit import Visit
from domain import attention
from domain.job_answers import ReservationRow
from words import numbers
from words.texts import cautions, t


async def render(visit: Visit) -> Any:
    """What is held, and what can be done about it."""
    row = await visit.client.reservation(int(visit.place["reservation"]))
    zone = ZoneInfo(row.time_zone)
    parts: list[Any] = [
        head("calendar", row.title, t("dispatch.reservation.context", number=row.reservation_id)),
        page.card(
            t("dispatch.reservation.held"),
            _state(row),
            page.note(t("dispatch.reservation.override", reason=row.override_reason))
            if row.override_reason
            else None,
            marks.facts(
                marks.fact(t("dispatch.reservation.crane"), page.crane_link(row.crane), row.site),
                marks.fact(
                    t("dispatch.reservation.day"), numbers.weekday(row.starts_at.astimezone(zone).date())
                ),
                marks.fact(t("dispatch.reservation.time"), clock(row), row.time_zone),
                marks.fact(t("dispatch.reservation.by"), row.held_by, numbers.moment(row.held_at, zone)),
            ),
            _steps(row),
        ),
    ]
    if row.job is not None and row.planned is not None:
        parts.append(page.card(t("dispatch.reservation.job"), note=job_words(row.job, visit)))
        parts.append(await dispatch_lift.lift(visit, row.job, row.planned, held=True))
    parts.append(marks.cautions(cautions("dispatch"), strong=True))
    return html.Div(parts)


def _state(row: ReservationRow) -> html.Div:
    if row.released_at is None:
        return html.Div(
            marks.mark(attention.State.OK, t("dispatch.reservation.is_held")), className="bl-mark-row"
        )
    words = t(
        "dispatch.reservation.is_released",
        who=row.released_by or "",
        when=numbers.moment(row.released_at, ZoneInfo(row.time_zone)),
    )
    return html.Div(marks.mark(attention.State.STALE, words), className="bl-mark-row")


def _steps(row: ReservationRow) -> html.Div:
    day = row.starts_at.astimezone(ZoneInfo(row.time_zone)).date().isoformat()
    steps: list[Any] = [
        page.tall(t("dispatch.reservation.calendar"), f"/dispatch/calendar?crane={row.crane}&from={day}")
    ]
    if row.job is not None:
        if row.released_at is None:
            steps.append(_sheet(row))
        steps.append(page.tall(t("dispatch.reservation.again"), address_of(row.job)))
    if row.released_at is None:
        steps.append(
            form.sure(
                "release",
                t("dispatch.release"),
                t("dispatch.release.sure", crane=row.crane),
                key=str(row.reservation_id),
                context={"reservation_id": row.reservation_id, "crane": row.crane},
            )
        )
    return html.Div(steps, className="bl-steps-row")


def _sheet(row: ReservationRow) -> html.Div:
    return html.Div(
        [
            dcc.Store(
                id="sheet-job",
                data={"crane": row.crane, "title": row.title, "reservation_id": row.reservation_id},
            ),
            dcc.Download(id="sheet-file"),
            html.Button(
                t("dispatch.sheet"), id="sheet-print", type="button", className="bl-button bl-button-tall"
            ),
            html.P(id="sheet-problem", className="bl-form-problem", role="alert"),
        ],
        className="bl-sheet",
    )


@form.handles("release")
async def _release(client: Client, values: Values, context: Values) -> Done:
    await client.release(int(context["reservation_id"]))
    return Done(said=t("dispatch.release.done", crane=context["crane"]))
