"""What is wrong with the readings of cranes, with what that does to their figures."""

from typing import Any

from psycopg import AsyncConnection

from domain.answers import of_row
from domain.channels import CHANNEL_BY_NAME
from domain.findings import MOVES_AND_UNIT, FindingCode, FindingRow
from domain.moments import DayRange
from store import findings
from store.findings import FindingSpan
from store.statement import Sites
from words.alerts import finding_words
from words.texts import t


async def findings_of(
    conn: AsyncConnection[Any], sites: Sites, chosen: DayRange, **of: Any
) -> tuple[FindingRow, ...]:
    """Findings of some sites over whole local days; `of` of `store.findings.findings`, such as one crane."""
    rows = await findings.findings(conn, sites, chosen.first, chosen.last, **of)
    return tuple(map(finding_row, rows))


def finding_row(row: FindingSpan) -> FindingRow:
    """A finding with its words."""
    words = finding_words(row.code)
    moves, unit = MOVES_AND_UNIT[FindingCode(row.code)]
    return of_row(
        FindingRow,
        row,
        title=words.title,
        unit=unit,
        figures=words.figures,
        moves=moves,
        consequence=_extent(row) + words.consequence,
        next_step=words.next_step,
    )


def _extent(row: FindingSpan) -> str:
    if row.least is None or row.most is None:
        return ""
    channel = CHANNEL_BY_NAME.get(row.channel)
    if channel is None:  # a further one, whose range may be another by now
        return t("finding.extent.further", channel=row.channel, least=f"{row.least:g}", most=f"{row.most:g}")
    return t(
        "finding.extent",
        channel=row.channel,
        least=f"{row.least:g}",
        most=f"{row.most:g}",
        unit=channel.unit,
        low=f"{channel.low:g}",
        high=f"{channel.high:g}",
    )
