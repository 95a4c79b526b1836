"""What every driver promises, tried on an instrument: what works, what is refused, what breaks a promise.

The same checks run on every double in the tests and, by `benchrig find --try`, on a real instrument. They need no
known input and harm nothing: a supply is asked, never switched.

    works     did what the contract says; `detail` is what was seen
    refused   the instrument or the driver said no in so many words; fine for a function it does not have
    broken    silence, a lost link, or a promise not kept; `dialogue` holds what went over the wire
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

from benchrig.clock import Clock
from benchrig.errors import InstrumentError, LinkTimeout
from benchrig.instruments import FUNCTION_UNIT, Camera, Function, Instrument, Multimeter, Oscilloscope, Supply
from benchrig.links.logged import WireLog
from benchrig.readings import Flag, Reading

Outcome = Literal["works", "refused", "broken"]

_PATIENCE = 6.0  # seconds for one reading or record
_READINGS = 4
_LONG = 200_000  # points of a record; more only makes each reading of a trim wait


@dataclass(frozen=True, slots=True)
class ContractRow:
    """One line of the table."""

    what: str
    outcome: Outcome
    detail: str = ""
    dialogue: str = ""


@dataclass(frozen=True, slots=True)
class Check:
    """A promise by name, and how it is tried: returns what was seen, raises what went wrong."""

    what: str
    run: Callable[[Any, Clock], str]


class PromiseBroken(Exception):
    """A promise was not kept."""


def try_all(instrument: Instrument, clock: Clock, log: WireLog | None = None) -> Iterator[ContractRow]:
    """Run every check that fits what the instrument can do, each row as soon as it is known.

    `log`: of the link the driver was built on, for the dialogue of what did not work. Ends with `release`, whatever
    happened before.
    """
    checks = list(ALWAYS)
    if isinstance(instrument, Multimeter):
        checks += METER
    if isinstance(instrument, Oscilloscope):
        checks += SCOPE
    if isinstance(instrument, Supply):
        checks += SUPPLY
    if isinstance(instrument, Camera):
        checks += CAMERA
    for check in (*checks, *AT_THE_END):
        yield _row(check, instrument, clock, log)


def _row(check: Check, instrument: Instrument, clock: Clock, log: WireLog | None) -> ContractRow:
    started = clock.now()
    try:
        return ContractRow(check.what, "works", check.run(instrument, clock))
    except InstrumentError as refusal:
        return ContractRow(check.what, "refused", str(refusal), _dialogue(log, started))
    except Exception as trouble:
        # Whatever escapes a driver is a finding here, not the end of the table.
        kind = "" if isinstance(trouble, PromiseBroken) else f"{type(trouble).__name__}: "
        return ContractRow(check.what, "broken", f"{kind}{trouble}", _dialogue(log, started))


def _dialogue(log: WireLog | None, since: float) -> str:
    return "" if log is None else "\n".join(str(piece) for piece in log.pieces() if piece.time >= since)


def _keep(promise: bool, words: str) -> None:
    if not promise:
        raise PromiseBroken(words)


def _says_who(instrument: Instrument, clock: Clock) -> str:
    first, second = instrument.identify(), instrument.identify()
    _keep(first.same_unit(second), f"It says {first}, then {second}.")
    _keep(bool(str(first)), "It has no name.")
    return str(first)


def _releases(instrument: Instrument, clock: Clock) -> str:
    instrument.release()
    return ""


# Meters


def _read(meter: Multimeter, clock: Clock) -> Reading:
    reading = meter.read(clock.now() + _PATIENCE)
    now = clock.now()
    _keep(reading.time <= now, f"A reading from the future: {reading.time - now:.3f} s ahead.")
    _keep(reading.aperture >= 0.0, "An aperture below zero.")
    _keep(reading.age(now) < _PATIENCE, f"A reading {reading.age(now):.1f} s old.")
    nothing = Flag.OVERLOAD | Flag.UNDERLOAD | Flag.INVALID
    _keep((reading.value is None) == bool(reading.flags & nothing), f"Value and flags disagree: {reading}.")
    return reading


def _reads(meter: Multimeter, clock: Clock) -> str:
    readings = [_read(meter, clock) for _ in range(_READINGS)]
    times = [reading.time for reading in readings]
    _keep(all(a < b for a, b in itertools.pairwise(times)), f"Readings out of order: {times}.")
    pace = (times[-1] - times[0]) / (_READINGS - 1)
    return f"{readings[-1].text}, one in {pace:.3f} s"


def _measures(function: Function) -> Callable[[Multimeter, Clock], str]:
    def run(meter: Multimeter, clock: Clock) -> str:
        meter.select(function)
        reading = _read(meter, clock)
        _keep(reading.unit == FUNCTION_UNIT[function], f"Asked for {function.value}, got {reading.unit}.")
        return reading.text

    return run


def _fixes_its_range(meter: Multimeter, clock: Clock) -> str:
    meter.select(Function.DC_VOLTAGE, expected=1.0)
    reading = _read(meter, clock)
    return f"{reading.text}, resolution {reading.resolution}"


def _is_bounded(meter: Multimeter, clock: Clock) -> str:
    meter.select(Function.DC_VOLTAGE)
    started = clock.now()
    try:
        meter.read(started)
        seen = "had a reading ready"
    except LinkTimeout:
        seen = "said it had none"
    _keep(clock.now() - started < _PATIENCE, "A deadline in the past was waited on.")
    after = _read(meter, clock)
    # What the timeout left behind must not come out as the next reading.
    _keep(after.time > started, "A reading from before the timeout.")
    return seen


def _comes_back(meter: Multimeter, clock: Clock) -> str:
    meter.restore()
    return _read(meter, clock).text


# Scopes


def _sets_a_channel(scope: Oscilloscope, clock: Clock) -> str:
    scope.set_channel(1, probe=1.0, scale=1.0, offset=0.0, coupling="dc", bandwidth_limit=False)
    view = scope.view(1)
    _keep(abs(view.scale - 1.0) < 0.05 and abs(view.centre) < 0.1, f"Set to 1 V/div about 0 V, it shows {view}.")
    return f"{view.scale:g} V/div"


def _sets_time_and_trigger(scope: Oscilloscope, clock: Clock) -> str:
    scope.set_timebase(scale=1e-3, position=0.0)
    scope.set_trigger(source=1, level=0.0, slope="rising", sweep="normal")
    return ""


def _captures(scope: Oscilloscope, clock: Clock) -> str:
    started = clock.now()
    record = scope.fresh_capture(1, started + _PATIENCE)
    took = clock.now() - started
    _keep(took < 3 * _PATIENCE, "Waited far beyond the deadline.")
    slow = "; a shorter record (memory depth) makes it quicker" if len(record) > _LONG else ""
    return (
        f"{record!r}{'' if record.triggered else ', forced'}{', clipped' if record.clipped else ''}, "
        f"in {took:.2f} s{slow}"
    )


def _captures_again(scope: Oscilloscope, clock: Clock) -> str:
    first, second = scope.capture(1), scope.capture(1)
    _keep(len(first) == len(second), "The same record has two lengths.")
    _keep(bool((first.samples == second.samples).all()), "The same record has two contents.")
    return f"{len(first)} points"


def _waits_within_bounds(scope: Oscilloscope, clock: Clock) -> str:
    scope.single()
    started = clock.now()
    came = scope.wait(started + 0.5)
    _keep(clock.now() - started < 0.5 + _PATIENCE, "Waited far beyond the deadline.")
    scope.run()
    return "triggered" if came else "not triggered in 0.5 s"


def _refuses_a_channel(scope: Oscilloscope, clock: Clock) -> str:
    try:
        scope.set_channel(99, scale=1.0)
    except InstrumentError:
        return "as it should"
    raise PromiseBroken("It took channel 99.")


# Supplies


def _says_its_state(supply: Supply, clock: Clock) -> str:
    return "on" if supply.output_is_on() else "off"


def _measures_output(function: Function) -> Callable[[Supply, Clock], str]:
    def run(supply: Supply, clock: Clock) -> str:
        return supply.measure(function, clock.now() + _PATIENCE).text

    return run


# Cameras


def _shows(camera: Camera, clock: Clock) -> str:
    frame = camera.frame(clock.now() + _PATIENCE)
    _keep(frame.grey.ndim == 2 and frame.grey.size > 0, f"A picture of shape {frame.grey.shape}.")
    return f"{frame.grey.shape[1]} x {frame.grey.shape[0]}"


def _shows_new_ones(camera: Camera, clock: Clock) -> str:
    frames = [camera.frame(clock.now() + _PATIENCE) for _ in range(_READINGS)]
    times, numbers = [frame.time for frame in frames], [frame.number for frame in frames]
    _keep(all(a < b for a, b in itertools.pairwise(times)), f"Pictures out of order: {times}.")
    _keep(all(a < b for a, b in itertools.pairwise(numbers)), f"Pictures counted wrongly: {numbers}.")
    return f"one in {(times[-1] - times[0]) / (_READINGS - 1):.3f} s"


def _shows_the_present(camera: Camera, clock: Clock) -> str:
    clock.sleep_until(clock.now() + 1.0)
    asked = clock.now()
    frame = camera.frame(asked + _PATIENCE)
    _keep(frame.time >= asked, f"After a pause a picture {asked - frame.time:.2f} s from before it.")
    return ""


def _looks_again(camera: Camera, clock: Clock) -> str:
    camera.restore()
    camera.identify()
    return _shows(camera, clock)


ALWAYS = (Check("says who it is", _says_who),)
METER = (
    Check("gives new readings in order", _reads),
    *(Check(f"measures {function.value}", _measures(function)) for function in Function),
    Check("fixes its range", _fixes_its_range),
    Check("keeps to a deadline, and to the question after it", _is_bounded),
    Check("is set up again", _comes_back),
)
SCOPE = (
    Check("sets a channel and says so", _sets_a_channel),
    Check("sets timebase and trigger", _sets_time_and_trigger),
    Check("captures afresh", _captures),
    Check("gives the same record twice", _captures_again),
    Check("waits within bounds", _waits_within_bounds),
    Check("refuses a channel it has not", _refuses_a_channel),
)
SUPPLY = (
    Check("says whether it is on", _says_its_state),
    Check("measures its volts", _measures_output(Function.DC_VOLTAGE)),
    Check("measures its amperes", _measures_output(Function.DC_CURRENT)),
)
CAMERA = (
    Check("gives a picture", _shows),
    Check("gives new pictures in order", _shows_new_ones),
    Check("gives the present picture after a pause", _shows_the_present),
    Check("gives pictures after being asked again who it is", _looks_again),
)
AT_THE_END = (Check("hands the panel back", _releases),)
