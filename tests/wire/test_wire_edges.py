"""What framers, answers and conversations do exactly on their limits, and what they say when they refuse."""

from __future__ import annotations

import pytest

from benchrig.errors import FrameError, InstrumentError
from benchrig.wire.answers import Special, error_entry, identity, number, unquoted
from benchrig.wire.frames import FixedFrames, LineFrames
from benchrig.wire.scpi import (
    BLOCK_LIMIT,
    HEADER_LIMIT,
    LINE_LIMIT,
    STRAY_LIMIT,
    AnswerBlock,
    AnswerLine,
    Conversation,
    OutOfStep,
)

# Framers


def pair(window: bytes) -> bool:
    return window[0] + window[1] == 255


def test_any_byte_may_begin_a_frame() -> None:
    """0x00 and 0xFF too."""
    framer = FixedFrames(2, pair)
    assert framer.feed(b"\x00\xff\xff\x00\x7f\x80") == [b"\x00\xff", b"\xff\x00", b"\x7f\x80"]


def test_noise_is_counted_in_all_and_since_the_last_good_frame() -> None:
    """A frame that was begun and dropped is noise too."""
    framer = FixedFrames(2, pair)
    assert (framer.noise, framer.noise_run) == (0, 0)
    framer.feed(b"abc")
    assert (framer.noise, framer.noise_run) == (2, 2)
    framer.feed(b"\x00\xff")
    assert (framer.noise, framer.noise_run) == (3, 0)
    framer.feed(b"d")
    framer.clear()
    framer.clear()
    assert (framer.noise, framer.noise_run) == (4, 1)


def test_noise_in_lines_is_counted_in_all_and_since_the_last_good_line() -> None:
    framer = LineFrames(b"\n", limit=4)
    assert (framer.noise, framer.noise_run) == (0, 0)
    framer.feed(b"toolong\n12345\n")
    assert (framer.noise, framer.noise_run) == (12, 12)
    assert framer.feed(b"good\nab") == [b"good"]
    assert framer.noise_run == 0
    framer.clear()
    assert (framer.noise, framer.noise_run) == (14, 2)


def test_a_line_ends_with_cr_and_holds_256_bytes_unless_said_otherwise() -> None:
    framer = LineFrames()
    assert framer.feed(b"x" * 256 + b"\r" + b"y" * 257 + b"\r") == [b"x" * 256]


def test_a_line_of_just_the_limit_is_kept_while_its_end_is_awaited() -> None:
    """The limit is for the line, not for what has come of it."""
    framer = LineFrames(b"\n", limit=4)
    assert framer.feed(b"1234") == []
    assert framer.feed(b"\n") == [b"1234"]


def test_a_line_without_end_costs_no_memory_and_its_last_bytes_are_no_line() -> None:
    framer = LineFrames(b"\r\n", limit=4)
    for _ in range(100):
        framer.feed(b"x" * 10)
        assert len(framer._buffer) <= 1
    assert framer.feed(b"end\r\nnext\r\n") == [b"next"]


def test_a_cleared_framer_begins_anew() -> None:
    """Neither half a line nor the memory of one that was too long is left."""
    framer = LineFrames(b"\n", limit=4)
    framer.feed(b"ab")
    framer.clear()
    assert framer.feed(b"cd\n") == [b"cd"]
    framer.feed(b"toolong")
    framer.clear()
    assert framer.feed(b"ef\n") == [b"ef"]


# Answers


@pytest.mark.parametrize("word", ["INF", "+INF", "INFINITY", "+INFINITY", "inf", "+Infinity"])
def test_infinity_in_words_is_above_every_range(word: str) -> None:
    """SCPI-1999 vol. 1, 7.2.1.4: INFinity; makers write it with a sign too."""
    assert (number(word).value, number(word).special) == (None, Special.ABOVE)


@pytest.mark.parametrize("word", ["-INF", "NINF", "-INFINITY", "NINFINITY", "ninf"])
def test_negative_infinity_in_words_is_below_every_range(word: str) -> None:
    """SCPI-1999 vol. 1, 7.2.1.4: NINFinity."""
    assert (number(word).value, number(word).special) == (None, Special.BELOW)


