"""The Skerry 14's physics, held against handbook formulas, and its faults."""

import math

import numpy as np
import pytest
from benchrig.sim_instruments import unit_figures as f
from benchrig.sim_instruments.chassis import FAULTS
from benchrig.sim_instruments.fittings import drawn_error
from benchrig.sim_instruments.skerry14 import build
from benchrig.sim_instruments.world import Unknown, World
from scipy import constants, signal

from benchrig.clock import SimClock


def bench(seed: int = 0, **options: object) -> tuple[SimClock, World]:
    """A bench at second 1000 of its clock."""
    clock = SimClock(1000.0)
    return clock, build(clock, seed, **options)  # type: ignore[arg-type]


def later(clock: SimClock, seconds: float) -> None:
    clock.sleep_until(clock.now() + seconds)


def test_arrives_as_the_workshop_knows_it() -> None:
    """Seed 0: X zero at -41 mV; EHT at 10.1 kV once warm, within the +12 V rail's own warm drift."""
    clock, world = bench()
    assert world.truth("A2 TP21") == pytest.approx(-41e-3, abs=0.1e-3)
    later(clock, 3600.0)
    assert world.truth("A4 TP40") == pytest.approx(10_100.0, rel=2e-4)


@pytest.mark.parametrize("seed", range(1, 40))
def test_every_unit_can_be_put_right_and_needs_it(seed: int) -> None:
    """Whatever the seed: rails sound, zero and EHT out, every control able to reach where it belongs."""
    clock, world = bench(seed)
    assert abs(world.truth("A2 TP21")) > 25e-3
    later(clock, 3600.0)
    assert 9_950.0 < world.truth("A4 TP40") < 10_200.0
    for point, (volts, off, _) in f.RAILS.items():
        assert abs(world.truth(point) - volts) <= off * 1.01
    found = f.found(seed)
    for name, trimmer in world.trimmers.items():
        assert 0.1 * trimmer.travel < found.right[name] < 0.9 * trimmer.travel
        assert 0.0 < trimmer.position() < trimmer.travel


def test_same_seed_same_unit_same_volts() -> None:
    """Two worlds of one seed agree in every bit after the same acts; another seed does not."""
    seen = []
    for seed in (7, 7, 8):
        clock, world = bench(seed)
        world.hands.turn("RV41", -12.5)
        later(clock, 2.0)
        nodes = ("A1 TP1", "A2 TP21", "A4 TP40", "A4 TP41", "A5 TP51")
        seen.append([world.node(n).average(clock.now() - 0.1, clock.now()) for n in nodes])
    assert seen[0] == seen[1]
    assert seen[0] != seen[2]


def test_a_unit_that_is_right_is_right() -> None:
    """`tired=False`: every window of the workshop's table holds."""
    clock, world = bench(3, tired=False)
    later(clock, 600.0)
    assert abs(world.truth("A2 TP21")) < 2e-3
    assert 9_250.0 < world.truth("A4 TP40") < 9_550.0
    assert world.truth("A4 TP41") <= 0.06
    assert world.truth("A4 TP42") == pytest.approx(14.0e-6, abs=0.3e-6)
    assert world.truth("A4 TP42 low") == pytest.approx(46.0e-6, abs=0.6e-6)
    assert 0.98 < world.truth("aspect") < 1.02
    assert max(abs(world.truth(f"margins {way}")) for way in ("left-right", "top-bottom")) <= 1.5
    assert max(abs(world.truth(f"gap {way}")) for way in ("vertical", "horizontal")) <= 0.3
    assert round(world.truth("stick x")) in range(126, 131)


# The timer


def test_timer_obeys_the_data_sheet_formula() -> None:
    """t = 0.693 R C, NE555 data sheet (TI SLFS022, ST Doc 2182), each half with its own resistor and a diode."""
    clock, world = bench(2)
    later(clock, 5.0)
    on_ohms = f.ON_OHMS + f.ON_TRIM * world.truth("RV43 position") / 270.0
    off_ohms = f.OFF_OHMS + f.OFF_TRIM * world.truth("RV44 position") / 270.0
    on = 0.693 * on_ohms * f.TIMER_FARADS
    assert world.truth("A4 TP42") == pytest.approx(on, rel=3e-4)
    assert world.truth("A4 TP42 low") == pytest.approx(0.693 * off_ohms * f.TIMER_FARADS + 0.15 * on, rel=3e-4)


