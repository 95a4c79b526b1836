"""Putting a trimmer back: by the gauge to the value as found where it is read live, by its mark where it is typed."""

import pytest
from fakes import FakeTools, Person, procedure, trim

from benchrig.clock import SimClock
from benchrig.procedure import load_procedure
from benchrig.records import History, SqliteStore
from benchrig.session import run

STUCK = trim("11.9 V", "12.1 V")
BY_EYE = """
[[step]]
id = "width"
kind = "trim"
title = "Width"
entered = "mm"
trimmer = "RV31"
target = "18.0 mm"
window = ["17.9 mm", "18.1 mm"]
"""


class Turning(Person):
    """Cannot bring it in; from "put back" on the value goes to the old one within two seconds of turning."""

    def __init__(self, clock, **options):
        super().__init__(**options)
        self.clock, self.back, self.goals = clock, None, []

    def choose(self, question):
        if question.about == "put back":
            self.back = self.clock.now()
            return "put back"
        return "cannot" if question.about == "turn" else super().choose(question)

    def notify(self, notice):
        super().notify(notice)
        if notice.kind == "trim" and self.back is not None:
            self.goals.append((notice.goal.target, str(notice.view.cue)))

    def rail(self, now):
        """11.00 V as found, 11.50 V after some turning, then slowly back."""
        if self.back is None:
            return 11.0 if now < 20.0 else 11.5
        return max(11.0, 11.5 - 0.25 * (now - self.back))


@pytest.fixture
def job(tmp_path):
    def go(text, **options):
        file, record = tmp_path / "p.toml", tmp_path / "r.sqlite"
        file.write_text(procedure(text))
        clock = SimClock()
        operator = Turning(clock, **options)
        store = SqliteStore(record)
        outcome = run(load_procedure(file), FakeTools(clock, handheld=operator.rail), operator, store, clock)
        store.close()
        return outcome, operator, History(record)

    return go


def test_where_it_is_read_live_the_gauge_leads_back_to_the_value_as_found(job):
    """The old value is the gauge's target until it is accepted there; then it is read again, and that stands."""
    outcome, operator, history = job(STUCK)
    assert all(target == pytest.approx(11.0) for target, _ in operator.goals)
    assert operator.goals[-1][1] == "accepted"
    assert outcome.results["rail"].value == pytest.approx(11.0, abs=0.03)
    assert "put back to 11.0" in outcome.results["rail"].words
    assert any(n.kind == "said" and "Follow the gauge" in n.words for n in operator.told)
    assert [mark["value"] for mark in history.marks(1)] == [pytest.approx(11.0)]


def test_where_it_is_typed_the_mark_leads_back(job):
    """No gauge; it is read and typed once more."""
    outcome, operator, _history = job(BY_EYE, entries={"width": ["17.0 mm", "17.0 mm", "17.4 mm", "17.0 mm"]})
    assert operator.goals == []
    assert "put back to 17.00 mm" in outcome.results["width"].words