@pytest.mark.parametrize("word", ["NAN", "+NAN", "-NAN", "nan", "9.911E37", "9.909E+37", "-9.91E37"])
def test_not_a_number_is_neither_above_nor_below(word: str) -> None:
    """SCPI-1999 vol. 1, 7.2.1.5; rounded as makers round it."""
    assert (number(word).value, number(word).special) == (None, Special.NONE)


def test_what_is_special_begins_at_the_threshold() -> None:
    assert number("9.8E37").special is Special.ABOVE
    assert number("9.799E37").value == 9.799e37


def test_a_blank_before_the_exponent_is_allowed() -> None:
    """IEEE 488.2 lets white space stand before the exponent (no source; harmless where it never comes)."""
    assert number("2.5E 3").value == 2500.0
    assert number("2.5E -3").value == 0.0025


@pytest.mark.parametrize("text", ['"', "'", '"ab', "ab'", "\"ab'", "", "a"])
def test_what_is_not_quoted_at_both_ends_stays_as_it_is(text: str) -> None:
    assert unquoted(text) == text


def test_two_quotes_are_an_empty_string() -> None:
    assert (unquoted('""'), unquoted("''"), unquoted('"a""b"')) == ("", "", 'a"b')


def test_an_identity_may_end_with_its_serial() -> None:
    """Firmware is left out by some."""
    assert identity("A,B,1") == ("A", "B", "1", "")
    assert identity('"A","B","C,D","E"') == ("A", "B", "C,D", "E")


@pytest.mark.parametrize(
    ("read", "text", "message", "next_step"),
    [
        (number, "1 V", "'1 V' is not a number.", "Check that the answer belongs to the question."),
        (error_entry, "x", "'x' is not an answer of the error queue.", "Check that the instrument speaks SCPI."),
        (identity, "a,b", "'a,b' is not an identity.", "Check that a SCPI instrument is at this address."),
    ],
)
def test_a_refused_answer_is_quoted_with_what_to_check(read, text: str, message: str, next_step: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InstrumentError) as refused:
        read(text)
    assert (refused.value.message, refused.value.next_step) == (message, next_step)


# Conversations


def asked(text: str = "X?", **options: bool) -> Conversation:
    talk = Conversation(**options)
    talk.ask(text)
    return talk


def test_the_limits_are_these() -> None:
    """More than 2 GiB is no record of any instrument here (common practice, no source)."""
    assert (LINE_LIMIT, HEADER_LIMIT, STRAY_LIMIT, BLOCK_LIMIT) == (33554432, 4096, 1048576, 2147483648)


def test_a_new_conversation_is_in_step_and_has_heard_nothing() -> None:
    talk = Conversation()
    assert (talk.in_step, talk.owed, talk.progress) == (True, "", (0, 0))
    assert (talk.line(), talk.block()) == (None, None)


def test_a_message_ends_with_the_terminator_that_was_chosen() -> None:
    """Also those of a mark."""
    talk = Conversation(terminator=b"\r\n")
    assert talk.tell("VOLT 1") == b"VOLT 1\r\n"
    assert talk.ask("VOLT?") == b"VOLT?\r\n"
    talk.give_up()
    assert talk.mark() == b"*ESE 1\r\n*ESE?\r\n"
    assert talk.unmark() == b"*ESE 0\r\n"


@pytest.mark.parametrize("text", ["A\nB", "A\rB", "A\n"])
def test_no_line_end_hides_in_a_message(text: str) -> None:
    with pytest.raises(ValueError, match="one message at a time"):
        Conversation().tell(text)


def test_a_message_out_of_step_is_refused_with_what_is_owed_or_what_to_do() -> None:
    talk = asked("READ?")
    assert talk.owed == "READ?"
    with pytest.raises(OutOfStep) as owed:
        talk.ask("VOLT?")
    assert owed.value.message == "'VOLT?' may not be sent: the answer to 'READ?' is owed."
    talk.give_up()
    assert (talk.owed, talk.in_step) == ("", False)
    with pytest.raises(OutOfStep) as late:
        talk.tell("VOLT 1")
    assert late.value.message == "'VOLT 1' may not be sent: a late answer may come first."
    assert late.value.next_step == "Resync."