def test_on_time_trimmer_moves_both_times_and_off_time_trimmer_one() -> None:
    """The coupling of the workshop's table: 0.15 of the on-time's change shows in the off-time."""
    clock, world = bench()
    later(clock, 1.0)
    on, off = world.truth("A4 TP42"), world.truth("A4 TP42 low")
    world.hands.turn("RV43", -30.0)
    later(clock, 2.0)
    on_moved, off_moved = world.truth("A4 TP42") - on, world.truth("A4 TP42 low") - off
    assert on_moved < -0.5e-6
    assert off_moved == pytest.approx(0.15 * on_moved, rel=1e-6)
    world.hands.turn("RV44", -30.0)
    later(clock, 2.0)
    assert world.truth("A4 TP42") - on == pytest.approx(on_moved)


def test_pulses_on_the_test_point_have_the_true_times() -> None:
    """Width at half height, after a turn has settled, from samples alone."""
    clock, world = bench(5)
    world.hands.turn("RV43", 8.0)
    later(clock, 3.0)
    step = 10e-9
    volts = world.node("A4 TP42").samples(clock.now() - 1e-3, step, 100_000)
    high = volts > (volts.max() + volts.min()) / 2.0
    rising = np.flatnonzero(high[1:] & ~high[:-1])
    falling = np.flatnonzero(~high[1:] & high[:-1])
    widths = (falling[falling > rising[0]][:10] - rising[:10]) * step
    assert widths == pytest.approx(world.truth("A4 TP42"), abs=2 * step)
    period = np.diff(rising).mean() * step
    assert period == pytest.approx(world.truth("A4 TP42") + world.truth("A4 TP42 low"), abs=step)


def test_overshoot_on_the_test_point_is_the_true_one_and_has_one_least() -> None:
    """Peak beyond the settled level over the amplitude; it grows on both sides of one place."""
    clock, world = bench(4)
    belongs = f.found(4).right["RV42"]
    seen = []
    for place in (belongs - 60.0, belongs - 20.0, belongs, belongs + 20.0, belongs + 60.0):
        world.hands.turn("RV42", place - world.hands.position("RV42"))
        later(clock, 2.0)
        volts = world.node("A4 TP41").samples(clock.now() - 100e-6, 2e-9, 50_000)
        overshoot = (volts.max() - f.LINE_HIGH) / (f.LINE_HIGH - f.LINE_LOW)
        assert overshoot == pytest.approx(world.truth("A4 TP41"), abs=2e-4)
        seen.append(overshoot)
    assert min(seen) == seen[2]
    assert seen[0] > seen[1] > seen[2] < seen[3] < seen[4]


# Kilovolts


def test_eht_follows_the_on_time() -> None:
    """+0.6 % per 0.1 us."""
    clock, world = bench()
    later(clock, 1.0)
    volts, on = world.truth("A4 TP40"), world.truth("A4 TP42")
    world.hands.turn("RV43", 10.0)
    later(clock, 2.0)
    base = 1.0 + f.EHT_PER_ON_TIME * (on - f.ON_TIME)
    expected = 1.0 + 0.006 * (world.truth("A4 TP42") - on) / 0.1e-6 / base
    warmed = 1.0 + f.EHT_WARM_UP * 2.0 / 300.0
    assert world.truth("A4 TP40") / volts == pytest.approx(expected, rel=2 * (warmed - 1.0))


def test_eht_warms_up_by_its_share_with_its_time_constant() -> None:
    """+1.2 %, 63.2 % of it after five minutes."""
    clock, world = bench()
    cold = world.truth("A4 TP40")
    later(clock, 300.0)
    part = world.truth("A4 TP40")
    later(clock, 7200.0)
    warm = world.truth("A4 TP40")
    assert warm / cold == pytest.approx(1.012, abs=2e-4)
    assert (part - cold) / (warm - cold) == pytest.approx(0.632, abs=0.005)


