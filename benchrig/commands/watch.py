"""`benchrig watch`: one reading, live, without a procedure; for extra-low voltage only.

Rules of this module:
1. No hold point, so no hazardous voltage: a target, a window or a reading beyond the limits of IEC 61010-1 for normal
   condition is refused with words, and an overload that lasts, which may be beyond them, ends it too. Of a scope every
   record is looked at from its lowest to its highest sample, whatever is measured on it.
2. It sets what it must to read (function, or channel and timebase) and hands the front panel back.
3. Ending it by a key or Ctrl-C is no error, and the terminal is as it was.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click

from ..bench import Bench, InstrumentSpec, Probe, Station, load_bench
from ..clock import Clock, RealClock
from ..errors import FileError, Refused
from ..instruments import Function, Instrument, Multimeter, Oscilloscope, load_driver
from ..procedure.checks import AC_LIMIT, PEAK_LIMIT, hazardous_limit
from ..procedure.model import Limits, Measurement, MeterSource, ScopeSource
from ..readings import Flag, Reading
from ..session import notices as n
from ..session.attached import AttachedFeed, BenchTools
from ..session.ports import Back, Feed, InstrumentSource, Lost
from ..session.scoping import ScopeReader, span_volts
from ..session.turning import Gauge, quantity_of
from ..signals.waveform import Waveform
from ..trim import engine
from ..trim.state import Phase
from ..trim.types import Accepted, Goal, LinkDown, LinkUp, Measured, Restart, Tick, TrimEvent, Turned, Way
from ..ui.keys import Keys
from ..ui.terminal import WAYS, Display
from ..ui.words import sentence
from ..units import quantity_in, show
from .find import chosen
from .shipped import locate
from .showing import JSON, mode, open_display, open_sounds, open_stoppable_keys, showing_options, sound_options
from .way_out import orderly

Asked = TypeVar("Asked", Function, Measurement)

_LOOK = 0.05  # s between looks at keys and screen
_OVERLOAD = 1.0  # s; a handheld that changes its range is done within
_LINES = 0.5  # s at least between lines where there is no bar
_WINDOW = 0.01  # of the target, where no window is given


@click.command("watch")
@click.argument("where", metavar="ADDRESS-OR-NAME")
@click.argument("quantity_name", metavar="[QUANTITY]", required=False)
@click.option(
    "--bench", "bench_name", metavar="BENCH", help="The bench file that NAME is in, or the name of a shipped one."
)
@click.option("--driver", metavar="DRIVER", help="Its driver; without it, the one that takes its identity.")
@click.option(
    "--channel",
    type=click.IntRange(1),
    default=1,
    show_default=True,
    metavar="NUMBER",
    help="Which channel of a scope.",
)
@click.option("--probe", "probe_name", metavar="PROBE", help="A probe of the bench file, or its ratio: 10.")
@click.option("--target", metavar="VALUE", help='Where the reading should be: "5.2 V".')
@click.option("--window", nargs=2, metavar="LOW HIGH", help='Where it may be: "5.1 V" "5.3 V".')
@sound_options
@showing_options
def command(
    where: str,
    quantity_name: str | None,
    bench_name: str | None,
    driver: str | None,
    channel: int,
    probe_name: str | None,
    target: str | None,
    window: tuple[str, str] | None,
    sound: str,
    wav: Path | None,
    as_json: bool,
    plain: bool,
) -> int:
    """Watch one reading with a convergence bar, without a procedure.

    QUANTITY: of a meter a function ("dc voltage", the usual one; "resistance"), of a scope a measurement ("mean", the
    usual one; "high time"). Without target and window each reading is a line. q or Ctrl-C ends it; . or the right arrow
    says that the last turn was clockwise, comma or the left one that it was not, and then the cues say which way.

    Not for hazardous voltages: above 60 V DC, 30 V AC or 42.4 V peak use a procedure, which has hold points.
    A meter on DC does not see what AC there is besides: know what you touch.
    """
    how = mode(as_json, plain)
    bench = load_bench(locate(bench_name)) if bench_name else None
    with contextlib.suppress(KeyboardInterrupt), orderly():
        clock = RealClock()
        spec = chosen(where, driver, bench, clock)
        known = _bench_of(spec, _probe(probe_name, bench), bench)
        name, probe = next(iter(known.instruments)), next(iter(known.probes), None)
        source = source_of(name, load_driver(spec.driver), quantity_name, channel, probe)
        goal = goal_of(source, target, window)
        refuse_hazard(source, goal)
        _watch(Station(known, clock), source, goal, how, lambda stack: open_sounds(stack, sound, wav, clock))
    return 0


def _watch(
    station: Station,
    source: InstrumentSource,
    goal: Goal | None,
    how: str,
    sounds: Callable[[ExitStack], list[Display]],
) -> None:
    with ExitStack() as stack:
        stack.callback(station.close)
        feed = open_feed(station, source, _limits(goal))
        stack.callback(feed.close)
        heard = sounds(stack)
        keys = open_stoppable_keys(stack)
        seen: Display = open_display(stack, how, station.clock) if goal or how == JSON else Lines()
        display = Together(seen, *heard)
        watch = Watch(source, goal, display, station.clock)
        identity = station.attached(source.instrument).identity
        display.show(n.Said("watch", watch.opening(str(identity))))
        watch.run(feed, keys)


def _bench_of(spec: InstrumentSpec, probe: Probe | None, bench: Bench | None) -> Bench:
    """A bench of this one instrument, and the probe if there is one; mains and world as on the bench it is from."""
    name = spec.name if "::" not in spec.name and "://" not in spec.name else spec.driver
    base = bench or Bench("no file", 50.0, {})
    probes = {probe.name: probe} if probe else {}
    return replace(base, instruments={name: replace(spec, name=name)}, probes=probes)


def _probe(given: str | None, bench: Bench | None) -> Probe | None:
    if given is None:
        return None
    if bench is not None and given in bench.probes:
        return bench.probe(given)
    try:
        ratio = float(given)
    except ValueError:
        ratio = 0.0
    if not 0.0 < ratio < float("inf"):
        raise FileError(
            f"There is no probe {given!r}.", next_step="Name one of --bench, or give its ratio: --probe 10."
        )
    return Probe(f"{ratio:g}-to-1", ratio)


def source_of(name: str, driver: object, asked: str | None, channel: int, probe: str | None) -> InstrumentSource:
    """Where the reading comes from. Raises FileError for a quantity that this kind of instrument has not."""
    kind: type[Instrument] = driver  # type: ignore[assignment]
    if issubclass(kind, Oscilloscope):
        most = getattr(kind, "CHANNELS", channel)
        if channel > most:
            raise FileError(f"{name} has no channel {channel}.", next_step=f"Name one from 1 to {most}: --channel 1.")
        return ScopeSource(name, channel, _one_of(Measurement, asked or Measurement.MEAN), probe=probe)
    if issubclass(kind, Multimeter):
        return MeterSource(name, _one_of(Function, asked or Function.DC_VOLTAGE), probe=probe)
    raise FileError(f"{name} gives no readings to watch.", next_step="Name a meter or a scope.")


def _one_of(kind: type[Asked], asked: str) -> Asked:
    try:
        return kind(asked.lower())
    except ValueError:
        known = ", ".join(member.value for member in kind)
        raise FileError(f"It cannot read {asked!r}.", next_step=f"It knows: {known}.") from None


def goal_of(source: InstrumentSource, target: str | None, window: tuple[str, str] | None) -> Goal | None:
    """What the bar is about. Raises UnitError for another unit, FileError for a window that is none."""
    if target is None and not window:
        return None
    unit = source.unit
    if window:
        low, high = (quantity_in(edge, unit) for edge in window)
        aim = (low + high) / 2.0 if target is None else quantity_in(target, unit)
        if not low <= aim <= high:
            raise FileError(
                f"A target of {show(aim, unit)} is not in a window from {show(low, unit)} to {show(high, unit)}.",
                next_step="Give the window as LOW HIGH, with the target between.",
            )
        return Goal(aim, low, high, unit)
    aim = quantity_in(target or "", unit)
    if aim == 0.0:
        raise FileError("A target of 0 needs a window.", next_step='Add --window "-5 mV" "5 mV" or what you need.')
    half = _WINDOW * abs(aim)
    return Goal(aim, aim - half, aim + half, unit)


def open_feed(station: Station, source: InstrumentSource, limits: Limits | None) -> Feed:
    """Readings of `source`; of a scope only from records that hold no hazardous volts."""
    if isinstance(source, MeterSource):
        return BenchTools(station).feed(source, limits)
    attached, bench = station.attached(source.instrument), station.bench
    attached.open()
    probe = bench.probe(source.probe) if source.probe else None
    reader = ScopeReader(source, limits, attached.spec, probe, bench.mains, station.clock)
    return AttachedFeed(attached, lambda driver, deadline: reader(HarmlessOnly(driver), deadline), None, None)


class HarmlessOnly:
    """A scope whose records are looked at before anything is made of them."""

    def __init__(self, scope: Any) -> None:
        self._scope = scope

    def fresh_capture(self, channel: int, deadline: float) -> Waveform:
        """Raises Refused for a record that reaches beyond the limit for peaks."""
        record: Waveform = self._scope.fresh_capture(channel, deadline)
        worst = max(span_volts(record), key=abs)
        if abs(worst) > PEAK_LIMIT:
            raise _refusal(f"The record reaches {show(worst, 'V')}, above {show(PEAK_LIMIT, 'V')}: it can hurt.")
        return record

    def __getattr__(self, name: str) -> Any:
        return getattr(self._scope, name)


def _limits(goal: Goal | None) -> Limits | None:
    return None if goal is None else Limits(goal.unit, goal.low, goal.high, goal.low, goal.high)


def limit_of(source: InstrumentSource) -> float | None:
    """Volts above which a value of `source` can hurt; None where it is no voltage."""
    if isinstance(source, ScopeSource) and source.measurement in (Measurement.RMS, Measurement.HUM):
        return AC_LIMIT
    return hazardous_limit(source)


def refuse_hazard(source: InstrumentSource, goal: Goal | None) -> None:
    """Raises Refused for a goal beyond what may be worked on without a hold point."""
    limit = limit_of(source)
    if limit is None or goal is None:
        return
    worst = max((goal.low, goal.high), key=abs)
    if abs(worst) > limit:
        raise _refusal(f"{show(worst, 'V')} is above {show(limit, 'V')} and can hurt.")


class Overloads:
    """Tells an overload that lasts from the one that a meter shows for a moment while it changes its range."""

    def __init__(self) -> None:
        self._since: float | None = None

    def lasts(self, reading: Reading) -> bool:
        if not reading.flags & Flag.OVERLOAD:
            self._since = None
            return False
        self._since = reading.time if self._since is None else self._since
        return reading.time - self._since >= _OVERLOAD


def check_reading(source: InstrumentSource, reading: Reading, overloads: Overloads) -> None:
    """Raises Refused for a reading that is, or may be, beyond what may be worked on without a hold point."""
    limit = limit_of(source)
    if limit is None:
        return
    if reading.value is not None and abs(reading.value) > limit:
        raise _refusal(f"The reading is {show(reading.value, 'V')}, above {show(limit, 'V')}: it can hurt.")
    if overloads.lasts(reading):
        raise _refusal("Overload: nobody knows how high it is.")


def _refusal(words: str) -> Refused:
    return Refused(
        f"{words} Hands away.",
        next_step="Make it safe, then use a procedure: it has hold points (benchrig run).",
    )


class Watch:
    """Readings into cues, shown; nothing is recorded and nothing is judged."""

    def __init__(self, source: InstrumentSource, goal: Goal | None, display: Display, clock: Clock) -> None:
        self._source = source
        self._goal = goal
        self._display = display
        self._clock = clock
        self._state = None if goal is None else engine.start(goal, clock.now())
        self._told = False
        self._overloads = Overloads()
        self._ways: list[Way] = []  # of the last turn, until the reading shows it whole
        self._label = f"{source.instrument} {quantity_of(source)}"
        self._gauge = None if goal is None else Gauge(display.show, "watch", self._label, goal)

    def opening(self, identity: str) -> str:
        """Who is watched, for what, and how it ends."""
        goal = self._goal
        window = f", window {show(goal.low, goal.unit)} to {show(goal.high, goal.unit)}" if goal else ""
        return f"{identity}: {self._label}{window}. q ends."

    def run(self, feed: Feed, keys: Keys) -> None:
        """Until q. Raises Refused where it grows hazardous, and what ends the feed."""
        while "q" not in (pressed := [key.lower() for key in keys.poll()]):
            self._ways += [Way(WAYS[key]) for key in pressed if key in WAYS]
            self._display.tick()
            item = feed.next(self._clock.now() + _LOOK)
            match item:
                case Reading():
                    self._reading(item)
                case Lost(instrument, reason):
                    self._display.show(n.GapOpened("watch", instrument, reason))
                    self._step(LinkDown(self._clock.now()))
                case Back(instrument, seconds):
                    self._display.show(n.GapClosed("watch", instrument, seconds))
                    self._step(LinkUp(self._clock.now()))
                case None:
                    self._step(Tick(self._clock.now()))

    def _reading(self, reading: Reading) -> None:
        check_reading(self._source, reading, self._overloads)
        self._display.show(n.ReadingTaken("watch", self._label, reading))
        if self._told and self._goal and reading.value is not None:
            self._told = self._goal.low <= reading.value <= self._goal.high
        self._step(Measured(reading, self._clock.now()))

    def _step(self, event: TrimEvent) -> None:
        if self._state is None or self._gauge is None:
            return
        told = [] if self._state.phase is Phase.CATCH else [Turned(way, event.now) for way in self._ways]
        self._ways = self._ways if self._state.phase is Phase.CATCH else []
        for each in (*told, event):
            self._state, effects = engine.step(self._state, each)
        item = event.reading if isinstance(event, Measured) else None
        self._gauge.show(engine.view(self._state, self._clock.now()), item)
        for effect in effects:
            if isinstance(effect, Accepted):
                self._held(effect, event)

    def _held(self, held: Accepted, event: TrimEvent) -> None:
        """Say once that it stood inside; the bar goes on, from the reading that ended the hold."""
        assert self._state is not None
        assert self._goal is not None
        if not self._told:
            words = f"Stood inside for {self._goal.hold:g} s, mean {show(held.value, self._goal.unit)}."
            self._display.show(n.Said("watch", words))
            self._told = True
        self._state, _ = engine.step(self._state, Restart(held.now))
        if isinstance(event, Measured):
            self._state, _ = engine.step(self._state, event)


class Together:
    """Several displays as one."""

    def __init__(self, *displays: Display) -> None:
        self._displays = displays

    def show(self, notice: n.Notice) -> None:
        for display in self._displays:
            display.show(notice)

    def tick(self) -> None:
        for display in self._displays:
            display.tick()

    def close(self) -> None:
        """Each is closed by who opened it."""


class Lines:
    """A display without a bar: readings as lines, not more often than an eye follows."""

    def __init__(self) -> None:
        self._shown_at = 0.0

    def show(self, notice: n.Notice) -> None:
        now = time.monotonic()
        if isinstance(notice, n.ReadingTaken):
            if now - self._shown_at < _LINES:
                return
            self._shown_at = now
        click.echo(sentence(notice))

    def tick(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        """Nothing to restore."""
