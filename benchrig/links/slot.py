"""A link that stays the same object while the port behind it is opened again.

A driver keeps the link it was built with; after a lost link only what is in the slot changes. While the slot is empty
every call raises LinkLost, so nothing can pass for silence.
"""

from __future__ import annotations

from ..errors import LinkLost
from .base import Link


class LinkSlot:
    """Holds a link, or none."""

    def __init__(self, address: str) -> None:
        self._address = address
        self._link: Link | None = None

    @property
    def address(self) -> str:
        return self._address

    @property
    def filled(self) -> bool:
        return self._link is not None

    def put(self, link: Link) -> None:
        """Use `link` from now on; the one before is closed."""
        self.close()
        self._link = link

    def write(self, data: bytes) -> None:
        self._held("write").write(data)

    def read(self, deadline: float) -> bytes:
        return self._held("read").read(deadline)

    def close(self) -> None:
        """Let go of the link; the slot can be filled again."""
        link, self._link = self._link, None
        if link is not None:
            link.close()

    def _held(self, doing: str) -> Link:
        if self._link is None:
            raise LinkLost(f"{self._address}: the link is not open.", address=self._address, doing=doing)
        return self._link