def test_picture_shrinks_with_the_square_root_of_eht() -> None:
    """Magnetic deflection: the radius of an electron's path from its charge, mass and volts (CODATA, scipy)."""
    clock, world = bench()
    later(clock, 5.0)
    before = world.truth("A4 TP40"), world.truth("tile width"), world.truth("tile height")
    world.hands.turn("RV41", -60.0)
    later(clock, 3.0)
    after = world.truth("A4 TP40"), world.truth("tile width"), world.truth("tile height")

    def bend(volts: float) -> float:
        speed = math.sqrt(2.0 * constants.e * volts / constants.m_e)
        return constants.e / (constants.m_e * speed)  # angle per tesla metre, small angles

    assert after[1] / before[1] == pytest.approx(bend(after[0]) / bend(before[0]), rel=1e-9)
    assert after[2] / before[2] == pytest.approx(bend(after[0]) / bend(before[0]), rel=1e-9)


PROBE = 999e6 * (1.0 + 0.01 * drawn_error("0 probe")) + 1.1111e6  # ohm; the bench's own, within its 1 %


@pytest.mark.parametrize(("probed", "ohms"), [(True, 1.0 / (1.0 / 20e9 + 1.0 / PROBE)), (False, 20e9)])
def test_anode_discharges_as_a_capacitor_does(probed: bool, ohms: float) -> None:
    """t = R C ln(V0 / V), any handbook: seconds through a 1 Gohm probe, a minute and a half through the glass alone."""
    clock, world = bench()
    world.hands.power(False)
    if probed:
        world.hands.probe("meter", "A4 TP40", "eht_probe")
    world.hands.power(True)
    later(clock, 10.0)
    start = world.truth("A4 TP40")
    world.hands.power(False)
    until = ohms * 1e-9 * math.log(start / 60.0)
    later(clock, until)
    assert world.truth("A4 TP40") == pytest.approx(60.0, rel=1e-3)


def test_discharged_anode_comes_back_a_little() -> None:
    """Dielectric absorption: at once nothing, after a minute some tens of volts, below what can hurt."""
    clock, world = bench()
    later(clock, 5.0)
    world.hands.power(False)
    world.hands.discharge()
    assert world.truth("A4 TP40") == pytest.approx(0.0, abs=1e-6)
    later(clock, 60.0)
    assert 10.0 < world.truth("A4 TP40") < 42.4


def test_meter_sees_a_thousandth_of_the_true_eht() -> None:
    """Through the bench's own probe into its 10 Mohm, less what 1 Gohm takes, a ten-thousandth, and a volt or two."""
    clock, world = bench()
    world.hands.power(False)
    world.hands.discharge()
    world.hands.probe("meter", "A4 TP40", "eht_probe")
    world.hands.power(True)
    later(clock, 30.0)
    jack = world.jack("meter")
    shown = jack.average(clock.now() - 0.2, clock.now()) * 1e7 / (1e7 + jack.resistance)
    assert PROBE / 1e6 * shown == pytest.approx(world.truth("A4 TP40"), rel=4e-4)
    assert world.hands.incidents == []


# X DAC zero


def test_zero_moves_six_millivolts_a_turn() -> None:
    """And RV21 has twenty turns."""
    clock, world = bench()
    before = world.truth("A2 TP21")
    world.hands.turn("RV21", 360.0)
    world.hands.turn("RV21", 360.0)
    later(clock, 2.0)
    assert world.truth("A2 TP21") - before == pytest.approx(12e-3, abs=0.1e-3)


def test_text_for_three_seconds_then_blank_for_two() -> None:
    """Volts while text is drawn, only the zero itself while blank."""
    clock, world = bench()
    world.hands.card("zero")
    start = clock.now()
    later(clock, 10.0)
    node = world.node("A2 TP21")
    for cycle in (0.0, 5.0):
        text = node.samples(start + cycle, 1e-4, 30_000)
        blank = node.samples(start + cycle + 3.0, 1e-4, 20_000)
        assert text.max() > 1.9
        assert text.min() < -1.9
        assert np.ptp(blank) < 1e-4
        assert blank.mean() == pytest.approx(world.truth("A2 TP21"), abs=1e-4)


