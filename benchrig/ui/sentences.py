"""Notices and quantities as one plain line of text each. Pure; used by every display that writes words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ..readings import CAUTIONS, flag_words
from ..session import notices as n
from ..trim import counted
from ..trim.types import Cue
from ..units import show

# What the hands read, for each cue. Short: read from the corner of an eye.
CUE_WORDS: dict[Cue, str] = {
    Cue.WAIT: "wait for the reading",
    Cue.QUIET: "wait for the quiet phase",
    Cue.UP: "turn up",
    Cue.DOWN: "turn down",
    Cue.SLOW_UP: "slowly up",
    Cue.SLOW_DOWN: "slowly down",
    Cue.ASKED: "turn as asked, let go",
    Cue.STOP: "STOP, let it catch up",
    Cue.PASSED: "passed it: turn back",
    Cue.GOOD: "GOOD, hands off",
    Cue.ACCEPTED: "ACCEPTED",
    Cue.DEAD: "nothing moves: wrong trimmer?",
    Cue.END_STOP: "END OF TRAVEL: back off",
    Cue.JUMPS: "wiper jumps: clean it",
    Cue.CEILING: "TOO HIGH: let go, make safe",
    Cue.LOST: "link lost: hands off",
}


def _job_started(it: n.JobStarted) -> str:
    unit = f", unit {it.unit_serial}" if it.unit_serial else ""
    return f"Job {it.job}: {it.procedure}{unit}, {len(it.steps)} steps, operator {it.operator}"


def _step_started(it: n.StepStarted) -> str:
    at = f" at {it.point}" if it.point else ""
    trimmer = f", trimmer {it.trimmer}" if it.trimmer else ""
    return f"[{it.number}/{it.of}] {it.title}{at}{trimmer}"


def _reading(it: n.ReadingTaken) -> str:
    reading = it.reading
    if reading.value is None:
        return f"      {it.channel}: no number ({flag_words(reading.flags)})"
    value = show(reading.value, reading.unit, resolution=reading.resolution)
    flagged = "" if reading.usable and not reading.flags & CAUTIONS else f" ({flag_words(reading.flags)})"
    return f"      {it.channel}: {value}{flagged}"


def _trim(it: n.TrimMoved) -> str:
    view = it.view
    value = "--" if view.value is None else show(view.value, it.goal.unit)
    away = "" if view.distance is None else f", {away_words(view.distance, it.goal.unit)}"
    return f"      {it.trimmer}: {value}{away}: {CUE_WORDS[view.cue]}"


def _turn_advised(it: n.TurnAdvised) -> str:
    """ "Turn RV43 clockwise about 1/8 turn, until high time reads 13.20 us"; for a counted turn also when to let go."""
    value, target = (show(v, it.unit, digits=4) for v in (it.value, it.target))
    name = it.quantity or "it"
    if it.counted and it.degrees is not None:
        far = counted.words(it.degrees)
        return f"      Turn {it.trimmer} {far}, let go: {name} is {value}, wanted {target}"
    way = f" {it.way}" if it.way else ""
    far = "" if it.degrees is None else f" about {part_of_turn(it.degrees)}"
    learn = " (to learn what it does)" if it.learning else ""
    return f"      Turn {it.trimmer}{way}{far}, until {name} reads {target}, now {value}{learn}"


def part_of_turn(degrees: float) -> str:
    """About how far, as a hand thinks of it: "1/8 turn", "1 1/4 turns", "10 degrees".

    >>> part_of_turn(-43.0), part_of_turn(460.0), part_of_turn(9.0)
    ('1/8 turn', '1 1/4 turns', '10 degrees')
    """
    size = abs(degrees)
    if size < 15.0:
        return f"{max(5, 5 * round(size / 5.0))} degrees"
    if size < 33.75:
        return "1/16 turn"
    whole, eighths = divmod(round(size / 45.0), 8)
    part = ("", "1/8", "1/4", "3/8", "1/2", "5/8", "3/4", "7/8")[eighths]
    number = " ".join(filter(None, [str(whole) if whole else "", part]))
    return f"{number} turn{'s' if whole and number != '1' else ''}"


def _hold_reached(it: n.HoldPointReached) -> str:
    return f'      Hold point, passed only by typing "{it.phrase}"'


def _hold_answered(it: n.HoldPointAnswered) -> str:
    return "      Hold point acknowledged." if it.acknowledged else "      Hold point NOT acknowledged."


def _hold_lapsed(it: n.HoldPointLapsed) -> str:
    return f"      Hold point lapsed: {it.reason}"


def _made_safe(it: n.MadeSafe) -> str:
    return "      Seen below its limit. The discharge stick decides."


def _link_down(it: n.LinkDown) -> str:
    return f"      {it.instrument} lost: {it.reason}"


def _link_up(it: n.LinkUp) -> str:
    return f"      {it.instrument} back after {it.seconds:.1f} s, set up again"


_MAY_NOT_HAVE_BEGUN = ("blocked", "skipped")  # so nothing above says which step it is


def _step_ended(it: n.StepEnded) -> str:
    value = "" if it.value is None else f" {show(it.value, it.unit)}"
    if it.axes:
        value = " " + ", ".join(f"{axis.trimmer} {show(axis.value, axis.unit)}" for axis in it.axes)
    uncertainty = "" if it.axes or it.uncertainty is None else f" (U {show(2 * it.uncertainty, it.unit, digits=2)})"
    said = f"{value}{uncertainty}{'  ' if value and it.words else ' ' if it.words else ''}{it.words}"
    which = f"{it.step} " if it.verdict in _MAY_NOT_HAVE_BEGUN else ""
    return f"      {which}{it.verdict}:{said}" if said else f"      {which}{it.verdict}"


def _said(it: n.Said) -> str:
    return f"      {'' if it.level == 'note' else it.level.upper() + ': '}{it.words}"


def _soak(it: n.SoakMoved) -> str:
    away = [f"{channel.name} {channel.state}" for channel in it.channels if channel.state not in ("in", "warm-up")]
    left = "" if it.remaining is None else f", {span(it.remaining)} left"
    return f"      {it.state}{left}: {', '.join(away) or 'all in'}"


def _alarm_raised(it: n.AlarmRaised) -> str:
    counted = (("occurred", it.count), ("notified", it.number))
    often = ", ".join(f"{word} {times} times" for word, times in counted if times > 1)
    again = f" ({often})" if often else ""
    loud = "STILL NOT SAFE: " if it.loud else ""
    return f"      ALARM {loud}{it.severity}: {it.title}{again}{f': {it.words}' if it.words else ''}"


def _alarm_cleared(it: n.AlarmCleared) -> str:
    return f"      Alarm gone: {it.title}{'' if it.acknowledged else ' (not acknowledged yet)'}"


def _alarm_acknowledged(it: n.AlarmAcknowledged) -> str:
    still = ", the trouble is still there" if it.active else ""
    return f"      Alarm acknowledged by {it.by or 'the operator'}: {it.title}{still}"


def _job_ended(it: n.JobEnded) -> str:
    return f"Job {it.job}: {it.outcome}"


_WRITERS: dict[str, Callable[[Any], str]] = {
    "job started": _job_started,
    "step started": _step_started,
    "reading": _reading,
    "trim": _trim,
    "turn advised": _turn_advised,
    "hold point": _hold_reached,
    "hold point answered": _hold_answered,
    "hold point lapsed": _hold_lapsed,
    "made safe": _made_safe,
    "link down": _link_down,
    "link up": _link_up,
    "step ended": _step_ended,
    "said": _said,
    "soak": _soak,
    "alarm raised": _alarm_raised,
    "alarm cleared": _alarm_cleared,
    "alarm acknowledged": _alarm_acknowledged,
    "job ended": _job_ended,
}


def sentence(notice: n.Notice) -> str:
    """The notice as one line of plain text, control characters of foreign text made harmless."""
    return plain(_WRITERS[notice.kind](notice))


def plain(text: str) -> str:
    """`text` without control characters: words from files and instruments must not steer a terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)


def away_words(distance: float, unit: str) -> str:
    """How far the reading stands from the target, said from the reading's side: "472 V high"."""
    if distance == 0.0:
        return "on target"
    return f"{show(abs(distance), unit, digits=3)} {'low' if distance > 0 else 'high'}"


def span(seconds: float) -> str:
    """A length of time in its two largest units: "2 d 4 h", "12 min 5 s", "8 s".

    >>> span(93_784.0)
    '1 d 2 h'
    """
    left = max(0, round(seconds))
    parts: list[str] = []
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min"), (1, "s")):
        if left >= size or (unit == "s" and not parts):
            parts.append(f"{left // size} {unit}")
        elif parts:
            break
        left %= size
    return " ".join(parts[:2])
