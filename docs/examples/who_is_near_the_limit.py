"""Which cranes ran near their limit, and what happened around each use of the limiter override.

    BOOMLEDGER_API=https://cranes.example/api/v1 BOOMLEDGER_TOKEN=bl_t_... python docs/examples/who_is_near_the_limit.py 2026-03-01 2026-03-31

A share near the limit says where to look. It is no judgement of an operator, and telemetry is no inspection.
"""

import asyncio
import os
import sys
from datetime import UTC, date, datetime, time, timedelta

from dashboard.client import Client


async def main(first: date, last: date) -> None:
    """Print the five worst cranes of the period with their overrides."""
    async with Client(os.environ["BOOMLEDGER_API"], token=os.environ.get("BOOMLEDGER_TOKEN")) as client:
        fleet = await client.fleet(day_from=first, day_to=last)
        begin = datetime.combine(first, time(), UTC)
        end = datetime.combine(last + timedelta(days=1), time(), UTC)
        print(f"{'crane':20} {'h under load':>12} {'near limit %':>12} {'overrides':>9}")
        for row in [row for row in fleet.rows if row.near_limit_pct][:5]:
            print(
                f"{row.crane:20} {row.loaded_s / 3600:12.1f} {row.near_limit_pct:12.1f} {row.limiter_overrides:9}"
            )
            for use in (await client.overrides(row.crane, begin, end)).items:
                peak = "unknown" if use.peak_utilisation_pct is None else f"{use.peak_utilisation_pct:.0f} %"
                print(f"    {use.at:%Y-%m-%d %H:%M} UTC, largest utilisation of the 30 s before: {peak}")


if __name__ == "__main__":
    asyncio.run(main(date.fromisoformat(sys.argv[1]), date.fromisoformat(sys.argv[2])))
