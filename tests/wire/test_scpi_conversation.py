"""A conversation keeps questions and answers together, wherever the bytes are cut and whatever comes late."""

from __future__ import annotations

import contextlib
import itertools
import os
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import BenchrigError, FrameError
from benchrig.wire.scpi import BLOCK_LIMIT, HEADER_LIMIT, LINE_LIMIT, AnswerBlock, AnswerLine, Conversation, OutOfStep

HEAVY = int(os.environ.get("BENCHRIG_HEAVY", "0"))


def cut(data: bytes, places: list[int]) -> list[bytes]:
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


def asked(text: str = "X?", **options: bool) -> Conversation:
    talk = Conversation(**options)
    assert talk.ask(text) == text.encode() + b"\n"
    return talk


@given(
    st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), min_size=1).filter(str.strip),
    st.sampled_from([b"\n", b"\r\n"]),
    st.lists(st.integers(0, 200), max_size=6),
)
def test_a_line_is_whole_wherever_it_is_cut(text: str, ending: bytes, places: list[int]) -> None:
    talk = asked()
    found = []
    for piece in cut(text.encode() + ending, places):
        talk.receive(piece)
        if (line := talk.line()) is not None:
            found.append(line)
    assert found == [AnswerLine(text.strip())]
    assert talk.owed == ""


@given(
    st.binary(max_size=300), st.sampled_from(["", ":CURVE ", "C1:WF DAT1,"]), st.lists(st.integers(0, 400), max_size=8)
)
def test_a_block_is_its_bytes_wherever_it_is_cut(payload: bytes, header: str, places: list[int]) -> None:
    """Payloads hold line feeds, # and anything else; the length alone says where they end."""
    talk = asked("CURV?")
    digits = str(len(payload))
    message = header.encode() + b"#%d" % len(digits) + digits.encode() + payload + b"\n"
    found = []
    for piece in cut(message, places):
        talk.receive(piece)
        if talk.owed and (block := talk.block()) is not None:
            found.append(block)
    assert found == [AnswerBlock(bytearray(payload), header.strip())]
    talk.ask("NEXT?")  # the terminator that is left is no answer
    talk.receive(b"\r\n42\n")
    assert talk.line() == AnswerLine("42")


def test_zero_padded_and_bracketed_lengths_are_read() -> None:
    """`#9000000003` as one oscilloscope family writes it; `#(3)` as another does from 1 GB up."""
    for header in (b"#9000000003", b"#800000003", b"#13", b"#(3)"):
        talk = asked()
        talk.receive(header + b"a\nb\n")
        assert talk.block() == AnswerBlock(bytearray(b"a\nb"))


def test_an_empty_block_is_a_block() -> None:
    talk = asked()
    talk.receive(b"#10\n")
    assert talk.block() == AnswerBlock(bytearray())


def test_a_block_without_a_length_is_refused_unless_allowed() -> None:
    talk = asked()
    talk.receive(b"#0abc\n")
    with pytest.raises(FrameError, match="without a length"):
        talk.block()
    talk = asked(indefinite=True)
    talk.receive(b"#0ab")
    assert talk.block() is None
    talk.receive(b"c\n")
    assert talk.block() == AnswerBlock(bytearray(b"abc"))


@pytest.mark.parametrize("data", [b"#Xabc\n", b"#3a12\n", b"#(x)\n", b"#(99999999999)\n", b"z" * (HEADER_LIMIT + 1)])
def test_a_bad_block_header_is_refused_and_leaves_the_conversation_out_of_step(data: bytes) -> None:
    talk = asked()
    talk.receive(data)
    with pytest.raises(FrameError):
        talk.block()
    with pytest.raises(OutOfStep):
        talk.ask("X?")


def test_a_line_where_a_block_was_asked_is_told_with_its_words() -> None:
    talk = asked("CURV?")
    talk.receive(b"+1.5E0\n")
    with pytest.raises(FrameError, match=r"\+1\.5E0"):
        talk.block()


def test_a_length_that_lies_reserves_nothing() -> None:
    talk = asked()
    talk.receive(b"#9%d" % 999_999_999)
    assert talk.block() is None
    assert talk.progress == (0, 999_999_999)
    assert BLOCK_LIMIT > 999_999_999


def test_a_line_without_end_is_refused_at_the_limit() -> None:
    talk = asked()
    for _ in range(LINE_LIMIT // (1 << 20)):
        talk.receive(b"x" * (1 << 20))
        assert talk.line() is None
    with pytest.raises(FrameError, match="without the end of a line"):
        talk.receive(b"x")
    assert not talk.in_step
    talk.receive(b"x")  # nothing is kept, so what still pours in until a mark is sent is not refused once more


def test_a_second_question_is_refused_while_an_answer_is_owed() -> None:
    talk = asked("FIRST?")
    with pytest.raises(OutOfStep, match="FIRST"):
        talk.ask("SECOND?")
    with pytest.raises(OutOfStep):
        talk.tell("VOLT 1")


def test_nothing_is_asked_after_a_timeout_until_a_mark_was_answered() -> None:
    talk = asked("READ?")
    talk.give_up()
    with pytest.raises(OutOfStep):
        talk.ask("READ?")
    assert talk.mark() == b"*ESE 1\n*ESE?\n"
    talk.receive(b"+1.2345E0\n")
    assert talk.marked() is False  # the late answer
    talk.receive(b"+1\r\n")
    assert talk.marked() is True
    talk.back_in_step()
    talk.ask("READ?")
    talk.receive(b"2\n")
    assert talk.line() == AnswerLine("2")


def test_a_line_that_nobody_asked_for_puts_the_conversation_out_of_step() -> None:
    talk = asked()
    talk.receive(b"1\n2\n")
    assert talk.line() == AnswerLine("1")
    assert not talk.in_step
    with pytest.raises(OutOfStep):
        talk.ask("X?")


def test_marks_differ_from_each_other_for_a_long_time() -> None:
    talk = Conversation()
    marks = [talk.mark() for _ in range(251)]
    assert len(set(marks)) == 251


def test_one_message_is_one_line() -> None:
    with pytest.raises(ValueError, match="one message"):
        Conversation().tell("VOLT 1\n*RST")


def test_random_bytes_raise_only_errors_of_ours_and_keep_nothing() -> None:
    """Noise, in lines and in blocks; and a good answer after a mark is still read."""
    chance = random.Random(4)
    talk = Conversation()
    for _ in range(100_000 if HEAVY else 3_000):
        talk.give_up()
        talk.mark()
        talk.back_in_step()
        talk.ask("X?")
        noise = chance.randbytes(chance.randrange(40)) if chance.random() < 0.5 else b"#" + chance.randbytes(12)
        talk.receive(noise)
        with contextlib.suppress(BenchrigError):
            _ = talk.line() if chance.random() < 0.5 else talk.block()
    talk.give_up()
    expected = talk.mark().split(b" ")[1].split(b"\n")[0]
    talk.receive(b"\n" + expected + b"\n")
    assert talk.marked() is False
    assert talk.marked() is True
