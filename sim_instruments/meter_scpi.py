"""A SCPI bench meter of the 34401A class, on a socket or on its serial port.

Rules kept (34401A, 34410A and Truevolt user's guides): CONFigure resets the function to its presets, the input
resistance and the math with it, and takes no reading; MEASure? is CONFigure and READ?; FETCh? repeats what is in memory
and never triggers; setting a range ends autorange; discrete apertures go to the next longer one; a changed setting
gives up a measurement that is running. On serial only the SYSTem commands work before SYSTem:REMote (error 550).
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from math import inf
from typing import Literal

import numpy as np

from benchrig.clock import Clock

from .interfaces import Inputs
from .meter_convert import APERTURE_FUNCTIONS, RANGES, Converter, ConverterSettings, Sense, cycles_for, resolution_of
from .meter_model import (
    CORNER,
    COUNT,
    FUNCTIONS,
    GATE,
    HP34401A,
    MATH,
    ONCE,
    SPELLED,
    Math,
    Model,
    Trigger,
    range_for,
    ranges_of,
)
from .scpi import PendingOperation, ScpiInstrument, Steps, WaitToContinue
from .scpi_errors import ScpiError
from .scpi_settings import choice, fixed, numeric
from .scpi_tree import Call, ScpiCommand
from .scpi_values import Numeric, boolean, matches, nr3, string


class BenchMeter(ScpiInstrument):
    """A bench meter; `inputs[1]` is between its voltage terminals, front or rear as `terminals` says.

    mains   line frequency in hertz, which its apertures count in
    serial  True: the RS-232 side, with CR LF, remote and local, and Ctrl-C as device clear
    """

    def __init__(
        self,
        clock: Clock,
        inputs: Inputs,
        *,
        seed: int = 0,
        model: Model = HP34401A,
        mains: float = 50.0,
        serial: bool = False,
        terminals: Literal["FRON", "REAR"] = "FRON",
        unread: Literal["late", "drop"] = "late",
    ) -> None:
        self.model = model
        self.serial = serial
        self.terminals = terminals
        self.remote = False
        self.converter = Converter(
            inputs, mains, np.random.default_rng(seed), ConverterSettings.fresh(model.preset_cycles)
        )
        self._operation: PendingOperation | None = None
        super().__init__(
            clock,
            (model.maker, model.name, f"SIMULATED{seed:04d}", model.firmware),
            unread=unread,
            newline=b"\r\n" if serial else b"\n",
        )
        self.defaults()

    @property
    def error(self) -> float:
        """-1 to +1: the part of what its data sheet allows that a calibration would find."""
        return self.converter.error

    @error.setter
    def error(self, part: float) -> None:
        self.converter.error = part

    # What the engine asks for

    def defaults(self) -> None:
        self._abort()
        self._completion_asked = False
        self.converter.settings = ConverterSettings.fresh(self.model.preset_cycles)
        self._trigger = Trigger()
        self._math = Math()
        self._memory: list[float] = []

    def reset(self) -> None:
        self.remote = False
        super().reset()

    def receive(self, data: bytes) -> None:
        if self.serial and b"\x03" in data:  # Ctrl-C
            self.device_clear()
            self._abort()
            data = data[data.rindex(b"\x03") + 1 :]
        super().receive(data)

    def operations(self) -> tuple[PendingOperation, ...]:
        return (self._operation,) if self._operation else ()

    def before(self, call: Call) -> None:
        if self.serial and not self.remote and not call.words[0].startswith(("SYSTem", "*")):
            raise ScpiError(550)

    def integer(self, value: int) -> str:
        return f"{value:+d}"

    def trigger(self) -> None:
        if self._trigger.source != "BUS" or not self._waiting():
            raise ScpiError(-211)
        self._pull()

    def external_trigger(self) -> None:
        """A pulse at the trigger socket."""
        if self._trigger.source == "EXT" and self._waiting():
            self._pull()

    @property
    def input_resistance(self) -> float:
        """Ohms across the terminals now."""
        return self.converter.input_resistance

    # Taking readings

    def _waiting(self) -> bool:
        return self._operation is not None and self._operation.finished is None and self._operation.wake == inf

    def _pull(self) -> None:
        assert self._operation is not None
        self._pulled = True
        self._operation.poke(self.time)

    def _abort(self) -> None:
        if self._operation is not None:
            self._operation.abort(self.time)

    def _acquire(self, start: float) -> Steps:
        trigger, now, triggers = self._trigger, start, 0
        while triggers < trigger.count:
            triggers += 1
            self._pulled = trigger.source == "IMM"
            while not self._pulled:
                now = yield inf
            start = max(start, now) if trigger.source != "IMM" else start
            start += 0.0015 if trigger.delay is None else trigger.delay
            for _ in range(int(trigger.samples)):
                start, value = yield from self.converter.convert(start)
                self._store(value)
        return start

    def _store(self, value: float) -> None:
        if self._math.on and self._math.function == "NULL" and abs(value) < 1e37:
            self._math.offset = value if self._math.offset is None else self._math.offset
            value -= self._math.offset
        self._memory.append(value)
        del self._memory[: -self.model.memory]

    def _initiate(self) -> None:
        if self._operation is not None and self._operation.finished is None:
            raise ScpiError(-213)
        self._memory = []
        self._operation = PendingOperation(self._acquire(self.time))

    def _read(self) -> WaitToContinue:
        if self._trigger.source == "BUS":
            raise ScpiError(-214)
        self._initiate()
        return self._when_done()

    def _fetch(self) -> WaitToContinue:
        if self._waiting() and self._trigger.source == "BUS":
            raise ScpiError(-214)
        return self._when_done()

    def _when_done(self) -> WaitToContinue:
        return WaitToContinue(self._readings, self.operations())

    def _readings(self) -> str:
        if not self._memory:
            raise ScpiError(-230)
        return ",".join(self.real(v) for v in self._memory)

    # Commands

    def commands(self) -> Iterable[ScpiCommand]:
        yield from self.error_commands()
        yield from self._verb_commands()
        for function in FUNCTIONS:
            yield from self._function_commands(function)
        yield from self._sense_commands()
        yield from self._trigger_commands()
        yield from self._math_commands()
        yield from self._system_commands()

    def _verb_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("READ?", lambda call: self._read())
        yield ScpiCommand("INITiate[:IMMediate]", lambda call: self._initiate())
        yield ScpiCommand("FETCh?", lambda call: self._fetch())
        yield ScpiCommand("ABORt", lambda call: self._abort())
        yield ScpiCommand("CONFigure?", lambda call: self._configured())
        yield ScpiCommand("DATA:POINts?", lambda call: self.integer(len(self._memory)))
        yield ScpiCommand("MEASure?", partial(self._measure, "VOLT"), 0, 2)

    def _function_commands(self, function: str) -> Iterable[ScpiCommand]:
        header, _ = FUNCTIONS[function]
        yield ScpiCommand(f"CONFigure:{header}", partial(self._configure, function), 0, 2)
        yield ScpiCommand(f"MEASure:{header}?", partial(self._measure, function), 0, 2)
        if len(RANGES[function]) > 1 and function not in ("FREQ", "PER"):
            yield from self._range_commands(function, f"[SENSe:]{header}")
        if function in APERTURE_FUNCTIONS:
            yield from self._aperture_commands(function, f"[SENSe:]{header}")

    def _range_commands(self, function: str, stem: str) -> Iterable[ScpiCommand]:
        yield ScpiCommand(f"{stem}:RANGe[:UPPer]", partial(self._set_range, function), 1, 1)
        yield ScpiCommand(f"{stem}:RANGe[:UPPer]?", partial(self._ask_range, function), 0, 1)
        yield ScpiCommand(f"{stem}:RANGe:AUTO", partial(self._set_auto, function), 1, 1)
        yield ScpiCommand(f"{stem}:RANGe:AUTO?", lambda call: str(int(self._sense(function).auto)))

    def _aperture_commands(self, function: str, stem: str) -> Iterable[ScpiCommand]:
        yield ScpiCommand(f"{stem}:NPLCycles", partial(self._set_cycles, function), 1, 1)
        yield ScpiCommand(f"{stem}:NPLCycles?", partial(self._ask_cycles, function), 0, 1)
        yield ScpiCommand(f"{stem}:RESolution", partial(self._set_resolution, function), 1, 1)
        yield ScpiCommand(f"{stem}:RESolution?", lambda call: self.real(self._resolution(function)), 0, 1)

    def _sense_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("[SENSe:]FUNCtion[:ON]", self._set_function, 1, 1)
        yield ScpiCommand("[SENSe:]FUNCtion[:ON]?", lambda call: f'"{self.converter.settings.function}"')
        yield ScpiCommand(self.model.zero, self._set_zero, 1, 1)
        yield ScpiCommand(f"{self.model.zero}?", lambda call: str(int(self.converter.settings.zero)))
        yield ScpiCommand(self.model.impedance, self._set_impedance, 1, 1)
        yield ScpiCommand(f"{self.model.impedance}?", lambda call: str(int(self.converter.settings.high_impedance)))
        yield from numeric("[SENSe:]DETector:BANDwidth", CORNER, self._settings, "corner", self.real)
        yield from numeric("[SENSe:]VOLTage:AC:BANDwidth", CORNER, self._settings, "corner", self.real)
        yield from numeric("[SENSe:]FREQuency:APERture", GATE, self._settings, "gate", self.real)
        yield from numeric("[SENSe:]PERiod:APERture", GATE, self._settings, "gate", self.real)
        yield ScpiCommand("ROUTe:TERMinals?", lambda call: self.terminals)

    def _trigger_commands(self) -> Iterable[ScpiCommand]:
        yield from choice("TRIGger:SOURce", ("IMMediate", "BUS", "EXTernal"), self._idle_trigger, "source")
        yield ScpiCommand("TRIGger:DELay", self._set_delay, 1, 1)
        yield ScpiCommand("TRIGger:DELay?", lambda call: self.real(self._trigger.delay or 0.0))
        yield ScpiCommand("TRIGger:DELay:AUTO", self._set_auto_delay, 1, 1)
        yield ScpiCommand("TRIGger:DELay:AUTO?", lambda call: str(int(self._trigger.delay is None)))
        yield from numeric("SAMPle:COUNt", COUNT, self._idle_trigger, "samples", self.real)
        yield ScpiCommand("TRIGger:COUNt", self._set_count, 1, 1)
        yield ScpiCommand("TRIGger:COUNt?", lambda call: self.real(min(self._trigger.count, 9.9e37)))

    def _math_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand(
            "CALCulate:FUNCtion", lambda call: setattr(self._math, "function", MATH.read(call.args[0])), 1, 1
        )
        yield ScpiCommand("CALCulate:FUNCtion?", lambda call: self._math.function)
        yield ScpiCommand("CALCulate:STATe", self._set_math, 1, 1)
        yield ScpiCommand("CALCulate:STATe?", lambda call: str(int(self._math.on)))
        yield ScpiCommand("CALCulate:NULL:OFFSet", self._set_null, 1, 1)
        yield ScpiCommand("CALCulate:NULL:OFFSet?", lambda call: self.real(self._math.offset or 0.0))

    def _system_commands(self) -> Iterable[ScpiCommand]:
        for word, remote in (("REMote", True), ("RWLock", True), ("LOCal", False)):
            yield ScpiCommand(f"SYSTem:{word}", partial(self._set_remote, remote))
        yield ScpiCommand("SYSTem:BEEPer[:IMMediate]", lambda call: None)
        yield ScpiCommand("DISPlay[:WINDow]:TEXT[:DATA]", lambda call: string(call.args[0]) and None, 1, 1)
        yield ScpiCommand("DISPlay[:WINDow]:TEXT:CLEar", lambda call: None)
        yield from fixed("DISPlay[:WINDow][:STATe]", "ON")

    # Their work

    def _settings(self, call: Call) -> ConverterSettings:
        """The settings, about to be changed or asked for."""
        if not call.query:
            self._abort()
        return self.converter.settings

    def _idle_trigger(self, call: Call) -> Trigger:
        if not call.query:
            self._abort()
        return self._trigger

    def _sense(self, function: str) -> Sense:
        return self.converter.settings.senses[function]

    def _choose_range(self, function: str, text: str) -> None:
        sense = self._sense(function)
        sense.range, sense.auto = range_for(function, text), False

    def _set_range(self, function: str, call: Call) -> None:
        self._abort()
        self._choose_range(function, call.args[0])

    def _ask_range(self, function: str, call: Call) -> str:
        limit = ranges_of(function).limit(call.args)
        return self.real(self._sense(function).range if limit is None else limit)

    def _set_auto(self, function: str, call: Call) -> None:
        self._abort()
        sense = self._sense(function)
        sense.once = call.args[0].upper() == ONCE
        sense.auto = False if sense.once else boolean(call.args[0])

    def _cycles_spec(self) -> Numeric:
        cycles = self.model.cycles
        return Numeric(cycles[0], cycles[-1], self.model.preset_cycles, steps=cycles)

    def _set_cycles(self, function: str, call: Call) -> None:
        self._abort()
        self._sense(function).nplc = self._cycles_spec().read(call.args[0])

    def _ask_cycles(self, function: str, call: Call) -> str:
        limit = self._cycles_spec().limit(call.args)
        return self.real(self._sense(function).nplc if limit is None else limit)

    def _resolution(self, function: str) -> float:
        sense = self._sense(function)
        return resolution_of(sense.nplc) * sense.range

    def _set_resolution(self, function: str, call: Call) -> None:
        self._abort()
        sense = self._sense(function)
        sense.nplc = self._nplc_for(call.args[0], sense.range, function)

    def _nplc_for(self, text: str, full: float, function: str) -> float:
        unit = FUNCTIONS[function][1]
        fraction = Numeric(3e-7 * full, full, 1e-6 * full, unit).read(text) / full
        return self._cycles_spec().read(repr(cycles_for(fraction)))

    def _configure(self, function: str, call: Call) -> None:
        """Presets, then the range and the resolution that were named."""
        self._abort()
        settings, sense = self.converter.settings, self._sense(function)
        wanted = call.args[0] if call.args else "DEF"
        auto = matches("DEFault", wanted) or wanted.upper() == "AUTO"
        if len(call.args) > 1 and auto and not matches("DEFault", call.args[1]):
            raise ScpiError(-221)
        if function in ("FREQ", "PER"):  # here the first parameter is the expected value: it sets no range
            auto = True
        if not auto:
            self._choose_range(function, wanted)
        settings.function = function
        sense.auto, sense.once, sense.nplc = auto, False, self.model.preset_cycles
        settings.zero, settings.high_impedance = True, False
        if len(call.args) > 1 and function in APERTURE_FUNCTIONS and not matches("DEFault", call.args[1]):
            sense.nplc = self._nplc_for(call.args[1], sense.range, function)
        self._trigger, self._math, self._memory = Trigger(), Math(), []

    def _measure(self, function: str, call: Call) -> WaitToContinue:
        self._configure(function, call)
        return self._read()

    def _configured(self) -> str:
        settings = self.converter.settings
        resolution = resolution_of(settings.sense.nplc) * settings.sense.range
        return f'"{settings.function} {nr3(settings.sense.range, 6)},{nr3(resolution, 6)}"'

    def _set_function(self, call: Call) -> None:
        wanted = string(call.args[0])
        for spelled, function in SPELLED.items():
            words = spelled.split(":")
            typed = wanted.split(":")
            if len(words) == len(typed) and all(map(matches, words, typed)):
                self._settings(call).function = function
                return
        raise ScpiError(-224)

    def _set_zero(self, call: Call) -> None:
        once = call.args[0].upper() == ONCE
        self._settings(call).zero = False if once else boolean(call.args[0])

    def _set_impedance(self, call: Call) -> None:
        self._settings(call).high_impedance = boolean(call.args[0])

    def _set_delay(self, call: Call) -> None:
        self._idle_trigger(call).delay = Numeric(0, 3600, 0, "S").read(call.args[0])

    def _set_auto_delay(self, call: Call) -> None:
        trigger = self._idle_trigger(call)
        trigger.delay = None if boolean(call.args[0]) else trigger.delay or 0.0

    def _set_count(self, call: Call) -> None:
        endless = matches("INFinity", call.args[0])
        self._idle_trigger(call).count = inf if endless else COUNT.read(call.args[0])

    def _set_math(self, call: Call) -> None:
        self._math.on = boolean(call.args[0])
        self._math.offset = None

    def _set_null(self, call: Call) -> None:
        if not self._math.on:
            raise ScpiError(-221)
        self._math.offset = Numeric(-1.2e8, 1.2e8, 0).read(call.args[0])

    def _set_remote(self, remote: bool, call: Call) -> None:
        self.remote = remote
