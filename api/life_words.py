"""How a crane's life stands, in plain words for people who do not read formulas."""

from datetime import date

from duty import life
from duty.standing import Standing


def sentence(found: Standing, due_on: date, due_reason: str) -> str:
    """A few short sentences: how much is used, when it will be spent, when the special assessment is due."""
    return " ".join((_used(found), _spent(found), f"A special assessment is due by {due_on}: {due_reason}."))


def _used(found: Standing) -> str:
    if found.used is None:
        return f"How much of the design working period is used cannot be said: {found.reason}."
    parts = [f"{_percent(found.used.counted)} counted with a safety factor of {found.factor.f1:g}"]
    if found.used.prior:
        parts.append(f"{_percent(found.used.prior)} stated for the time before the record")
    whole = found.used.total
    if whole >= life.SPENT_SHARE:
        return f"The design working period is spent ({_percent(whole)}: {', '.join(parts)})."
    return f"{_percent(whole)} of the design working period is used ({', '.join(parts)})."


def _spent(found: Standing) -> str:
    spent = found.spent
    if spent is None or (found.used is not None and found.used.total >= life.SPENT_SHARE):
        return "Have an expert engineer assess it before further use." if spent is not None else ""
    if isinstance(spent, life.NoForecast):
        return f"When it will be spent cannot be said yet: {spent.reason}."
    late = "not within a hundred years" if spent.late_on is None else f"{spent.late_on:%B %Y}"
    words = (
        f"If the work goes on as in the last {spent.weeks} weeks, it will be spent about {spent.middle_on:%B %Y}; "
        f"in four cases of five between {spent.early_on:%B %Y} and {late}."
    )
    if spent.trend.direction == "rising":
        words += " Use is rising, so the real day is likely earlier."
    if spent.trend.direction == "falling":
        words += " Use is falling, so the real day may be later."
    return words


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 1 else f"{100 * share:.0f} %"
