"""Takes the pictures of docs/screens from a running demo: `python docs/screens/take.py http://127.0.0.1:8000`.

Every page at desk width in both themes, those that matter on the road also at the width of a phone.
"""

import shutil
import sys
from pathlib import Path
from typing import Final

from playwright.sync_api import Browser, sync_playwright

HERE: Final = Path(__file__).parent
JOB: Final = "mass_kg=1500&rigging_kg=50&outreach_m=9&hook_height_m=2&spread_left=full&spread_right=part"
PAGES: Final = {
    "fleet": "/",
    "crane": "/crane/yard-02",
    "duty": "/crane/yard-02?tab=duty",
    "lifts": "/crane/yard-02?tab=lifts",
    "dispatch": f"/dispatch?{JOB}",
    "dispatch-day": "/dispatch/day",
    "calendar": "/dispatch/calendar",
    "life": "/life/yard-02",
    "faults": "/faults",
    "service": "/service",
    "data": "/data",
    "replay": "/replay/yard-02",
    "alerts": "/alerts",
    "service-settings": "/settings?tab=service",
    "alert-rules": "/settings?tab=alerts",
    "settings": "/settings",
}
SIZES: Final = {"desk": (1440, 900), "tablet": (768, 1024), "phone": (390, 844)}
ON_THE_ROAD: Final = ("fleet", "crane", "dispatch", "alerts", "life")
ARGS: Final = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def take(browser: Browser, site: str, size: str, theme: str, names: tuple[str, ...]) -> None:
    """Pictures of some pages at one size in one theme."""
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if theme == "dark" else "light",
        reduced_motion="reduce",
        bypass_csp=True,  # waiting evaluates in the page, which the policy of the pages forbids
    )
    context.set_default_timeout(60_000)
    page = context.new_page()
    for name in names:
        page.goto(site + PAGES[name])
        page.wait_for_selector("#page h1")
        page.wait_for_function(
            "[...document.querySelectorAll('.dash-graph')].every((graph) => graph.querySelector('.main-svg'))"
        )
        page.screenshot(path=HERE / f"{name}-{size}-{theme}.png")
    context.close()


def main() -> None:
    """Take them all."""
    if len(sys.argv) != 2:
        raise SystemExit("give the address of a running demo, such as http://127.0.0.1:8000")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        raise SystemExit("no chromium on this machine: apt-get install chromium")
    site = sys.argv[1].rstrip("/")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=ARGS)
        take(browser, site, "desk", "light", tuple(PAGES))
        take(browser, site, "desk", "dark", ON_THE_ROAD)
        take(browser, site, "tablet", "light", ON_THE_ROAD)
        take(browser, site, "phone", "light", ON_THE_ROAD)
        browser.close()


if __name__ == "__main__":
    main()
