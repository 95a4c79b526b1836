"""The operator at the terminal passes on what was typed and decides nothing."""

import pytest

from benchrig.session.notices import Said, StepStarted
from benchrig.session.operators import Command, EntryRequest, HoldRequest, Question
from benchrig.ui.terminal import Shown, TerminalOperator

HOLD = HoldRequest(
    step="eht",
    title="EHT",
    unit_serial="SK14-0231",
    test_point="A4 TP40",
    expected="9.40 kV",
    cautions=["Lethal voltage."],
    in_place=["Isolation transformer", "Probe ground on chassis first"],
    phrase="A4 TP40 9.40 kV",
)


class Screen:
    def __init__(self):
        self.said = []
        self.shown = []
        self.suspended = 0

    def show(self, notice):
        self.shown.append(notice)

    def say(self, words, style=""):
        self.said.append(words)

    def suspend(self):
        self.suspended += 1

    def fill(self):
        self.filled = not getattr(self, "filled", False)

    def tick(self):
        pass

    def close(self):
        pass


class Keyboard:
    """Keys and lines in the order they will be typed."""

    def __init__(self, lines=(), keys=()):
        self.lines = list(lines)
        self.keys = list(keys)
        self.prompts = []

    def poll(self):
        keys, self.keys = self.keys, []
        return keys

    def line(self, prompt):
        self.prompts.append(prompt)
        return self.lines.pop(0) if self.lines else None


def person(lines=(), keys=(), **options):
    screen, keyboard = Screen(), Keyboard(lines, keys)
    return TerminalOperator("Ida", screen, keyboard, **options), screen, keyboard


def test_hold_point_shows_every_caution_and_passes_the_phrase_as_typed():
    """Judging the phrase is the hold point's work: not even blanks are trimmed here."""
    operator, screen, _ = person(["yes", "yes", " a4 tp40 9.40 kV "])
    assert operator.acknowledge(HOLD) == " a4 tp40 9.40 kV "
    assert any("Lethal voltage." in line for line in screen.said)
    assert any("A4 TP40 9.40 kV" in line for line in screen.said)


@pytest.mark.parametrize("answers", [["no"], ["yes", ""], ["yes", "y"], ["yes"], []])
def test_hold_point_is_refused_when_anything_is_not_in_place(answers):
    """Enter and `y` are not a yes, and end of input is a refusal."""
    operator, _, keyboard = person(answers)
    assert operator.acknowledge(HOLD) is None
    assert all("in place" in prompt for prompt in keyboard.prompts)


def test_a_slip_at_an_item_is_asked_again_and_never_taken_for_a_yes():
    """What is neither yes nor no neither passes a hold point nor breaks the job off."""
    operator, screen, keyboard = person(["y", "uzes", "yes", "YES ", "A4 TP40 9.40 kV"])
    assert operator.acknowledge(HOLD) == "A4 TP40 9.40 kV"
    assert screen.said.count("   Type yes or no, in full.") == 2
    assert [prompt.split(":")[0].strip() for prompt in keyboard.prompts[:-1]] == [HOLD.in_place[0]] * 3 + [
        HOLD.in_place[1]
    ]


@pytest.mark.parametrize(
    ("keys", "lines", "commands"),
    [
        ([" "], [], [Command("pause")]),
        ([" ", "p"], [], [Command("pause"), Command("resume")]),
        (["s"], ["rail is dead"], [Command("skip", "rail is dead")]),
        (["s"], ["  "], []),
        (["m"], ["pen mark at 2 o'clock"], [Command("mark", "pen mark at 2 o'clock")]),
        (["q"], ["yes"], [Command("stop")]),
        (["q"], ["no"], []),
        (["q"], [], [Command("stop")]),
        (["x", "escape"], [], []),
        ([" ", " ", " ", " "], [], [Command("pause")]),
        (["\n"] * 5, [], [Command("turned")]),
        (["s", "s", "s"], ["rail is dead", "again"], [Command("skip", "rail is dead")]),
        (list("mquit. s"), ["pasted", "yes", "no reason"], [Command("mark", "pasted")]),
    ],
)
def test_keys_become_commands(keys, lines, commands):
    """A skip without a reason is no skip; a stop asks once; a held key counts once; what asks lets nothing follow."""
    operator, _, _ = person(lines, keys)
    assert operator.commands() == commands


def test_one_key_fills_the_screen_with_large_digits_and_takes_them_off():
    operator, screen, keyboard = person([], ["f"])
    assert operator.commands() == []
    assert screen.filled
    keyboard.keys = ["f"]
    operator.commands()
    assert not screen.filled


def test_which_key_says_which_way_is_on_the_screen_when_it_is_asked_for():
    operator, screen, _ = person([], ["?"])
    operator.commands()
    assert any("." in line and "clockwise" in line and "Enter" in line for line in screen.said)


def test_practice_hands_see_keys_first():
    """A key used to turn a trimmer is not also a command."""
    used = []
    operator, _, _ = person(keys=["left", "q"], lines=["yes"], on_key=lambda key: used.append(key) or key == "left")
    assert operator.commands() == [Command("stop")]
    assert used == ["left", "q"]


def test_choices_by_number_or_word_and_again_after_nonsense():
    """A wrong answer is asked again with what is possible."""
    question = Question("look", "Centre lines?", ("separate", "merged"))
    assert person(["7", "2"])[0].choose(question) == "merged"
    assert person(["Separate"])[0].choose(question) == "separate"
    assert person([""])[0].choose(question) is None


