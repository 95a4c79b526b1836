"""What all oscilloscope drivers do alike; a family adds its words (`scope_words`) and its code-to-volts rule.

- Every setting is followed by the error queue and is remembered, so that a reopened link or a reboot can be made good.
- What a hand can change on the front panel between setting and capture is asked again with each capture: a probe factor
  of 1 on a 10x probe gives plausible volts, and coupled to AC any level is a perfect null.
- What somebody else may have left is put right with the coupling and the timebase: an inverted or terminated input, a
  current probe's unit, averages that would hold records of before the last turn.
- The scaling is read after the acquisition, before and after the data. If it moved meanwhile the record is refused.
- Waiting is bounded, and a trigger that never came is said in the record, never covered up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from benchrig.clock import Clock
from benchrig.errors import InstrumentError, LinkError, LinkTimeout
from benchrig.instruments import Identity, ScreenView
from benchrig.links.base import Link
from benchrig.links.scpi_port import ScpiPort
from benchrig.signals.waveform import Waveform

from . import options as driver_options
from . import scpi_common
from .scope_block import Progress
from .scope_memory import RememberedSettings
from .scope_words import FamilyWords

_POLL = 0.01  # seconds between questions for the trigger state
_FORCED = 2.0  # seconds a forced acquisition may take beyond its own length
# Share of a fresh capture's time in which the trigger may come by itself; the rest is for forcing one and reading.
_TRIGGER_SHARE = 0.7
_PUT_BACK = "Set it back on its panel, or start the step again to have it set up."


class ScpiScope:
    """An oscilloscope reached through SCPI. Subclasses fill in the methods that raise NotImplementedError."""

    NAME: ClassVar[str]
    OPTIONS: ClassVar[Mapping[str, Any]] = {}
    VARIANT: ClassVar[str] = "variant"  # the option that names the branch of the family
    VARIANTS: ClassVar[Iterable[str]]
    CHANNELS: ClassVar[int] = 8
    _words: FamilyWords

    def __init__(self, link: Link, clock: Clock, options: Mapping[str, Any] | None = None) -> None:
        """Options: `timeout`, seconds that a setting or a block may be silent, and those of the family."""
        self.options = driver_options.take(options, self.NAME, {"timeout": 5.0, **self.OPTIONS})
        self._link = link
        self._clock = clock
        self._port = ScpiPort(link, clock, timeout=self.options["timeout"])
        self._identity: Identity | None = None
        self._settings = RememberedSettings(self._port, lambda: self._errors())
        self._probes: dict[int, float] = {}
        self._centres: dict[int, float] = {}  # volts wanted at the centre of the screen
        self._triggered: bool | None = None  # of the acquisition `single` armed; None: none was armed
        self._forced = False  # the acquisition that runs was made to end without a trigger
        self._source = 1  # channel of the trigger
        self._time_per_division = 0.0
        self._power_on = False

    # What a family fills in

    @staticmethod
    def variant_of(identity: Identity) -> str:
        """The variant by maker and model; "" for one the family does not know."""
        raise NotImplementedError

    def _take_variant(self, variant: str) -> None:
        """From here on speak to one of `VARIANTS`: set `_words` and what else differs."""
        raise NotImplementedError

    def _begin(self) -> None:
        """Put the conversation into the form the driver relies on (headers off)."""

    def _arm(self) -> None:
        """Arm for one acquisition."""
        raise NotImplementedError

    def _state(self) -> bool | None:
        """None while the acquisition runs; then True if it was triggered or `_forced`, False if it was not."""
        raise NotImplementedError

    def _force(self) -> None:
        """Make the armed acquisition end without a trigger."""
        raise NotImplementedError

    def _running(self) -> Iterable[str]:
        """What makes it acquire again and again, in the sweep that was chosen."""
        raise NotImplementedError

    def _show(self, channel: int) -> None:
        """Display a channel, where not every model of the family has a message for that."""

    def _keep_centre(self, channel: int) -> None:
        """Put the centre of the screen right after a new scale or offset, where no one message does."""

    def _probe_factor(self, channel: int) -> float | None:
        """The probe factor that is set now; None where it cannot be asked."""
        raise NotImplementedError

    def _view(self, channel: int) -> ScreenView:
        """What the channel shows now."""
        raise NotImplementedError

    def _fetch(self, channel: int, points: int | None, progress: Progress | None, triggered: bool) -> Waveform:
        """The record of the present acquisition."""
        raise NotImplementedError

    def _auto_triggered(self) -> bool:
        """Of a running scope: False if its present record was not triggered."""
        raise NotImplementedError

    # Settings

    def set_channel(
        self,
        channel: int,
        *,
        scale: float | None = None,
        offset: float | None = None,
        coupling: str | None = None,
        probe: float | None = None,
        bandwidth_limit: bool | None = None,
    ) -> None:
        """See `Oscilloscope.set_channel`; the probe factor goes first, because it rescales what follows."""
        self._known()
        self._check_channel(channel)
        self._show(channel)
        words = self._words
        values = {
            "shown": "",
            "probe": 1.0 / probe if probe is not None and words.gain else probe,
            "coupling": None if coupling is None else self._choice("coupling", coupling, words.couplings),
            "limit": None if bandwidth_limit is None else words.limits[0 if bandwidth_limit else 1],
            "scale": scale,
            "offset": None if offset is None else offset * words.offset_sign,
        }
        self._set(f"settings of channel {channel}", words.messages(values, channel, f"channel {channel} "))
        if coupling is not None:
            self._set_plain(words.plain_input, channel)
        if offset is not None:
            self._centres[channel] = offset
        if scale is not None or offset is not None:
            self._keep_centre(channel)
        if probe is not None:
            self._probes[channel] = probe
            self._check_probe(channel)

    def set_timebase(self, *, scale: float | None = None, position: float | None = None) -> None:
        """See `Oscilloscope.set_timebase`."""
        self._known()
        self._set("the timebase", self._words.messages({"time scale": scale, "time position": position}, 0))
        if scale is not None:
            self._set_plain(self._words.plain_record)
            self._time_per_division = scale

    def set_trigger(
        self,
        *,
        source: int | None = None,
        level: float | None = None,
        slope: str | None = None,
        sweep: str | None = None,
    ) -> None:
        """See `Oscilloscope.set_trigger`. A level or slope without a source is of the source named last; channel 1."""
        self._known()
        if source is not None:
            self._check_channel(source)
        words, channel = self._words, self._source if source is None else source
        values = {
            "trigger mode": "",
            "trigger source": None if source is None else "",
            "trigger slope": None if slope is None else self._choice("slope", slope, words.slopes),
            "trigger level": level,
            "trigger sweep": None if sweep is None else self._choice("sweep", sweep, words.sweeps),
        }
        self._set("the trigger", words.messages(values, channel))
        self._source = channel

    def view(self, channel: int) -> ScreenView:
        """See `Oscilloscope.view`."""
        self._known()
        self._check_channel(channel)
        return self._view(channel)

    # Who it is, and what it was set to

    @classmethod
    def takes(cls, identity: Identity) -> bool:
        """True for an answer to `*IDN?` that names a model of this family."""
        return bool(cls.variant_of(identity))

    def identify(self) -> Identity:
        """The four fields of `*IDN?`; raises InstrumentError if it is none of this family's models."""
        found = Identity(*self._port.identify())
        self._recognise(found)
        if self._identity is None:
            self._identity = found
            self._begin()
            self._errors()
            self._events()
            self._power_on = False  # that it was switched on before we came is no news
        return found

    def _recognise(self, identity: Identity) -> None:
        option = self.options[self.VARIANT]
        found = option if option != "auto" else self.variant_of(identity)
        if found not in self.VARIANTS:
            raise InstrumentError(
                f"{identity} at {self._link.address} is no model that driver {self.NAME} knows.",
                instrument=str(identity),
                next_step=f"Name its {self.VARIANT} in the bench file ({', '.join(self.VARIANTS)}), after a check with "
                "a known level and an offset that is not 0.",
            )
        self._take_variant(found)

    def restore(self) -> None:
        """Send every remembered setting again, in the order in which they were last made."""
        self._port.resync()
        self._triggered = None
        if self._identity is not None:
            self._begin()
        self._errors()  # from before, or of an answer that was lost: no word on what is sent now
        scpi_common.send_all(self._port, self._settings)
        self._refuse_errors("its former settings")
        self._events()
        self._power_on = False

    def release(self) -> None:
        """Leave it running, as a person at the bench expects it."""
        if self._identity is None:
            return
        try:
            scpi_common.send_all(self._port, self._running())
        except (LinkError, InstrumentError):
            return

    # Acquisition

    def run(self) -> None:
        """Acquire again and again, in the sweep that was chosen."""
        self._known()
        self._triggered = None
        scpi_common.send_all(self._port, self._running())

    def stop(self) -> None:
        """Keep the present record."""
        self._known()
        self._port.send(self._words.stop)

    def wait(self, deadline: float) -> bool:
        """See `Oscilloscope.wait`. Whether it was triggered is in the waveform of the next `capture`."""
        while (state := self._state()) is None:
            now = self._clock.now()
            if now >= deadline:
                return False
            self._clock.sleep_until(min(deadline, now + _POLL))
        self._triggered = state and not self._forced
        return True

    def single(self) -> None:
        """Arm for one acquisition and return at once."""
        self._known()
        self._triggered = None
        self._forced = False
        self._arm()

    def capture(self, channel: int, *, points: int | None = None, progress: Progress | None = None) -> Waveform:
        """See `Oscilloscope.capture`. Raises InstrumentError where the record cannot be trusted: holes, a scaling or a
        probe factor that moved, a reboot.
        """
        self._known()
        self._check_channel(channel)
        if points is not None and points < 2:
            raise InstrumentError(
                f"{points} points are no record.", instrument=self._name(), next_step="Ask for 2 or more."
            )
        self._check_reboot()
        self._check_probe(channel)
        self._check_coupling(channel)
        triggered = self._auto_triggered() if self._triggered is None else self._triggered
        return self._fetch(channel, points, progress, triggered)

    def fresh_capture(self, channel: int, deadline: float) -> Waveform:
        """See `Oscilloscope.fresh_capture`. Raises LinkTimeout if even a forced acquisition does not end."""
        self._known()
        if self._rebooted():
            self.restore()
        now = self._clock.now()
        self.single()
        if not self.wait(now + _TRIGGER_SHARE * max(0.0, deadline - now)):
            self._forced = True
            self._force()
            grace = self._clock.now() + _FORCED + 20 * self._time_per_division
            if not self.wait(max(deadline, grace)):
                raise LinkTimeout(
                    f"{self._name()} did not end its acquisition even when it was forced.",
                    address=self._link.address,
                    doing="waiting for the trigger",
                    next_step="Look at its screen: is it stopped by hand, or the timebase very slow?",
                )
        return self.capture(channel)

    # Helpers for the families

    def _known(self) -> None:
        if self._identity is None:
            self.identify()

    def _name(self) -> str:
        return f"{self._identity.model if self._identity else 'The scope'} at {self._link.address}"

    def _errors(self) -> list[tuple[int, str]]:
        """The error queue, read to its end."""
        return self._port.errors()

    def _refuse_errors(self, doing: str) -> None:
        scpi_common.refuse(self._errors(), self._name(), doing)

    def _set(self, doing: str, messages: Mapping[str, str]) -> None:
        """Send settings (by the name they are remembered under), look at the error queue, remember them."""
        self._known()
        self._settings.make(messages, lambda: self._refuse_errors(doing))

    def _set_plain(self, forms: Iterable[str], channel: int = 0) -> None:
        for form in forms:
            message = form.format(channel=channel)
            self._settings.make_if_known(message.partition(" ")[0], message)

    def _check_channel(self, channel: int) -> None:
        if not 1 <= channel <= self.CHANNELS:
            raise InstrumentError(
                f"{self._name()} has no channel {channel}.", instrument=self._name(), next_step="Channels count from 1."
            )

    def _choice(self, what: str, given: str, known: Mapping[str, str]) -> str:
        if given not in known:
            raise InstrumentError(
                f"{what} {given!r} is not known.", instrument=self._name(), next_step=f"Use one of: {', '.join(known)}."
            )
        return known[given]

    def _check_probe(self, channel: int) -> None:
        """A probe factor that is no longer the one set here means a hand was at the panel."""
        wanted = self._probes.get(channel)
        found = self._probe_factor(channel) if wanted is not None else None
        if wanted is not None and found is not None and abs(found / wanted - 1.0) > 1e-3:
            raise InstrumentError(
                f"{self._name()}: channel {channel} now has a probe factor of {found:g}, but {wanted:g} was set.",
                instrument=self._name(),
                next_step=_PUT_BACK,
            )

    def _check_coupling(self, channel: int) -> None:
        header, _, wanted = self._settings.last(f"channel {channel} coupling").partition(" ")
        found = self._port.ask(f"{header}?").upper().split() if header else [wanted]
        if found[-1:] != [wanted]:
            raise InstrumentError(
                f"{self._name()}: channel {channel} is now coupled {' '.join(found)}, but {wanted} was set.",
                instrument=self._name(),
                next_step=_PUT_BACK,
            )

    def _events(self) -> int:
        """The event register, which clears on reading. A power-on seen in passing is kept for `_rebooted`."""
        events = round(self._port.ask_number("*ESR?").value or 0)
        self._power_on = self._power_on or bool(events & scpi_common.POWER_ON)
        return events

    def _rebooted(self) -> bool:
        """True from when the scope was switched on again until it has been set up anew."""
        self._events()
        return self._power_on

    def _check_reboot(self) -> None:
        if self._rebooted():
            self.restore()
            raise InstrumentError(
                f"{self._name()} was switched on again: its record is gone. Its settings were sent again.",
                instrument=self._name(),
                next_step="Take the record again.",
            )

    def _moved(self) -> InstrumentError:
        return InstrumentError(
            f"{self._name()} changed its scaling while the record was read.",
            instrument=self._name(),
            next_step="Take hands off its panel and take the record again.",
        )
