"""What is the matter with a crane, one meaning at every door."""

from datetime import date

from answers.dispatch_fleet import Situation
from domain.dispatch_answers import CraneState, StateCode
from domain.remark import Remark
from words.alerts import finding_words
from words.remarks import remark


def states_of(situation: Situation, index: int) -> tuple[CraneState, ...]:
    """Everything that is the matter with one crane in the time asked for; the same whatever is asked, and by whom."""
    crane, status = situation.listed.rows[index], situation.status
    found = [_state("open_fault", override=True, fault=code) for code in situation.faults.get(index, ())]
    if situation.assessment_overdue[index]:
        due_on: date = status.assessment_on[index].astype(object)
        within = due_on > situation.first_day(index)
        when = remark("due_on" if within else "overdue_since", day=due_on)
        found.append(_state("assessment_overdue", override=True, when=[when]))
    if (plan := status.overdue.get(index)) is not None:
        found.append(_state("service_overdue", plan=plan))
    if codes := status.findings.get(index):
        titles = ", ".join(finding_words(code).title for code in codes)
        found.append(_state("findings", findings=titles))
    if not status.heard[index]:
        found.append(_state("never_heard"))
    if crane.draft:
        found.append(_state("draft"))
    return tuple(found)


def _state(code: StateCode, *, override: bool = False, **values: date | str | list[Remark]) -> CraneState:
    made = remark(code, **values)
    return CraneState(code=code, values=made.values, text=made.text, needs_override=override)


def come_up_since(
    states: tuple[CraneState, ...], passed: tuple[StateCode, ...], open_faults: tuple[str, ...]
) -> list[CraneState]:
    """States that need an override and were not passed over: `passed` then, with `open_faults` open. Each fault stands for itself."""
    return [
        state
        for state in states
        if state.needs_override
        and (
            state.code not in passed
            or (state.code == "open_fault" and state.values["fault"] not in open_faults)
        )
    ]
