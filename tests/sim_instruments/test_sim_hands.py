"""What hands can do at the bench, what eyes see there, and what goes into the list of incidents."""

import statistics

import pytest
from benchrig.sim_instruments.eyes import BY_EYE, asked_for, set_by_eye, typed
from benchrig.sim_instruments.skerry14 import build
from benchrig.sim_instruments.world import Unknown, World

from benchrig.clock import SimClock


def bench(seed: int = 1, **options: object) -> tuple[SimClock, World]:
    clock = SimClock(50.0)
    world = build(clock, seed, **options)  # type: ignore[arg-type]
    clock.sleep_until(60.0)
    return clock, world


def test_an_input_moves_where_it_is_put() -> None:
    """From a rail to another, and off."""
    clock, world = bench()
    for point, volts in (("A1 TP2", 5.0), ("A1 TP3", -12.0)):
        world.hands.probe("handheld", point)
        clock.sleep_until(clock.now() + 1.0)
        now = clock.now()
        assert world.jack("handheld").average(now - 0.5, now) == pytest.approx(volts, rel=0.02)
    world.hands.probe("handheld")
    clock.sleep_until(clock.now() + 1.0)
    assert world.jack("handheld").average(clock.now() - 0.5, clock.now()) == 0.0


def test_kilovolts_are_never_probed_directly() -> None:
    """Not by a meter's own leads, not by a scope's."""
    _, world = bench()
    world.hands.power(False)
    world.hands.discharge()
    for jack in ("meter", "handheld", "scope.1"):
        with pytest.raises(Unknown, match="eht_probe"):
            world.hands.probe(jack, "A4 TP40")


def test_acts_that_would_hurt_are_written_down() -> None:
    """Moving the probe on a live anode, cleaning under power, shorting a driven anode."""
    _, world = bench()
    world.hands.probe("meter", "A4 TP40", "eht_probe")
    world.hands.clean("RV22")
    world.hands.discharge()
    words = "\n".join(world.hands.incidents)
    assert "probe on A4 TP40 was moved with 9" in words
    assert "RV22 was cleaned with the power on" in words
    assert "shorted with the power on" in words


def test_the_same_acts_in_the_right_order_are_not() -> None:
    """Off, discharged, then hands in."""
    _, world = bench()
    world.hands.power(False)
    world.hands.discharge()
    world.hands.probe("meter", "A4 TP40", "eht_probe")
    world.hands.clean("RV22")
    world.hands.esr("A1 C101")
    assert world.hands.incidents == []


def test_ruler_is_honest_about_half_millimetres() -> None:
    """Ten tiles at once: right on average, scattered by a person's hand, never finer than a twentieth."""
    _, world = bench()
    readings = [world.hands.ruler("tile width") for _ in range(200)]
    truth = world.truth("tile width")
    assert statistics.fmean(readings) == pytest.approx(truth, abs=0.01)
    assert 0.005 < statistics.stdev(readings) < 0.05
    assert all(abs(r * 20 - round(r * 20)) < 1e-9 for r in readings)


@pytest.mark.parametrize("control", sorted(BY_EYE))
def test_every_control_that_is_set_by_eye_can_be(control: str) -> None:
    """The picture gets into the workshop's window by looking and turning alone."""
    clock, world = bench(2)
    world.hands.turn("RV41", -60.0)  # near the right kilovolts, as they come first
    clock.sleep_until(62.0)
    assert set_by_eye(world.hands, control, lambda s: clock.sleep_until(clock.now() + s))
    name, target, _ = BY_EYE[control]
    within = {"gap": 0.3, "tile": 0.5, "margins": 1.5, "intensity": 0.5, "stick": 2.0}[name.split()[0]]
    assert abs(world.truth(name) - target) <= within


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        ("Tile width, mean of the middle row", "tile width"),
        ("Height of one tile", "tile height"),
        ("A2 TP22 lattice join gap, vertical ramp", "gap vertical"),
        ("Difference of left and right margin", "margins left-right"),
        ("Series resistance of A4 C401", "A4 C401"),
        ("Controller centre code, X", "stick x"),
        ("How many birds sit on the aerial?", None),
    ],
)
def test_questions_are_understood_by_their_words_or_not_at_all(words: str, meant: str | None) -> None:
    """What is not understood gets no number."""
    _, world = bench()
    assert asked_for(words) == meant
    assert (typed(world.hands, words, "m") is None) == (meant is None)


def test_unknown_names_get_the_known_ones() -> None:
    """Trimmers, points, inputs, patterns, lengths."""
    _, world = bench()
    for act, listed in (
        (lambda: world.hands.turn("RV99", 1.0), "RV41"),
        (lambda: world.hands.probe("meter", "A9 TP9"), "A1 TP1"),
        (lambda: world.hands.probe("abacus", "A1 TP1"), "handheld"),
        (lambda: world.hands.card("chess"), "lattice"),
        (lambda: world.hands.ruler("depth"), "tile width"),
        (lambda: world.truth("beauty"), "aspect"),
        (lambda: world.double("abacus"), "scope"),
    ):
        with pytest.raises(Unknown, match=listed):
            act()


def test_supply_switches_the_unit_only_if_it_feeds_it() -> None:
    """`feed="supply"`: output off is the unit off. `feed="wall"`: it is not."""
    for feed, left in (("supply", False), ("wall", True)):
        _, world = bench(feed=feed)
        world.double("supply").receive(b"OUTP OFF\n")
        assert world.hands.powered() is left


def test_switching_on_includes_the_supply_that_was_switched_off() -> None:
    """A person presses its output key as well; a tripped one stays off."""
    _, world = bench()
    supply = world.double("supply")
    supply.receive(b"OUTP OFF\n")
    assert not world.hands.powered()
    world.hands.power(True)
    assert world.hands.powered()
    supply.receive(b"OUTP OFF\n")
    supply.double.tripped = True  # type: ignore[attr-defined]
    world.hands.power(True)
    assert not world.hands.powered()


def test_marks_and_going_back() -> None:
    """The slot's old place is kept."""
    _, world = bench()
    old = world.hands.mark("RV31")
    world.hands.turn("RV31", 40.0)
    world.hands.turn("RV31", world.hands.marks["RV31"] - world.hands.position("RV31"))
    assert world.hands.position("RV31") == pytest.approx(old)
