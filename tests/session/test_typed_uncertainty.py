"""How well a typed value is known: half of its last written place each way, rectangular (JCGM 100:2008, 4.3.7)."""

import pytest

from benchrig.session.typed_value import _last_place


@pytest.mark.parametrize(
    ("typed", "unit", "place"),
    [
        ("18.0 mm", "m", 1e-4),
        ("18.0mm", "m", 1e-4),
        ("0.0 mm", "m", 1e-4),
        ("0 mm", "m", 1e-3),
        ("-7.5 mm", "m", 1e-4),
        ("9.40 kV", "V", 10.0),
        ("9.40kV", "V", 10.0),
        ("9.40e3 V", "V", 10.0),
        (".5 V", "V", 0.1),
        (" 128 counts ", "count", 1.0),
        ("0.25 turns", "deg", 3.6),
        ("20 %", "1", 0.01),
        ("0.20", "1", 0.01),
    ],
)
def test_the_last_written_place_is_the_uncertainty(typed, unit, place):
    """Also of zero, which is no more certain than its neighbours, and without the space before the unit."""
    assert _last_place(typed, unit) == pytest.approx(place / 12.0**0.5)
