"""The guard's make-safe, and all the ways in which it can fail."""

import re

import pytest
from guarded import Bench, Supply

from benchrig.errors import LinkLost, Refused
from benchrig.events import LinkDown, LinkUp
from benchrig.readings import Flag, Reading
from benchrig.records.facts import StoreError
from benchrig.session.guard import CHECK_FOR
from benchrig.session.machine import SessionPhase


@pytest.fixture
def bench(tmp_path):
    return lambda script=(1.0,), **options: Bench(tmp_path, script, **options)


def refused(bench, acknowledgement, step="eht"):
    with pytest.raises(Refused):
        acknowledgement.require("eht", step, bench.guard.moment())
    return True


OVER = Reading(None, "V", flags=Flag.OVERLOAD)
HELD = Reading(1.0, "V", flags=Flag.HOLD)


def test_a_point_that_reads_high_between_low_readings_is_not_safe(bench):
    """A reading above the limit starts the row again."""
    on = bench([1.0, 50.0] * 1000)
    on.left("loose")
    assert on.secure("loose") is False
    assert on.clock.now() == CHECK_FOR
    assert on.guard.session.phase is SessionPhase.UNSAFE


@pytest.mark.parametrize("step", ["eht", "loose"])
def test_an_overload_at_the_check_ends_the_check(bench, step):
    """Every hazardous step has a ceiling, the hazard's own where it gives none, and the meter's range holds it."""
    on = bench([1.0, OVER])
    on.left(step)
    assert on.secure(step) is False
    assert on.clock.now() < 2.0
    assert "more than can be shown" in on.guard.session.ending


def test_a_frozen_display_shows_nothing_about_the_point(bench):
    """Held at 1 V since before the power went off."""
    on = bench([HELD])
    on.left()
    assert on.secure() is False


def test_a_check_that_ran_out_leaves_nobody_leave_to_read(bench):
    """Not made safe is not readable either: the leave to check ends with the check, however it ended."""
    on = bench([50.0])
    on.left()
    kept = []
    hear = on.person.notify

    def notify(notice):
        kept.append(on.guard.acknowledgement)
        hear(notice)

    on.person.notify = notify
    assert on.secure() is False
    assert on.guard.acknowledgement is None
    (check,) = {it for it in kept if it is not None}
    assert refused(on, check)
    assert on.guard.session.ending == "TP40 was not made safe: not seen below 42.40 V"
    assert on.guard.reason == "left"


@pytest.mark.parametrize("during", ["hands off", "check", "reading"])
def test_a_make_safe_that_is_broken_off_still_says_that_the_point_is_live(bench, during):
    """Ctrl-C while hands are called off, at the question, or at the check: never in silence."""
    on = bench([50.0, 50.0, KeyboardInterrupt() if during == "reading" else 50.0])
    on.left()

    def interrupted(*values):
        raise KeyboardInterrupt

    if during == "hands off":
        on.person.hands_off = interrupted
    if during == "check":
        on.person.acknowledge = interrupted
    with pytest.raises(KeyboardInterrupt):
        on.secure()
    assert on.guard.session.phase is SessionPhase.UNSAFE
    assert on.said()[-1] == ("alarm", "TP40 WAS NOT SEEN SAFE. Take it for live. Keep hands out.")
    assert on.guard.acknowledgement is None


def test_a_record_that_can_no_longer_be_written_does_not_silence_a_warning(bench):
    """A full disk: what is dangerous is told all the same, and the trouble is raised after it."""
    on = bench()
    on.left()
    on.store.full = True
    with pytest.raises(StoreError):
        on.secure()
    assert on.said()[-1] == ("alarm", "TP40 WAS NOT SEEN SAFE. Take it for live. Keep hands out.")
    assert on.guard.session.phase is SessionPhase.UNSAFE


def test_too_high_is_told_and_the_supply_goes_off_where_nothing_can_be_recorded(bench):
    """Told first and switched off; only then the record's trouble ends the job."""
    on = bench(supply=Supply())
    on.live()
    on.store.full = True
    with pytest.raises(StoreError):
        on.guard.breached()
    assert on.said()[0] == ("alarm", "TOO HIGH. Let go. Hands away. Switch the unit off.")
    assert not on.supply.on


def test_make_safe_takes_its_steps_in_order_and_gives_hands_back(bench):
    """Hands off, off and discharged in words, seen below the limit; then it is said what was seen, and by what."""
    on = bench()
    on.left()
    on.asked()
    assert on.secure() is True
    hands, (_, request) = on.person.asked
    assert hands == ("hands off", ("eht", "EHT is to be made safe"))
    assert (request.purpose, request.phrase) == ("check", "TP40 is off and discharged, probe still on")
    assert (request.in_place, request.expected) == (("Switch off", "Discharge"), "9.40 kV")
    level, words = on.said()[-1]
    assert level == "note"
    assert re.match(r"TP40 read 1\.00 V at \d\d:\d\d:\d\d by meter, below 42\.40 V\. .* the stick decides\.$", words)
    assert not any("may go in" in said for _, said in on.said())
    row, answer = on.store.acknowledgements[-1]
    assert (row, answer.purpose, answer.acknowledged, answer.typed) == (7, "check", True, request.phrase)
    assert (on.guard.session.phase, on.guard.session.hazard) == (SessionPhase.READY, "")
    assert on.guard.power is False
    assert (7, "made safe", {"hazard": "eht"}) in on.store.events
    assert [(it.step, it.hazard) for it in on.person.told if it.kind == "made safe"] == [("eht", "eht")]
    assert on.guard.acknowledgement is None


