"""A running soak as rows of text, drawn from a notice by a pure function: how long, then one row a channel.

    watching  2:14:05, 5:45:55 to go
    EHT       9.412 kV   ------[::::|◆:::]------   in
    +12 V     11.95 V    ------[::::|:◆::]------   in

The bar's window is what warns; its ends are what stops. Channels that are not in come first where rows are short.
"""

from __future__ import annotations

from rich.text import Text

from ..session.notices import ChannelView, SoakMoved
from ..units import clock_words, show
from .gauge import FULL, Glyphs
from .sentences import plain

BAR = 24
_WORST_FIRST = ("absent", "out", "warning", "warm-up", "in")
_STYLES = {"absent": "bold reverse", "out": "bold reverse", "warning": "bold reverse", "in": ""}


def soak_rows(moved: SoakMoved, width: int, rows: int, glyphs: Glyphs = FULL) -> Text:
    """At most `rows` rows of at most `width` columns."""
    lines = [_head(moved)]
    shown = _worst(moved.channels, max(1, rows - 2))
    names = max(len(plain(it.name)) for it in shown) if shown else 0
    lines += [_row(it, names, glyphs) for it in shown]
    if len(shown) < len(moved.channels):
        lines.append(Text(f" and {len(moved.channels) - len(shown)} more"))
    for line in lines:
        line.truncate(max(1, width - 1), overflow="crop")
    text = Text("\n").join(lines)
    text.no_wrap = True
    return text


def _worst(channels: tuple[ChannelView, ...], most: int) -> list[ChannelView]:
    """All of them in their order; where there is no room, the worst, in their order."""
    rank = {
        id(it): (_WORST_FIRST.index(it.state) if it.state in _WORST_FIRST else 0, i) for i, it in enumerate(channels)
    }
    kept = {id(it) for it in sorted(channels, key=lambda it: rank[id(it)])[:most]}
    return [it for it in channels if id(it) in kept]


def _head(moved: SoakMoved) -> Text:
    left = "" if moved.remaining is None else f", {clock_words(moved.remaining)} to go"
    return Text.assemble((f" {moved.state}", "bold"), f"  {clock_words(moved.elapsed)}{left}")


def _row(it: ChannelView, names: int, glyphs: Glyphs) -> Text:
    style = _STYLES.get(it.state, "bold")
    value = "--.--" if it.value is None else show(it.value, it.unit)
    row = Text(f" {plain(it.name):{names}}  ")
    row.append(f"{value:>10}", style="" if it.value is None else "bold")
    row.append("   ")
    row.append_text(_bar(it, glyphs))
    row.append("   ")
    row.append(it.state, style=style)
    return row


def _bar(it: ChannelView, glyphs: Glyphs) -> Text:
    """Half the bar is the window; a side without a limit has none of its edge."""
    cells = [glyphs.track] * BAR
    first, last = BAR // 4, BAR - BAR // 4 - 1
    cells[first : last + 1] = [glyphs.window] * (last - first + 1)
    if it.low is not None:
        cells[first] = glyphs.left
    if it.high is not None:
        cells[last] = glyphs.right
    text = Text("".join(cells))
    place = _place(it, first, last)
    if place is not None:
        text = text[:place] + Text(glyphs.here, style=_STYLES.get(it.state, "bold")) + text[place + 1 :]
    return text


def _place(it: ChannelView, first: int, last: int) -> int | None:
    if it.value is None or it.low is None or it.high is None or it.high <= it.low:
        return None
    part = (it.value - it.low) / (it.high - it.low)
    return max(0, min(BAR - 1, round(first + part * (last - first))))
