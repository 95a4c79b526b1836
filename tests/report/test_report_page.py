"""The report in a real browser: no network, no complaint, hostile text stays text, on screen and on paper."""

import shutil
import subprocess
from datetime import UTC, datetime

import numpy as np
import pytest

from benchrig.readings import Reading
from benchrig.records import Block, History, InstrumentFacts, JobFacts, SqliteStore, StepFacts, StepResult
from benchrig.report.model import gather
from benchrig.report.render import render
from benchrig.signals.waveform import Waveform

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
HOSTILE = (
    "<script>window.hurt=1</script>",
    '"><img src=x onerror="window.hurt=1">',
    "\u202eright to left\u202c",
    "</style><style>body{display:none}",
    "{{ 7 * 7 }}",
    "long " * 400,
    "☂ ☃ \x07\x1b[31m",
)


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """One job with everything in it, every free text hostile."""
    path = tmp_path_factory.mktemp("report") / "record.sqlite"
    store = SqliteStore(path)
    text = iter(HOSTILE * 20)
    meter = InstrumentFacts(next(text), "meter-scpi", next(text), next(text), "2020-01-01")
    facts = JobFacts(
        "p", next(text), "abc", "f.toml", next(text), next(text), next(text), next(text), False, "0.1", "guarded",
        (meter,), {next(text): next(text)},
    )  # fmt: skip
    store.begin_job(facts, 0.0, NOON)
    row = store.begin_step(StepFacts("eht", "trim", next(text), 1, point=next(text), trimmer="RV41"), 0.0, NOON)
    for i in range(200):
        store.reading(row, "meter", Reading(9000.0 + 2.0 * i, "V", 0.1 * i))
    store.waveform(row, next(text), Waveform(np.sin(np.arange(500) / 9.0), 1e-6), 5.0)
    store.mark(row, "RV41", next(text), 9000.0, "V", 1.0)
    store.open_gap(row, "meter", next(text), 2.0, NOON)
    result = StepResult("pass", 9400.0, "V", 30.0, 9250.0, 9550.0, 9100.0, 9800.0, "guarded", words=next(text))
    store.end_step(row, result, 20.0, NOON)
    soak = store.begin_step(StepFacts("soak", "soak", next(text), 2), 30.0, NOON)
    times = 30.0 + np.arange(36_000) * 0.1
    values = 12.0 + 0.01 * np.sin(times / 300.0)
    values[20_000] = 3.0
    store.block(soak, "+12 V", Block(times, values, np.zeros(times.size, np.uint32), "V"))
    store.event(soak, "finding", {"channel": "+12 V", "kind": "dip", "severity": "warning", "at": 2030.0,
                                  "words": next(text)}, 2030.0, NOON)  # fmt: skip
    late = {"channel": "+12 V", "kind": "step", "severity": "warning", "at": 4630.0, "since": 2600.0, "words": "a step"}
    store.event(soak, "finding", late, 2720.0, NOON)  # a step is only sure some readings later
    sums = {"readings": 36_000, "usable": 36_000, "least": 3.0, "mean": 12.0, "greatest": 12.01, "unit": "V",
            "window": [11.4, 12.6], "drift": 1e-7, "drift uncertainty": 1e-8, "drifts": True}  # fmt: skip
    details = {"lasted": 3600.0, "why": next(text), "channels": {"+12 V": sums}}
    store.end_step(soak, StepResult("fail", words=next(text), details=details), 3700.0, NOON)
    skipped = store.begin_step(StepFacts("later", "measure", "Later", 3), 3701.0, NOON)
    store.end_step(skipped, StepResult("skipped", words=next(text)), 3702.0, NOON)
    store.end_job("not all in tolerance: soak", 1, 3703.0, NOON)
    store.close()
    return path


@pytest.fixture(scope="module")
def page_file(record, tmp_path_factory):
    place = tmp_path_factory.mktemp("page") / "job.html"
    with History(record) as history:
        place.write_text(render(gather(history, 1)), encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    assert chromium, "these tests need a browser: apt-get install chromium"
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def seen(browser, page_file):
    """(page, requests that left the file, complaints of the console)."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    asked, complaints = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(page_file.as_uri())
    yield page, [url for url in asked if url != page_file.as_uri()], complaints
    page.close()


def test_it_opens_alone_and_without_complaint(seen):
    """Nothing is fetched, nothing is said on the console, no script ran."""
    page, asked, complaints = seen
    assert asked == []
    assert complaints == []
    assert page.evaluate("window.hurt") is None
    assert page.evaluate("document.scripts.length") == 0


def test_hostile_text_stays_text(seen):
    """Every one of them is to be read as it was typed, and made nothing."""
    page, _, _ = seen
    words = page.evaluate("document.body.innerText")
    assert "<script>window.hurt=1</script>" in words
    assert "{{ 7 * 7 }}" in words
    assert page.evaluate("document.images.length") == 0
    assert page.evaluate("getComputedStyle(document.body).display") == "block"


@pytest.mark.parametrize("width", [1280, 400])
def test_nothing_hangs_over_the_edge(browser, page_file, width):
    """At a desk and on a phone, long words included."""
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_it_shows_verdict_courses_and_what_the_soak_noticed(seen):
    """As found and as left, the soak's extremes, its finding at its hour, the overdue meter."""
    page, _, _ = seen
    words = page.evaluate("document.body.innerText")
    moments = ("0:33:20", "0:43:20", "for 1:00:00")
    for text in ("not all in tolerance: soak", "9.400 kV", "3.000 V", *moments, "overdue"):
        assert text in words, text
    assert page.evaluate("document.querySelectorAll('svg polyline.trace').length") >= 3
    box = page.evaluate("(e => [e.width, e.height])(document.querySelector('svg.plot').getBoundingClientRect())")
    assert box[0] > 300
    assert box[1] > 80


def test_on_paper_it_has_its_pages_and_their_table_heads(browser, page_file, tmp_path):
    """Printed to PDF, text taken back out of it."""
    page = browser.new_page()
    page.goto(page_file.as_uri())
    place = tmp_path / "job.pdf"
    page.pdf(path=str(place), prefer_css_page_size=True)
    page.close()
    assert place.read_bytes().startswith(b"%PDF")
    assert shutil.which("pdftotext"), "these tests need poppler: apt-get install poppler-utils"
    text = subprocess.run(["pdftotext", "-layout", place, "-"], capture_output=True, text=True, check=True).stdout
    for word in ("As found", "Hold points", "Instruments", "Content hash"):
        assert word in text
