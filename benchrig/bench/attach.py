"""One instrument of the bench, attached: opened when first needed, watched, and brought back when it was lost.

Rules of this module:
1. Nothing is opened and nothing is asked before `open`; an instrument of a hazardous step stays untouched until then.
2. An instrument counts as back only when it was opened again, has said that it is the same unit, and has had all its
   settings sent again. Readings from before that do not exist.
3. Coming back is bounded in tries and in time. A different unit at the address ends it at once.
4. One thread at a time talks to the instrument; another one that tries is refused, not made to wait.
5. Every loss and every return is told, with its reason and its length.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

from ..clock import Clock
from ..errors import BenchrigError, FileError, InstrumentError, LinkError, LinkLost, WrongInstrument
from ..events import LinkDown, LinkEvent, LinkUp
from ..instruments import DriverFactory, Identity, Instrument, kinds_of, load_driver
from ..links import LineSettings, Link, open_link
from ..links.inprocess import InProcessWorld
from ..links.logged import LinkSlot, LoggedLink, WireLog
from .model import InstrumentSpec
from .probe import drivers_for

NO_SERIAL = frozenset({"", "0"})  # what an instrument without a serial number of its own answers

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Patience:
    """How long is long enough.

    answer    seconds for one reading or answer
    timeouts  that many in a row and the link counts as lost: a pulled network cable raises no error
    first, longest   seconds before the first try to reopen, and between later ones; doubled each time
    tries, limit     give up after that many tries, or seconds, whichever comes last
    """

    answer: float = 5.0
    timeouts: int = 2
    first: float = 0.25
    longest: float = 4.0
    tries: int = 5
    limit: float = 60.0


class Attached:
    """One instrument. Built closed; `open` opens, identifies and compares it with the bench file.

    opener   gives a link to the address; by default `links.open_link`
    factory  builds the driver; by default the one that the bench file names
    others   gives all instruments of the same bench, so that one under two names is noticed
    """

    def __init__(
        self,
        spec: InstrumentSpec,
        clock: Clock,
        *,
        world: InProcessWorld | None = None,
        opener: Callable[[LineSettings], Link] | None = None,
        factory: DriverFactory | None = None,
        patience: Patience | None = None,
        others: Callable[[], Iterable[Attached]] = tuple,
    ) -> None:
        self.spec = spec
        self.clock = clock
        self.patience = patience or Patience()
        self.log = WireLog()
        self.identity: Identity | None = None
        self._factory = factory
        self._opener = opener or (lambda line: open_link(address_of(spec), clock, line, world))
        self._slot = LinkSlot(spec.address or spec.usb)
        self._driver: Any = None
        self._others = others
        self._busy = threading.Lock()
        self._lost_at: float | None = None

    @property
    def name(self) -> str:
        return self.spec.name

    @property
    def is_open(self) -> bool:
        return self._slot.filled

    def open(self, guard: Callable[[], None] | None = None) -> Identity:
        """Open, build the driver, ask who it is. Once open it only returns the identity.

        One that was lost comes back as patiently as `use` does it; `guard` is called before each try.
        Raises LinkError, InstrumentError, WrongInstrument, FileError (driver not installed); closed again then.
        """
        if self.lost:
            with self.hold():
                self._come_back(None, guard)
        elif self.identity is None or not self.is_open:
            with self.hold(), self._closing_on_error():
                self._connect()
        assert self.identity is not None
        return self.identity

    def use(
        self,
        work: Callable[[Any], Result],
        tell: Callable[[LinkEvent], None] | None = None,
        guard: Callable[[], None] | None = None,
    ) -> Result:
        """`work(driver)`, done again from its beginning if the instrument was lost and came back meanwhile.

        For settings and captures, which do no harm done twice. `tell` hears of gaps; `guard` is called before each
        touch of the instrument and raises where it may not be touched (any more). Raises LinkLost where it did not
        come back, WrongInstrument where another one did.
        """
        _ask(guard)
        self.open(guard)
        with self.hold():
            while True:
                _ask(guard)
                try:
                    return work(self._driver)
                except LinkError as error:
                    self.lose(error.message, tell)
                    self._come_back(tell, guard)

    def close(self) -> None:
        """Hand the front panel back and let go. Safe to call twice; raises nothing."""
        if self._driver is not None and self.is_open:
            with contextlib.suppress(BenchrigError):
                self._driver.release()
        self._slot.close()

    # For `source` and `use`: the steps of losing and coming back. The caller holds the instrument and has asked
    # its guard.

    @property
    def driver(self) -> Any:
        """The driver; only for whoever holds the instrument (`hold`)."""
        return self._driver

    @contextlib.contextmanager
    def hold(self) -> Iterator[None]:
        """Hold the instrument alone. RuntimeError if somebody else does: that is a defect of the caller."""
        if not self._busy.acquire(blocking=False):
            raise RuntimeError(f"{self.name} is being read already; close that source first")
        try:
            yield
        finally:
            self._busy.release()

    @property
    def lost(self) -> bool:
        return self._lost_at is not None

    def lose(self, reason: str, tell: Callable[[LinkEvent], None] | None = None) -> LinkDown:
        """Let go of the link; the gap begins now, or began when it was first lost."""
        self._slot.close()
        first = self._lost_at is None
        if self._lost_at is None:
            self._lost_at = self.clock.now()
        gap = LinkDown(self._lost_at, self.name, reason)
        if tell is not None and first:
            tell(gap)
        return gap

    def try_again(self) -> LinkUp:
        """One try to come back: open, identify, compare, send the settings again. Raises what stood in the way."""
        try:
            self._connect()
            self._driver.restore()
        except BaseException:
            self._slot.close()
            raise
        now = self.clock.now()
        seconds = 0.0 if self._lost_at is None else now - self._lost_at
        self._lost_at = None
        return LinkUp(now, self.name, seconds)

    def _come_back(self, tell: Callable[[LinkEvent], None] | None, guard: Callable[[], None] | None) -> None:
        tries = Tries(self.patience, self.clock.now())
        while True:
            self.clock.sleep_until(tries.due)
            _ask(guard)
            try:
                gap = self.try_again()
            except (LinkError, InstrumentError) as error:
                tries.failed(error, self.clock.now(), self)
            else:
                if tell is not None:
                    tell(gap)
                return

    # Opening

    def _connect(self) -> None:
        build = self._factory or load_driver(self.spec.driver)
        usual = getattr(build, "LINE", None)
        line = self.spec.line_settings(usual if isinstance(usual, LineSettings) else LineSettings())
        self._slot.put(self._opener(line))
        if self._driver is None:
            self._driver = build(LoggedLink(self._slot, self.clock, self.log), self.clock, dict(self.spec.options))
        self._recognise(self._driver)

    def _recognise(self, driver: Instrument) -> None:
        found = driver.identify()
        wanted = self._expected(found)
        if wanted and driver.identify() != found:  # a spoilt answer is no other unit
            raise InstrumentError(
                f"{self.name} at {self._slot.address} does not answer twice alike when asked who it is.",
                instrument=self.name,
                next_step="Check its cable.",
            )
        if wanted:
            raise self._wrong(found, wanted)
        self._of_its_kind(found, driver)
        self._only_once(found)
        self.identity = found

    def _of_its_kind(self, found: Identity, driver: Instrument) -> None:
        """Raises WrongInstrument where only drivers for another kind of instrument say that they know this one."""
        takes = getattr(driver, "takes", None)
        if takes is None or takes(found):
            return
        others = drivers_for(found)
        kinds = frozenset[str]().union(*(kinds_of(load_driver(name)) for name in others))
        if kinds and not kinds & kinds_of(type(driver)):
            raise self._wrong(found, f"a {' or a '.join(sorted(kinds_of(type(driver))))} ({self.spec.driver})")

    def _only_once(self, found: Identity) -> None:
        """Raises WrongInstrument where another name of the bench is this very instrument."""
        if found.serial in NO_SERIAL:
            return
        for other in self._others():
            if other is not self and other.is_open and other.identity is not None and other.identity.same_unit(found):
                raise WrongInstrument(
                    f"{self.name} at {self._slot.address} is the same instrument as {other.name}: {found}.",
                    instrument=self.name,
                    next_step="Correct one of the two in the bench file: one lead cannot be in two places.",
                )

    def _expected(self, found: Identity) -> str:
        """Who should have answered, in words; empty if it is who did."""
        if self.spec.serial and found.serial != self.spec.serial:
            return f"serial number {self.spec.serial!r}, as the bench file says"
        if self.identity is not None and not found.same_unit(self.identity):
            return f"{self.identity}, as before"
        return ""

    def _wrong(self, found: Identity, wanted: str) -> WrongInstrument:
        return WrongInstrument(
            f"{self.name} at {self._slot.address} answers as {str(found) or 'nobody'}, not with {wanted}.",
            instrument=self.name,
            next_step="Connect the right instrument, or correct the bench file.",
        )

    @contextlib.contextmanager
    def _closing_on_error(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self._slot.close()
            raise


def _ask(guard: Callable[[], None] | None) -> None:
    if guard is not None:
        guard()


class Tries:
    """Back-off with an end. `due` is when the next try may be made."""

    def __init__(self, patience: Patience, now: float) -> None:
        self._patience = patience
        self._wait = patience.first
        self._end = now + patience.limit
        self._made = 0
        self.due = now + self._wait

    def failed(self, error: BenchrigError, now: float, attached: Attached) -> None:
        """Plan the next try. Raises WrongInstrument at once, and LinkLost when it has been enough."""
        self._made += 1
        if isinstance(error, WrongInstrument):
            raise error
        if self._made >= self._patience.tries and now >= self._end:
            raise LinkLost(
                f"{attached.name} did not come back in {self._patience.limit:g} s and {self._made} tries: "
                f"{error.message}",
                address=attached.spec.address,
                doing="reopen",
                next_step=error.next_step or "Check cable and power, then start the step again.",
            ) from error
        self._wait = min(self._wait * 2, self._patience.longest)
        self.due = now + self._wait


def address_of(spec: InstrumentSpec) -> str:
    """The address to open. A USB adapter is looked up each time, because it moves when it is plugged in again."""
    if spec.address:
        return spec.address
    from ..links.portlist import serial_ports

    found = [port for port in serial_ports() if port.usb == spec.usb and spec.usb_serial in ("", port.usb_serial)]
    named = f"USB adapter {spec.usb}" + (f" with serial number {spec.usb_serial}" if spec.usb_serial else "")
    if not found:
        raise LinkError(
            f"{spec.name}: {named} is not plugged in.",
            address=spec.usb,
            doing="open",
            next_step="Plug it in; `benchrig find` shows what is.",
        )
    if len(found) > 1:
        raise FileError(
            f"{spec.name}: there are {len(found)} of {named}: {', '.join(port.device for port in found)}.",
            next_step="Add usb_serial, or give the address: `benchrig find` shows a name that stays with each.",
        )
    return f"serial://{found[0].lasting or found[0].device}"
