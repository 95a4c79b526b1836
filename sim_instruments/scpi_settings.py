"""Commands that set an attribute and ask for it, in the few shapes nearly every setting has.

`owner` finds the object for a call (the channel of its suffix, the front panel); `name` is the attribute.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from .scpi_tree import Call, ScpiCommand
from .scpi_values import Numeric, WordValue, boolean

Owner = Callable[[Call], object]
Limits = Numeric | Callable[[Call], Numeric]


def numeric(
    pattern: str, limits: Limits, owner: Owner, name: str, show: Callable[[float], str]
) -> Iterator[ScpiCommand]:
    """`<pattern> value|MIN|MAX|DEF` and `<pattern>? [MIN|MAX|DEF]`. Limits may depend on other settings."""

    def spec(call: Call) -> Numeric:
        return limits if isinstance(limits, Numeric) else limits(call)

    def ask(call: Call) -> str:
        limit = spec(call).limit(call.args)
        return show(getattr(owner(call), name) if limit is None else limit)

    yield ScpiCommand(pattern, lambda call: setattr(owner(call), name, spec(call).read(call.args[0])), 1, 1)
    yield ScpiCommand(f"{pattern}?", ask, 0, 1)


def switch(pattern: str, owner: Owner, name: str) -> Iterator[ScpiCommand]:
    """`<pattern> ON|OFF|1|0`, answered as 1 or 0."""
    yield ScpiCommand(pattern, lambda call: setattr(owner(call), name, boolean(call.args[0])), 1, 1)
    yield ScpiCommand(f"{pattern}?", lambda call: str(int(getattr(owner(call), name))))


def choice(pattern: str, words: tuple[str, ...], owner: Owner, name: str) -> Iterator[ScpiCommand]:
    """`<pattern> WORD`, kept and answered in the short spelling."""
    spec = WordValue(words)
    yield ScpiCommand(pattern, lambda call: setattr(owner(call), name, spec.read(call.args[0])), 1, 1)
    yield ScpiCommand(f"{pattern}?", lambda call: getattr(owner(call), name))


def fixed(pattern: str, word: str) -> Iterator[ScpiCommand]:
    """A setting of which the double has only one value; another is refused."""
    spec = WordValue((word,))
    yield ScpiCommand(pattern, lambda call: _read_only(spec, call), 1, 1)
    yield ScpiCommand(f"{pattern}?", lambda call: spec.read(word))


def _read_only(spec: WordValue, call: Call) -> None:
    spec.read(call.args[0])
