"""The 346 bytes of a WAVEDESC block (public template LECROY_2_3)."""

from __future__ import annotations

import struct

from .scope_record import ScopeRecord

LENGTH = 346
_COUPLING = {"DC": 2, "AC": 4, "GND": 1}  # D1M, A1M, ground


def descriptor(
    record: ScopeRecord,
    channel: int,
    *,
    first: int,
    step: int,
    wide: bool,
    low_first: bool,
    sent: int,
    maker: str,
    timebase: float,
) -> bytes:
    """The block for `sent` points from `first`, every `step`th; every number in the order that `low_first` says.

    `gain` and `offset` are such that volts = code * gain - offset.
    """
    order = "<" if low_first else ">"
    block = bytearray(LENGTH)
    setting, size = record.inputs[channel].channel, 2 if wide else 1
    gain = setting.scale / record.geometry.per_division / (256 if wide else 1)

    def put(at: int, form: str, value: float | bytes) -> None:
        struct.pack_into(order + form, block, at, value)

    put(0, "16s", b"WAVEDESC")
    put(16, "16s", b"LECROY_2_3")
    put(32, "h", int(wide))
    put(34, "h", int(low_first))
    put(36, "i", LENGTH)
    put(60, "i", sent * size)
    put(76, "16s", maker.encode())
    put(116, "i", sent)
    put(120, "i", record.geometry.points)
    put(124, "i", 0)
    put(128, "i", sent - 1)
    put(132, "i", first)
    put(136, "i", step)
    put(144, "i", 1)
    put(156, "f", gain)
    put(160, "f", -setting.centre)
    put(164, "f", 127 * (256 if wide else 1))
    put(168, "f", -128 * (256 if wide else 1))
    put(172, "h", 8)
    put(176, "f", step / record.rate)
    put(180, "d", record.first + first / record.rate)
    put(196, "48s", b"V")
    put(244, "48s", b"S")
    put(312, "f", timebase * record.geometry.across)
    put(326, "h", _COUPLING[setting.coupling])
    put(328, "f", setting.probe)
    put(334, "h", int(setting.limited))
    put(344, "h", channel - 1)
    return bytes(block)
