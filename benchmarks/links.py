"""Each message transport against its double on loopback: pace, a large block, and answers among bad ones.

    python benchmarks/links.py [--questions N]

Prints a row for each transport: questions a second, median of five runs made in turns with bare pyvisa-py where
that has the transport, and the ratio; right, refused and wrong answers among 1 % late, 1 % cut and 0.1 % lost far ends.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "contract"))

from test_message_links import KINDS, VISA_KINDS, Served, hostile

ROUND = 400


def pace(ask: object, count: int = ROUND) -> float:
    """Questions a second."""
    began = time.perf_counter()
    for _ in range(count):
        ask("*ESE?")  # type: ignore[operator]
    return count / (time.perf_counter() - began)


def paces(served: Served, visa: bool) -> tuple[list[float], list[float]]:
    """Ours and pyvisa-py's, in turns."""
    ours, theirs = [], []
    for _ in range(5):
        with closing((port := served.port("meter")).link):
            ours.append(pace(port.ask))
        if visa:
            import pyvisa

            with closing(pyvisa.ResourceManager("@py").open_resource(served.addresses["meter"])) as meter:
                theirs.append(pace(meter.query))
    return ours, theirs


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--questions", type=int, default=10_000)
    questions = parser.parse_args().questions
    print(f"{'transport':10}{'ours /s':>9}{'visa-py /s':>11}{'ratio':>7}{'right':>8}{'refused':>9}{'wrong':>7}")
    for kind in KINDS:
        with closing(Served(kind, "meter")) as served:
            ours, theirs = paces(served, kind in VISA_KINDS)
        with closing(Served(kind, "meter")) as served:
            found = hostile(served, questions, random.Random(11))
        other = statistics.median(theirs) if theirs else float("nan")
        mine = statistics.median(ours)
        print(
            f"{kind:10}{mine:9.0f}{other:11.0f}{mine / other:7.2f}"
            f"{found['right']:8}{found['refused']:9}{found['wrong']:7}",
            flush=True,
        )


if __name__ == "__main__":
    main()
