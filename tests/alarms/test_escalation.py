"""When an alarm is told, and when not: the machine alone, second by second."""

import os
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.alarms.escalation import (
    MOST_BEYOND,
    MOST_OPEN,
    OVERFLOW,
    Acknowledged,
    AlarmState,
    AlarmTaken,
    AlarmTick,
    Cleared,
    Gone,
    Policy,
    Raised,
    Show,
    Tell,
    step,
)  # fmt: skip

HEAVY = bool(os.environ.get("BENCHRIG_HEAVY"))
START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


class Run:
    """The machine with a clock beside it, and what it told."""

    def __init__(self, **policy):
        self.state = AlarmState(Policy(**policy))
        self.now = 0.0
        self.effects = []

    def take(self, event):
        self.state, effects = step(self.state, event, self.now)
        self.effects += effects
        return effects

    def raise_(self, key="tp1", severity="warning", title="TP1 low", loud=False):
        return self.take(Raised(key, severity, title, "", "SK14-0231", key, self.stamp, loud))

    @property
    def stamp(self):
        return START + timedelta(seconds=self.now)

    def wait(self, seconds, step=1.0):
        until = self.now + seconds
        while self.now < until:
            self.now += step
            self.take(AlarmTick(self.stamp))

    @property
    def told(self):
        return [effect.alarm for effect in self.effects if isinstance(effect, Tell)]

    def of(self, kind):
        return [effect for effect in self.effects if isinstance(effect, kind)]


def test_an_alarm_is_told_at_once_and_again_until_somebody_takes_note():
    run = Run(repeat=300.0)
    run.raise_()
    assert [it.number for it in run.told] == [1]
    run.wait(901.0)
    assert [it.number for it in run.told] == [1, 2, 3, 4]
    run.take(Acknowledged("tp1"))
    run.wait(3600.0)
    assert len(run.told) == 4


def test_it_is_told_until_then_also_where_the_trouble_has_gone_by_itself():
    """A drop-out at 03:12 is still told at 07:00."""
    run = Run(repeat=300.0)
    run.raise_()
    run.take(Cleared("tp1"))
    run.wait(301.0)
    assert [(it.number, it.active) for it in run.told] == [(1, True), (2, False)]
    run.take(Acknowledged())
    assert run.state.open == {}


def test_acknowledged_it_stays_open_as_long_as_the_trouble_is_there():
    run = Run()
    run.raise_()
    run.take(Acknowledged("tp1"))
    assert run.state.open["tp1"].acknowledged
    assert run.take(Cleared("tp1"))[0] == Gone(run.told[0].__class__(**{**_fields(run.told[0]), "active": False}), True)
    assert run.state.open == {}


def _fields(alarm):
    return {name: getattr(alarm, name) for name in alarm.__slots__}


def test_raised_at_every_reading_it_is_one_alarm():
    """Ten readings a second out of window: one telling, and a count."""
    run = Run(repeat=300.0)
    for _ in range(100):
        run.raise_()
        run.wait(0.1, step=0.1)
    assert len(run.told) == 1
    assert run.state.open["tp1"].alarm.count == 100


def test_a_chattering_contact_is_told_once_in_each_quiet_time():
    """In and out each second for ten minutes: folded, counted, never silent for longer than `quiet`."""
    run = Run(repeat=3600.0, quiet=60.0)
    for _ in range(300):
        run.raise_()
        run.wait(1.0)
        run.take(Cleared("tp1"))
        run.wait(1.0)
    assert 9 <= len(run.told) <= 11
    assert run.told[-1].count > 250


def test_raised_anew_soon_after_it_was_acknowledged_and_gone_it_is_late_but_told():
    run = Run(quiet=60.0)
    run.raise_()
    run.take(Acknowledged())
    run.take(Cleared("tp1"))
    run.wait(5.0)
    run.raise_()
    assert len(run.told) == 1
    run.wait(56.0)
    assert len(run.told) == 2
    assert run.told[1].id != run.told[0].id


def test_worse_than_it_was_it_is_told_at_once_and_wants_a_new_acknowledgement():
    run = Run()
    run.raise_(severity="warning")
    run.take(Acknowledged())
    run.raise_(severity="stop")
    assert [it.severity for it in run.told] == ["warning", "stop"]
    run.raise_(severity="warning")
    assert run.state.open["tp1"].alarm.severity == "stop"


def test_what_should_have_made_it_safe_has_failed_louder():
    """Severity up, told at once, and at shorter intervals."""
    run = Run(repeat=300.0, loud_repeat=30.0)
    run.raise_(severity="warning")
    run.take(Acknowledged())
    run.raise_(severity="stop", loud=True)
    run.wait(91.0)
    assert [(it.severity, it.loud) for it in run.told] == [("warning", False)] + [("stop", True)] * 4


@pytest.mark.parametrize("severity", ["warning", "stop"])
def test_no_storm_whatever_is_raised(severity):
    """A hundred alarms in one minute: never more tellings than the cap, and then one summary names the rest."""
    run = Run(per_minute=6, repeat=3600.0)
    for i in range(100):
        run.raise_(f"k{i}", severity, f"channel {i}")
        run.wait(0.5, step=0.5)
    run.wait(120.0)
    if severity == "warning":
        assert len(run.told) <= 12
    else:
        assert len(run.told) <= 6 + 50 / 5 + 6  # a new stop waits at most URGENT for its summary
    words = " ".join(f"{it.title} {it.words}" for it in run.told)
    counted = sum(int(it.title.split()[0]) if it.key == "summary" else 1 for it in run.told)
    assert counted == 100
    assert "channel 0" in words


