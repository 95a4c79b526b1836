"""A wiper is swept, named, cleaned and swept again, and what the sweep has moved is set; on the simulated bench."""

import pytest

from benchrig.commands.options import locate
from benchrig.errors import FileError
from benchrig.procedure import load_procedure
from benchrig.session.plan import disturbed_by
from benchrig.testing import SimBench

PROCEDURE = "skerry14/wipers"


def ended(seed, *faults):
    """(outcome, the verdicts and words of each step in order, the trimmers) of one job."""
    seen = []
    with SimBench("skerry14", seed=seed, faults=list(faults)) as bench:

        class Looking:
            def __init__(self, operator):
                self.__dict__["_operator"] = operator

            def __getattr__(self, what):
                return getattr(self._operator, what)

            def notify(self, notice):
                if notice.kind == "step ended":
                    seen.append((notice.step, notice.verdict, notice.words))
                self._operator.notify(notice)

        outcome = bench.run(PROCEDURE, serial="SK14-0231", operator=Looking(bench.operator))
        return outcome, seen, bench.world.trimmers


def of(seen, step):
    return [(verdict, words) for name, verdict, words in seen if name == step]


def test_a_scratchy_wiper_is_cleaned_and_swept_again_and_a_clean_one_is_not_cleaned():
    """RV44 jumps until it is cleaned; RV43 never does; in the end both times are in."""
    outcome, seen, trimmers = ended(4, "scratchy RV44")
    assert outcome.exit_code == 0, outcome.words
    assert [verdict for verdict, _ in of(seen, "wiper-timer-off")] == ["fail", "pass"]
    assert "the wiper jumps: clean it" in of(seen, "wiper-timer-off")[0][1]
    assert [verdict for verdict, _ in of(seen, "wiper-timer-on")] == ["pass"]
    assert trimmers["RV44"].cleaned
    assert not trimmers["RV43"].cleaned


@pytest.mark.parametrize("seed", [1])
def test_clean_wipers_pass_and_what_was_swept_is_set_after_it(seed):
    """The sweep opened the timer again, whatever it was as found."""
    outcome, seen, _ = ended(seed)
    assert outcome.exit_code == 0, outcome.words
    assert {words.split(" (")[0] for name, _, words in seen if name.startswith("wiper")} == {"the wiper is clean"}
    assert seen[-1][0] == "timer"


def test_a_sweep_opens_what_sets_its_trimmer_and_not_another_sweep():
    """On paper."""
    procedure = load_procedure(locate(PROCEDURE))
    assert disturbed_by(procedure, procedure.step("wiper-timer-on")) == ("timer",)
    assert disturbed_by(procedure, procedure.step("clean-timer-on")) == ("wiper-timer-on", "timer")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ('reach = "0.6 us"', 'reach = "-0.6 us"', "above zero"),
        ('reach = "0.6 us"', 'reach = "0.6 us"\nquiet = true', "quiet phases"),
        ('reach = "0.6 us"', 'reach = "0.6 V"', "Give it in s"),
        ('trimmer = "RV44"\nspan = "17 us"\nreach', 'trimmer = "RV45"\nspan = "17 us"\nreach', "no later step sets it"),
    ],
)
def test_a_sweep_that_cannot_be_done_is_refused_with_its_line(tmp_path, before, after, says):
    """Each mistake is named."""
    text = locate(PROCEDURE).read_text(encoding="utf-8")
    assert before in text
    path = tmp_path / "wipers.toml"
    path.write_text(text.replace(before, after, 1), encoding="utf-8")
    with pytest.raises(FileError, match=says):
        load_procedure(path)


SEEN_IN_A_TRIM = """
[procedure]
id = "off-time"
title = "Off-time"
unit = "Skerry 14"
[[step]]
id = "off"
kind = "trim"
title = "Off-time"
instrument = "scope"
channel = 2
measurement = "low time"
swing = "12 V"
duration = "120 us"
point = "A4 TP42"
probe = "x10"
trimmer = "RV44"
span = "17 us"
target = "46.0 us"
window = ["45.4 us", "46.6 us"]
[[step]]
id = "clean"
kind = "confirm"
title = "Clean RV44"
instruction = "Switch the unit off, clean RV44 and sweep it a few times."
conditions = ["unplugged"]
only_if = { off = "its wiper jumps: clean it" }
cleans = ["RV44"]
"""


def test_a_wiper_that_jumped_while_it_was_set_is_told_with_the_result_and_can_be_cleaned(tmp_path):
    """The verdict stands, the words say it; the cleaning opens the trim again, which then says nothing more of it."""
    path = tmp_path / "off.toml"
    path.write_text(SEEN_IN_A_TRIM, encoding="utf-8")
    with SimBench("skerry14", seed=4, faults=["scratchy RV44"]) as bench:
        outcome = bench.run(str(path), serial="SK14-0231")
        with bench.history() as history:
            results = [row.result for row in history.steps(1) if row.step == "off" and row.result is not None]
    assert outcome.exit_code == 0
    words = [it.words for it in results if it.verdict == "pass"]
    assert "its wiper jumps: clean it" in words[0]
    assert "its wiper jumps" not in words[-1]
    assert len(words) == 2
