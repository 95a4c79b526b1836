"""What a make-safe rests on: what was high, what is said of a panel, how fast a point falls, what the supply showed."""

from __future__ import annotations

import pytest
from guarded import Bench, Supply

from benchrig.readings import Flag, Reading


@pytest.fixture
def bench(tmp_path):
    return lambda *script, **more: Bench(tmp_path, script or (1.0,), **more)


def secured_after(on) -> float:
    """Seconds that the make-safe took."""
    began = on.clock.now()
    assert on.secure()
    return on.clock.now() - began


def test_what_the_panel_does_is_said_once(bench) -> None:
    """A warning with the instrument's name and the flag; not again with every reading, and again for another flag."""
    held, offset = Reading(1.0, "V", 0.0, Flag.HOLD), Reading(1.0, "V", 0.0, Flag.RELATIVE)
    on = bench(held, held, held, offset, held, 1.0)
    on.left()
    assert on.secure()
    warnings = [words for level, words in on.said() if level == "warning"]
    assert [words.split("(")[1].split(")")[0] for words in warnings] == ["hold", "relative", "hold"]
    assert all(words.startswith("meter does not show the plain value") for words in warnings)


def test_a_caution_is_no_reason_to_say_that(bench) -> None:
    """What may be judged is not called unusable."""
    on = bench(Reading(1.0, "V", 0.0, Flag.COARSE), 1.0)
    on.left()
    assert on.secure()
    assert not [words for level, words in on.said() if level == "warning"]


def test_a_high_reading_ends_the_row_though_no_look_ever_comes_behind_it(bench) -> None:
    """It was taken before the look that confirms the others, and is never confirmed itself."""
    plain = bench(1.0)
    plain.left()
    usual = secured_after(plain)
    high = Reading(9400.0, "V", 1.5, Flag.PROVISIONAL)
    on = bench(1.0, 1.0, high, Reading(1.0, "V", 2.0, clean_since=1.8), 1.0)
    on.left()
    assert secured_after(on) >= usual + 2 * 0.5


def test_what_was_seen_while_the_point_was_live_is_what_it_fell_from(bench) -> None:
    """The kilovolts of the step itself, long before the check."""
    on = bench(1.0)
    on.live()
    on.guard.see(9400.0, False)
    on.guard.done()
    on.asked()
    assert on.secure()
    assert "probe still on" in on.asked()


@pytest.mark.parametrize(("seconds", "asked"), [(4.5, True), (5.0, False), (9.0, False)])
def test_a_point_that_took_its_time_to_fall_is_believed(bench, seconds: float, asked: bool) -> None:
    """By the bleed time of its hazard, which is long enough to the second."""
    on = bench(1.0)
    hazard = on.procedure.hazards["eht"].model_copy(update={"bleed": 5.0})
    on.live()
    on.guard.see(9400.0, False)
    on.asked()
    on.clock.sleep_until(on.clock.now() + seconds)
    assert on.guard._fell_rightly(hazard) is True
    assert ("probe still on" in on.asked()) is asked


def test_what_the_supply_showed_is_known_until_it_is_on_again(bench) -> None:
    """Seen off at its terminals, or not; and nothing is known before."""
    on = bench(supply=Supply())
    assert on.guard.seen_off_by_supply is False
    on.live()
    on.guard.breached()
    assert on.guard.seen_off_by_supply is True
    stuck = bench(supply=Supply(stuck=True))
    stuck.live()
    stuck.guard.breached()
    assert stuck.guard.seen_off_by_supply is False
