"""The summary row of one crane: totals from its days, and what they mean."""

from collections.abc import Sequence
from dataclasses import asdict, astuple, fields, replace
from math import isnan
from typing import Any
from zoneinfo import ZoneInfo

import psycopg

from analytics import counting, findings, summary
from analytics.counting import CraneEntry, Method, crane_entry
from domain.findings import DEFAULT_THRESHOLDS, Thresholds
from domain.history import COUNTER_TEXT
from domain.messages import EventKind
from domain.remark import Remark
from duty import damage, directions, ledger, reading
from duty.counters import gains
from duty.damage import COMPARISON
from duty.forecast import Forecast
from duty.life_records import noted_in
from duty.life_status import LifeStatus, Totals, life_status, with_unrecorded
from duty.overloads import OVERLOAD_PCT, Entry, Overload, Run, entries, runs_from_bytes, without_lift
from duty.recording import CounterSpan, Month, spans_of
from store import overloads
from store.columns import from_ms, to_ms
from store.counters import MONTHLY_RECORD, RECORDED_BETWEEN
from store.counters import READINGS as COUNTER_READINGS
from store.details import DETAILS_OF
from store.duty import LAST_DAY, LIFE_READ, SPANS_READ, WEEKLY_RECORD, WEEKLY_USE, Span
from store.life_records import LIFE_RECORDS
from store.overloads import DECISIONS, LIFTS_ABOVE, OVER_PARTS, DecisionRow, OverloadedLift, RegisterRow
from store.sql import query
from store.statement import run


def refresh(conn: psycopg.Connection[Any], entry: CraneEntry, method: Method) -> None:
    """Writes the summary of one crane. The caller holds the crane's claim, which is the lock on this row."""
    keys = {"crane_id": entry.crane_id, "counting_id": method.counting_id}
    row = conn.execute(query("summary_totals_written"), keys).fetchone()
    if row is None:
        return
    lifts, cube_sum, recorded_ms, first_at, unrecorded_ms = row
    weeks = WEEKLY_USE.all(conn, **keys)
    months = [Month(*astuple(one)) for one in MONTHLY_RECORD.all(conn, **keys)]
    counters = _counters(conn, entry, keys)
    totals = Totals(
        lifts=lifts,
        cube_sum=cube_sum,
        recorded_ms=recorded_ms,
        missing_ms=sum(month.missing_ms for month in months),
        months=months,
        counters=counters,
        weeks={week.week: week.peak_cubed_sum for week in weeks},
        first_day=None if first_at is None else first_at.date(),
        last_day=weeks[-1].last_day if weeks else None,
        noted=noted_in(LIFE_RECORDS.all(conn, crane_id=entry.crane_id, record_id=None)),
    )
    apart = unrecorded_ms or any(one.blind for one in counters)
    found = life_status(
        entry.crane, with_unrecorded(totals, WEEKLY_RECORD.all(conn, **keys) if apart else [])
    )
    run(
        conn,
        "summary_judged",
        crane_id=entry.crane_id,
        missing_ms=totals.missing_ms,
        coverage=found.coverage,
        f1=found.factor.f1,
        f1_reason=_kept(found.factor.reason),
        **_used(found),
        **_damage(conn, entry, found),
    )


def refresh_one_changed(conn: psycopg.Connection[Any], thresholds: Thresholds = DEFAULT_THRESHOLDS) -> bool:
    """Writes summary, findings and register of one crane whose entries or thresholds are not those they rest on, in a transaction;
    False without one."""
    with conn.transaction():
        method = counting.in_use(conn)
        here = {"judged_by": findings.judged_by(thresholds)}
        row = conn.execute(query("crane_with_changed_entries"), here).fetchone()
        if row is None:
            return False
        entry = crane_entry(conn, row[0])
        findings.refresh(conn, entry, method, thresholds)
        summary.write_register(conn, entry.crane_id, method, entry.zone)
        refresh(conn, entry, method)
    return True


def _used(found: LifeStatus) -> dict[str, Any]:
    used, spent = found.used, found.spent
    dated = spent if isinstance(spent, Forecast) else None
    return {
        "used_share": None if used is None else used.total,
        "used_share_counted": None if used is None else used.counted,
        "used_share_prior": None if used is None else used.prior_entered,
        "used_share_unknown": None if used is None else used.prior_unknown,
        "used_share_unrecorded": None if used is None else used.unrecorded,
        "unknown_years": found.unknown_years,
        "assessment_on": found.assessment.on,
        "assessment_by": found.assessment.by,
        "assessment_reason": _kept(found.assessment.reason),
        "forecast_early_on": None if dated is None else dated.early_on,
        "forecast_middle_on": None if dated is None else dated.middle_on,
        "forecast_late_on": None if dated is None else dated.late_on,
        "forecast_text": _kept(found.forecast_reason),
    }


def _kept(reason: Remark | None) -> str:
    return "" if reason is None else reason.model_dump_json(exclude={"text"})


