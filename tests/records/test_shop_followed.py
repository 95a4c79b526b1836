"""The shop's record followed for the dashboard: real PostgreSQL, the bench writing through its spool."""

import time
from datetime import UTC, datetime

import numpy as np
import pytest

from benchrig.dashboard.follow import Follower
from benchrig.records import JobFacts, StepFacts, open_history, open_store
from benchrig.records.facts import Block
from benchrig.session import notices as n

AT = datetime(2026, 1, 5, 3, 12, tzinfo=UTC)


class Page:
    def __init__(self):
        self.told, self.traced = [], []

    def show(self, notice):
        self.told.append(notice)

    def trace(self, *facts):
        self.traced.append(facts)


def readings(page):
    last = page.told[-1]
    return sum(channel.readings for channel in last.channels) if isinstance(last, n.SoakMoved) else 0


def job(serial):
    return JobFacts("soak", "Burn-in", "", "", "Skerry 14", serial, "Ida", "", True, "0", "guarded")


def test_the_newest_job_of_the_shop_is_followed_whichever_bench_it_is_on(tmp_path, monkeypatch):
    """Each reading once, though blocks are joined in the spool and on the server while one looks."""
    pytest.importorskip("psycopg", reason="the test extra brings psycopg")
    from postgres_server import postgres_server

    page = Page()
    with postgres_server() as server:
        for number, serial in enumerate(("SK14-0231", "SK14-0107")):
            monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / serial))
            store = open_store(server.url)
            store.begin_job(job(serial), 100.0, AT.replace(hour=5 - number))
            row = store.begin_step(StepFacts("soak", "soak", "Eight hours", 1), 100.0, AT)
            for second in range(300 if not number else 1):
                times = 100.0 + second + np.arange(10) / 10
                store.block(row, "+12 V", Block(times, np.full(10, 12.0), np.zeros(10, np.uint32), "V"))
            store.close()
        with open_history(server.url) as history:
            follower = Follower(history, page)
            until, now = time.monotonic() + 20, 0.0
            while not page.told or readings(page) < 3000:
                assert time.monotonic() < until
                follower.look(now)
                now += 0.25
            follower.look(now)
            assert readings(page) == 3000
    started = [notice for notice in page.told if isinstance(notice, n.JobStarted)]
    assert [notice.unit_serial for notice in started] == ["SK14-0231"]
