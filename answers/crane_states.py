"""What is the matter with a crane, one meaning at every door."""

from datetime import date

from answers.dispatch_fleet import Situation
from domain.dispatch_answers import CraneState, StateCode
from domain.remark import written_day
from words.alerts import finding_words


def states_of(situation: Situation, index: int) -> tuple[CraneState, ...]:
    """Everything that is the matter with one crane in the time asked for; the same whatever is asked, and by whom."""
    crane, status = situation.listed.rows[index], situation.status
    found = [
        CraneState(code="open_fault", text=_fault_text(code), needs_override=True)
        for code in situation.faults.get(index, ())
    ]
    if situation.assessment_overdue[index]:
        due_on: date = status.assessment_on[index].astype(object)
        within = due_on > situation.first_day(index)
        text = (
            f"special assessment due on {written_day(due_on)}"
            if within
            else f"special assessment overdue since {written_day(due_on)}"
        )
        found.append(CraneState(code="assessment_overdue", text=text, needs_override=True))
    plain: list[tuple[StateCode, str]] = []
    if (plan := status.overdue.get(index)) is not None:
        plain.append(("service_overdue", f"service overdue: {plan}"))
    if codes := status.findings.get(index):
        words = ", ".join(finding_words(code).title for code in codes)
        plain.append(("findings", f"readings that cannot be true: {words}"))
    if not status.heard[index]:
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
