"""The Skerry 14's electronics: one shared state, and a node at every test point.

Rules kept here: every figure comes from `unit_figures`; every voltage is a function of the clock and of what was
switched, turned or broken when; nothing is stepped. Parts depend on each other as in the unit: the kilovolts on
the +12 V rail, on the drive's on-time, on RV41 and on warmth; the on-time on RV43; everything on the fuse.
"""

from __future__ import annotations

import math

import numpy as np

from benchrig.clock import Clock

from . import unit_figures as f
from .histories import Array, Dips, Relaxing, Value, one
from .pulses import Pulse, PulseTrain
from .trimmer import SimulatedTrimmer
from .world import Unknown

FAULTS = (
    "dead +12 V",
    "dead +5 V",
    "dead -12 V",
    "dead -5.2 V",
    "dead half",
    "intermittent fuse",
    "blown fuse",
    "leaky capacitor",
    "runaway EHT",
    "timer stuck",
    "hum",
    "converter",
)
DEAD = dict(zip(f.RAILS, FAULTS[:4], strict=True))
_SETTLING = (0.0, 0.02, 0.05, 0.1, 0.2, 0.5)  # s after a turn at which the timer's times are taken anew


class Chassis:
    """One unit on the bench. `seed` chooses how it arrives, `mains` the frequency in hertz."""

    def __init__(self, clock: Clock, seed: int = 0, *, tired: bool = True, mains: float = 50.0) -> None:
        self.clock = clock
        self.mains = mains
        self.found = f.found(seed, tired=tired)
        self.seed = seed
        self.trimmers = self._trimmers()
        self.faults = {name: Relaxing(clock, 0.0, 0.003) for name in FAULTS}
        self.faults["runaway EHT"] = Relaxing(clock, 0.0, f.RUNAWAY_TAU)
        self.fuse = Dips(seed * 31 + 5)
        self.switched_on = False
        self.fed = True  # by whatever feeds it: the wall, or a supply that a program switches
        self.mains_on = Relaxing(clock, 0.0, 0.002)
        self.power = Relaxing(clock, 0.0, f.RAIL_RISE)
        self.warmth = Relaxing(clock, 0.0, f.WARM_UP)
        self.drive = Relaxing(clock, 0.0, f.EHT_RISE)  # of the kilovolts
        self.stored = Relaxing(clock, 0.0, f.ANODE_FARADS * f.ANODE_LEAK)  # V left on the anode without drive
        self.absorbed = Relaxing(clock, 0.0, f.COMES_BACK_TAU)  # V that come back after a discharge
        self.anode_load = math.inf  # ohm of what is clipped to the anode
        self._cards: tuple[tuple[float, str], ...] = ((-math.inf, ""),)
        self.timer = PulseTrain(clock, self._drive_pulse(clock.now()), f.DRIVE_OHMS)
        self.line = PulseTrain(clock, self._line_pulse(clock.now()), f.LINE_OHMS)
        for name in ("RV42", "RV43", "RV44"):
            self.trimmers[name].moved = self.retime

    # What hands and faults do.

    @property
    def powered(self) -> bool:
        """Switched on, fed, and its fuse whole."""
        return self.switched_on and self.fed and not self.faults["blown fuse"].goal

    @property
    def card(self) -> str:
        """The pattern on the card that is plugged in; "" for none."""
        return self._cards[-1][1]

    def switch(self, on: bool) -> None:
        """The unit's own switch."""
        self.switched_on = on
        self.refresh()

    def feed(self, on: bool) -> None:
        """What the unit's mains lead is plugged into."""
        self.fed = on
        self.refresh()

    def plug_card(self, pattern: str) -> None:
        """Change the pattern; it starts from its beginning."""
        self._cards = (*self._cards[-32:], (self.clock.now(), pattern))

    def fail(self, name: str, on: bool = True) -> None:
        """Switch a fault of `FAULTS` on or off, now."""
        if name not in self.faults:
            raise Unknown(f"There is no fault {name!r}. There are: {', '.join(FAULTS)}.")
        self.faults[name].go(1.0 if on else 0.0)
        if name == "intermittent fuse":
            now = self.clock.now()
            self.fuse.since, self.fuse.until = (now, math.inf) if on else (self.fuse.since, now)
        self.refresh()

    def load_anode(self, ohms: float) -> None:
        """Clip something to the anode (a probe), or take it off (inf)."""
        self.anode_load = ohms
        self.stored.go(0.0, self._anode_tau())

    def discharge(self) -> None:
        """Hold the discharge stick to the anode for a moment; with the power on it is only a bad idea."""
        held = self.anode_volts()
        self.stored.go(0.0, self._anode_tau(), value=0.0)
        if not self._driven():
            self.absorbed.go(f.COMES_BACK * held, value=0.0)

    def refresh(self) -> None:
        """Take in that something was switched, turned or broken: power, drive and timer follow."""
        on, driven = self.powered, self._driven()
        if (self.power.goal > 0.0) != on:
            self.mains_on.go(float(on))
            self.power.go(float(on), f.RAIL_RISE if on else f.RAIL_FALL)
            self.warmth.go(float(on), f.WARM_UP if on else f.COOL_DOWN)
        if (self.drive.goal > 0.0) != driven:
            self._switch_drive(driven)
        self.retime()

    def settle(self) -> None:
        """Let it have been switched on a few seconds ago: everything is up, nothing is warm."""
        if self.powered:
            self.mains_on.put(1.0)
            self.power.put(1.0)
        if self._driven():
            self.drive.put(1.0)
            self.stored.put(0.0)

    def retime(self) -> None:
        """Take the timer's and the line driver's shapes anew, through the settling of a turn."""
        now = self.clock.now()
        moments = [now + later for later in _SETTLING]
        self.timer.change([(when, self._drive_pulse(when)) for when in moments])
        self.line.change([(when, self._line_pulse(when)) for when in moments])

    # What is true.

    def anode_volts(self) -> float:
        """What is on the anode now, connected or not."""
        return one(self.eht(np.array([self.clock.now()])))

    def on_time(self, times: Array) -> Value:
        """Seconds; t_on = ln2 C (R1 + RV43), the charging time of a diode-steered astable with ideal diodes."""
        return math.log(2.0) * f.TIMER_FARADS * (f.ON_OHMS + f.ON_TRIM * self.trimmers["RV43"].fraction(times))

    def off_time(self, times: Array) -> Value:
        """Seconds; t_off = ln2 C (R2 + RV44) + 0.15 t_on."""
        ohms = f.OFF_OHMS + f.OFF_TRIM * self.trimmers["RV44"].fraction(times)
        return math.log(2.0) * f.TIMER_FARADS * ohms + f.OFF_FOLLOWS_ON * self.on_time(times)

    def overshoot(self, times: Array) -> Value:
        """Of the line driver, as a fraction of its amplitude; least where RV42 belongs."""
        away = self.trimmers["RV42"].at(times) - self.found.right["RV42"]
        grown = f.RING_LEAST + f.RING_GROWS * away**2
        return min(grown, f.RING_MOST) if isinstance(grown, float) else np.minimum(grown, f.RING_MOST)

    def zero(self, times: Array) -> Value:
        """X DAC zero, volts, without the strokes."""
        belongs = self.found.right["RV21"]
        turned = (self.trimmers["RV21"].at(times) - belongs) / 360.0
        drift = f.ZERO_DRIFT * f.WARM_DEGREES * self.warmth.at(times)
        lost = self._fault(times, "converter") + self._fault(times, "dead -5.2 V")
        return (f.ZERO_PER_TURN * turned + drift + f.CONVERTER_OFFSET * lost) * self.alive(times)

    def regulated(self, point: str, times: Array) -> Value:
        """Volts that a rail is held at while it is fed."""
        healthy = self.found.rails[point] * (1.0 + f.RAIL_DRIFT * self.warmth.at(times))
        return healthy * (1.0 - 0.06 * self._fault(times, "dead half") - 0.02 * self._leak(point, times))

    def rail(self, point: str, times: Array) -> Value:
        """Volts of a supply rail without its ripple."""
        return self.regulated(point, times) * (1.0 - self._fault(times, DEAD[point])) * self.alive(times)

    def ripple_gain(self, point: str, times: Array) -> Value:
        """How many times a healthy rail's ripple is on it."""
        dry = f.LEAKY_RIPPLE / f.RIPPLE * self._leak(point, times)
        worse = dry + f.HALF_WAVE_RIPPLE * self._fault(times, "dead half")
        return (1.0 + worse) * (1.0 - self._fault(times, DEAD[point])) * self.alive(times)

    def half_gain(self, number: int, times: Array) -> Value:
        """What is there of the first (0) or second (1) half of the secondary."""
        dead = self._fault(times, "dead half") if number == 1 else 0.0
        return self.mains_on.at(times) * self.fuse.at(times) * (1.0 - dead)

    def ramp_gain(self, trimmer: str, times: Array) -> Value:
        """How fast a ramp runs, 1 where its trimmer belongs."""
        away = self.trimmers[trimmer].at(times) - self.found.right[trimmer]
        return (1.0 + f.RAMP_PER_DEGREE * away) * self.alive(times)

    def eht(self, times: Array) -> Value:
        """Volts on the anode: what drive, rail, RV41 and warmth make, and what is left when they stop."""
        made = self.eht_setting(times) * self.drive.at(times) * self.fuse.at(times, fall=0.5, rise=0.2)
        return made + self.stored.at(times) + self.absorbed.at(times) * (1.0 - self.drive.at(times))

    def eht_setting(self, times: Array) -> Value:
        """Volts that the anode is driven to while the unit runs."""
        turned = f.EHT_PER_DEGREE * (self.trimmers["RV41"].at(times) - self.found.right["RV41"])
        on_time = f.EHT_PER_ON_TIME * (self.on_time(times) - f.ON_TIME)
        warm = (1.0 + f.EHT_WARM_UP * self.warmth.at(times)) / (1.0 + f.EHT_WARM_UP)
        rail = self.regulated("A1 TP1", times) / f.RAILS["A1 TP1"][0]
        runaway = 1.0 + f.RUNAWAY * self._fault(times, "runaway EHT")
        return f.EHT * rail * (1.0 + turned) * (1.0 + on_time) * warm * runaway

    def _driven(self) -> bool:
        stopped = ("dead +12 V", "timer stuck")
        return self.powered and not any(self.faults[name].goal for name in stopped)

    def _switch_drive(self, on: bool) -> None:
        left = self.anode_volts()
        if on:
            self.drive.go(1.0, f.EHT_RISE, value=0.0)
            self.stored.go(0.0, f.EHT_RISE, value=left)
            self.absorbed.go(0.0, value=0.0)
        else:
            self.drive.go(0.0, 1e-6, value=0.0)
            self.stored.go(0.0, self._anode_tau(), value=left)

    def _anode_tau(self) -> float:
        if self._driven():
            return f.EHT_RISE
        return f.ANODE_FARADS / (1.0 / f.ANODE_LEAK + 1.0 / self.anode_load)

    def _fault(self, times: Array, name: str) -> Value:
        return self.faults[name].at(times)

    def _leak(self, point: str, times: Array) -> Value:
        return self._fault(times, "leaky capacitor") if point == "A1 TP1" else 0.0

    def alive(self, times: Array) -> Value:
        return self.power.at(times) * self.fuse.at(times)

    def hum_gain(self, times: Array) -> Value:
        more = f.HUM_FAULT * self._fault(times, "hum") + f.HUM_LEAK * self._fault(times, "leaky capacitor")
        return (1.0 + more / self.found.hum) * self.alive(times)

    def hum(self) -> float:
        """Volts RMS at twice the mains frequency, now."""
        return self.found.hum * one(self.hum_gain(np.array([self.clock.now()])))

    def drawing(self, start: float, stop: float) -> list[tuple[float, float, float]]:
        """(from, to, origin) of the moments between two in which strokes are drawn.

        Pattern `zero`: text for 3 s, then blank for 2 s, again and again from when the card went in.
        """
        found: list[tuple[float, float, float]] = []
        cards = self._cards
        for (since, pattern), until in zip(cards, [*(c[0] for c in cards[1:]), math.inf], strict=True):
            begin, end = max(since, start), min(until, stop)
            if begin >= end:
                continue
            if pattern == "zero":
                found += _texts(begin, end, since)
            else:
                found.append((begin, end, 0.0 if since == -math.inf else since))
        return found

    def fuse_ohms(self) -> float:
        """What an ohmmeter sees across F1, leads included."""
        return math.inf if self.faults["blown fuse"].goal else f.FUSE_OHMS + f.FUSE_LEADS

    def esr(self, name: str) -> float:
        """Series resistance of a capacitor, ohms."""
        dry = name == "A1 C101" and bool(self.faults["leaky capacitor"].goal)
        return self.found.esr[name] * (f.ESR_DRY if dry else 1.0)

    # How it is put together.

    def _trimmers(self) -> dict[str, SimulatedTrimmer]:
        made = {}
        for number, (name, (travel, _, lag)) in enumerate(f.CONTROLS.items()):
            at = self.found.right[name] + self.found.astray.get(name, 0.0)
            made[name] = SimulatedTrimmer(
                name,
                self.clock,
                travel=travel,
                at=min(max(at, 0.0), travel),
                backlash=self.found.play[name],
                lag=lag,
                clutch=travel > 360.0,
                seed=self.seed * 101 + number,
            )
        self._settle_found(made)
        return made

    def _settle_found(self, made: dict[str, SimulatedTrimmer]) -> None:
        """Put RV21 and RV41 where zero and kilovolts come out as the unit was found."""
        zero, kilovolts = made["RV21"], made["RV41"]
        zero.set(zero.position() + 360.0 * self.found.zero / f.ZERO_PER_TURN)
        on_ohms = f.ON_OHMS + f.ON_TRIM * made["RV43"].position() / made["RV43"].travel
        on_time = math.log(2.0) * f.TIMER_FARADS * on_ohms
        rail = self.found.rails["A1 TP1"] / f.RAILS["A1 TP1"][0]
        untouched = f.EHT * rail * (1.0 + f.EHT_PER_ON_TIME * (on_time - f.ON_TIME))
        kilovolts.set(kilovolts.position() + (self.found.eht / untouched - 1.0) / f.EHT_PER_DEGREE)

    def _drive_pulse(self, when: float) -> Pulse:
        times = np.array([when])
        on, off = one(self.on_time(times)), one(self.off_time(times))
        on = on if self._driven() else 0.0
        return Pulse(on, off, f.DRIVE_LOW * self.powered, f.DRIVE_HIGH, f.DRIVE_EDGE)

    def _line_pulse(self, when: float) -> Pulse:
        times = np.array([when])
        on, off = one(self.on_time(times)), one(self.off_time(times))
        # The first peak of exp(-t/tau) sin(wt) is at tan(wt) = w tau.
        omega = 2.0 * math.pi * f.RING_FREQUENCY
        first = math.atan(omega * f.RING_TAU) / omega
        peak = math.exp(-first / f.RING_TAU) * math.sin(omega * first)
        ring = one(self.overshoot(times)) * (f.LINE_HIGH - f.LINE_LOW) / peak
        return Pulse(
            on if self._driven() else 0.0,
            off,
            f.LINE_LOW,
            f.LINE_HIGH,
            f.LINE_EDGE,
            ring,
            f.RING_TAU,
            f.RING_FREQUENCY,
        )


def _texts(begin: float, end: float, since: float) -> list[tuple[float, float, float]]:
    cycle = f.TEXT_SECONDS + f.BLANK_SECONDS
    number = math.floor((begin - since) / cycle)
    texts = []
    while (origin := since + number * cycle) < end:
        a, b = max(origin, begin), min(origin + f.TEXT_SECONDS, end)
        if a < b:
            texts.append((a, b, origin))
        number += 1
    return texts
