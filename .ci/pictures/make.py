"""Makes the pictures of the README with the program itself: the gauge, a report, a soak's report, the dashboard.

Run it:  python .ci/pictures/make.py [RECORD JOB [SOAK]]      (needs Chromium and the test extra)

The gauge and the page show the demo unit's EHT; the reports are of two jobs in RECORD: JOB as `benchrig rehearse`
leaves it, SOAK as `benchrig soak --simulated` does.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright
from rich.console import Console

from benchrig.dashboard.server import DashboardPage
from benchrig.readings import Reading
from benchrig.records.history import History
from benchrig.report.model import gather
from benchrig.report.render import render
from benchrig.session import notices as n
from benchrig.trim import start, step, view
from benchrig.trim.types import Goal, Measured
from benchrig.ui.gauge import gauge

HERE = Path(__file__).parent
GOAL = Goal(target=9400.0, low=9250.0, high=9550.0, unit="V", hold=3.0, settle=0.5, ceiling=10400.0)
REPORTS = (("report.png", 664), ("soak.png", 1050))  # pixels of height: whole tables
STAGES = (20, 62, 95)  # readings after which the gauge is drawn: far out, nearly in, holding


def course() -> list[n.TrimMoved]:
    """A trim from 10.1 kV down, as the real engine sees it."""
    state, moved = start(GOAL, 0.0), []
    for i in range(STAGES[-1] + 1):
        now = i * 0.1
        volts = 9405.0 + 695.0 * max(0.0, 1.0 - i / 70.0) + (3.0 if i % 2 else -3.0)
        state, _ = step(state, Measured(Reading(volts, "V", now, resolution=1.0, aperture=0.02), now))
        moved.append(n.TrimMoved("eht", GOAL, view(state, now), "RV41"))
    return moved


def gauge_page() -> str:
    console = Console(width=80, record=True, force_terminal=True, color_system="truecolor", file=io.StringIO())
    moved = course()
    for stage in STAGES:
        console.print(gauge(moved[stage], 80))
        console.print()
    page = console.export_html(inline_styles=True)
    return page.replace("<body>", '<body style="background:#16150f;color:#d9d2c4;font-size:15px;margin:14px">')


def shot(browser: Browser, html: str, name: str, width: int, height: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "page.html"
        page.write_text(html, encoding="utf-8")
        tab = browser.new_page(viewport={"width": width, "height": height})
        tab.goto(page.as_uri())
        tab.screenshot(path=HERE / name)
        tab.close()


def dashboard(browser: Browser) -> None:
    with DashboardPage() as page:
        page.show(n.JobStarted(4, "Skerry 14: rails, zero, timer, EHT", "SK14-0231", "Ida", []))
        page.show(n.StepStarted("eht", "trim", "EHT", "", 10, 10, "RV41", "A4 TP40"))
        page.show(n.HoldPointAnswered("eht", True, ""))
        for i, moved in enumerate(course()[:70]):
            page.show(moved)
            page.show(n.ReadingTaken("eht", "meter", Reading(moved.view.value, "V", i * 0.1)))
        tab = browser.new_page(viewport={"width": 900, "height": 700}, color_scheme="dark")
        tab.goto(page.address)
        tab.wait_for_timeout(800)
        tab.screenshot(path=HERE / "dashboard.png")


def main() -> None:
    with sync_playwright() as running:
        browser = running.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        shot(browser, gauge_page(), "gauge.png", 760, 226)
        dashboard(browser)
        for job, (name, height) in zip(sys.argv[2:], REPORTS, strict=False):
            with History(sys.argv[1]) as history:
                shot(browser, render(gather(history, int(job))), name, 1240, height)
        browser.close()


if __name__ == "__main__":
    main()
