"""The gauge of a trim over the whole terminal: digits and cue to be read from a metre away.

    #####  ####          #####  #####        #      #   #
    ...
At the 5 mm of a usual row the digits are 35 mm high where there are 24 rows, and 25 mm where there are 16: at a metre
the eye needs about 4 to 5 mm (1/200 to 1/250 of the distance: common practice, no source).

Rules it keeps:
- The same words and figures as the small gauge; a figure is shown whole or not at all, and an old one is struck out.
- Only block characters of the terminal's own set; where the screen is too small, the small gauge is drawn instead.
"""

from __future__ import annotations

from rich.text import Text

from ..session.notices import TrimMoved
from ..trim.types import Cue, TrimView, Way
from ..units import show
from .gauge import Glyphs, bar, gauge
from .sentences import CUE_WORDS, away_words, plain

ROWS = 5  # of a letter; doubled where there is room
LEAST_HEIGHT = 16
_SHORT = {
    Cue.WAIT: "WAIT", Cue.QUIET: "WAIT", Cue.UP: "UP", Cue.DOWN: "DOWN", Cue.SLOW_UP: "SLOW UP",
    Cue.SLOW_DOWN: "SLOW DOWN", Cue.ASKED: "TURN", Cue.STOP: "STOP", Cue.PASSED: "BACK", Cue.GOOD: "GOOD",
    Cue.ACCEPTED: "ACCEPTED", Cue.DEAD: "NO MOVE", Cue.END_STOP: "BACK OFF", Cue.JUMPS: "JUMPS", Cue.CEILING: "LET GO",
    Cue.LOST: "LOST",
}  # fmt: skip
# Five columns by five rows each, row by row as bits.
_FONT = {
    "0": "69996", "1": "26227", "2": "e168f", "3": "e161e", "4": "99f11", "5": "f8e1e", "6": "68e96", "7": "f1244",
    "8": "69696", "9": "69716", "A": "699f9", "B": "e9e9e", "C": "78887", "D": "e999e", "E": "f8e8f", "F": "f8e88",
    "G": "78b97", "H": "99f99", "I": "72227", "J": "11196", "K": "9aca9", "L": "8888f", "M": "9ff99", "N": "9dfb9",
    "O": "69996", "P": "e9e88", "Q": "699b7", "R": "e9ea9", "S": "7861e", "T": "72222", "U": "99996", "V": "99952",
    "W": "99ff9", "X": "99699", "Y": "55222", "Z": "f124f", "-": "00e00", "+": "04e40", ".": "00004", "/": "11248",
    "%": "91269", "u": "0999e", "m": "09f99", "k": "89ac9", "°": "69600", " ": "00000",
}  # fmt: skip


def large(moved: TrimMoved, width: int, height: int, glyphs: Glyphs, block: str = "█") -> Text:
    """At most `height - 1` rows of at most `width` columns; the small gauge where that is too little."""
    view, goal = moved.view, moved.goal
    value = "--.--" if view.value is None else show(view.value, goal.unit)
    rows = [_head(moved, width)]
    figures = _drawn(value, width, height, block)
    words = _drawn(short_cue(view), width, height, block)
    if figures is None or words is None or height < LEAST_HEIGHT:
        return gauge(moved, width, glyphs)
    inside = view.value is not None and goal.low <= view.value <= goal.high
    style = "strike" if view.stale or view.value is None else "black on cyan" if inside else "bold"
    rows += [Text(""), *(Text(row, style=style) for row in figures), Text("")]
    rows.append(bar(moved, max(20, width - 2), glyphs))
    rows += [Text(""), *(Text(row, style="bold") for row in words), Text("")]
    rows.append(Text(f" {_cue_words(moved)}"[: width - 1], style="bold"))
    text = Text("\n").join(row[: width - 1] for row in rows[: height - 1])
    text.no_wrap = True
    return text


def _head(moved: TrimMoved, width: int) -> Text:
    view, goal = moved.view, moved.goal
    away = "" if view.distance is None else f"   {away_words(view.distance, goal.unit)}"
    old = "   OLD" if view.stale else ""
    head = f" {plain(moved.trimmer or moved.step)}{old}   target {show(goal.target, goal.unit)}{away}"
    return Text(head if len(head) < width else head.split("   target")[0][: width - 1], style="bold")


def short_cue(view: TrimView) -> str:
    """One or two words that fit in large letters: "UP", "CW 1/4", "CCW 20°", "BACK OFF"."""
    way = {Way.CLOCKWISE: "CW", Way.COUNTER_CLOCKWISE: "CCW", None: ""}[view.turn]
    if view.asked is not None:
        eighths, size = round(abs(view.asked) / 45.0), abs(view.asked)
        if size >= 360.0:
            return f"{way} {size / 360.0:.1f}"
        whole = size >= 45.0 and abs(size - 45.0 * eighths) <= 5.0
        part = {1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}.get(eighths) if whole else None
        return f"{way} {part or f'{size:.0f}°'}"
    if not way or view.cue not in (Cue.UP, Cue.DOWN, Cue.SLOW_UP, Cue.SLOW_DOWN, Cue.PASSED):
        return _SHORT[view.cue]
    return f"SLOW {way}" if view.cue in (Cue.SLOW_UP, Cue.SLOW_DOWN) else f"{_SHORT[view.cue]} {way}"


def _cue_words(moved: TrimMoved) -> str:
    view = moved.view
    way = f", {view.turn}" if view.turn else ""
    said = f"turn {moved.asked}, let go" if moved.asked else f"{CUE_WORDS[view.cue]}{way}"
    hold = f"   {view.held_of} {view.held:.0%}" if view.held > 0.0 else ""
    return plain(f"{said}{hold}{f'   {view.hint}' if view.hint else ''}")


def _drawn(words: str, width: int, height: int, block: str) -> list[str] | None:
    """`words` in large letters, as large as fits; None where even the smallest does not."""
    if any(it not in _FONT and it.upper() not in _FONT for it in words):
        words = "".join(it if it in _FONT or it.upper() in _FONT else " " for it in words)
    tall = 2 if height >= 2 * 2 * ROWS + 6 else 1
    for wide, high in ((3, tall), (2, tall), (2, 1), (1, 1)):
        rows = [_row(words, i, wide, block) for i in range(ROWS) for _ in range(high)]
        if max(map(len, rows)) < width:
            return rows
    return None


def _row(words: str, row: int, wide: int, block: str) -> str:
    out = " "
    for it in words:
        bits = int(_FONT.get(it, _FONT.get(it.upper(), "00000"))[row], 16)
        columns = 1 if it == "." else 2 if it == " " else 4
        out += "".join((block if bits >> (3 - i if columns == 4 else 2) & 1 else " ") * wide for i in range(columns))
        out += " " * wide
    return out
