"""Cables come out in mid-step: the gap is said and kept, the instrument comes back set up, the step ends well."""

import pytest
from benchrig.sim_instruments.operator import SimulatedOperator
from short_job import EHT, RAIL, TIMER, Watched


class Puller:
    """Pulls a cable for a second, once, after so many readings of a step."""

    def __init__(self, hands, step, instrument, readings=3):
        self.hands, self.step, self.instrument, self.left = hands, step, instrument, readings

    def __call__(self, what, notice):
        if what == "notify" and notice.kind == "reading" and notice.step == self.step:
            self.left -= 1
            if self.left == 0:
                self.hands.cable(self.instrument, "unplug", 1.0)


@pytest.mark.parametrize(("step", "instrument"), [("rail", "handheld"), ("timer", "scope")])
def test_a_step_goes_on_after_its_instrument_was_unplugged(job, step, instrument):
    """Socket and pseudo-terminal alike."""
    with SimulatedOperator(job.hands, job.clock) as one:
        watched = Watched(one, Puller(job.hands, step, instrument))
        outcome = job.run(RAIL if step == "rail" else TIMER, watched)
    assert outcome.exit_code == 0
    kinds = watched.kinds(step)
    assert kinds.index("link down") < kinds.index("link up") < kinds.index("step ended")
    with job.history() as history:
        (gap,) = history.gaps(outcome.job)
    assert gap["instrument"] == instrument
    assert gap["closed_us"] - gap["opened_us"] >= 0.5e6


def test_the_scope_is_set_up_again_before_its_readings_count(job):
    """The settings that make volts of codes go over the wire a second time."""
    with SimulatedOperator(job.hands, job.clock) as one:
        job.run(TIMER, Watched(one, Puller(job.hands, "timer", "scope")))
    heard = b"".join(data for _, data in job.hands.wire_log("scope")).decode("latin-1").upper()
    assert heard.count("*IDN?") >= 2
    assert heard.count(":PROB") >= 2


def test_a_lost_link_at_the_live_point_costs_the_acknowledgement(job):
    """It is asked for again; then the step ends well and the gap is in the record."""
    with SimulatedOperator(job.hands, job.clock) as one:
        watched = Watched(one, Puller(job.hands, "eht", "meter", readings=5))
        outcome = job.run(EHT, watched)
    assert outcome.exit_code == 0
    kinds = watched.kinds("eht")
    assert kinds.index("link down") < kinds.index("hold point lapsed")
    with job.history() as history:
        given = [row for row in history.acknowledgements(outcome.job) if row["purpose"] == "work"]
        assert len(given) == 2
        assert len(history.gaps(outcome.job)) == 1
