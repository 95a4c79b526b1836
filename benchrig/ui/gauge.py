"""The gauge of a trim: three rows, drawn from a notice by a pure function.

    RV41   9.872 kV   target 9.400 kV   472 V high
    ----------------[:::::|:::::]-------------<>---
    turn down                         hold ......

The bar is the view's own scale: the window fills its middle third, what is farther out is drawn together, so
that the last millivolt and the first volt are both seen to move.

Rules it keeps:
- A figure is shown whole or not at all; where the screen is narrow the target goes first, then the distance.
- Words say everything. Colour only helps the corner of an eye: one block of black on cyan, which can be read on a
  light and on a dark terminal, for what is in; reverse for what asks to let go. Nothing is faint.
- Only characters that the terminal can show.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.text import Text

from ..session.notices import TrimMoved
from ..trim.types import Cue, TrimView
from ..units import show
from .sentences import CUE_WORDS, away_words, plain

ROWS = 3
_INSIDE = {Cue.GOOD, Cue.ACCEPTED}
_IN = "black on cyan"
_ALARM = {Cue.CEILING, Cue.LOST, Cue.JUMPS, Cue.END_STOP, Cue.DEAD}


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters of the bar: all one column wide."""

    track: str
    window: str
    target: str
    left: str
    right: str
    here: str
    held: str
    to_hold: str


FULL = Glyphs("─", "┄", "┼", "╠", "╣", "◆", "■", "·")
ASCII = Glyphs("-", ":", "|", "[", "]", "#", "=", ".")


def glyphs_for(encoding: str | None) -> Glyphs:
    """The full set where `encoding` can write it, ASCII otherwise."""
    try:
        "".join(vars_of(FULL)).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return FULL


def vars_of(glyphs: Glyphs) -> tuple[str, ...]:
    """Every character of a set."""
    return tuple(getattr(glyphs, name) for name in Glyphs.__slots__)


def gauge(moved: TrimMoved, width: int, glyphs: Glyphs = FULL) -> Text:
    """Three rows of at most `width` columns."""
    rows = (_value_row(moved, width), bar(moved, max(20, min(width, 100) - 2), glyphs), _cue_row(moved, width, glyphs))
    text = Text("\n").join(_fitted(row, width) for row in rows)
    text.no_wrap = True
    return text


def _fitted(row: Text, width: int) -> Text:
    row.truncate(max(1, width - 1), overflow="crop")
    return row


def _value_row(moved: TrimMoved, width: int) -> Text:
    view, goal = moved.view, moved.goal
    value = "--.--" if view.value is None else show(view.value, goal.unit)
    old = " old" if view.stale else ""
    row = Text(" ")
    row.append(plain(moved.trimmer or moved.step)[: max(1, width - len(value + old) - 6)], style="bold")
    row.append("   ")
    row.append(value, style=_value_style(moved))
    row.append(old, style="bold reverse")
    target = f"   target {show(goal.target, goal.unit)}"
    away = "" if view.distance is None else f"   {away_words(view.distance, goal.unit)}"
    room = width - 1 - row.cell_len
    away = away if len(away) <= room else ""
    row.append(target if len(target) <= room - len(away) else "")
    row.append(away, style="bold")
    return row


def _value_style(moved: TrimMoved) -> str:
    if moved.view.stale or moved.view.value is None:
        return "strike"
    return _IN if moved.goal.low <= moved.view.value <= moved.goal.high else "bold"


def bar(moved: TrimMoved, width: int, glyphs: Glyphs) -> Text:
    """The bar: track, window between its edges, target, and where the reading stands."""
    view = moved.view
    low, high = (_column(edge, width) for edge in view.edges)
    cells = [glyphs.window if low < i < high else glyphs.track for i in range(width)]
    cells[_column(0.0, width)] = glyphs.target
    cells[low], cells[high] = glyphs.left, glyphs.right
    text = Text(" " + "".join(cells))
    text.stylize("bold", low + 1, high + 2)
    if view.position is not None:
        here = _column(view.position, width)
        text = text[: here + 1] + Text(glyphs.here, style=_here_style(moved)) + text[here + 2 :]
    return text


def _here_style(moved: TrimMoved) -> str:
    return "" if moved.view.stale else "bold reverse"


def _column(position: float, width: int) -> int:
    return round((max(-1.0, min(1.0, position)) + 1.0) / 2.0 * (width - 1))


def _cue_row(moved: TrimMoved, width: int, glyphs: Glyphs) -> Text:
    view = moved.view
    style = "bold reverse" if view.cue in _ALARM else _IN if view.cue in _INSIDE else "bold"
    row = Text(" ")
    way = f", {view.turn}" if view.turn else ""
    cue = f"turn {moved.asked}, let go" if moved.asked else f"{CUE_WORDS[view.cue]}{way}"
    row.append(f" {plain(cue)} ", style=style)
    if view.held > 0.0 or view.cue in _INSIDE:
        done = round(view.held * 12)
        row.append("  hold ")
        row.append(glyphs.held * done + glyphs.to_hold * (12 - done), style="bold")
    row.append(_hint(view, width - 1 - row.cell_len))
    return row


def _hint(view: TrimView, room: int) -> str:
    """What stands beside the cue and says more than it; words may be cut at the edge, figures not."""
    hint = f"  {plain(view.hint)}" if view.hint and view.cue is not Cue.QUIET else ""
    return hint if len(hint) <= room or not any(c.isdigit() for c in hint) else ""
