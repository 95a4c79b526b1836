"""Exports: other programs read back what the record holds."""

import csv
import io
import json
from datetime import UTC, datetime

import pytest

from benchrig.readings import Flag, Reading
from benchrig.records import History, JobFacts, SqliteStore, StepFacts, StepResult
from benchrig.records.facts import AcknowledgementFacts
from benchrig.report.export import COLUMNS, as_csv, as_json_lines

NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)
HOSTILE = '=1+1,"quoted"\r\nsecond line'


@pytest.fixture
def history(tmp_path):
    store = SqliteStore(tmp_path / "r.sqlite")
    store.begin_job(JobFacts("p", "Title", "d", "f", "Box", "B1", "Ålesund", "b", True, "v", "guarded"), 0.0, NOON)
    row = store.begin_step(StepFacts("eht", "trim", "EHT", 1, point="TP40", trimmer="RV41"), 0.0, NOON)
    store.reading(row, "meter", Reading(9412.5, "V", 1.5, uncertainty=57.0))
    store.reading(row, "meter", Reading(None, "V", 2.5, Flag.OVERLOAD))
    facts = AcknowledgementFacts("eht", "TP40", 9400.0, "TP40 9.40 kV", "TP40 9.40 kV", True, "Ålesund", "work")
    store.acknowledgement(row, facts, 0.5, NOON)
    result = StepResult("pass", 9412.5, "V", 57.0, 9250.0, 9550.0, words=HOSTILE, details={"as_found": 10102.0})
    store.end_step(row, result, 3.0, NOON)
    store.begin_step(StepFacts("width", "enter", "Width", 2), 4.0, NOON)  # it never ended
    store.close()
    with History(tmp_path / "r.sqlite") as history:
        yield history


def test_csv_reads_back_with_the_library_of_the_language(history):
    """RFC 4180 as `csv` reads it: quotes, line ends inside a field, and no formula."""
    text = as_csv(history, 1)
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    assert tuple(row) == COLUMNS
    assert (float(row["value"]), float(row["as_found"]), row["verdict"]) == (9412.5, 10102.0, "pass")
    assert row["words"] == "'" + HOSTILE
    assert text.startswith("job,unit,")
    assert text.count("\r\n") == 3  # header, row, and the one inside the field


def test_json_lines_hold_every_reading_and_every_answer(history):
    """One object a line; a reading without a number stays without one."""
    lines = [json.loads(line) for line in as_json_lines(history, 1)]
    assert [line["kind"] for line in lines] == ["job", "step", "reading", "reading", "step", "acknowledgement"]
    assert [(it["value"], it["time"]) for it in lines if it["kind"] == "reading"] == [(9412.5, 1.5), (None, 2.5)]
    assert lines[0]["operator"] == "Ålesund"
    assert lines[1]["words"] == HOSTILE
    assert lines[4]["verdict"] is None
