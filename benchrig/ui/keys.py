"""Single keys beside a live display, and whole lines when words are needed; the terminal is always given back.

`Keys` switches the terminal to single-key input while it is open. It restores the terminal on close, on any way
out of its `with` block, at interpreter exit, and for as long as the program is stopped with Ctrl-Z. Ctrl-C and Ctrl-Z
keep their meaning, only line buffering and echo are off.

A question is answered by what is typed after it was asked. What a held key, a paste or a cable on the keyboard left
behind answers nothing.
"""

from __future__ import annotations

import atexit
import os
import sys
from typing import Protocol, Self, TextIO

from .line_breaks import for_terminal

# Escape sequences of the arrow keys, as xterm and the Linux console send them, in normal and application mode.
_ARROWS = {"[A": "up", "[B": "down", "[C": "right", "[D": "left", "OA": "up", "OB": "down", "OC": "right", "OD": "left"}
_SHIFTED = {"[1;2A": "shift-up", "[1;2B": "shift-down", "[1;2C": "shift-right", "[1;2D": "shift-left"}
_NAMED = _ARROWS | _SHIFTED


def split_keys(text: str) -> list[str]:
    """Terminal input as key names: "left", "escape", or the character itself.

    >>> split_keys("p" + chr(27) + "[D" + "q")
    ['p', 'left', 'q']
    """
    keys = []
    while text:
        name, used = _first_key(text)
        keys.append(name)
        text = text[used:]
    return keys


def _first_key(text: str) -> tuple[str, int]:
    if text[0] != "\x1b":
        return text[0], 1
    for sequence, name in _NAMED.items():
        if text.startswith(sequence, 1):
            return name, 1 + len(sequence)
    return "escape", 1


def ask(prompt: str) -> None:
    """Write a prompt where the person sees it: never into a pipe or a file that standard output goes to."""
    stream = sys.stdout if sys.stdout.isatty() else sys.stderr
    stream.write(for_terminal(prompt, stream))
    stream.flush()


class Keys(Protocol):
    """A keyboard."""

    def poll(self) -> list[str]:
        """Keys pressed since the last call."""
        ...

    def line(self, prompt: str) -> str | None:
        """Ask for a line; None at end of input or where nobody can type."""
        ...

    def stopping(self) -> None:
        """The program is about to stand still (Ctrl-Z): the terminal is for others."""
        ...

    def going_on(self) -> None:
        """It goes on: the terminal as it was before `stopping`."""
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Self: ...

    def __exit__(self, *exc: object) -> None: ...


class NoKeys:
    """Where there is no keyboard: nothing is ever pressed, and a question gets no answer."""

    def poll(self) -> list[str]:
        return []

    def line(self, prompt: str) -> str | None:
        return None

    def stopping(self) -> None:
        """Nothing to give back."""

    def going_on(self) -> None:
        """Nothing to take."""

    def close(self) -> None:
        """Nothing to restore."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


class PosixKeys:
    """Keys of a POSIX terminal."""

    def __init__(self, terminal: TextIO) -> None:
        import termios

        self._termios = termios
        self._terminal = terminal
        self._fd = terminal.fileno()
        self._as_found = self._before = termios.tcgetattr(self._fd)
        self._asked = ""  # what is being asked, if anything is
        atexit.register(self.close)
        self._single_keys()

    def _single_keys(self) -> None:
        import tty

        tty.setcbreak(self._fd, self._termios.TCSANOW)

    def poll(self) -> list[str]:
        """Keys pressed since the last call."""
        import select

        if not select.select([self._fd], [], [], 0)[0]:
            return []
        try:
            data = os.read(self._fd, 1024)
        except OSError:
            return []
        return split_keys(data.decode("utf-8", "replace"))

    def line(self, prompt: str) -> str | None:
        """Ask for a line with the terminal as it was found; None at end of input, or where the terminal has gone."""
        try:
            self._termios.tcsetattr(self._fd, self._termios.TCSAFLUSH, self._as_found)
            self._asked = prompt
            try:
                ask(prompt)
                typed = self._terminal.readline()
            finally:
                self._asked = ""
                self._single_keys()
        except (OSError, self._termios.error):
            return None
        return typed.removesuffix("\n") if typed else None

    def stopping(self) -> None:
        """As found, until `going_on`."""
        self._before = self._termios.tcgetattr(self._fd)
        self._give_back()

    def going_on(self) -> None:
        """Single keys, or a line if one was being typed, as before `stopping`; the question is asked anew."""
        self._termios.tcsetattr(self._fd, self._termios.TCSANOW, self._before)
        if self._asked:
            ask(self._asked)

    def _give_back(self) -> None:
        self._termios.tcsetattr(self._fd, self._termios.TCSADRAIN, self._as_found)

    def close(self) -> None:
        """Give the terminal back as it was found. Safe to call twice."""
        atexit.unregister(self.close)
        try:
            self._give_back()
        except self._termios.error:  # the terminal itself has gone
            return

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


class WindowsKeys:
    """Keys of a Windows console. Not tried on a real one."""

    _ARROWS = {"H": "up", "P": "down", "M": "right", "K": "left"}  # noqa: RUF012  # second byte after 0x00 or 0xE0

    def poll(self) -> list[str]:
        import msvcrt

        keys = []
        while msvcrt.kbhit():  # type: ignore[attr-defined]
            character = msvcrt.getwch()  # type: ignore[attr-defined]
            if character in "\x00\xe0":
                keys.append(self._ARROWS.get(msvcrt.getwch(), "escape"))  # type: ignore[attr-defined]
            else:
                keys.append(character)
        return keys

    def line(self, prompt: str) -> str | None:
        try:
            return input(prompt)
        except EOFError:
            return None

    def stopping(self) -> None:
        """Consoles do not stop programs."""

    def going_on(self) -> None:
        """Nothing to take."""

    def close(self) -> None:
        """Nothing to restore."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def open_keys(terminal: TextIO | None = None) -> Keys:
    """Keys of the terminal at standard input, or `NoKeys` where that is no terminal."""
    terminal = terminal or sys.stdin
    if not terminal or not terminal.isatty():
        return NoKeys()
    return WindowsKeys() if os.name == "nt" else PosixKeys(terminal)
