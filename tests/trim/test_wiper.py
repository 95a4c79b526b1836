"""One stretch of turning and the wiper: swings that no hand makes are its own, false starts are not."""

import math
import random

import pytest

from benchrig.readings import Reading
from benchrig.trim import estimate
from benchrig.trim.faults import jumps, swings
from benchrig.trim.types import Goal


@pytest.mark.parametrize(
    ("values", "ways"),
    [
        ([], ()),
        ([1.0, 1.1, 0.9], ()),
        ([0.0, 1.0, 2.0, 3.0], (1.0,)),
        ([0.0, 1.0, 2.0, 1.5, 3.0], (1.0,)),
        ([0.0, 5.0, 1.0, 6.0], (1.0, -1.0, 1.0)),
        ([0.0, -1.0, -2.0, 3.0], (-1.0, 1.0)),
    ],
)
def test_only_a_swing_beyond_the_least_is_one(values, ways):
    """Worked by hand, with a least swing of 0.9."""
    assert swings(values, 0.9) == ways


@pytest.mark.parametrize(
    ("values", "knows", "found"),
    [
        ([0.0, 1.0, 2.0, 3.0], True, 0),
        ([0.0, -2.0, -3.0], False, 0),
        ([0.0, -2.0, 3.0], False, 0),
        ([0.0, -2.0, 3.0], True, 1),
        ([0.0, 5.0, 1.0], False, 1),
        ([0.0, 5.0, 1.0, 6.0], True, 2),
        ([0.0, -2.0, 3.0, 0.0], False, 1),
    ],
)
def test_a_false_start_is_the_persons_and_any_other_swing_the_wipers(values, knows, found):
    """Told to turn up; a hand that had found the way before makes no false start."""
    assert jumps(values, 1.0, 0.9, knows=knows) == found


def test_the_noise_found_is_the_true_one_for_normal_readings():
    """Cutting at three medians leaves no bias: within 3 % of the truth over 200 rows of 30 readings."""
    rng = random.Random(5)
    found = []
    for _ in range(200):
        row = [rng.gauss(0.0, 1.0) for _ in range(32)]
        differences = [abs(a - 2.0 * b + c) for a, b, c in zip(row, row[1:], row[2:], strict=False)]
        found.append(estimate.noise(differences, 0.0, 0.0) ** 2)
    assert math.sqrt(sum(found) / len(found)) == pytest.approx(1.0, abs=0.03)


def test_noise_that_few_readings_showed_needs_more_room():
    """With n differences worth n / 1.94 free ones; Student's 99.9 % point, 10 free: 4.144 (tables) against 3.090."""
    assert estimate.widened(1.0, 10) == pytest.approx(4.144 / 3.090, rel=0.02)
    assert estimate.widened(1.0, 4) == pytest.approx(7.173 / 3.090, rel=0.05)
    goal = Goal(0.0, -1.0, 1.0, "V")
    row = [Reading(0.3 + 0.2 * (-1) ** i, "V", 0.2 * i) for i in range(8)]
    assert estimate.surely_inside(row, 0.2, 1000, goal)
    assert not estimate.surely_inside(row, 0.2, 2 / 1.94, goal)