def test_blank_lines_and_line_ends_left_over_are_no_answer_and_no_trouble() -> None:
    """Some instruments end twice."""
    talk = asked()
    talk.receive(b"\r\n \n1\r\n")
    assert talk.line() == AnswerLine("1")
    talk.receive(b"\r\n")
    assert talk.in_step
    talk.ask("Y?")
    talk.receive(b"2")
    assert talk.line() is None
    assert talk.owed == "Y?"
    talk.receive(b"\n")
    assert talk.line() == AnswerLine("2")


def test_what_is_not_ascii_and_what_is_blank_around_an_answer_is_shown_or_left_out() -> None:
    talk = asked()
    talk.receive(b"\x00\t a\xffb \r\n")
    assert talk.line() == AnswerLine("a\\xffb")


def test_a_block_ends_what_is_owed_and_the_next_question_is_free() -> None:
    talk = asked("CURV?")
    assert talk.progress == (0, 0)
    talk.receive(b"\n :CURV #15ab")
    assert talk.block() is None
    assert talk.progress == (2, 5)
    talk.receive(b"c")
    assert talk.progress == (3, 5)
    talk.receive(b"de\n")
    assert talk.block() == AnswerBlock(bytearray(b"abcde"), ":CURV")
    assert (talk.owed, talk.progress, talk.in_step) == ("", (0, 0), True)


def test_a_line_in_place_of_a_block_is_told_shortly_and_the_talk_goes_on() -> None:
    talk = asked("CURV?")
    talk.receive(b"y" * 100 + b"\n")
    with pytest.raises(FrameError) as refused:
        talk.block()
    assert f"the answer is the line {'y' * 80!r}." in refused.value.message
    assert (talk.owed, talk.in_step) == ("", True)


def test_a_line_before_the_block_is_the_answer_though_a_block_comes_after_it() -> None:
    """The # belongs to something else."""
    for before in (b"ERR\n", b"\nERR\n"):
        talk = asked("CURV?")
        talk.receive(before + b"#11x\n")
        with pytest.raises(FrameError, match="'ERR'"):
            talk.block()
        assert not talk.in_step


def test_any_number_of_blank_lines_may_come_before_a_block() -> None:
    """A line under a break looks like that."""
    talk = asked("CURV?")
    talk.receive(b"\r\n" * 5000)
    assert talk.block() is None
    talk.receive(b"\n" * 5000 + b" :CURV #11x\n")
    assert talk.block() == AnswerBlock(bytearray(b"x"), ":CURV")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"#X", "The block header is not #, a digit and a length."),
        (b"#(x)", "The block header is not #, a digit and a length."),
        (b"#(1234567890123)", "The block header is not #, a digit and a length."),
        (b"#(1234567890123", "The block header is not #, a digit and a length."),
        (b"#3a12", "The block length is not a number."),
        (b"#2a", "The block length is not a number."),
        (b"#0abc\n", "A block without a length cannot be read safely from a stream."),
        (b"#(2147483649)", "A block of 2147483649 bytes is more than 2147483648."),
        (b"z" * 4097, "No block begins within 4096 bytes."),
    ],
)
def test_a_bad_block_header_is_told_in_words_and_nothing_of_it_is_kept(data: bytes, words: str) -> None:
    talk = asked()
    talk.receive(data)
    with pytest.raises(FrameError) as refused:
        talk.block()
    assert refused.value.message.startswith(words)
    assert refused.value.frame == (data[:15] if words.startswith("The block") else b"")
    assert (talk.owed, talk.in_step) == ("", False)
    assert talk.block() is None
    talk.back_in_step()
    talk.ask("X?")
    talk.receive(b"1\n")
    assert talk.line() == AnswerLine("1")


@pytest.mark.parametrize(
    "data", [b"#", b"#2", b"#21", b"#(", b"#(12", b"#(123456789012", b"z" * 4096, b"z" * 4095 + b"#"]
)
def test_a_header_that_may_still_become_whole_is_waited_for(data: bytes) -> None:
    """Not refused, and nothing is lost."""
    talk = asked()
    talk.receive(data)
    assert talk.block() is None
    assert talk.owed == "X?"


