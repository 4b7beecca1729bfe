"""The summary row of one crane: totals from its days, and what they mean."""

from datetime import timedelta
from typing import Any, Final

import psycopg

from analytics import counting
from analytics.counting import Method
from analytics.entries import CraneEntry, crane_entry
from domain.detail import DetailSpec
from domain.errors import InvalidInput
from duty import damage, directions, ledger, life
from duty.details import COMPARISON
from store.duty import DETAILS_OF, LIFE_READ, WEEKLY_USE
from store.sql import query
from store.statement import run

SPENT: Final = 1.0  # used share at which the design working period is spent
_WEEK: Final = timedelta(days=7)


def refresh(conn: psycopg.Connection[Any], entry: CraneEntry, method: Method) -> None:
    """Writes the summary of one crane. The caller holds the crane's claim, which is the lock on this row."""
    keys = {"crane_id": entry.crane_id, "counting_id": method.counting_id}
    totals = conn.execute(query("summary_totals_written"), keys).fetchone()
    if totals is None:
        return
    lifts, cube_sum, recorded_ms = totals
    missing_ms = sum(_one(conn, name, keys) for name in ("day_gaps_ms", "seam_missing_ms"))
    share = life.coverage(recorded_ms, missing_ms)
    f1 = life.f1_from_coverage(share).f1
    run(
        conn,
        "summary_judged",
        crane_id=entry.crane_id,
        missing_ms=missing_ms,
        coverage=share,
        f1=f1,
        **_used(conn, entry, keys, lifts, cube_sum, f1),
        **_damage(conn, entry, method),
    )


def refresh_one_changed(conn: psycopg.Connection[Any]) -> bool:
    """Writes the summary of one crane whose entries are not those it rests on, in a transaction; False without one."""
    with conn.transaction():
        method = counting.in_use(conn)
        row = conn.execute(query("crane_with_changed_entries")).fetchone()
        if row is None:
            return False
        refresh(conn, crane_entry(conn, row[0]), method)
    return True


def _used(
    conn: psycopg.Connection[Any],
    entry: CraneEntry,
    keys: dict[str, int],
    lifts: int,
    cube_sum: float,
    f1: float,
) -> dict[str, Any]:
    nothing: dict[str, Any] = dict.fromkeys(
        (
            *("used_share", "used_share_counted", "used_share_prior"),
            *("forecast_early_on", "forecast_middle_on", "forecast_late_on"),
        )
    )
    design = entry.crane.design
    if design is None:
        return {**nothing, "forecast_text": "enter the design class from the crane's manual"}
    try:
        used = life.used_share(design, lifts, cube_sum / lifts if lifts else 0.0, f1, entry.crane.prior_duty)
    except InvalidInput as problem:
        return {**nothing, "forecast_text": str(problem)}
    weeks = WEEKLY_USE.all(conn, **keys)
    # Counted up to the last week on record, so that the same record gives the same dates whenever it is counted.
    today = weeks[-1].week + _WEEK if weeks else entry.crane.commissioned_on
    use = [life.share_of_design(design, week.peak_cubed_sum, f1) for week in weeks]
    whole = life.whole_weeks([week.week for week in weeks], use, today)
    found = life.forecast(whole, used.total, SPENT, today)
    dates = (
        {"forecast_text": found.reason}
        if isinstance(found, life.NoForecast)
        else {
            "forecast_early_on": found.early_on,
            "forecast_middle_on": found.middle_on,
            "forecast_late_on": found.late_on,
            "forecast_text": f"use is {found.trend.direction} over {found.weeks} weeks",
        }
    )
    return {
        **nothing,
        "used_share": used.total,
        "used_share_counted": used.counted,
        "used_share_prior": used.prior,
        **dates,
    }


def _damage(conn: psycopg.Connection[Any], entry: CraneEntry, method: Method) -> dict[str, Any]:
    """Damage of the default detail over the recorded life; of the assumed comparison detail while none is entered."""
    rows = DETAILS_OF.all(conn, crane=entry.crane.name)
    detail = COMPARISON
    if rows:
        detail = damage.detail_of(rows[0].name, DetailSpec.model_validate(rows[0].spec))
    turned = detail.direction != "none"
    spans = LIFE_READ.all(conn, crane=entry.crane.name, directions=turned)
    total, phi = 0.0, None
    if turned:
        parts = [directions.from_bytes(span.directions) for span in spans if span.directions is not None]
        if parts:
            found = damage.of_directions(detail, directions.merge_all(parts))
            total, phi = found.total, found.phi_deg
    elif spans:
        merged = ledger.merge_all([ledger.from_bytes(span.ledger) for span in spans])
        total = damage.of_ledger(detail, merged).total
    return {"detail_name": detail.name, "damage": total, "damage_direction_deg": phi}


def _one(conn: psycopg.Connection[Any], name: str, keys: dict[str, int]) -> int:
    row = conn.execute(query(name), keys).fetchone()
    return 0 if row is None else int(row[0])
