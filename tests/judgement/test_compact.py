"""The compact series: whatever the length, block means are those of the readings, and no extreme is lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judgement.compact import Compact


@given(
    count=st.integers(0, 3000),
    pairs=st.sampled_from([1, 2, 4, 8]),
    cuts=st.lists(st.integers(1, 500), min_size=1, max_size=9),
)
@settings(max_examples=100, deadline=None)
def test_compact_keeps_means_and_every_extreme(count: int, pairs: int, cuts: list[int]) -> None:
    """Whatever the length: block means are those of the readings, and nothing beyond them or within is lost."""
    values, times = 5.0 + np.random.default_rng(count).normal(size=count), 3.0 + 0.5 * np.arange(count)
    one, many = Compact(pairs), Compact(pairs)
    for t, v in zip(times.tolist(), values.tolist(), strict=True):
        one.add(t, v)
    start, turn = 0, 0
    while start < count:
        stop = start + cuts[turn % len(cuts)]
        many.add_many(times[start:stop], values[start:stop])
        start, turn = stop, turn + 1
    for compact in (one, many):
        blocks = count // compact.length
        assert blocks < 2 * pairs
        whole = values[: blocks * compact.length].reshape(blocks, compact.length)
        assert compact.series()[1] == pytest.approx(whole.mean(axis=1), rel=1e-12)
        assert compact.series()[0] == pytest.approx(times[: whole.size].reshape(whole.shape).mean(axis=1), rel=1e-12)
        if count:
            _, least, greatest = compact.envelope()
            assert (least.min(), greatest.max()) == (values.min(), values.max())
            assert least[:blocks] == pytest.approx(whole.min(axis=1), rel=0)
        assert compact.count == count


def test_a_short_watch_is_kept_as_it_is() -> None:
    """255 readings are 255 blocks, which a plot shows as they are; the next one halves them."""
    compact, values = Compact(), np.arange(256.0)
    compact.add_many(values[:255], values[:255])
    assert compact.series()[1].tolist() == values[:255].tolist()
    compact.add(255.0, 255.0)
    assert compact.series()[1].tolist() == (0.5 + values[::2]).tolist()


def test_compact_of_large_values_keeps_small_changes() -> None:
    """A microvolt on ten volts over a million readings: sums are kept about the first reading."""
    compact = Compact()
    values = 10.0 + 1e-6 * (np.arange(1_000_000) % 2)
    compact.add_many(np.arange(1_000_000.0), values)
    assert compact.series()[1] == pytest.approx(10.0 + 0.5e-6, abs=1e-12)


def test_compact_one_by_one_keeps_small_changes_as_well() -> None:
    """A few 2^-22 on a 2^30, the last place there: means are good to it, as sums about the first reading are exact."""
    compact, small = Compact(), 2.0**-22 * np.random.default_rng(1).integers(0, 64, 65_536)
    for i, away in enumerate(small.tolist()):
        compact.add(float(i), 2.0**30 + away)
    means = small.reshape(-1, compact.length).mean(axis=1)
    assert compact.series()[1] - 2.0**30 == pytest.approx(means, rel=0.0, abs=2.0**-23)


def test_the_open_block_stands_where_its_readings_are() -> None:
    """By hand: six readings in blocks of four, of which two are in an open one at the mean of their times."""
    compact = Compact(1)
    for time, value in ((10.0, 1.0), (12.0, 3.0), (14.0, 2.0), (16.0, 6.0), (18.0, 0.0), (20.0, 4.0)):
        compact.add(time, value)
    assert [column.tolist() for column in compact.envelope()] == [[13.0, 19.0], [1.0, 0.0], [6.0, 4.0]]
    assert [column.tolist() for column in compact.series()] == [[13.0], [3.0]]


def test_nothing_has_no_mean() -> None:
    """Before the first reading there are no blocks, open ones neither."""
    assert [column.size for column in (*Compact().series(), *Compact().envelope())] == [0, 0, 0, 0, 0]