def test_entry_is_passed_on_as_typed():
    assert person(["18.1 mm"])[0].enter(EntryRequest("size", "Tile width", "m")) == "18.1 mm"
    assert person([""])[0].enter(EntryRequest("size", "Tile width", "m")) is None


def test_shown_operator_keeps_its_nature_and_every_display_sees_every_notice():
    """A display can watch a scripted operator without becoming one."""
    operator, screen, _ = person()
    second = Screen()
    shown = Shown(operator, second)
    shown.notify(Said("s", "hello"))
    assert screen.shown == second.shown == [Said("s", "hello")]
    assert (shown.name, shown.attended, shown.acts_for_person) == ("Ida", True, False)


def test_held_arrows_all_reach_the_practice_hands():
    """There, a repeated key is a longer turn."""
    used = []
    operator, _, _ = person(keys=["left"] * 4, on_key=lambda key: used.append(key) or True)
    assert operator.commands() == []
    assert used == ["left"] * 4


def test_a_question_that_goes_on_from_the_instruction_says_only_what_is_new():
    """Once: after another question it is told whole."""
    ida, screen, _ = person(["1", "1", "1"])
    ida.notify(StepStarted("rail", "measure", "+5 V rail", "Red lead on A1 TP2.", 1, 2))
    assert ida.choose(Question("rail", "Red lead on A1 TP2. (handheld to A1 TP2)")) == "done"
    assert screen.said[0] == "   (handheld to A1 TP2)"
    del screen.said[:]
    ida.choose(Question("rail", "Red lead on A1 TP2. (handheld to A1 TP2)"))
    assert screen.said[0] == "   Red lead on A1 TP2. (handheld to A1 TP2)"
    ida.notify(StepStarted("turn", "trim", "Zero", "Turn", 2, 2))
    del screen.said[:]
    ida.choose(Question("turn", "Turned?"))
    assert screen.said[0] == "   Turned?"


def test_a_question_in_the_words_just_shown_does_not_repeat_them():
    """The instruction of a step and its question are one and the same to the person."""
    ida, screen, _ = person(["1", "1"])
    started = StepStarted("begin", "confirm", "Unit on the bench", "Covers off.", 1, 2)
    ida.notify(started)
    assert ida.choose(Question("begin", "Covers off.")) == "done"
    assert not any("Covers off." in line for line in screen.said)
    ida.notify(Said("begin", "something between"))
    assert ida.choose(Question("begin", "Covers off.")) == "done"
    assert any("Covers off." in line for line in screen.said)


EMPTY = ["", "  ", "\t"]


@pytest.mark.parametrize("empty", EMPTY)
def test_an_empty_line_is_no_answer_anywhere(empty):
    """Nothing happens and the same is asked again: a choice, a value, an item, a phrase, hands away, a reason."""
    question = Question("look", "Centre lines?", ("separate", "merged"))
    asked = [
        (lambda it: it.choose(question), ["2"], "merged"),
        (lambda it: it.enter(EntryRequest("width", "Tile width", "mm")), ["18.1 mm"], "18.1 mm"),
        (lambda it: it.hands_off("eht", "EHT is to be made safe"), ["away"], True),
        (lambda it: it.commands(), ["rail is dead"], [Command("skip", "rail is dead")]),
    ]
    for ask, lines, answer in asked:
        operator, _, keyboard = person([empty, empty, *lines], ["s"])
        assert ask(operator) == answer
        assert len(set(keyboard.prompts)) == 1
        assert len(keyboard.prompts) == 3
    operator, _, keyboard = person([empty, "yes", empty, "yes", empty, HOLD.phrase])
    assert operator.acknowledge(HOLD) == HOLD.phrase
    assert len(keyboard.prompts) == 6
    assert person([empty, "no"], ["q"])[0].commands() == []


def test_stop_is_a_word_at_every_question_and_then_the_job_is_to_stop():
    question = Question("look", "Centre lines?", ("separate", "merged"))
    for ask in (
        lambda it: it.choose(question),
        lambda it: it.enter(EntryRequest("width", "Tile width", "mm")),
        lambda it: it.acknowledge(HOLD),
    ):
        operator, _, _ = person(["Stop"])
        assert ask(operator) is None
        assert operator.commands() == [Command("stop")]
        assert operator.commands() == []
    for key in "smq":
        assert person(["stop"], [key])[0].commands() == [Command("stop")]
    assert person(["yes", "stop"])[0].acknowledge(HOLD) is None
    assert person([])[0].choose(question) is None  # nobody there: nothing more is commanded


@pytest.mark.parametrize("key", ["s", "m"])
def test_a_key_that_was_hit_by_mistake_is_taken_back_by_a_word(key):
    assert person(["back"], [key])[0].commands() == []


def test_make_safe_says_switch_off_before_it_asks_whether_it_is_off():
    hold = HoldRequest(
        "eht", "EHT", "B1", "TP40", "9.40 kV", ["Lethal voltage."], ["Switch the unit off", "Discharge"],
        "TP40 is off and discharged, probe still on", "check",
    )  # fmt: skip
    operator, screen, keyboard = person(["yes", "yes", hold.phrase])
    assert operator.acknowledge(hold) == hold.phrase
    assert screen.said[0].strip() == "MAKE SAFE: EHT at TP40"
    assert keyboard.prompts[0] == "   Switch the unit off: done? (yes/no) "
    assert screen.said[-1].startswith("   Is it off? To look at it, type exactly")
    operator, _, keyboard = person(["away"])
    assert operator.hands_off("eht", "EHT is to be made safe")
    assert "off:" not in keyboard.prompts[0]  # not yet: nobody was told to switch off