def test_a_bracketed_length_may_have_twelve_digits() -> None:
    talk = asked()
    talk.receive(b"#(000000000003)abc\n")
    assert talk.block() == AnswerBlock(bytearray(b"abc"))


def test_lines_that_came_together_after_a_piece_are_each_found() -> None:
    """However far the search for an end had gone before; what was searched is not searched again."""
    talk = asked()
    talk.receive(b"       ")
    assert talk.line() is None
    assert talk._searched == 7
    talk.receive(b"\n1\n")
    assert talk.line() == AnswerLine("1")
    talk.give_up()
    talk.mark()
    talk.receive(b"1234567")
    assert talk.marked() is None
    talk.receive(b"\n1\n")
    assert (talk.marked(), talk.marked()) == (False, True)


def test_a_line_behind_a_block_is_no_part_of_it_and_puts_the_talk_out_of_step() -> None:
    talk = asked()
    talk.receive(b"#15ab")
    assert talk.block() is None
    talk.receive(b"cde\nstray\n")
    assert talk.block() == AnswerBlock(bytearray(b"abcde"))
    assert not talk.in_step


def test_a_block_of_just_the_limit_is_begun() -> None:
    talk = asked()
    talk.receive(b"#(2147483648)")
    assert talk.block() is None
    assert talk.progress == (0, 2147483648)


def test_a_block_that_is_given_up_is_forgotten() -> None:
    """Its late bytes are lines or noise, and a mark ends them."""
    talk = asked()
    talk.receive(b"#15ab")
    assert talk.block() is None
    talk.give_up()
    assert talk.progress == (0, 0)
    talk.mark()
    talk.receive(b"cde\n1\n")
    assert (talk.marked(), talk.marked(), talk.marked()) == (False, True, None)


def test_an_indefinite_block_is_what_stands_before_the_line_feed() -> None:
    talk = asked(indefinite=True)
    talk.receive(b":D #0")
    assert talk.block() is None
    talk.receive(b"\n")
    assert talk.block() == AnswerBlock(bytearray(), ":D")


def test_marks_count_from_1_to_251_and_begin_again() -> None:
    """`*ESE` takes 0 to 255, as counters after IEEE 488.2 say (PM6681, page 9-121); 0 is what unmarks."""
    talk = Conversation()
    found = [talk.mark() for _ in range(252)]
    assert (found[0], found[250], found[251]) == (
        b"*ESE 1\n*ESE?\n",
        b"*ESE 251\n*ESE?\n",
        b"*ESE 1\n*ESE?\n",
    )


def test_a_mark_drops_what_came_before_it() -> None:
    talk = asked()
    talk.receive(b"old\n1\n")
    talk.give_up()
    talk.mark()
    assert talk.marked() is None
    talk.receive(b"1")
    assert talk.marked() is None
    talk.receive(b"\n")
    assert talk.marked() is True


def test_noise_while_a_mark_is_awaited_costs_no_memory() -> None:
    """A line longer than the limit is dropped, and the mark behind it is still heard; one of just the limit is kept."""
    talk = Conversation()
    talk.mark()
    talk.receive(b"z" * STRAY_LIMIT)
    assert talk.marked() is None
    assert len(talk._buffer) == STRAY_LIMIT
    talk.receive(b"z")
    assert talk.marked() is None
    assert len(talk._buffer) == 0
    talk.receive(b"\n1\n")
    assert (talk.marked(), talk.marked()) == (False, True)


def test_a_line_that_ends_before_the_noise_is_kept_though_the_noise_is_longer_than_the_limit() -> None:
    """Blank or not: the answer to the mark may be that line, and the owed answer too."""
    talk = Conversation()
    talk.mark()
    talk.receive(b"\n" + b"z" * STRAY_LIMIT)
    assert talk.marked() is False
    assert len(talk._buffer) == STRAY_LIMIT
    talk = asked()
    talk.receive(b"\n" + b"z" * LINE_LIMIT)
    assert talk.owed == "X?"


def test_what_came_late_is_forgotten_once_nothing_old_can_come() -> None:
    talk = asked()
    talk.give_up()
    talk.receive(b"late\n")
    talk.back_in_step()
    assert talk.in_step
    talk.ask("Y?")
    assert talk.line() is None
