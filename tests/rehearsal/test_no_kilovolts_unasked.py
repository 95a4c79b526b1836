"""Not one byte reaches the instrument at the dangerous point before the acknowledgement: seen in the double's log."""

import pytest
from benchrig.sim_instruments.operator import RefusingOperator, SimulatedOperator
from short_job import AGAIN, EHT, RAIL, Watched

from benchrig.session import AbsentOperator


class Mumbling(SimulatedOperator):
    """Types what is not the phrase."""

    words = ""

    def acknowledge(self, hold):
        super().acknowledge(hold)
        return self.words


def test_the_meter_hears_nothing_before_the_acknowledgement(job):
    """Its log is empty while the hold point asks, and full afterwards."""
    heard = []

    def before(what, argument):
        if what == "acknowledge":
            heard.append(len(job.hands.wire_log("meter")))

    with SimulatedOperator(job.hands, job.clock) as one:
        outcome = job.run(RAIL + EHT, Watched(one, before))
    assert outcome.exit_code == 0
    assert heard[0] == 0
    assert len(job.hands.wire_log("meter")) > 10
    assert job.hands.incidents == []


@pytest.mark.parametrize("words", [None, "y", "A4 TP40 is live at 9.4 kV"])
def test_without_the_words_there_are_no_kilovolts(job, words):
    """Refused, Enter, `y`, half the phrase, another voltage: exit code 5, a record, and silence on the wire."""
    stand_in = RefusingOperator if words is None else type("Says", (Mumbling,), {"words": words})
    with stand_in(job.hands, job.clock) as one:
        watched = Watched(one)
        outcome = job.run(RAIL + EHT + AGAIN, watched)
    assert outcome.exit_code == 5
    assert job.hands.wire_log("meter") == []
    assert outcome.results["rail"].verdict == "pass"
    assert "eht-again" not in outcome.results  # no later hazardous step was begun
    with job.history() as history:
        assert history.job(outcome.job).exit_code == 5
        assert history.steps(outcome.job)[-1].result.verdict == "refused"


def test_nobody_at_the_bench_is_refused(job):
    """An absent operator watches the rail and gets no further."""
    outcome = job.run(RAIL + EHT, AbsentOperator())
    assert outcome.exit_code == 5
    assert job.hands.wire_log("meter") == []
