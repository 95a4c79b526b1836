"""A simulated camera that serves Motion JPEG over HTTP: bytes of requests in, a stream of pictures out.

It draws what its tube shows at the moment of each exposure. Faults of a camera on a real bench are calls: it freezes,
changes its exposure, is pushed, sends pictures that are cut short.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from benchrig.clock import Clock

from .camera_frame import Film, Light, Renderer, jpeg
from .camera_optics import Pose
from .camera_strokes import Stroke

PRINTER = 0.0012  # of a length: what a laser printer's paper and drum are off by (common practice, no source)
_BOUNDARY = "frame-by-frame"


class CameraDouble:
    """One camera before one tube. `strokes()` gives what glows now; `film` True while the film of dots lies on."""

    def __init__(
        self,
        clock: Clock,
        renderer: Renderer,
        strokes: Callable[[], Sequence[Stroke]],
        *,
        rate: float = 15.0,
        quality: int = 80,
        light: Light | None = None,
    ) -> None:
        self.plugged = True
        self.film: Film | None = None
        self.error = 0.0  # of the scale at which its film was printed, as a part of what printers are off by
        self.light = light or Light()
        self.frozen = False
        self.cut_short = 0
        self._clock = clock
        self._renderer = renderer
        self._strokes = strokes
        self._period = 1.0 / rate
        self._quality = quality
        self._asked = b""
        self._out = b""
        self._next: float | None = None
        self._last = b""

    def receive(self, data: bytes) -> None:
        """Bytes of a request."""
        self._asked += data
        if b"\r\n\r\n" not in self._asked:
            return
        request, self._asked = self._asked.split(b"\r\n\r\n", 1)
        path = request.split(b" ")[1] if request.count(b" ") > 1 else b""
        if path != b"/video":
            self._out += b"HTTP/1.0 404 Not Found\r\nServer: sim-camera\r\nContent-Length: 0\r\n\r\n"
            return
        self._out += (
            b"HTTP/1.0 200 OK\r\nServer: sim-camera\r\nContent-Type: multipart/x-mixed-replace; "
            b"boundary=" + _BOUNDARY.encode() + b"\r\n\r\n"
        )
        self._next = self._clock.now() + self._period

    def due(self) -> float | None:
        """When the next bytes are ready."""
        return self._clock.now() if self._out else self._next

    def take(self) -> bytes:
        """Bytes ready now; a picture is exposed at the moment it is taken."""
        now = self._clock.now()
        if self._next is not None and now >= self._next:
            self._out += self._part()
            missed = int((now - self._next) / self._period)  # a camera drops what nobody took
            self._next += (missed + 1) * self._period
        out, self._out = self._out, b""
        return out

    def reset(self) -> None:
        """As after its app was started again."""
        self._asked = self._out = b""
        self._next = None
        self.frozen = False

    def push(self, pan: float = 0.0, tilt: float = 0.0, aim: tuple[float, float] = (0.0, 0.0)) -> None:
        """Somebody knocks against the tripod: degrees, and mm by which it aims elsewhere."""
        optics = self._renderer.optics
        pose: Pose = optics.pose
        aimed = (pose.aim[0] + aim[0], pose.aim[1] + aim[1])
        moved = replace(pose, pan=pose.pan + pan, tilt=pose.tilt + tilt, aim=aimed)
        self._renderer = Renderer(replace(optics, pose=moved), self._renderer.screen, self._renderer.corner_marks)

    def _printed(self, film: Film) -> Film:
        scale = 1.0 + self.error * PRINTER
        return replace(film, stretch=(scale, scale))

    def _part(self) -> bytes:
        if not (self.frozen and self._last):
            frame = (
                self._renderer.film(self._printed(self.film), self.light)
                if self.film is not None
                else self._renderer.picture(self._strokes(), self.light)
            )
            self._last = jpeg(frame, self._quality)
        picture = self._last
        if self.cut_short > 0:
            self.cut_short -= 1
            picture = picture[: len(picture) // 2]
        head = f"--{_BOUNDARY}\r\nContent-Type: image/jpeg\r\nContent-Length: {len(picture)}\r\n\r\n"
        return head.encode() + picture + b"\r\n"
