"""Two readings that are to be made equal: their difference as one reading that a trim can be made to.

The difference is only as good as the worse of the two: it carries the flags of both, the age of the older, and is
unsettled where the two were taken too far apart to belong together.
"""

from __future__ import annotations

import math

from ..readings import Flag, Reading


def difference(one: Reading, other: Reading, *, apart: float = 0.5, relative: bool = False) -> Reading:
    """`one` minus `other`, in their unit; as a part of their mean (unit "1") if `relative`.

    `apart` is how many seconds may lie between the two. Raises ValueError for readings in different units.
    """
    if one.unit != other.unit:
        raise ValueError(f"{one.unit} and {other.unit} cannot be matched: measure the same quantity twice.")
    flags = one.flags | other.flags
    if abs(one.time - other.time) > apart:
        flags |= Flag.UNSETTLED
    begin = min(one.time - one.aperture, other.time - other.aperture)
    end = min(one.time, other.time)
    scale = _scale(one, other) if relative else 1.0
    known = one.value is not None and other.value is not None and scale > 0.0
    return Reading(
        value=((one.value or 0.0) - (other.value or 0.0)) / scale if known else None,
        unit="1" if relative else one.unit,
        time=end,
        flags=flags if known else flags | Flag.INVALID,
        resolution=_both(one.resolution, other.resolution, scale),
        aperture=max(0.0, end - begin),
        uncertainty=_both(one.uncertainty, other.uncertainty, scale),
    )


def _scale(one: Reading, other: Reading) -> float:
    return abs((one.value or 0.0) + (other.value or 0.0)) / 2.0


def _both(one: float | None, other: float | None, scale: float) -> float | None:
    if one is None or other is None or scale <= 0.0:
        return None
    return math.hypot(one, other) / scale
