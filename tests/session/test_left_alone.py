"""What is right already is left alone, if it stands, and with its uncertainty in the question."""

import math

import pytest
from fakes import FakeTools, Person, procedure, trim

from benchrig.clock import SimClock
from benchrig.procedure import load_procedure
from benchrig.records import History, SqliteStore
from benchrig.session import run
from benchrig.session.operators import Command

TRIM = trim("11.85 V", "12.15 V", 'settle = "5 s"')


@pytest.fixture
def first(tmp_path):
    """A function: the first result of the trim, and what was asked. The trim itself is stopped."""

    class Listening(Person):
        def choose(self, question):
            self.texts = [*getattr(self, "texts", []), question.text]
            return super().choose(question)

    def go(rail):
        (tmp_path / "rail.toml").write_text(procedure(TRIM))
        operator = Listening(commands=[(600, Command("stop"))])
        clock, store = SimClock(), SqliteStore(tmp_path / "record.sqlite")
        run(load_procedure(tmp_path / "rail.toml"), FakeTools(clock, handheld=rail), operator, store, clock)
        store.close()
        with History(tmp_path / "record.sqlite") as history:
            return history.steps(1)[0].result, operator.texts

    return go


def test_what_stands_in_its_window_is_left_alone(first):
    result, asked = first(lambda now: 12.01)
    assert result.words == "left alone"
    assert "RV1: 12.01 V is right already. Leave it alone?" in asked


def test_what_creeps_out_within_the_settling_of_its_step_is_not(first):
    """Inside in the first seconds, on the way to 12.3 V with the step's own time constant."""
    result, asked = first(lambda now: 12.3 - 0.25 * math.exp(-now / 5.0))
    assert result.words.startswith("as found; to be set")
    assert result.value > 12.15
    assert not any("Leave it alone" in text for text in asked)


def test_a_value_whose_uncertainty_reaches_out_of_the_window_is_asked_about_in_those_words(first):
    """12.14 V with U = 0.02 V, in a window up to 12.15 V: conditional, and said before it is decided."""
    result, asked = first(lambda now: 12.14)
    assert (result.verdict, result.words) == ("conditional pass", "left alone")
    assert "RV1: 12.14 V is inside, but by less than its uncertainty of 20 mV. Leave it alone?" in asked
