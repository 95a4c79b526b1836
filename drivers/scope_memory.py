"""The settings that a scope was given: looked after one by one, remembered, and sent again after a loss.

What some models of a family do not have is tried once; a scope that complained of it is not asked again, for many show
each error on their screen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from benchrig.links.scpi_port import ScpiPort

from .scpi_common import complaints, send_all


class RememberedSettings:
    """Settings by the name they are remembered under. `errors` reads and empties what the scope complains of."""

    def __init__(self, port: ScpiPort, errors: Callable[[], list[tuple[int, str]]]) -> None:
        self._port = port
        self._errors = errors
        self._made: dict[str, str] = {}
        self._unknown: set[str] = set()

    def make(self, messages: Mapping[str, str], refuse: Callable[[], None]) -> None:
        """Send them; `refuse` raises if there was a complaint, and then none of them is remembered."""
        send_all(self._port, messages.values())
        refuse()
        for name, message in messages.items():
            self._remember(name, message)

    def make_if_known(self, name: str, message: str) -> None:
        """A setting that some models need and others do not have."""
        header = message.partition(" ")[0]
        if header in self._unknown:
            return
        self._port.send(message)
        if complaints(self._errors()):
            self._unknown.add(header)
        else:
            self._remember(name, message)

    def last(self, name: str, otherwise: str = "") -> str:
        """The message that made a setting."""
        return self._made.get(name, otherwise)

    def __iter__(self) -> Iterator[str]:
        """All messages, in the order in which they were last sent."""
        return iter(tuple(self._made.values()))

    def _remember(self, name: str, message: str) -> None:
        """Last made goes last: what a setting may be depends on those before it."""
        self._made.pop(name, None)
        self._made[name] = message
