"""What is the matter with a crane, one meaning at every door; and who may use it all the same."""

from datetime import date
from typing import Any

from fastapi import Request

from api.fleet_book import Situation
from api.problems import Refused
from api.stages import AUDIT_DETAIL
from domain.dispatch_answers import CraneState, StateCode
from domain.errors import InvalidInput
from domain.findings import FINDING_WORDS, FindingCode
from domain.remark import written_day
from store.access import Principal, Role


def states_of(situation: Situation, index: int) -> tuple[CraneState, ...]:
    """Everything that is the matter with one crane in the time asked for; the same whatever is asked, and by whom."""
    crane, standing = situation.listed.rows[index], situation.standing
    found = [
        CraneState(code="open_fault", text=_fault_text(code), needs_override=True)
        for code in situation.faults.get(index, ())
    ]
    if situation.assessment_overdue[index]:
        due_on: date = standing.assessment_on[index].astype(object)
        within = due_on > situation.first_day(index)
        text = (
            f"special assessment due on {written_day(due_on)}"
            if within
            else f"special assessment overdue since {written_day(due_on)}"
        )
        found.append(CraneState(code="assessment_overdue", text=text, needs_override=True))
    plain: list[tuple[StateCode, str]] = []
    if (plan := standing.overdue.get(index)) is not None:
        plain.append(("service_overdue", f"service overdue: {plan}"))
    if codes := standing.findings.get(index):
        words = ", ".join(FINDING_WORDS[FindingCode(code)].title for code in codes)
        plain.append(("findings", f"readings that cannot be true: {words}"))
    if not standing.heard[index]:
        plain.append(("never_heard", "never heard: its faults, hours and life used are not known"))
    if crane.draft:
        plain.append(
            ("draft", "the crane's entry is a draft: have a person complete it before relying on this")
        )
    found += [CraneState(code=code, text=text, needs_override=False) for code, text in plain]
    return tuple(found)


def _fault_text(code: str) -> str:
    return f"open fault {code}"


def come_up_since(
    states: tuple[CraneState, ...], passed: tuple[StateCode, ...], open_faults: tuple[str, ...]
) -> list[CraneState]:
    """States that need an override and were not passed over: `passed` then, with `open_faults` open. Each fault stands for itself."""
    known = {_fault_text(code) for code in open_faults}
    return [
        state
        for state in states
        if state.needs_override
        and (state.code not in passed or (state.code == "open_fault" and state.text not in known))
    ]


def overridden(
    request: Request, caller: Principal, crane: str, states: tuple[CraneState, ...], reason: str | None
) -> tuple[StateCode, ...]:
    """What a caller passes over with a reason, noted for the audit; empty where the crane needs no override.

    Raises InvalidInput without a reason, Refused where the caller's role does not cover it.
    """
    passed = [state for state in states if state.needs_override]
    if not passed:
        return ()
    what = "; ".join(state.text for state in passed)
    if not caller.role.covers(Role.ENGINEER):
        raise Refused(
            403, f"{crane}: {what}. Only an engineer may use it all the same, with an override_reason"
        )
    if reason is None:
        raise InvalidInput(
            f"{crane}: {what}. Give an override_reason, or choose another crane", field="override_reason"
        )
    detail: dict[str, Any] = {"crane": crane, "override_reason": reason, "override_states": what}
    request.scope[AUDIT_DETAIL] = detail
    return tuple(dict.fromkeys(state.code for state in passed))
