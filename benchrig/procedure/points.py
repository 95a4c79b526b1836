"""When two names mean one test point: a person who reads them would put the lead on the same place.

Rules kept here:
1. Letter case, spaces and punctuation do not tell points apart, nor do the letters O, I and L from the figures that
   they are taken for beside a figure ("TP4O" is TP40).
2. A name with more words around it, or without its board, still means the point: "A4 TP40 tip" and "TP40" are A4 TP40.
3. Where that makes one point of two, the file has to name them apart. It errs toward the hazard on purpose.
"""

from __future__ import annotations

import re
import unicodedata

# Capital letters of other alphabets that look like Latin ones: a name pasted from a scanned manual may hold them.
_LOOKALIKES = str.maketrans("авекмнорстухіαβεζηικμνορτυχ", "abekmhopctyxiabezhikmnoptyx")
_WORD_OR_NUMBER = re.compile(r"[^\W\d_]+|\d+")


def normal_form(point: str) -> tuple[str, ...]:
    """The words and numbers of a point's name, in order; empty for a name that has none.

    >>> normal_form("a4-TP 4O")
    ('a', '4', 'tp', '40')
    """
    text = unicodedata.normalize("NFKC", point).casefold().translate(_LOOKALIKES)
    before = ""
    while text != before:
        before = text
        text = re.sub(r"(?<=\d)o|o(?=\d)", "0", text)
        text = re.sub(r"(?<=\d)[il]|[il](?=\d)", "1", text)
    return tuple(word.lstrip("0") or "0" if word.isdigit() else word for word in _WORD_OR_NUMBER.findall(text))


def means(name: str, point: str) -> bool:
    """True if `name` means `point`, or may be taken for it. An empty name means no point."""
    named, meant = normal_form(name), normal_form(point)
    if not named or not meant:
        return False
    size = len(meant)
    holds = any(named[at : at + size] == meant for at in range(len(named) - size + 1))
    return holds or meant[-len(named) :] == named
