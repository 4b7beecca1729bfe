"""How smoothly a recorded hour plays in a browser: pictures drawn a second, and turns that the browser had for itself.

    python benchmarks/replay.py [--seconds 5] [--json]

Simulates an hour of one crane at 10 Hz into a fresh embedded database, opens it on the replay page with the chromium of
this machine, plays it, and counts. Ends with one line of JSON:

    samples           samples on the page
    open_s            from the address to the first picture [s]
    drawn_per_s       pictures drawn a second while playing
    turns_per_s       animation frames that the browser gave in the same time, a second (60 is all of them)
    longest_turn_ms   the longest wait between two of them [ms]
    payload_kb        compressed answer that brought the page [kB]
"""

# ruff: noqa: E402
import argparse
import json
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

# else `import analytics` would find the file beside this one
sys.path[0] = str(Path(__file__).resolve().parents[1])
from playwright.sync_api import Page, sync_playwright

from benchmarks.pages import ARGS, Server
from boomledger.postgres import EmbeddedPostgres
from boomledger.yard import register, write_history
from simulator.generate import generate_from
from simulator.record import utc_of
from simulator.yard import load_yard
from store.migrate import migrate

CRANE = "yard-02"
STEP_MS = 100
COUNT = """async (seconds) => {
  const player = document.querySelector('#replay');
  const drawn = () => Number(player.dataset.draws || 0);
  const before = drawn(), began = performance.now();
  let turns = 0, last = began, longest = 0;
  await new Promise((done) => {
    const turn = (now) => {
      turns += 1;
      longest = Math.max(longest, now - last);
      last = now;
      if (performance.now() - began < seconds * 1000) requestAnimationFrame(turn); else done();
    };
    requestAnimationFrame(turn);
  });
  const passed = (performance.now() - began) / 1000;
  return {drawn_per_s: (drawn() - before) / passed, turns_per_s: turns / passed, longest_turn_ms: longest};
}"""


def build(url: str) -> tuple[datetime, datetime]:
    """An hour at 10 Hz, nearly all of it recorded; its span."""
    migrate(url)
    yard = load_yard(datetime.now(UTC).date())
    start = datetime.now(UTC) - timedelta(hours=3)
    register(url, yard, start.date() - timedelta(days=1))
    records, at = [], start
    while at < start + timedelta(hours=1):
        record = generate_from(
            yard.crane(CRANE), at, 0.2, len(records), dt_ms=STEP_MS, samples_per_message=300
        )
        records.append(record)
        at = utc_of(int(record.t_ms[-1])) + timedelta(seconds=5)
    write_history(url, records)
    return start, start + timedelta(hours=1)


def measure(page: Page, address: str, seconds: float) -> dict[str, Any]:
    """Open, play, count."""
    sizes: list[int] = []
    page.on(
        "response",
        lambda answer: (
            sizes.append(int(answer.headers.get("content-length") or 0))
            if "_dash-update-component" in answer.url
            else None
        ),
    )
    began = time.monotonic()
    page.goto(address)
    page.wait_for_selector("#replay .bl-replay-line")
    open_s = time.monotonic() - began
    said = page.evaluate("document.querySelector('.bl-context').innerText").rpartition(",")[2]
    samples = int("".join(letter for letter in said if letter.isdigit()))
    page.click("#replay-play")
    page.wait_for_function("Number(document.querySelector('#replay').dataset.draws || 0) > 5")
    counted: dict[str, Any] = page.evaluate(COUNT, seconds)
    return {
        "samples": samples,
        "open_s": round(open_s, 2),
        **{name: round(value, 1) for name, value in counted.items()},
        "payload_kb": round(max(sizes, default=0) / 1000),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args()
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        raise SystemExit("no chromium on this machine: apt-get install chromium")
    with tempfile.TemporaryDirectory() as folder:
        postgres = EmbeddedPostgres(Path(folder) / "postgres")
        url = postgres.start()
        try:
            start, end = build(url)
            with Server(url) as site, sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=program, args=ARGS)
                context = browser.new_context(viewport={"width": 1440, "height": 900})
                context.set_default_timeout(120_000)
                span = f"from={start.isoformat()}&to={end.isoformat()}".replace("+", "%2B")
                result = measure(context.new_page(), f"{site}/replay/{CRANE}?{span}", wanted.seconds)
                browser.close()
        finally:
            postgres.stop()
    print(json.dumps(result))


if __name__ == "__main__":
    main()
