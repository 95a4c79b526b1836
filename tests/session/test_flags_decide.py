"""What is done with a reading rests on its flags; its text is for people, whatever stands in it."""

import numpy as np
import pytest
from fakes import RAIL, FakeTools, procedure

from benchrig.bench.model import InstrumentSpec
from benchrig.clock import SimClock
from benchrig.procedure import load_procedure
from benchrig.procedure.quantities import Limits, Measurement, ScopeSource
from benchrig.readings import CAUTIONS, UNUSABLE, Flag, Reading
from benchrig.records import History, SqliteStore
from benchrig.session import ScriptedOperator, run
from benchrig.session.scope_reader import ScopeReader
from benchrig.session.steady_value import waits_for_a_hand
from benchrig.session.verdicts import CAUTION_WORDS, judged, value_of
from benchrig.signals import Waveform
from benchrig.steps.least_point import averaged
from benchrig.testing import SimBench
from benchrig.trim.engine import _WHY_NOT

LARGER = "overshoot may be larger than shown"
LIMITS = Limits("1", None, 0.06, None, 0.12)


class Scope:
    """A scope that gives one record again and again."""

    def __init__(self, wave):
        self.wave = wave

    def set_channel(self, *_, **__):
        pass

    set_timebase = set_trigger = set_channel

    def fresh_capture(self, channel, deadline):
        return self.wave


def ringing(interval):
    """Two pulses of 10 V that ring with zeta 0.2 and a period of 4 s, seen each `interval` seconds."""
    times = np.arange(0.0, 480.0, interval)
    natural, zeta = 2.0 * np.pi / 4.0, 0.2
    damped = natural * np.sqrt(1.0 - zeta**2)

    def edge(t):
        t = np.maximum(t, 0.0)
        fall = np.cos(damped * t) + zeta * natural / damped * np.sin(damped * t)
        return 1.0 - np.exp(-zeta * natural * t) * fall  # the standard second-order step response

    volts = sum(edge(times - t) - edge(times - t - 120.0) for t in (60.3, 300.3))
    return Waveform(10.0 * volts, interval)


def reading_of(wave):
    source = ScopeSource("scope", 4, Measurement.OVERSHOOT, "TP41")
    reader = ScopeReader(source, LIMITS, InstrumentSpec("scope", "scope-curve", "sim:scope"), None, 50.0, SimClock())
    return reader(Scope(wave), 1.0)


def test_a_record_too_coarse_for_its_peaks_gives_a_flag_and_no_words():
    """A number that may be judged, and can be told from a good one."""
    coarse, fine = reading_of(ringing(1.0)), reading_of(ringing(0.05))
    assert coarse.usable
    assert coarse.flags & Flag.COARSE
    assert coarse.text == ""
    assert not fine.flags & Flag.COARSE


def coarse_at(time, value=0.05):
    return Reading(value, "1", time, Flag.COARSE, uncertainty=0.001)


def test_one_coarse_reading_among_several_marks_their_mean_and_the_verdict():
    """The first of them as well as the last."""
    plain = [Reading(0.05, "1", float(i), uncertainty=0.001) for i in range(1, 4)]
    for readings in ([coarse_at(0.0), *plain], [*plain, coarse_at(4.0)]):
        found = value_of(readings)
        assert found.flags is Flag.COARSE
        assert averaged(readings).flags is Flag.COARSE
        assert LARGER in judged(found, LIMITS, "guarded").words
        assert judged(found, LIMITS, "guarded", "left alone").words.startswith("left alone; ")
    assert judged(value_of(plain), LIMITS, "guarded").words == ""


def test_flags_that_are_no_caution_do_not_come_along():
    """That a meter is on autorange says nothing against the mean of its readings."""
    found = value_of([Reading(12.0, "V", float(i), Flag.AUTORANGE | Flag.DC) for i in range(3)])
    assert found.flags is Flag.NONE


@pytest.mark.parametrize("text", ["the knob of the set", f"caution: {LARGER}"])
def test_words_in_a_text_decide_nothing(tmp_path, text):
    """An instrument may send what it likes."""
    assert not waits_for_a_hand(Reading(None, "V", flags=Flag.INVALID, text=text))
    file = tmp_path / "small.toml"
    file.write_text(procedure(RAIL))
    clock, told = SimClock(), []
    person = ScriptedOperator("Marit")
    person.notify = told.append
    tools = FakeTools(clock, handheld=lambda now: Reading(12.0, "V", now, uncertainty=0.01, text=text))
    store = SqliteStore(tmp_path / "record.sqlite")
    outcome = run(load_procedure(file), tools, person, store, clock, serial="1")
    store.close()
    assert outcome.exit_code == 0
    assert not [it for it in told if it.kind == "said"]
    with History(tmp_path / "record.sqlite") as history:
        assert {step.result.words for step in history.steps(outcome.job)} == {""}


def test_a_caution_is_said_once_in_a_step(tmp_path):
    """Before the verdict, and in it."""
    file = tmp_path / "small.toml"
    file.write_text(procedure(RAIL))
    clock, told = SimClock(), []
    person = ScriptedOperator("Marit")
    person.notify = told.append
    tools = FakeTools(clock, handheld=lambda now: Reading(12.0, "V", now, Flag.COARSE, uncertainty=0.01))
    store = SqliteStore(tmp_path / "record.sqlite")
    run(load_procedure(file), tools, person, store, clock, serial="1")
    store.close()
    said = [it.words for it in told if it.kind == "said"]
    assert len(said) == 1
    assert said[0].startswith("TP1: ")
    assert LARGER in said[0]
    assert LARGER in next(it for it in told if it.kind == "step ended").words


def test_every_flag_that_needs_words_has_them():
    """What cannot be judged says why on the gauge; what can, but with care, says that in the verdict."""
    assert set(CAUTION_WORDS) == set(CAUTIONS)
    assert set(_WHY_NOT) == set(UNUSABLE & ~Flag.STALE)  # an old one is found by its age too
    assert not UNUSABLE & CAUTIONS


def test_old_bits_keep_their_meaning():
    """Records hold flags as numbers: a new one takes the next bit."""
    names = ("AC", "DC", "AUTORANGE", "RANGE_CHANGED", "RELATIVE", "MINMAX", "DIODE", "CONTINUITY", "LOW_BATTERY",
             "OVERLOAD", "UNDERLOAD", "INVALID", "HOLD", "STALE", "CLIPPED", "BUSY", "UNSETTLED", "WRONG_FUNCTION",
             "COARSE", "PROVISIONAL", "CHANGED_AT_PANEL", "VARIES", "GLITCHES",
             "UNRESOLVED", "UNTRIGGERED", "RUNT", "SLOW", "MOVES")  # fmt: skip
    assert [Flag[name].value for name in names] == [1 << place for place in range(len(names))]
    assert len(Flag) == len(names)


def test_the_record_says_which_instrument_gave_the_readings(tmp_path):
    """Its identity is known only once it was opened, which is after the job began."""
    file = tmp_path / "small.toml"
    file.write_text(procedure(RAIL.replace("TP1", "A1 TP1")))
    with SimBench() as bench:
        outcome = bench.run(file)
        with bench.history() as history:
            known = {it.name: it.identity for it in history.instruments(outcome.job)}
    assert known["handheld"]
    assert not known["scope"]  # nothing touched it
