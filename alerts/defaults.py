"""Rules to start from: own choices, no source; an owner changes them by what is normal in the fleet."""

from collections.abc import Mapping
from typing import Final

from domain.alerts import AlertKind, AlertRuleAsked, Priority

DEFAULT_RULES: Final[Mapping[str, AlertRuleAsked]] = {
    "near the limit": AlertRuleAsked(kind=AlertKind.NEAR_LIMIT_SHARE, raise_at=25, clear_at=20, days=7),
    "limiter overrides": AlertRuleAsked(
        kind=AlertKind.LIMITER_OVERRIDES, priority=Priority.HIGH, raise_at=3, clear_at=2, days=7
    ),
    "life used": AlertRuleAsked(kind=AlertKind.LIFE_USED, raise_at=80, clear_at=79),
    "life forecast": AlertRuleAsked(kind=AlertKind.LIFE_DATE, raise_at=180, clear_at=210),
    "open fault": AlertRuleAsked(kind=AlertKind.FAULT_CODE, clear_after_min=30),
    "nothing heard": AlertRuleAsked(
        kind=AlertKind.OFFLINE, priority=Priority.LOW, raise_at=96, clear_at=1, clear_after_min=0
    ),
    "messages set aside": AlertRuleAsked(
        kind=AlertKind.QUARANTINE_RATE, priority=Priority.LOW, raise_at=10, clear_at=5, days=1
    ),
    "readings not plausible": AlertRuleAsked(kind=AlertKind.FINDING, raise_at=1, days=7, clear_after_min=30),
    "special assessment": AlertRuleAsked(
        kind=AlertKind.ASSESSMENT_DUE, raise_at=180, clear_at=181, clear_after_min=0
    ),
    "life history": AlertRuleAsked(
        kind=AlertKind.HISTORY_UNKNOWN, priority=Priority.LOW, raise_at=1, clear_after_min=0
    ),
    "service due": AlertRuleAsked(
        kind=AlertKind.SERVICE_DUE, priority=Priority.LOW, raise_at=14, clear_at=15, clear_after_min=0
    ),
}
