"""Bench multimeters that speak SCPI, on LAN or serial: Keysight/Agilent 34401A and its heirs, and meters alike.

- A function is configured once with CONFigure, the settings follow, and each reading is a READ?. MEASure? and a second
  CONFigure would put aperture and input resistance back to the presets.
- DC volts are measured with 10 Mohm in every range, asked back, because a 1000:1 probe is made for that and reads about
  11 % high into the > 10 Gohm that AUTO would choose.
- Every answer brings the event register along: the power-on bit tells a reboot, and the settings are sent again before
  the next number counts. What a key on the panel can change (null, math, scaling, filter, range, function, terminals,
  input resistance) is asked every second; readings between two looks are PROVISIONAL, and `clean_since` of the one
  behind a look says since when every look was clean. What a look has found stays said until one is clean again.
- READ? starts a new measurement. FETCh? is not used: it may repeat an old one.

Sources: the user's guides of the 34401A, 34410A and Truevolt series; where models differ a `Dialect` says how.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchrig.clock import Clock
from benchrig.errors import FrameError, InstrumentError, LinkTimeout
from benchrig.instruments import FUNCTION_UNIT, Function, Identity, LineSettings
from benchrig.links.base import Link
from benchrig.links.scpi_port import ScpiPort
from benchrig.readings import Flag, Reading
from benchrig.wire import answers
from benchrig.wire.answers import Number, Special

from . import options as driver_options
from . import scpi_common
from .panel import Panel
from .scpi_common import number_text

# The factory setting of the 34401A's serial port; every line setting can be changed in the bench file.
LINE = LineSettings(baud=9600, data_bits=7, parity="E", stop_bits=2, dtr=True, rts=True, flow="dsrdtr")

# Series whose manuals have the words used here; other meters may be named in a bench file all the same.
_MODELS = re.compile(
    r"(HEWLETT|AGILENT|KEYSIGHT).* 344\d\d|KEITHLEY.* (MODEL )?(20\d\d|2110|DMM6500|DMM7510)|RIGOL.* DM3|SIGLENT.* SDM3"
)
# function -> (CONFigure node, node of its settings)
_NODES: Mapping[Function, tuple[str, str]] = {
    Function.DC_VOLTAGE: ("VOLT:DC", "VOLT:DC"),
    Function.AC_VOLTAGE: ("VOLT:AC", "VOLT:AC"),
    Function.DC_CURRENT: ("CURR:DC", "CURR:DC"),
    Function.AC_CURRENT: ("CURR:AC", "CURR:AC"),
    Function.RESISTANCE: ("RES", "RES"),
    Function.CONTINUITY: ("CONT", ""),
    Function.DIODE: ("DIOD", ""),
    Function.FREQUENCY: ("FREQ", ""),
    Function.PERIOD: ("PER", ""),
    Function.CAPACITANCE: ("CAP", ""),
    Function.TEMPERATURE: ("TEMP", ""),
}
_FLAGS = {
    Function.DC_VOLTAGE: Flag.DC,
    Function.DC_CURRENT: Flag.DC,
    Function.AC_VOLTAGE: Flag.AC,
    Function.AC_CURRENT: Flag.AC,
    Function.DIODE: Flag.DIODE,
    Function.CONTINUITY: Flag.CONTINUITY,
}
# Functions that integrate over a number of power line cycles, and have ranges.
_INTEGRATING = (Function.DC_VOLTAGE, Function.DC_CURRENT, Function.RESISTANCE)
_RANGED = (*_INTEGRATING, Function.AC_VOLTAGE, Function.AC_CURRENT)
# Resolution over range by power line cycles (34401A, 34461A): user's guides.
_RESOLUTION = ((100.0, 3e-7), (10.0, 1e-6), (1.0, 3e-6), (0.2, 1e-5), (0.0, 1e-4))
_AC_RESOLUTION = 1e-6
OVER_RANGE = 1.25  # times its range that a meter shows at most; makers give 1.05 to 1.2


@dataclass(frozen=True, slots=True)
class Dialect:
    """Spellings that differ between models. An empty spelling: the model has no such thing."""

    impedance: str  # setting; "" where the input resistance cannot be set
    ten_megohm: str  # its value for 10 Mohm
    null: str  # setting that switches a stored offset on or off; {node} is that of the function
    changes: tuple[str, ...] = ()  # further settings of the panel that change the number, and have to be off
    compound: bool = True  # several questions in one message bring one line with all their answers


_DIALECTS = (
    (re.compile(r"34401A"), Dialect("INP:IMP:AUTO", "OFF", "CALC:STAT")),
    (re.compile(r"344(10|11)A"), Dialect("VOLT:DC:IMP:AUTO", "OFF", "{node}:NULL", ("CALC:STAT",))),
    (
        re.compile(r"344(50|60|61|65|70)A"),
        Dialect("VOLT:DC:IMP:AUTO", "OFF", "{node}:NULL", ("CALC:SCAL:STAT", "CALC:SMO:STAT")),
    ),
    (re.compile(r"DMM(6500|7510)|DAQ6510"), Dialect("VOLT:DC:INP", "MOHM10", "{node}:REL:STAT", ("{node}:AVER:STAT",))),
)
# Tried in this order on a model that no pattern names; the error queue tells which spelling it knows.
_IMPEDANCES = (("VOLT:DC:IMP:AUTO", "OFF"), ("INP:IMP:AUTO", "OFF"))
_NULLS = ("CALC:STAT", "{node}:NULL", "{node}:REF:STAT")
_CHANGES = ("CALC:SCAL:STAT", "CALC:SMO:STAT", "{node}:AVER:STAT")


@dataclass(frozen=True, slots=True)
class _MeterSetup:
    """What was asked of the meter; enough to set it up again."""

    function: Function
    expected: float | None
    cycles: float


class ScpiMeter:
    """A bench meter. Options: `remote` ("auto": on serial links; "yes"; "no"), `terminals`
    ("front", "rear", "any"), `timeout` in seconds for settings.
    """

    LINE = LINE

    def __init__(self, link: Link, clock: Clock, options: Mapping[str, Any] | None = None) -> None:
        defaults = {
            "remote": ("auto", "yes", "no"),
            "terminals": ("front", "rear", "any"),
            "timeout": 2.0,
        }
        self.options = driver_options.take(options, "meter-scpi", defaults)
        self._clock = clock
        self._address = link.address
        self._port = ScpiPort(link, clock, timeout=self.options["timeout"])
        remote = self.options["remote"]
        self._remote = remote == "yes" or (remote == "auto" and scpi_common.on_serial(link.address))
        self._identity: Identity | None = None
        self._dialect: Dialect | None = None
        self._has_terminals = True
        self._setup: _MeterSetup | None = None
        self._range: float | None = None
        self._unsure = False
        self._rebooted = False
        self._complaint = ""  # what the event register and the error queue held against the last reading
        self._forms = scpi_common.Forms()
        self._unanswered = 0  # times in a row that the question for the terminals was not answered
        self._offs: tuple[tuple[str, Flag], ...] = ()  # settings that have to be off, and what they are if they are not
        self._asked: dict[str, bool] = {}  # setting -> it can be asked for
        self._panel = Panel(clock, self._changed_at_panel)

    @staticmethod
    def takes(identity: Identity) -> bool:
        """True for an answer to `*IDN?` that names a model of this family."""
        return bool(_MODELS.match(f"{identity.maker} {identity.model}".upper()))

    def identify(self) -> Identity:
        """The four fields of `*IDN?`."""
        self._identity = Identity(*self._port.identify())
        return self._identity

    def select(
        self, function: Function, *, expected: float | None = None, power_line_cycles: float | None = None
    ) -> None:
        """See `Multimeter.select`. 1 power line cycle feels live; 10 confirm a final value. Raises InstrumentError with
        the meter's own words if it refuses a setting, or if its terminal switch stands elsewhere.
        """
        if function not in _NODES:
            raise InstrumentError(
                f"{self._name()} cannot measure {function.value}.",
                instrument=self._name(),
                next_step="Use another meter.",
            )
        self._apply(_MeterSetup(function, expected, 1.0 if power_line_cycles is None else power_line_cycles))

    def restore(self) -> None:
        """Set up again after a reopened link or a reboot; before any `select` it only takes remote control."""
        self._port.resync()
        if self._setup:
            self._apply(self._setup)
        elif self._remote:
            self._port.send("SYST:REM")

    def release(self) -> None:
        """Back to local, idle."""
        scpi_common.quietly(self._port, *(["SYST:LOC"] if self._remote else []))

    def read(self, deadline: float) -> Reading:
        """One new measurement. A meter that was rebooted is set up again first. See `Multimeter.read`."""
        if self._setup is None:
            self.select(Function.DC_VOLTAGE)
        if self._unsure:  # a meter back in local after a reboot does not answer READ? at all
            self._note_events(self._port.ask("*ESR?"))
        if self._rebooted:
            self.restore()
        self._unsure = True
        reading = self._measure(deadline)
        if reading is None:
            self.restore()
            reading = self._measure(deadline)
        for _ in range(scpi_common.AGAIN):  # the first answer of a form is only known by the next one of it
            if reading is None or not self._forms.asks_again:
                break
            reading = self._measure(deadline)
        if reading is None:
            raise InstrumentError(
                f"{self._name()} was switched on again twice within one reading.",
                instrument=self._name(),
                next_step="Check its mains lead.",
            )
        self._unsure = False
        return reading

    def _note_events(self, answer: str) -> None:
        """Remember a power-on until the meter has been set up anew."""
        events = round(answers.number(answer).value or 0)
        self._rebooted = self._rebooted or bool(events & scpi_common.POWER_ON)
        self._complaint = ""
        if events & scpi_common.COMPLAINTS and not self._rebooted:
            self._complaint = "; ".join(f"{code},{words}" for code, words in self._port.errors()) or "no reason given"

    def _name(self) -> str:
        return f"{self._identity.model if self._identity else 'The meter'} at {self._address}"

    def _apply(self, setup: _MeterSetup) -> None:
        """Everything from remote control to the read-back, in the order a meter just switched on needs."""
        port, (configure, node) = self._port, _NODES[setup.function]
        if self._remote:
            port.send("SYST:REM")
        if self._identity is None:
            self.identify()
        port.send("*CLS")
        fixed = setup.expected is not None and setup.function in _RANGED
        port.send(f"CONF:{configure} {number_text(abs(setup.expected or 0.0))}" if fixed else f"CONF:{configure}")
        if setup.function in _INTEGRATING:
            port.send(f"{node}:NPLC {number_text(setup.cycles)}")
        scpi_common.refuse(port.errors(), self._name(), f"to measure {setup.function.value}")
        dialect = self._settle_dialect()
        self._setup = setup
        self._set_input(dialect, setup.function)
        self._range = self._asked_range(setup) if fixed else None
        self._check_range(setup)
        self._panel.forget()
        self._panel.look()
        port.ask("*ESR?")
        self._rebooted = False

    def _settle_dialect(self) -> Dialect:
        """The model's spellings: by its name, or by what its error queue does not complain of."""
        if self._dialect is None:
            model = self._identity.model if self._identity else ""
            known = next((dialect for pattern, dialect in _DIALECTS if pattern.search(model)), None)
            self._dialect = known or self._try_dialect()
        return self._dialect

    def _try_dialect(self) -> Dialect:
        port = self._port
        impedance, value = next(
            (pair for pair in _IMPEDANCES if scpi_common.understood(port, " ".join(pair))), ("", "")
        )
        node = "VOLT:DC"
        null = next((it for it in _NULLS if scpi_common.understood(port, f"{it.format(node=node)} OFF")), "")
        return Dialect(impedance, value, null, _CHANGES, self._answers_in_one_line())

    def _answers_in_one_line(self) -> bool:
        """As IEEE 488.2 has it. Some meters answer the first question only, or each in a line of its own, or none."""
        try:
            together = self._port.ask("*ESE?;*ESE?").count(";") == 1
        except (LinkTimeout, InstrumentError):
            together = False
        if not together:
            self._port.resync()
            self._port.errors()
        return together

    def _set_input(self, dialect: Dialect, function: Function) -> None:
        self._switch_off(dialect, _NODES[function][1])
        if function is Function.DC_VOLTAGE and dialect.impedance:
            self._port.send(f"{dialect.impedance} {dialect.ten_megohm}")
        scpi_common.refuse(self._port.errors(), self._name(), "10 Mohm and no null")

    def _switch_off(self, dialect: Dialect, node: str) -> None:
        """Everything that changes a number goes off; what this model has not got is not asked for any more."""
        offs = []
        for setting in (*((dialect.null,) if dialect.null else ()), *dialect.changes):
            if "{node}" in setting and not node:
                continue
            spelled = setting.format(node=node)
            if scpi_common.understood(self._port, f"{spelled} OFF") and self._answers(spelled):
                offs.append((spelled, Flag.RELATIVE if setting == dialect.null else Flag.CHANGED_AT_PANEL))
        self._offs = tuple(offs)

    def _answers(self, setting: str) -> bool:
        """True if the meter can be asked for it. Some take any word without complaint and answer what they know."""
        if setting not in self._asked:
            try:
                self._asked[setting] = self._port.ask_number(f"{setting}?").value is not None
            except (LinkTimeout, InstrumentError):
                self._asked[setting] = False
                self._port.resync()
                self._port.errors()
        return self._asked[setting]

    def _asked_range(self, setup: _MeterSetup) -> float | None:
        return self._port.ask_number(f"{_NODES[setup.function][1]}:RANG?").value

    def _check_range(self, setup: _MeterSetup) -> None:
        """A fixed range that does not hold the expected value would only ever overload."""
        if self._range is not None and setup.expected is not None and self._range * 1.2 < abs(setup.expected):
            raise InstrumentError(
                f"{self._name()} chose its range of {self._range:g} for a value of {setup.expected:g}.",
                instrument=self._name(),
                next_step="The value is beyond its highest range: use a divider or another meter.",
            )

    def _changed_at_panel(self) -> Flag:
        """Ask what a finger on the panel can change; what it has changed of the number."""
        assert self._setup
        dialect = self._settle_dialect()
        configure = _NODES[self._setup.function][0]
        function = self._port.ask("FUNC?").strip('"')
        if not _same_function(function, configure):
            raise self._moved(f"measures {function}")
        if self._setup.function is Function.DC_VOLTAGE and dialect.impedance:
            self._check_input(dialect)
        self._check_terminals()
        found = Flag.NONE
        for setting, flag in self._offs:
            if self._port.ask_number(f"{setting}?").value:
                found |= flag
        if self._setup.expected is not None and self._setup.function in _RANGED:
            found |= Flag.NONE if self._asked_range(self._setup) == self._range else Flag.CHANGED_AT_PANEL
        return found

    def _check_input(self, dialect: Dialect) -> None:
        if self._port.ask(f"{dialect.impedance}?").upper() not in ("0", "OFF", "MOHM10"):
            raise self._moved("no longer has 10 Mohm at its input")

    def _check_terminals(self) -> None:
        wanted = str(self.options["terminals"])
        if wanted == "any" or not self._has_terminals:
            return
        try:
            answer = self._port.ask("ROUT:TERM?")
        except LinkTimeout:
            # A model with one pair of terminals has no such question, and complains of it with a command error (-1xx,
            # SCPI-99 section 21.8.9); else the answer was late. It is given up after a few times.
            self._port.resync()
            self._unanswered += 1
            unknown = any(-200 < code <= -100 for code, _ in self._port.errors())
            self._has_terminals = not unknown and self._unanswered < scpi_common.AGAIN
            self._port.ask("*ESR?")
            return
        self._unanswered = 0
        if answer.upper()[:4] != wanted.upper()[:4]:
            raise self._moved(f"has its {answer.lower()} terminals connected, not its {wanted} ones")

    def _moved(self, found: str) -> InstrumentError:
        return InstrumentError(
            f"{self._name()} {found}.",
            instrument=self._name(),
            next_step="Set it back on its panel, or start the step again to have it set up.",
        )

    def _measure(self, deadline: float) -> Reading | None:
        """One READ?, with the event register; None if the register says it was switched on since the last look."""
        assert self._setup
        setup = self._setup
        ranged = setup.function in _RANGED and setup.expected is None
        questions = ["READ?", *([f":{_NODES[setup.function][1]}:RANG?"] if ranged else []), "*ESR?"]
        sent = self._clock.now()
        ask = self._ask_together if self._settle_dialect().compound else self._ask_one_by_one
        found, now = ask(questions, deadline)
        if self._rebooted:
            return None
        value, *between, _ = found
        flags = self._range_flags(answers.number(between[0]).value) if between else Flag.NONE
        number = answers.number(value)
        if why := self._why_not(number):
            self._port.resync()
            return self._reading(Number(None, Special.NONE, f"{number.text}: {why}"), flags, sent, now)
        return self._panel.mark(self._reading(number, flags, sent, now), sent)

    def _why_not(self, number: Number) -> str:
        """Why a number that reads well cannot be the one that was meant; empty if nothing speaks against it."""
        if self._complaint:
            return f"the meter complained: {self._complaint}"
        if not self._forms.known(number.text):
            return "not written as the answers before it"
        assert self._setup
        ranged = self._range if self._setup.function in _RANGED else None
        if ranged and number.value is not None and abs(number.value) > OVER_RANGE * ranged:
            return f"beyond the range of {ranged:g} that is set"
        return ""

    def _ask_together(self, questions: Sequence[str], deadline: float) -> tuple[list[str], float]:
        """The answers, and when they came. What they are counts only if it was not `_rebooted`."""
        question = ";".join(questions)
        answer = self._port.ask(question, timeout=max(0.0, deadline - self._clock.now()))
        now = self._clock.now()
        found = answers.fields(answer, ";")
        self._note_events(found[-1])
        if len(found) != len(questions) and not self._rebooted:
            # It skipped a question it could not carry out: nothing in the line is where it seems to be.
            scpi_common.refuse(self._port.errors(), self._name(), "to take a reading")
            raise FrameError(f"{self._name()} answered {answer!r} to {question!r}.")
        return found, now

    def _ask_one_by_one(self, questions: Sequence[str], deadline: float) -> tuple[list[str], float]:
        first = self._port.ask(questions[0], timeout=max(0.0, deadline - self._clock.now()))
        now = self._clock.now()
        found = [first, *(self._port.ask(question.lstrip(":")) for question in questions[1:])]
        self._note_events(found[-1])
        return found, now

    def _range_flags(self, present: float | None) -> Flag:
        before, self._range = self._range, present
        changed = None not in (before, present) and before != present
        return Flag.AUTORANGE | (Flag.RANGE_CHANGED if changed else Flag.NONE)

    def _reading(self, number: Number, flags: Flag, sent: float, now: float) -> Reading:
        """`number` as a reading taken between `sent` and `now`."""
        assert self._setup
        function = self._setup.function
        flags |= _FLAGS.get(function, Flag.NONE)
        if number.special is not None:
            flags |= Flag.INVALID if number.special is Special.NONE else Flag.OVERLOAD
        return Reading(
            value=number.value,
            unit=FUNCTION_UNIT[function],
            time=now,
            flags=flags,
            resolution=_resolution(self._setup, self._range) if number.value is not None else None,
            aperture=now - sent,
            text=number.text,
            full_scale=self._range if function in _RANGED else None,
        )


def _resolution(setup: _MeterSetup, full_scale: float | None) -> float | None:
    """One count, from the range and the aperture; None where the guides give no rule."""
    if full_scale is None or setup.function not in _RANGED:
        return None
    if setup.function not in _INTEGRATING:
        return full_scale * _AC_RESOLUTION
    return full_scale * next(factor for cycles, factor in _RESOLUTION if setup.cycles >= cycles)


def _same_function(answer: str, configured: str) -> bool:
    """True if `FUNC?` names what CONFigure chose: "VOLT", "VOLT:DC" and "VOLTAGE:DC" are one."""

    def short(name: str) -> list[str]:
        words = [word[:4] for word in name.upper().replace(" ", ":").split(":")]
        return words[:1] if words[1:] == ["DC"] else words

    return short(answer) == short(configured)