def _damage(conn: psycopg.Connection[Any], entry: CraneEntry, stands: LifeStatus) -> dict[str, Any]:
    """Damage of the default detail, what was not counted included; of the comparison detail while none is entered.

    None where no reading was counted for it and nothing is carried.
    """
    rows = DETAILS_OF.all(conn, crane=entry.crane.name)
    detail = COMPARISON
    if rows:
        detail = damage.detail_of(rows[0].name, rows[0].spec)
    turned = detail.direction != "none"
    since = stands.counted_since(detail.name) if rows else None
    of: dict[str, Any] = {"cranes": [entry.crane.name], "day_from": since, "day_to": LAST_DAY}
    spans: Sequence[Span] = (
        LIFE_READ.all(conn, crane=entry.crane.name, directions=turned)
        if since is None
        else SPANS_READ.all(conn, **of, directions=turned)
    )
    total, phi = 0.0, None
    ledgers: tuple[ledger.Ledger, ...] = ()
    if turned:
        parts = [directions.from_bytes(span.directions) for span in spans if span.directions is not None]
        if parts:
            around = directions.merge_all(parts)
            found, ledgers = damage.of_directions(detail, around), around.ledgers
            total, phi = found.total, found.phi_deg
    elif spans:
        ledgers = (ledger.merge_all([ledger.from_bytes(span.ledger) for span in spans]),)
        total = damage.of_ledger(detail, ledgers[0]).total
    outside = reading.beyond(ledgers)
    carried = stands.carried_damage(total, detail.allowed_sum, changed=since is not None)
    known = carried > 0 or any(each.samples for each in ledgers)  # without a reading it is not 0 but unknown
    return {
        "detail_name": detail.name,
        "damage": total + carried if known else None,
        "damage_counted": total if known else None,
        "allowed_sum": detail.allowed_sum,
        "damage_beyond": 0 if outside is None else outside.below + outside.above,
        "damage_direction_deg": phi,
    }


def _counters(conn: psycopg.Connection[Any], entry: CraneEntry, keys: dict[str, int]) -> list[CounterSpan]:
    """What the crane's own counters gained, beside what was recorded."""
    readings = COUNTER_READINGS.all(
        conn, crane_id=entry.crane_id, zone=entry.zone.key, counter_text=COUNTER_TEXT
    )
    found, _ = gains(readings)
    if not found:
        return []
    days = {"after": [one.after for one in found], "upto": [one.upto for one in found]}
    return spans_of(found, RECORDED_BETWEEN.all(conn, **keys, **days))


def write_register(conn: psycopg.Connection[Any], crane_id: int, method: Method, zone: ZoneInfo) -> None:
    """Writes the register after a count, within the caller's transaction."""
    overloads.hold(conn, crane_id)
    keys = {"crane_id": crane_id, "counting_id": method.counting_id}
    lifts = LIFTS_ABOVE.all(conn, **keys, over_pct=OVERLOAD_PCT)
    decided = DECISIONS.all(conn, crane_id=crane_id, ids=None)
    runs = [one for part in OVER_PARTS.all(conn, **keys) for one in runs_from_bytes(part.over_part)]
    apart, peaks = without_lift(runs, [_overload(one) for one in lifts])
    counted = [replace(lift, peak_structural_pct=peak) for lift, peak in zip(lifts, peaks, strict=True)]
    counted += _without_lift(conn, crane_id, apart, zone)
    counted.sort(key=lambda one: one.started_at)
    found = entries([_overload(one) for one in counted], [_overload(one) for one in decided])
    overloads.write(conn, crane_id, [_row(entry, counted, decided) for entry in found])


def _without_lift(
    conn: psycopg.Connection[Any], crane_id: int, runs: Sequence[Run], zone: ZoneInfo
) -> list[OverloadedLift]:
    """Entries of time above the rating that is in no overloaded lift."""
    if not runs:
        return []
    ends = {"time_from": from_ms(runs[0].start_ms), "time_to": from_ms(runs[-1].end_ms)}
    moments = conn.execute(query("limiter_moments"), {"crane_id": crane_id, **ends}).fetchall()
    found = []
    for one in runs:
        started_at, ended_at = from_ms(one.start_ms), from_ms(one.end_ms)
        kinds = [kind for kind, at in moments if started_at <= at <= ended_at]
        found.append(
            OverloadedLift(
                started_at=started_at,
                ended_at=ended_at,
                day=started_at.astimezone(zone).date(),
                peak_utilisation_pct=one.peak_utilisation_pct,
                peak_structural_pct=one.peak_structural_pct,
                peak_outreach_m=None if isnan(one.peak_outreach_m) else one.peak_outreach_m,
                mass_kg=None,
                limiter_stops=kinds.count(EventKind.LIMITER_STOP),
                limiter_overrides=kinds.count(EventKind.LIMITER_OVERRIDE),
                in_lift=False,
            )
        )
    return found


def _overload(lift: OverloadedLift) -> Overload:
    return Overload(to_ms(lift.started_at), to_ms(lift.ended_at), lift.peak_structural_pct)


def _row(entry: Entry, lifts: Sequence[OverloadedLift], decided: Sequence[DecisionRow]) -> RegisterRow:
    """The entry to write: a lift that is no longer counted stands as it was when it was last decided on."""
    lift = decided[entry.decisions[-1]] if entry.lift is None else lifts[entry.lift]
    figures = asdict(lift)
    return RegisterRow(
        **{field.name: figures[field.name] for field in fields(OverloadedLift)},
        counted=entry.lift is not None,
        open=entry.open,
        decision_ids=[decided[number].decision_id for number in entry.decisions],
    )