def test_zero_drifts_with_warmth() -> None:
    """30 uV per degree, fifteen degrees."""
    clock, world = bench()
    cold = world.truth("A2 TP21")
    later(clock, 7200.0)
    assert world.truth("A2 TP21") - cold == pytest.approx(450e-6, rel=0.01)


# Picture


def test_centring_rings_disturb_each_other_and_the_size() -> None:
    """Turning one moves both margins and the width."""
    clock, world = bench()
    later(clock, 1.0)
    names = ("margins left-right", "margins top-bottom", "tile width")
    before = [world.truth(n) for n in names]
    world.hands.turn("ring A", 20.0)
    later(clock, 1.0)
    moved = [world.truth(n) - b for n, b in zip(names, before, strict=True)]
    assert abs(moved[0]) > 2.0
    assert 0.2 < abs(moved[1]) < abs(moved[0])
    assert moved[2] != 0.0


def test_no_picture_without_kilovolts() -> None:
    """A ruler finds nothing then."""
    _, world = bench()
    world.hands.power(False)
    world.hands.discharge()
    assert world.hands.ruler("tile width") == 0.0
    assert not world.hands.picture()


# Faults


def volts(world: World, point: str, seconds: float = 0.2) -> float:
    now = world.clock.now()
    return world.node(point).average(now - seconds, now)


@pytest.mark.parametrize(("fault", "point"), list(zip(FAULTS[:4], f.RAILS, strict=True)))
def test_a_dead_rail_is_dead_alone(fault: str, point: str) -> None:
    """The other rails stand."""
    clock, world = bench()
    world.hands.fault(fault)
    later(clock, 3.0)
    assert abs(volts(world, point)) < 0.01
    others = [volts(world, p) / f.RAILS[p][0] for p in f.RAILS if p != point]
    assert min(others) > 0.98
    world.hands.fault(fault, False)
    later(clock, 3.0)
    assert volts(world, point) == pytest.approx(f.RAILS[point][0], rel=0.02)


def test_dead_twelve_volts_stop_timer_and_kilovolts() -> None:
    """What hangs on it goes with it; the charge on the anode stays for a while."""
    clock, world = bench()
    later(clock, 3.0)
    world.hands.fault("dead +12 V")
    later(clock, 1.0)
    assert world.node("A4 TP42").rms(clock.now() - 0.01, clock.now()) == 0.0
    assert world.truth("A4 TP40") > 8_000.0
    later(clock, 120.0)
    assert world.truth("A4 TP40") < 60.0


def test_intermittent_fuse_dips_every_rail_together() -> None:
    """All four at the same moments, 40 ms to 2 s at a time, and the meter's leads still find the fuse whole."""
    clock, world = bench()
    world.hands.fault("intermittent fuse")
    start = clock.now()
    later(clock, 120.0)
    low = []
    for point, (nominal, _, _) in f.RAILS.items():
        seen = world.node(point).samples(start, 0.01, 12_000) / nominal
        low.append(seen < 0.5)
    assert all(np.mean(low[0] != other) < 1e-3 for other in low[1:])  # a sample on an edge may fall to either side
    edges = np.flatnonzero(np.diff(low[0].astype(int)))
    lengths = np.diff(edges)[::2] * 0.01
    assert len(lengths) >= 5
    assert lengths.min() >= 0.02
    assert lengths.max() <= 2.1
    assert world.truth("A1 F1") < 1.0


def test_leaky_capacitor_ripples_at_twice_the_mains() -> None:
    """The strongest line of +12 V lies at 100 Hz (scipy's periodogram), and its ESR has gone up."""
    clock, world = bench()
    esr = world.truth("A1 C101")
    world.hands.fault("leaky capacitor")
    later(clock, 3.0)
    seen = world.node("A1 TP1").samples(clock.now() - 2.0, 1e-4, 20_000)
    frequencies, power = signal.periodogram(seen, 1e4)
    assert frequencies[power.argmax()] == pytest.approx(100.0)
    assert world.node("A1 TP1").rms(clock.now() - 1.0, clock.now()) > 0.2
    assert world.truth("A1 C101") > 3.0 * esr