def test_a_new_stop_is_not_held_back_by_a_full_minute():
    run = Run(per_minute=3, repeat=3600.0)
    for i in range(3):
        run.raise_(f"k{i}")
    run.wait(6.0)
    run.raise_("ehv", "stop", "EHT above its ceiling")
    assert "EHT above its ceiling" in run.told[-1].words


def test_everything_due_at_once_is_one_singles_and_a_summary():
    run = Run(per_minute=4, repeat=60.0)
    for i in range(10):
        run.raise_(f"k{i}", "warning", f"channel {i}")
    run.wait(61.0)
    minute = [it for it in run.told if it.key == "summary"]
    assert minute
    assert len(run.told) <= 8


def test_keys_without_end_are_folded_into_one():
    run = Run()
    for i in range(MOST_OPEN + 50):
        run.raise_(f"k{i}")
    assert len(run.state.open) == MOST_OPEN + 1
    assert run.state.open[OVERFLOW].alarm.count == 50


def many(**policy):
    """More alarms than may be open, and all of them acknowledged."""
    run = Run(**policy)
    for i in range(MOST_OPEN + 50):
        run.raise_(f"k{i}")
    run.wait(600.0)
    run.take(Acknowledged(None))
    run.effects.clear()
    return run


def test_something_new_beyond_the_most_is_told_although_the_rest_was_taken_note_of():
    """The same again is not news; another is, on the screen at once and to the callers within the quiet time."""
    run = many(quiet=60.0)
    run.raise_(f"k{MOST_OPEN + 7}")
    run.wait(400.0)
    assert run.told == []
    run.raise_("another", title="EHT gone")
    run.wait(61.0)
    assert [(it.key, it.title) for it in run.told] == [
        (OVERFLOW, f"More than {MOST_OPEN} alarms at once; newest: EHT gone")
    ]
    assert run.of(Show)


def test_what_stands_for_many_is_gone_when_all_of_them_are():
    run = many()
    for i in range(MOST_OPEN, MOST_OPEN + 49):
        run.take(Cleared(f"k{i}"))
    assert OVERFLOW in run.state.open
    run.take(Cleared(f"k{MOST_OPEN + 49}"))
    assert OVERFLOW not in run.state.open
    assert run.state.beyond == frozenset()


def test_keys_beyond_are_remembered_within_bounds():
    run = Run()
    for i in range(MOST_OPEN + MOST_BEYOND + 50):
        run.raise_(f"k{i}")
    assert len(run.state.beyond) == MOST_BEYOND
    assert len(run.state.open) == MOST_OPEN + 1


def test_the_screen_sees_each_alarm_at_once_whatever_the_cap():
    run = Run(per_minute=1)
    for i in range(20):
        run.raise_(f"k{i}")
    assert len(run.of(Show)) == 20


def test_the_screen_sees_an_alarm_once_where_its_coming_back_and_its_repeat_meet():
    run = Run(repeat=300.0, quiet=60.0)
    run.raise_()
    run.take(Cleared("tp1"))
    run.wait(61.0)
    shown = len(run.of(Show))
    run.raise_()
    assert [effect.alarm.number for effect in run.of(Show)[shown:]] == [2]


def test_acknowledging_names_what_was_taken():
    run = Run()
    run.raise_("a")
    run.raise_("b")
    assert [effect.alarm.key for effect in run.take(Acknowledged("b")) if isinstance(effect, AlarmTaken)] == ["b"]
    assert [effect.alarm.key for effect in run.take(Acknowledged())] == ["a"]
    assert run.take(Acknowledged()) == ()


def test_what_is_well_needs_no_clearing():
    assert Run().take(Cleared("tp1")) == ()


KEYS = st.sampled_from(["a", "b", "c", "d"])
EVENTS = st.one_of(
    st.tuples(st.just("raise"), KEYS, st.sampled_from(["warning", "stop"]), st.booleans()),
    st.tuples(st.just("clear"), KEYS),
    st.tuples(st.just("acknowledge"), st.one_of(st.none(), KEYS)),
    st.tuples(st.just("wait"), st.sampled_from([1.0, 20.0, 100.0])),
)


@settings(max_examples=2_000 if HEAVY else 60, deadline=None)
@given(st.lists(EVENTS, max_size=60), st.integers(1, 6), st.sampled_from([0.0, 30.0, 300.0]))
def test_whatever_happens_nothing_is_lost_and_nothing_storms(events, per_minute, quiet):
    """Every telling has its own id; never more of them in a minute than the cap and the summaries that a new stop may
    ask for; what nobody took note of is told again within a repeat and a minute; what somebody did is not told."""
    run = Run(repeat=120.0, loud_repeat=30.0, quiet=quiet, per_minute=per_minute)
    when = []

    def told_now(effects):
        when.extend(run.now for effect in effects if isinstance(effect, Tell))

    def ticked(seconds):
        for _ in range(round(seconds)):
            run.now += 1.0
            told_now(run.take(AlarmTick(run.stamp)))

    for event in events:
        match event:
            case ("raise", key, severity, loud):
                told_now(run.raise_(key, "stop" if loud else severity, key, loud))
            case ("clear", key):
                run.take(Cleared(key))
            case ("acknowledge", key):
                run.take(Acknowledged(key))
            case ("wait", seconds):
                ticked(seconds)
    ids = [it.id for it in run.told]
    assert len(set(ids)) == len(ids)
    assert all(sum(at <= other < at + 60.0 for other in when) <= per_minute + 13 for at in when)
    before = {key: it.alarm.number for key, it in run.state.open.items()}
    ticked(120.0 + 60.0 + quiet)
    for key, it in run.state.open.items():
        assert (it.alarm.number == before[key]) if it.acknowledged else (it.alarm.number > before[key])
