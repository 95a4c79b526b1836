"""When a value stands: over a time, and told apart from noise."""

import numpy as np

from benchrig.procedure.quantities import Limits
from benchrig.readings import Reading
from benchrig.session.steady_value import recent, steady
from benchrig.session.verdicts import Value, judged, right_already

WINDOW = Limits("V", 9250.0, 9550.0, 9100.0, 9800.0)


def readings(values: object, rate: float = 23.0) -> list[Reading]:
    return [Reading(value=float(it), unit="V", time=n / rate) for n, it in enumerate(values)]  # type: ignore[call-overload]


def test_a_value_that_still_rises_does_not_stand() -> None:
    """240 V in one second, at 23 readings a second."""
    assert not steady(readings(np.linspace(9437.0, 9677.0, 24)), WINDOW)


def test_noise_without_a_trend_stands() -> None:
    """Scatter of a third of the window, whose halves agree within three standard deviations."""
    noise = np.random.default_rng(7).normal(0.0, 100.0, 24)
    assert steady(readings(9400.0 + noise - np.repeat([noise[:12].mean(), noise[12:].mean()], 12)), WINDOW)


def test_fast_readings_are_kept_over_the_whole_time() -> None:
    """Five readings of a fast meter span a fifth of a second: more are kept."""
    kept = recent(readings(range(100)), 5, 1.0)
    assert 1.0 <= kept[-1].time - kept[0].time < 1.1


def test_slow_readings_are_kept_by_their_count() -> None:
    """Five readings, one a second, though two span a second."""
    assert len(recent(readings(range(100), rate=1.0), 5, 1.0)) == 5


def test_what_still_runs_is_neither_a_pass_nor_left_alone() -> None:
    """The same value passes where it stands."""
    running, standing = Value(9400.0, 1.0, "V", stands=False), Value(9400.0, 1.0, "V")
    assert judged(standing, WINDOW, "simple").verdict == "pass"
    assert judged(running, WINDOW, "simple").verdict == "fail"
    assert judged(running, WINDOW, "simple").words == "still running"
    assert right_already(standing, WINDOW, "simple")
    assert not right_already(running, WINDOW, "simple")
