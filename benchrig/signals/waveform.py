"""A record of volts at equal steps of time, as the converter gave it.

Rules of this module:

- What is not a record (no samples, one sample, NaN, a step of time that does not advance) is refused when it is made,
  so that nothing downstream has to ask again.
- Codes stay integers. Volts are made from them only where somebody asks for volts.
- A record knows what its numbers cannot show: that the converter was driven to its limits (`clipped`), and that the
  scope was not triggered but forced (`triggered`).
- The samples are shared with the caller's array where possible and cannot be written through a record.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import SignalError

_LARGEST = 1e30  # V; nothing on Earth has it, and powers of it stay inside a double


class Waveform:
    """Samples at equal steps of time: `volts[k]` belongs to `start + k * interval`.

    volts              shape (n,), n >= 2, finite; volts at the probe tip
    interval           seconds between samples, > 0
    start              seconds of the first sample; scopes count from the trigger
    triggered          False where the scope gave a record without a trigger (auto sweep, forced trigger)
    timebase_accuracy  relative limit of error of the time axis, taken as rectangular: 50e-6 for a scope of 50 ppm.
                       0.0 (an ideal or unknown timebase) adds nothing to the uncertainty of times.

    Raises SignalError for anything that is not such a record. Use `from_codes` for converter codes.
    """

    __slots__ = (
        "_clipped",
        "_integer",
        "_samples",
        "code_limits",
        "interval",
        "offset",
        "scale",
        "start",
        "timebase_accuracy",
        "triggered",
    )

    def __init__(
        self,
        volts: ArrayLike,
        interval: float,
        start: float = 0.0,
        *,
        triggered: bool = True,
        timebase_accuracy: float = 0.0,
    ) -> None:
        samples = _one_row(_as_numbers(volts), "volts")
        floats = np.asarray(samples, dtype=np.float64)
        bad = int(floats.size - np.count_nonzero(np.isfinite(floats)))
        if bad:
            where = int(np.argmin(np.isfinite(floats)))
            raise SignalError(
                f"{bad} of {floats.size} samples are not finite; the first, at index {where}, is {floats[where]}.",
                next_step="Take the record again; leave out samples that the instrument did not fill.",
            )
        _refuse_beyond(max(abs(float(floats.min())), abs(float(floats.max()))))
        self._keep(floats, interval, start, triggered, timebase_accuracy)
        self._integer = False
        self._clipped: bool | None = False
        self.scale = 1.0
        self.offset = 0.0
        self.code_limits: tuple[int, int] | None = None

    @classmethod
    def from_codes(
        cls,
        codes: ArrayLike,
        scale: float,
        offset: float,
        interval: float,
        start: float = 0.0,
        *,
        code_limits: tuple[int, int] | None = None,
        triggered: bool = True,
        timebase_accuracy: float = 0.0,
    ) -> Waveform:
        """A record of converter codes: volts = codes * scale + offset, made only when asked for.

        codes        shape (n,), n >= 2, any integer type; kept as they are
        scale        volts per code, not 0 (negative for an inverted channel)
        offset       volts at code 0
        code_limits  lowest and highest code the converter gives: a sample there is clipped. Without them the limits of
                     an 8- or 16-bit type are taken, and wider types count as never clipped.

        Raises SignalError for anything that is not such a record.
        """
        samples = _one_row(_as_numbers(codes), "codes")
        if samples.dtype.kind not in "iu":
            raise SignalError(
                f"Codes must be integers, but these are {samples.dtype}.",
                next_step="Give volts to Waveform(volts, ...).",
            )
        if not math.isfinite(scale) or scale == 0.0 or not math.isfinite(offset):
            raise SignalError(
                f"Volts per code {scale!r} and offset {offset!r} do not turn codes into volts.",
                next_step="Read the scaling again with the record.",
            )
        _refuse_beyond(max(abs(scale) * float(np.iinfo(samples.dtype).max), abs(offset)))
        made = cls.__new__(cls)
        made._keep(samples, interval, start, triggered, timebase_accuracy)
        made._integer = True
        made._clipped = None
        made.scale = float(scale)
        made.offset = float(offset)
        made.code_limits = _limits(code_limits, samples.dtype)
        return made

    def _keep(self, samples: NDArray[Any], interval: float, start: float, triggered: bool, accuracy: float) -> None:
        if not math.isfinite(interval) or interval <= 0.0:
            raise SignalError(
                f"The sample interval is {interval!r} s; it must be above 0.", next_step="Read the timebase again."
            )
        if not math.isfinite(start):
            raise SignalError(f"The record starts at {start!r} s.", next_step="Read the timebase again.")
        if not 0.0 <= accuracy < 1.0:
            raise SignalError(
                f"The timebase accuracy is {accuracy!r}; it must be from 0 to below 1.",
                next_step="Give it as a fraction: 50e-6 for 50 ppm.",
            )
        self._samples = samples.view()
        self._samples.flags.writeable = False
        self.interval = float(interval)
        self.start = float(start)
        self.triggered = bool(triggered)
        self.timebase_accuracy = float(accuracy)

    def __len__(self) -> int:
        return int(self._samples.size)

    def __repr__(self) -> str:
        kind = self._samples.dtype if self._integer else "volts"
        return f"<Waveform {len(self)} x {self.interval:.6g} s from {self.start:.6g} s, {kind}>"

    @property
    def samples(self) -> NDArray[Any]:
        """The codes of a record made from codes, else the volts: shape (n,), read-only. Volts are
        `samples * scale + offset` for both.
        """
        return self._samples

    @property
    def codes(self) -> NDArray[Any] | None:
        """The converter codes, shape (n,), read-only; None for a record made from volts."""
        return self._samples if self._integer else None

    @property
    def volts(self) -> NDArray[np.float64]:
        """Volts, shape (n,); for a record of codes a new array at each call."""
        if not self._integer:
            return self._samples
        volts = self._samples.astype(np.float64)
        volts *= self.scale
        volts += self.offset
        return volts

    @property
    def times(self) -> NDArray[np.float64]:
        """Seconds of each sample, shape (n,); a new array at each call."""
        times = np.arange(len(self), dtype=np.float64)
        times *= self.interval
        times += self.start
        return times

    @property
    def duration(self) -> float:
        """Seconds from the first sample to the last."""
        return (len(self) - 1) * self.interval

    @property
    def clipped(self) -> bool:
        """True if a code stands at a limit of the converter. Records of volts have no limits and are never clipped."""
        if self._clipped is None:
            self._clipped = self._touches_limits()
        return self._clipped

    def _touches_limits(self) -> bool:
        if self.code_limits is None:
            return False
        low, high = self.code_limits
        return int(self._samples.min()) <= low or int(self._samples.max()) >= high


def _refuse_beyond(largest: float) -> None:
    if largest > _LARGEST:
        raise SignalError(f"The record reaches {largest:.3g} V.", next_step="Read the scaling again with the record.")


def _as_numbers(values: ArrayLike) -> NDArray[Any]:
    try:
        array = np.asarray(values)
    except ValueError as error:  # rows of unequal length, for one
        raise SignalError(f"The samples are not a row of numbers: {error}", next_step="Give one channel.") from error
    if array.dtype.kind not in "iuf":
        raise SignalError(f"Samples of type {array.dtype} are not real numbers.", next_step="Give integers or floats.")
    return array


def _one_row(samples: NDArray[Any], what: str) -> NDArray[Any]:
    if samples.ndim != 1:
        raise SignalError(
            f"The {what} have shape {samples.shape}; a record is one row.", next_step="Give one channel at a time."
        )
    if samples.size < 2:
        raise SignalError(
            f"The record has {samples.size} samples; at least 2 are needed.", next_step="Take a longer record."
        )
    return samples


def _limits(given: tuple[int, int] | None, dtype: np.dtype[Any]) -> tuple[int, int] | None:
    if given is not None:
        low, high = given
        if low >= high:
            raise SignalError(f"Code limits {low} and {high} are upside down.", next_step="Give (lowest, highest).")
        return int(low), int(high)
    if dtype.itemsize <= 2:
        return int(np.iinfo(dtype).min), int(np.iinfo(dtype).max)
    return None
