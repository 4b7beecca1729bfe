"""An example of each body that the api takes, for its description: all invented, each accepted by its model (a test)."""

from typing import Any, Final

_JOB: Final[dict[str, Any]] = {
    "mass_kg": 1200.0,
    "rigging_kg": 60.0,
    "outreach_m": 8.0,
    "hook_height_m": 4.0,
    "pick": {"outreach_m": 4.0, "hook_height_m": 1.5},
    "window": {"starts_at": "2026-03-02T06:00:00Z", "ends_at": "2026-03-02T10:00:00Z"},
}
_DETAIL: Final[dict[str, Any]] = {
    "mpa_per_pct": 1.1,
    "curve": "EN 1993-1-9",
    "reference_mpa": 71.0,
    "gamma_mf": 1.35,
    "direction": "worst",
    "is_default": True,
}

BY_SCHEMA: Final[dict[str, dict[str, Any]]] = {
    "AccountChange": {"role": "engineer", "sites": ["north-yard"]},
    "Acknowledged": {"note": "crane is on the way to the workshop"},
    "AlertRuleAsked": {
        "kind": "near_limit_share",
        "priority": "medium",
        "raise_at": 25.0,
        "clear_at": 20.0,
        "site": "north-yard",
    },
    "AlertTargetAsked": {"recipients": ["yard@example.com"], "quiet_from": "20:00", "quiet_to": "06:00"},
    "AssignmentAsked": {"jobs": [{"title": "roof trusses", "job": _JOB, "travel_minutes": 30.0}]},
    "ChartsAsked": {
        "csv": "spread_left,spread_right,sector,jib,stage,hook_height_m,outreach_m,capacity_kg\n"
        "full,full,over_cab,no,,,4.0,5400\nfull,full,over_cab,no,,,8.0,2500\n",
        "valid_from": "2026-03-02",
        "source": "invented plate, edition 2",
        "check_only": True,
    },
    "CounterReadingAsked": {"kind": "operating_hours", "read_on": "2026-03-01", "value": 3120.5},
    "FurtherChannelAsked": {"unit": "bar", "low": 0.0, "high": 400.0, "meaning": "pump pressure"},
    "LiftDrawingAsked": {"crane": "heron-3", "job": _JOB},
    "Credentials": {"account": "ida", "password": "correct-horse-42-staple"},
    "DetailAsked": _DETAIL,
    "DispatchQuestion": _JOB,
    "DescriptionAsked": {
        "valid_from": "2026-03-02",
        "attachments": [{"name": "grab (invented)", "mass_kg": 240.0}],
        "sensors_replaced": [{"channel": "utilisation_pct", "note": "new pressure sensor, calibrated"}],
        "note": "grab fitted for the season",
    },
    "DossierAsked": {"note": "special assessment after ten years"},
    "ClockCorrectionAsked": {
        "boot": 5829173640012,
        "seq_from": 0,
        "seq_to": 400,
        "offset_ms": -86_400_000,
        "reason": "the box came up a day ahead, by the job sheet",
    },
    "PasswordSet": {"secret": "bl_r_what-follows-the-sign", "password": "correct-horse-42-staple"},
    "ReplayAsked": {"crane": "heron-3", "reason": "unknown_crane"},
    "ExclusionAsked": {
        "from_at": "2026-03-02T08:00:00Z",
        "to_at": "2026-03-02T08:20:00Z",
        "reason": "pressure sensor hung, replaced the next day",
    },
    "HistoryAsked": {
        "csv": "crane,manufactured_on,prior_lifts,prior_kq,prior_f1,prior_years,prior_source\n"
        "heron-3,2020-03-01,30000,0.1,1.2,5.8,work sheets (invented)\n",
        "check_only": True,
    },
    "HoldAsked": {"crane": "heron-3", "title": "roof trusses", "window": _JOB["window"], "job": _JOB},
    "NewAccount": {
        "name": "ida",
        "password": "correct-horse-42-staple",
        "role": "dispatcher",
        "sites": ["north-yard"],
    },
    "NewToken": {"title": "nightly export", "role": "viewer", "days": 90},
    "OverloadDecisionAsked": {
        "cause": "moved_out",
        "note": "bundle caught on the scaffold, then moved out",
        "decided": "boom and column inspected, no finding; released",
    },
    "OverloadsDecisionAsked": {
        "peak_up_to_pct": 102.0,
        "day_to": "2026-03-31",
        "cause": "moved_out",
        "note": "short overshoots at the limiter stop",
        "decided": "operators instructed, no inspection beyond the daily one",
    },
    "ServiceDoneAsked": {"plan_id": 1, "done_at": "2026-03-02T15:00:00Z", "note": "oil and filters"},
    "ServicePlanAsked": {"every_hours": 500.0, "every_days": 365, "note": "oil, filters, bolts"},
    "SheetAsked": {"crane": "heron-3", "title": "roof trusses", "job": _JOB},
    "Shelved": {"until": "2026-03-09T06:00:00Z", "reason": "in the workshop until Monday"},
    "StatusCodesAsked": {
        "csv": "code,meaning,advice\nX-01,oil hot (invented),let it cool\n",
        "source": "invented",
        "check_only": True,
    },
    "LifeRecordAsked": {
        "kind": "crack",
        "happened_on": "2026-03-02",
        "person": "A. Example, Example Inspections (invented)",
        "note": "toe of the weld, left side",
        "detail": "column foot",
        "length_mm": 12.0,
    },
    "LifeRecordCorrected": {
        "kind": "crack",
        "happened_on": "2026-03-02",
        "person": "A. Example, Example Inspections (invented)",
        "note": "toe of the weld, left side",
        "detail": "column foot",
        "length_mm": 12.0,
        "reason": "measured again",
    },
}
