"""Which of several load charts hold on a day."""

from collections.abc import Iterable
from datetime import date

from domain.crane import LoadChart


def charts_in_force(charts: Iterable[LoadChart], day: date) -> tuple[LoadChart, ...]:
    """The charts that hold on a day: of each configuration and sector the one with the latest `valid_from` up to it.

    A chart without `valid_from` holds from the beginning. Two of one day both hold, and the weaker reading counts.
    """
    newest: dict[tuple[object, ...], list[LoadChart]] = {}
    for chart in charts:
        since = chart.valid_from or date.min
        setup = (chart.spread_left, chart.spread_right, chart.sector, chart.jib_fitted, chart.stage)
        known = newest.get(setup)
        if since > day:
            continue
        if known is None or (known[0].valid_from or date.min) < since:
            newest[setup] = [chart]
        elif known[0].valid_from == chart.valid_from:
            known.append(chart)
    return tuple(chart for charts_of_setup in newest.values() for chart in charts_of_setup)