def test_runaway_goes_beyond_the_ceiling_and_the_trimmer_does_not_hold_it() -> None:
    """Above 10.4 kV within seconds."""
    clock, world = bench()
    later(clock, 3.0)
    world.hands.fault("runaway EHT")
    later(clock, 10.0)
    assert world.truth("A4 TP40") > 10_400.0
    world.hands.turn("RV41", -20.0)
    later(clock, 3.0)
    assert world.truth("A4 TP40") > 10_400.0


def test_one_dead_half_is_one_dead_half() -> None:
    """A mismatch of 200 %, by 2 |a - b| / (a + b)."""
    clock, world = bench()
    later(clock, 1.0)
    assert world.truth("halves mismatch") < 0.03
    world.hands.fault("dead half")
    later(clock, 1.0)
    now = clock.now()
    assert world.node("A1 T1 half 1").rms(now - 0.2, now) == pytest.approx(9.8, rel=0.03)
    assert world.node("A1 T1 half 2").rms(now - 0.2, now) < 0.01
    assert world.truth("halves mismatch") == pytest.approx(2.0, rel=1e-3)


def test_stuck_timer_takes_drive_and_kilovolts_away() -> None:
    """TP42 is flat, and the anode is no longer driven."""
    clock, world = bench()
    later(clock, 1.0)
    world.hands.fault("timer stuck")
    later(clock, 200.0)
    now = clock.now()
    assert np.ptp(world.node("A4 TP42").samples(now - 1e-3, 1e-7, 10_000)) == 0.0
    assert world.truth("A4 TP40") < 1.0


def test_hum_is_heard_where_hum_is() -> None:
    """In 90 to 130 Hz at the loudspeaker, beyond what is acceptable."""
    clock, world = bench()
    later(clock, 2.0)
    assert world.truth("A5 TP51") < 8e-3
    world.hands.fault("hum")
    later(clock, 2.0)
    assert world.truth("A5 TP51") > 20e-3
    seen = world.node("A5 TP51").samples(clock.now() - 1.0, 1e-4, 10_000)
    frequencies, power = signal.periodogram(seen, 1e4, scaling="spectrum")
    inside = math.sqrt(power[(frequencies > 90) & (frequencies < 130)].sum())
    assert inside == pytest.approx(world.truth("A5 TP51"), rel=0.01)


def test_a_fault_that_does_not_exist_is_refused_with_those_that_do() -> None:
    """By the chassis and by the hands."""
    _, world = bench()
    with pytest.raises(Unknown, match="dead half"):
        world.hands.fault("gremlins")
    with pytest.raises(Unknown, match="RV41"):
        world.hands.fault("scratchy RV99")


def test_switched_off_everything_dies_down() -> None:
    """Rails, pulses, strokes, hum; the clock may run on as long as it likes."""
    clock, world = bench()
    later(clock, 2.0)
    world.hands.power(False)
    later(clock, 30.0)
    now = clock.now()
    for point in (*f.RAILS, "A2 TP21", "A2 TP22", "A4 TP41", "A4 TP42", "A5 TP51", *f.HALVES):
        node = world.node(point)
        assert abs(node.average(now - 0.1, now)) < 1e-3
        assert node.rms(now - 0.1, now) < 1e-3


def test_no_samples_are_no_samples() -> None:
    """Every node gives an empty array for a count of nought."""
    _, world = bench()
    for node in world.nodes.values():
        assert node.samples(1000.0, 1e-6, 0).shape == (0,)


def test_everything_has_a_true_value() -> None:
    """Every test point of the workshop's table, by its own name, is a number now."""
    clock, world = bench()
    later(clock, 3.0)
    points = set(world.nodes) - {"ground"}
    assert points <= set(world.truths)
    assert all(math.isfinite(world.truth(name)) for name in world.truths)
