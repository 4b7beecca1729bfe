"""Findings about readings of one crane, judged again from the statistics of its days; no sample is read."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import orjson
import psycopg

from analytics.counting import CraneEntry, Method
from domain.findings import Thresholds
from duty import findings
from duty.day_findings import DayFacts, DayFinding, RefusedReadings, set_aside
from duty.plausibility import from_bytes
from store import quarantine
from store.columns import from_ms, to_ms
from store.duty import FIRST_DAY, LAST_DAY
from store.findings import FINDING_FACTS, FactsRow, write
from store.refused import by_day

JUDGE_VERSION: Final = 3  # raise it when the same statistics and thresholds would give other findings


def judged_by(thresholds: Thresholds) -> str:
    """What findings rest on beside the statistics of the days."""
    return orjson.dumps([JUDGE_VERSION, asdict(thresholds)], option=orjson.OPT_SORT_KEYS).decode()


def refresh(
    conn: psycopg.Connection[Any],
    entry: CraneEntry,
    method: Method,
    thresholds: Thresholds,
    days: Sequence[date] = (),
) -> None:
    """Judges what recounted days may have changed, or every day where none is given. The caller holds the claim."""
    day_from, day_to = FIRST_DAY, LAST_DAY
    read_from, read_to = FIRST_DAY, LAST_DAY
    if days:
        day_from = min(days) - timedelta(days=findings.DAYS_AFTER)
        day_to = max(days) + timedelta(days=findings.DAYS_BEFORE)
        read_from = day_from - timedelta(days=findings.DAYS_BEFORE + findings.DAYS_AFTER)
        read_from -= timedelta(days=read_from.weekday())  # whole weeks
        read_to = day_to + timedelta(days=findings.DAYS_AFTER)
    rows = FINDING_FACTS.all(
        conn,
        crane_id=entry.crane_id,
        counting_id=method.counting_id,
        day_from=read_from,
        day_to=read_to,
    )
    refused: defaultdict[date, list[RefusedReadings]] = defaultdict(list)
    for one in by_day(conn, entry.crane_id, read_from, read_to):
        refused[one.day].append(
            RefusedReadings(one.channel, one.readings, to_ms(one.first_at), to_ms(one.last_at), one.known)
        )
    facts = [_facts(row, refused.get(row.day, ()), entry.zone) for row in rows]
    found = findings.judge(entry.type_on, facts, thresholds, day_from=day_from, day_to=day_to)
    found += _set_aside(conn, entry, thresholds, day_from, day_to)
    write(conn, entry.crane_id, day_from, day_to, _rows(found), judged_by(thresholds))


def _set_aside(
    conn: psycopg.Connection[Any], entry: CraneEntry, thresholds: Thresholds, day_from: date, day_to: date
) -> list[DayFinding]:
    """Messages that could not be read, of the days on which they came, whether anything is on record of them or not."""
    return [
        set_aside(one.day, one.messages, to_ms(one.first_at), to_ms(one.last_at))
        for one in quarantine.BY_DAY.all(
            conn, crane=entry.crane.name, zone=entry.zone.key, first_day=day_from, last_day=day_to
        )
        if one.messages >= thresholds.messages_refused
    ]


def _facts(row: FactsRow, refused: Sequence[RefusedReadings], zone: ZoneInfo) -> DayFacts:
    first = None if row.first_boot is None or row.first_seq is None else (row.first_boot, row.first_seq)
    last = None if row.last_boot is None or row.last_seq is None else (row.last_boot, row.last_seq)
    return DayFacts(
        day=row.day,
        first_ms=to_ms(row.first_at),
        past_ms=to_ms(row.past_at),
        statistics=from_bytes(row.plausibility),
        lifts=row.lifts,
        spikes=row.spikes,
        largest_spike_pct=row.largest_spike_pct,
        sensor_gap_ms=row.sensor_gap_ms,
        hole_ms=row.hole_ms,
        uncounted_ms=row.uncounted_ms,
        came_on=None if row.came_at is None else row.came_at.astimezone(zone).date(),
        refused=tuple(refused),
        first=first,
        last=last,
    )


def _rows(found: Sequence[DayFinding]) -> list[dict[str, Any]]:
    """Rows to write; of two of one day, code and channel the larger."""
    largest: dict[tuple[date, str, str], DayFinding] = {}
    for each in found:
        key = each.day, each.code.value, each.channel
        if key not in largest or abs(each.size) > abs(largest[key].size):
            largest[key] = each
    return [
        {
            "day": each.day,
            "code": each.code.value,
            "channel": each.channel,
            "from_at": from_ms(each.from_ms),
            "to_at": from_ms(each.to_ms),
            "size": each.size,
            "noticed_on": each.noticed_on,
        }
        for each in largest.values()
    ]
