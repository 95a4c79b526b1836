"""Pictures over HTTP: whole ones, the newest ones, and everything else refused.

The form of a multipart body: RFC 2046, section 5.1.1.
"""

from __future__ import annotations

import http.client
import http.server
import random
import threading
from collections.abc import Iterator

import numpy as np
import pytest
from benchrig.drivers.camera_mjpeg import MjpegCamera, Parts, decoded
from benchrig.sim_instruments.camera_double import CameraDouble
from benchrig.sim_instruments.camera_frame import Light, Renderer, jpeg
from benchrig.sim_instruments.camera_optics import Face, Optics, Pose, Sensor
from benchrig.sim_instruments.camera_strokes import Shape, grid

from benchrig.clock import SimClock
from benchrig.errors import FrameError, InstrumentError, LinkLost, LinkTimeout, WrongInstrument
from benchrig.links.inprocess import InProcessLink

SMALL = Optics(Face(), Pose(650.0), Sensor(320, 180, focal=480.0))


@pytest.fixture
def clock() -> SimClock:
    return SimClock()


@pytest.fixture
def double(clock: SimClock) -> CameraDouble:
    return CameraDouble(clock, Renderer(SMALL), lambda: grid(Shape()), rate=10.0)


@pytest.fixture
def camera(clock: SimClock, double: CameraDouble) -> MjpegCamera:
    found = MjpegCamera(InProcessLink("sim://camera", clock, double), clock, {})
    found.identify()
    return found


def body(pictures: list[bytes], *, lengths: bool) -> bytes:
    parts = []
    for picture in pictures:
        length = f"Content-Length: {len(picture)}\r\n".encode() if lengths else b""
        parts.append(b"--edge\r\nContent-Type: image/jpeg\r\n" + length + b"\r\n" + picture + b"\r\n")
    return b"".join(parts)


@pytest.mark.parametrize("lengths", [True, False])
def test_parts_however_they_are_cut(lengths: bool) -> None:
    """With and without lengths, cut at random places: the same pictures in the same order; the last one waits."""
    rng = random.Random(5)
    pictures = [bytes([0xFF, 0xD8]) + rng.randbytes(rng.randrange(10, 400)) + bytes([0xFF, 0xD9]) for _ in range(20)]
    stream = body(pictures, lengths=lengths) + b"--edge\r\n"
    for _ in range(50):
        parts, found, at = Parts(b"edge"), [], 0
        while at < len(stream):
            step = rng.randrange(1, 120)
            parts.feed(stream[at : at + step])
            found += parts.take()
            at += step
        assert found == pictures


def test_a_boundary_announced_with_its_dashes() -> None:
    """Some servers write them into the header too."""
    parts = Parts(b"--edge")
    parts.feed(body([b"\xff\xd8x\xff\xd9"], lengths=True))
    assert parts.take() == [b"\xff\xd8x\xff\xd9"]


def test_a_picture_without_an_end_is_not_waited_for_for_ever() -> None:
    """32 MB of one part: the stream is no stream of pictures."""
    parts = Parts(b"edge")
    parts.feed(b"--edge\r\n\r\n")
    parts.feed(bytes(31 * 1024 * 1024))
    with pytest.raises(InstrumentError, match="without the end"):
        parts.feed(bytes(1024 * 1024))


def test_the_picture_handed_out_began_after_the_question(
    camera: MjpegCamera, double: CameraDouble, clock: SimClock
) -> None:
    """What waited in buffers is thrown away: after two seconds elsewhere the next picture is a new one."""
    first = camera.frame(clock.now() + 1.0)
    clock.sleep_until(clock.now() + 2.0)
    asked = clock.now()
    second = camera.frame(clock.now() + 1.0)
    assert second.time > asked
    assert second.number == first.number + 1
    assert second.digest != first.digest


def test_a_picture_cut_short_is_dropped_and_counted(camera: MjpegCamera, double: CameraDouble, clock: SimClock) -> None:
    """Half a JPEG decodes to half a picture in many programs; here it is none."""
    double.cut_short = 2
    frame = camera.frame(clock.now() + 2.0)
    assert frame.grey.shape == (180, 320)
    assert camera.dropped == 2


def test_a_camera_that_stops_sending(camera: MjpegCamera, double: CameraDouble, clock: SimClock) -> None:
    """A time-out says what to look at; a pulled cable is a lost link."""
    double._next = None
    with pytest.raises(LinkTimeout, match="app running"):
        camera.frame(clock.now() + 1.0)
    double.plugged = False
    with pytest.raises(LinkLost):
        camera.frame(clock.now() + 1.0)


def test_another_path_is_told(clock: SimClock, double: CameraDouble) -> None:
    """A web server that has no pictures there."""
    wrong = MjpegCamera(InProcessLink("sim://camera", clock, double), clock, {"path": "/elsewhere"})
    with pytest.raises(WrongInstrument, match="404"):
        wrong.identify()


@pytest.mark.parametrize("spoilt", [b"", b"\xff\xd8", b"hello", b"\xff\xd8" + bytes(300) + b"\xff\xd9"])
def test_what_is_no_jpeg_is_refused(spoilt: bytes) -> None:
    """Not one whole picture."""
    with pytest.raises(FrameError):
        decoded(spoilt)


def test_grey_codes_are_those_of_the_picture() -> None:
    """A flat grey of every tenth code comes back within a code."""
    for code in range(0, 256, 10):
        grey = decoded(jpeg(np.full((64, 64), code, np.uint8), 95))
        assert np.abs(grey.astype(int) - code).max() <= 1


class _Pictures(http.server.BaseHTTPRequestHandler):
    """Another server than ours: Python's own, sending parts without lengths."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "multipart/x-mixed-replace; boundary=edge")
        self.end_headers()
        picture = jpeg(Renderer(SMALL).picture(grid(Shape()), Light()))
        for _ in range(3):
            self.wfile.write(body([picture], lengths=False))
        self.wfile.write(b"--edge\r\n")

    def log_message(self, *arguments: object) -> None:
        pass


@pytest.fixture
def elsewhere() -> Iterator[int]:
    server = http.server.HTTPServer(("127.0.0.1", 0), _Pictures)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server.server_port
    server.shutdown()
    thread.join()
    server.server_close()


def test_the_parts_of_another_server(elsewhere: int) -> None:
    """Bytes that Python's own http.server framed and its http.client read."""
    connection = http.client.HTTPConnection("127.0.0.1", elsewhere, timeout=5)
    connection.request("GET", "/")
    answer = connection.getresponse()
    parts = Parts(answer.headers.get_boundary().encode())
    parts.feed(answer.read())
    connection.close()
    pictures = parts.take()
    assert len(pictures) == 3
    assert decoded(pictures[0]).shape == (180, 320)