def test_every_reading_of_the_check_is_recorded_and_told(bench):
    """And the feed is closed after it, which asked the leave to check at each touch."""
    on = bench([30.0, 20.0, None, HELD, LinkUp(0.0, "meter", 0.1), 10.0])
    on.left()
    assert on.secure()
    kept = [value for _, _, value in on.store.readings]
    assert kept[:4] == [30.0, 20.0, 1.0, 10.0]
    assert {(row, channel) for row, channel, _ in on.store.readings} == {(7, "meter")}
    told = [it for it in on.person.told if it.kind == "reading"]
    assert [it.reading.value for it in told] == kept
    assert {(it.step, it.channel) for it in told} == {("eht", "meter")}
    assert on.clock.now() == pytest.approx(0.5 * (len(kept) + 2))
    assert [feed.closed for feed in on.feeds] == [True]
    assert on.store.kept_alive >= len(kept)


@pytest.mark.parametrize("script", [[1.0, LinkDown(0.0, "meter", "unplugged"), 1.0], [1.0, LinkLost("unplugged")]])
def test_a_check_whose_meter_goes_away_shows_nothing(bench, script):
    """However well it read before; what was opened is closed."""
    on = bench(script)
    on.left()
    assert on.secure() is False
    assert on.guard.session.phase is SessionPhase.UNSAFE
    assert on.feeds[0].closed
    assert on.guard.power is True  # as far as anybody knows
    assert on.guard.session.ending.endswith("link lost" if len(script) == 3 else "not seen below 42.40 V")
    assert not [it for it in on.store.events if it[1] == "made safe"]


def test_trouble_at_the_check_is_said_with_its_words(bench):
    on = bench([LinkLost("The meter was unplugged.")])
    on.left()
    assert on.secure() is False
    words = "The check of TP40 failed: The meter was unplugged."
    assert ("alarm", words) in on.said()
    assert (7, "said", {"words": words, "level": "alarm"}) in on.store.events


def test_a_refused_off_phrase_reads_nothing(bench):
    """Not one touch, and the reason in the ending."""
    on = bench()
    on.left()
    on.person.acknowledge = lambda hold: None
    assert on.secure() is False
    assert on.feeds == []
    assert on.guard.session.ending == "TP40 was not made safe: refused"


def test_leave_to_check_that_is_over_before_it_is_used_reads_nothing(bench):
    """The machine slept between the answer and the check."""
    on = bench()
    on.left()
    on.store.acknowledgement = lambda *facts: on.clock.sleep_until(on.clock.now() + 1000.0)
    assert on.secure() is False
    assert on.feeds == []
    assert "older than 900 s" in on.guard.session.ending


def test_the_same_hazard_may_go_on_without_make_safe_and_another_may_not(bench):
    on = bench()
    eht, loose, safe, hand = (on.procedure.step(it) for it in ("eht", "loose", "safe", "by-hand"))
    assert all(on.guard.may_follow(it) for it in (eht, loose, safe, hand))
    on.left()
    assert [on.guard.may_follow(it) for it in (eht, loose, safe, hand)] == [True, True, False, False]
    assert on.secure()
    assert all(on.guard.may_follow(it) for it in (eht, loose, safe, hand))


def test_a_point_that_no_meter_of_the_bench_sees_is_measured_by_hand_until_it_is_low(bench):
    """Typed readings, two seconds apart at least; what is no voltage is asked again, what is high starts the row."""
    on = bench(entries={"by-hand": ["1 V", "60 V", "low", "2 A", "1 V", "500 mV", "1 V"]})
    on.left("by-hand")
    on.asked()
    assert on.secure("by-hand")
    assert on.feeds == []
    asked = [what for about, what in on.person.asked if about == "enter"]
    assert {it.text for it in asked} == {"Measure TP1 with a meter that you have just seen working. Volts?"}
    assert {(it.step, it.unit) for it in asked} == {("by-hand", "V")}
    assert len(asked) == 7
    assert on.clock.now() == pytest.approx(14.0)
    assert [level for level, _ in on.said()] == ["warning", "warning", "note"]
    assert "'low' does not start with a number" in on.said()[0][1]


@pytest.mark.parametrize("typed", [[], ["60 V"]])
def test_a_point_measured_by_hand_that_nobody_measures_or_that_stays_high_is_not_safe(bench, typed):
    """At once where nobody answers; else after the time of a check."""
    on = bench(entries={"by-hand": typed})
    on.left("by-hand")
    assert on.secure("by-hand") is False
    assert on.clock.now() == (CHECK_FOR if typed else 0.0)


def test_a_point_of_a_broken_off_job_is_made_safe_in_the_persons_words(bench):
    """Nothing is known of it, so power off and discharge are asked for, and noted for the next who takes the job up."""
    on = bench()
    assert on.guard.made_safe_after_break(on.procedure.hazards["eht"])
    ((about, text),) = on.person.asked
    assert (about, text) == ("power off", "TP40 was live when the job was broken off. Switch off. Discharge.")
    assert on.guard.power is False
    assert (None, "made safe", {"hazard": "eht"}) in on.store.events
    refuses = bench(never=["power off"])
    assert not refuses.guard.made_safe_after_break(refuses.procedure.hazards["eht"])
    assert [kind for _, kind, _ in refuses.store.events] == ["answer"]


def test_make_safe_is_told_under_the_step_that_the_job_stands_at(bench):
    """Which may be one that was begun and could not be done."""
    on = bench()
    on.left()
    assert on.secure("loose")
    assert {it.step for it in on.person.told if it.kind in ("reading", "made safe")} == {"loose"}
