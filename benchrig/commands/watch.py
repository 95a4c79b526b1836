"""`benchrig watch`: one reading, live, without a procedure; for extra-low voltage only.

Rules of this module:
1. No hold point, so no hazardous voltage (`watch_loop` says what that is).
2. It sets what it must to read (function, or channel and timebase) and hands the front panel back.
3. Ending it by a key or Ctrl-C is no error, and the terminal is as it was.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import click

from ..bench import Bench, InstrumentSpec, Probe, Station, load_bench
from ..clock import RealClock
from ..errors import FileError
from ..instruments import Function, Instrument, Multimeter, Oscilloscope, load_driver
from ..procedure.quantities import Limits, Measurement, MeterSource, ScopeSource
from ..session import notices as n
from ..session.bench_tools import BenchTools
from ..session.tools import InstrumentSource
from ..trim.types import Goal
from ..ui.display import Display
from ..units import quantity_in, show
from .display_choice import (
    JSON,
    LIVE,
    mode,
    open_display,
    open_filling,
    open_sounds,
    open_stoppable_keys,
    showing_options,
    sound_options,
)
from .find import chosen, require_lead_off
from .options import locate, orderly
from .watch_loop import ReadingLines, Together, WatchLoop, refuse_hazard

Asked = TypeVar("Asked", Function, Measurement)

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
def watch_command(
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
        if probe is None:
            require_lead_off(bench, spec)
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
        feed = BenchTools(station).feed(source, _limits(goal))
        stack.callback(feed.close)
        heard = sounds(stack)
        keys = open_stoppable_keys(stack)
        screen = open_filling(stack) if goal and how == LIVE else None
        seen: Display = screen or (open_display(stack, how, station.clock) if goal or how == JSON else ReadingLines())
        display = Together(seen, *heard)
        watch = WatchLoop(source, goal, display, station.clock, screen.fill if screen else None)
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
        if not low < high:
            raise FileError(
                f"No reading stands between {show(low, unit)} and {show(high, unit)}.",
                next_step="Give the window as LOW HIGH.",
            )
        if not low <= aim <= high:
            raise FileError(
                f"A target of {show(aim, unit)} is not in a window from {show(low, unit)} to {show(high, unit)}.",
                next_step="Give a window with the target between.",
            )
        return Goal(aim, low, high, unit)
    aim = quantity_in(target or "", unit)
    if aim == 0.0:
        raise FileError("A target of 0 needs a window.", next_step='Add --window "-5 mV" "5 mV" or what you need.')
    half = _WINDOW * abs(aim)
    return Goal(aim, aim - half, aim + half, unit)


def _limits(goal: Goal | None) -> Limits | None:
    return None if goal is None else Limits(goal.unit, goal.low, goal.high, goal.low, goal.high)
