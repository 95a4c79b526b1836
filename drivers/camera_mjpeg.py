"""A camera that serves its pictures over HTTP as Motion JPEG: a phone with such an app, a network or USB camera.

The stream is `multipart/x-mixed-replace` (RFC 2046, section 5.1, for the parts; the type itself is a convention that
browsers have kept since the 1990s): after each boundary a small header and one JPEG. HTTP/1.0 is asked for, so that
no server cuts the stream into chunks.

Rules kept here: whatever waited in buffers is thrown away and the picture handed out is one that was waited for, so
its time is when its last byte came and not when somebody got round to it. A part that is no whole JPEG is dropped and
counted. Nothing is ever asked of the camera but its stream.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Mapping

import numpy as np

from benchrig.camera.frames import Frame, Grey
from benchrig.clock import Clock
from benchrig.errors import FrameError, InstrumentError, LinkTimeout, WrongInstrument
from benchrig.instruments import Identity
from benchrig.links.base import Link

_PATIENCE = 5.0  # s for the header
_MOST_HEADER = 16_384
_MOST_PART = 32 * 1024 * 1024
_HEADER = re.compile(rb"HTTP/1\.[01] .*?\r\n\r\n", re.DOTALL)
_BOUNDARY = re.compile(rb"boundary=\"?([^\";\r\n]+)", re.IGNORECASE)
_LENGTH = re.compile(rb"content-length:\s*(\d+)", re.IGNORECASE)
_SERVER = re.compile(rb"\r\nserver:\s*([^\r\n]*)", re.IGNORECASE)


class MjpegCamera:
    """A stream of pictures. The path on its server stands in the address, or in the option `path`; else "/video"."""

    def __init__(self, link: Link, clock: Clock, options: Mapping[str, str] | None = None) -> None:
        self._link = link
        self._clock = clock
        self._host, _, path = link.address.removeprefix("http://").partition("/")
        self._path = (options or {}).get("path") or (
            f"/{path}" if link.address.startswith("http://") and path else "/video"
        )
        self._buffer = b""
        self._parts = Parts(b"")
        self._number = 0
        self._identity: Identity | None = None
        self.dropped = 0

    def identify(self) -> Identity:
        """Ask for the stream and read its header. Raises WrongInstrument where it is none."""
        self._link.write(
            f"GET {self._path} HTTP/1.0\r\nHost: {self._host}\r\nAccept: multipart/x-mixed-replace\r\n\r\n".encode()
        )
        header = self._header()
        if not header and self._identity is not None:
            return self._identity
        boundary = _BOUNDARY.search(header)
        status = header.split(b"\r\n", 1)[0].decode("latin-1")
        if not re.match(r"HTTP/1\.[01] 200\b", status) or boundary is None or b"multipart/" not in header.lower():
            raise WrongInstrument(
                f"{self._link.address} answers {status!r} for {self._path!r}, which is no stream of pictures.",
                next_step='Open it in a browser; give the path of its moving pictures as options = { path = "..." }.',
            )
        self._parts = Parts(boundary[1].strip())
        self._parts.feed(self._buffer)
        self._buffer = b""
        server = _SERVER.search(header)
        self._identity = Identity(maker=server[1].decode("latin-1").strip() if server else "", model="MJPEG camera")
        return self._identity

    def restore(self) -> None:
        """Nothing is ever set."""

    def release(self) -> None:
        """Nothing was taken."""

    def frame(self, deadline: float) -> Frame:
        """The next picture whose last byte had not come before this call.

        Raises LinkTimeout at `deadline`, LinkLost, InstrumentError.
        """
        self._throw_away()
        while True:
            found = None
            while found is None:
                data = self._link.read(deadline)
                if not data:
                    raise LinkTimeout(
                        f"{self._link.address}: no picture came in time.",
                        address=self._link.address,
                        doing="wait for a picture",
                        next_step="Look at the camera: is its app running, its screen on, its network up?",
                    )
                self._parts.feed(data)
                for part in self._parts.take():
                    found = part  # of several in one piece the newest
            try:
                grey = decoded(found)
            except FrameError:
                self.dropped += 1
                continue
            self._number += 1
            digest = hashlib.blake2b(found, digest_size=16).digest()
            return Frame(grey, self._clock.now(), self._number, digest)

    def _throw_away(self) -> None:
        """Take in all that has come already and forget every whole picture in it."""
        now = self._clock.now()
        while data := self._link.read(now):
            self._parts.feed(data)
            for _ in self._parts.take():
                pass

    def _header(self) -> bytes:
        """The answer's header; empty where the stream of before goes on, as it does on a link that was never lost."""
        deadline = self._clock.now() + _PATIENCE
        while not (found := _HEADER.search(self._buffer)):
            if self._identity is not None and self._parts.mark in self._buffer:
                self._parts.feed(self._buffer)
                self._buffer = b""
                return b""
            data = self._link.read(deadline)
            if not data:
                raise LinkTimeout(
                    f"{self._link.address}: the camera's server does not answer.",
                    address=self._link.address,
                    doing="ask for pictures",
                    next_step="Look at its address and port, and open it in a browser.",
                )
            self._buffer += data
            if self._identity is None and len(self._buffer) > _MOST_HEADER:
                raise InstrumentError(
                    f"{self._link.address} sends something that is no answer of a web server.",
                    next_step="Give the address of the camera's stream.",
                )
        self._buffer = self._buffer[found.end() :]
        return found[0]


class Parts:
    """Cuts a multipart stream into its JPEGs; bytes may be cut anywhere. Pure."""

    def __init__(self, boundary: bytes) -> None:
        # some servers write the two dashes into the boundary they announce
        self.mark = b"--" + boundary.removeprefix(b"--")
        self._buffer = bytearray()

    def feed(self, data: bytes) -> None:
        """Bytes as they came."""
        self._buffer += data
        if len(self._buffer) > _MOST_PART:
            raise InstrumentError(
                "The camera sent 32 MB without the end of a picture.", next_step="Choose a smaller picture in its app."
            )

    def take(self) -> list[bytes]:
        """Every whole picture that has come; the rest waits."""
        found = []
        while (picture := self._next()) is not None:
            found.append(picture)
        return found

    def _next(self) -> bytes | None:
        start = self._buffer.find(self.mark)
        if start < 0:
            return None
        ends = self._buffer.find(b"\r\n\r\n", start)
        if ends < 0:
            return None
        body = ends + 4
        if length := _LENGTH.search(bytes(self._buffer[start:ends])):
            last = body + int(length[1])
            if len(self._buffer) < last:
                return None
        else:
            following = self._buffer.find(b"\r\n" + self.mark, body)
            if following < 0:
                return None
            last = following
        picture = bytes(self._buffer[body:last])
        del self._buffer[:last]
        return picture


def decoded(jpeg: bytes) -> Grey:
    """Grey codes of a JPEG, shape (height, width). Raises FrameError where it is not one whole JPEG."""
    from PIL import Image, UnidentifiedImageError

    if not jpeg.startswith(b"\xff\xd8") or b"\xff\xd9" not in jpeg[-64:]:
        raise FrameError("Bytes that are not one whole JPEG", frame=jpeg[:16])
    try:
        picture = Image.open(io.BytesIO(jpeg))
        picture.draft("L", picture.size)
        return np.asarray(picture.convert("L"))
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise FrameError(f"A picture that cannot be decoded ({error})", frame=jpeg[:16]) from None
