"""The operator at the terminal: shows, asks, and listens for single keys.

Nothing here decides: the words typed at a hold point go to the hold point as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ..session.notices import Notice, StepStarted
from ..session.operators import Command, EntryRequest, ForwardedOperator, HoldRequest, Operator, Question
from .display import Display, Screen
from .keys import Keys
from .sentences import plain

KEYS_HELP = "keys: space pause/go on   s skip   m mark   f large digits   a acknowledge alarms   q stop   ? help"
TURN_HELP = "      . or right: it was turned clockwise   , or left: counter-clockwise   Enter: as the cue said"
# Two keys beside each other (< and > are on them), and the arrows where those do not turn practice trimmers.
WAYS = {
    "right": "clockwise", ".": "clockwise", ">": "clockwise",
    "left": "counter-clockwise", ",": "counter-clockwise", "<": "counter-clockwise",
}  # fmt: skip
DONE = frozenset({"\r", "\n"})
STOP = "stop"  # typed at any question: it is not answered, and the job is to end
_ASKING = frozenset("smq")  # keys that lead to a question


class TerminalOperator:
    """A person with a keyboard and a screen.

    `on_key` sees every key first and returns True for those it used: the practice hands turn trimmers with it.
    """

    attended = True
    acts_for_person = False

    def __init__(
        self,
        name: str,
        screen: Screen,
        keys: Keys,
        on_key: Callable[[str], bool] = lambda key: False,
        extra_help: str = "",
    ) -> None:
        self.name = name
        self._screen = screen
        self._keys = keys
        self._on_key = on_key
        self._help = [KEYS_HELP, TURN_HELP, *([f"      {extra_help}"] if extra_help else [])]
        self._paused = False
        self._stopped = False  # "stop" was typed at a question
        self._instruction = ""  # as the screen has just shown it: the question right after does not repeat it

    def acknowledge(self, hold: HoldRequest) -> str | None:
        self._screen.suspend()
        check = hold.purpose == "check"
        title, where = plain(hold.title), plain(hold.test_point)
        heading = f" MAKE SAFE: {title} at {where} " if check else f" HOLD POINT: {title} at {where}, {hold.expected} "
        self._screen.say(heading if check else f"{heading}expected ", "bold reverse")
        for caution in hold.cautions:
            self._screen.say(f"   ! {plain(caution)}")
        if not all(self._in_place(item, "done" if check else "in place") for item in hold.in_place):
            return None
        asked = "Is it off? To look at it" if check else "To go on"
        self._screen.say(f"   {asked}, type exactly: {hold.phrase}", "bold")
        return self._answer("   > ")

    def _in_place(self, item: str, asked: str) -> bool:
        """True for "yes" in full; "no" and the end of input are none, and what is neither is asked again."""
        while (answer := self._answer(f"   {plain(item)}: {asked}? (yes/no) ")) is not None:
            word = answer.strip().lower()
            if word in ("yes", "no"):
                return word == "yes"
            self._screen.say("   Type yes or no, in full.")
        return False

    def choose(self, question: Question) -> str | None:
        self._screen.suspend()
        if text := _after(self._instruction, question.text):
            self._screen.say(f"   {plain(text)}")
        self._instruction = ""
        for number, choice in enumerate(question.choices, 1):
            self._screen.say(f"     {number}  {plain(choice)}")
        while (answer := self._answer(f"   number, or {STOP} to stop the job: ")) is not None:
            picked = _picked(answer.strip(), question.choices)
            if picked is not None:
                return picked
            self._screen.say(f"   {plain(answer)!r} is not one of them; type 1 to {len(question.choices)}.")
        return None

    def enter(self, request: EntryRequest) -> str | None:
        self._screen.suspend()
        return self._answer(f"   {plain(request.text)} (in {request.unit}, or {STOP}): ")

    def hands_off(self, step: str, reason: str) -> bool:
        self._screen.suspend()
        while (answer := self._answer(f"   Hands off and away: {plain(reason)}. Type away: ")) is not None:
            if answer.strip().lower() == "away":
                return True
        return False

    def _answer(self, prompt: str) -> str | None:
        """What is typed. An empty line is no answer anywhere: it is asked again. None for "stop", and at the end of
        input; "stop" ends the job besides."""
        while (line := self._keys.line(prompt)) is not None:
            if line.strip().lower() == STOP:
                self._stopped = True
                return None
            if line.strip():
                return line
        return None

    def notify(self, notice: Notice) -> None:
        self._instruction = notice.instruction if isinstance(notice, StepStarted) else ""
        self._screen.show(notice)

    def commands(self) -> Sequence[Command]:
        self._screen.tick()
        if self._stopped:
            self._stopped = False
            return [Command(STOP)]
        found = [self._command(key) for key in _meant([it for it in self._keys.poll() if not self._on_key(it)])]
        return [command for command in found if command]

    def _command(self, key: str) -> Command | None:
        if key in WAYS or key in DONE:
            return Command("turned", WAYS.get(key, ""))
        match key.lower():
            case " " | "p":
                self._paused = not self._paused
                return Command("pause" if self._paused else "resume")
            case "s":
                return self._with_words("skip", "   Skip this step. Why? (back: do not skip) ")
            case "m":
                return self._with_words("mark", "   Mark. Words (back: no mark): ")
            case "a":
                return Command("acknowledge")
            case "f":
                self._screen.fill()
            case "q":
                return self._stop()
            case "?" | "h":
                for line in self._help:
                    self._screen.say(line)
        return None

    def _with_words(self, verb: str, prompt: str) -> Command | None:
        self._screen.suspend()
        words = self._answer(prompt)
        if self._stopped:
            self._stopped = False
            return Command(STOP)
        return Command(verb, words.strip()) if words and words.strip().lower() != "back" else None

    def _stop(self) -> Command | None:
        self._screen.suspend()
        while (answer := self._answer("   Stop the job? (yes/no) ")) is not None:
            word = answer.strip().lower()
            if word in ("y", "yes", "n", "no"):
                return Command(STOP) if word[0] == "y" else None
        self._stopped = False
        return Command(STOP)  # said in so many words, or nobody is there to be asked


def _meant(keys: Sequence[str]) -> list[str]:
    """A held key counts once in a look, and what was pressed with a key that asks was pressed before its question."""
    meant: list[str] = []
    for key in keys:
        if key not in meant[-1:]:
            meant.append(key)
        if key.lower() in _ASKING:
            break
    return meant


def _after(instruction: str, text: str) -> str:
    """What `text` says beyond the instruction that it begins with, if it does."""
    goes_on = bool(instruction) and f"{text} ".startswith(f"{instruction} ")
    return text.removeprefix(instruction).strip() if goes_on else text


def _picked(answer: str, choices: Sequence[str]) -> str | None:
    if answer.isdecimal() and 1 <= int(answer) <= len(choices):
        return choices[int(answer) - 1]
    return next((choice for choice in choices if choice.lower() == answer.lower()), None)


class Shown(ForwardedOperator):
    """Another operator, with displays that see all it is told. The displays never answer."""

    def __init__(self, operator: Operator, *displays: Display) -> None:
        super().__init__(operator)
        self._displays = displays

    def notify(self, notice: Notice) -> None:
        for display in self._displays:
            display.show(notice)
        self._operator.notify(notice)

    def commands(self) -> Sequence[Command]:
        for display in self._displays:
            display.tick()
        return self._operator.commands()
