"""The bars themselves, as data: what is promised, which figure shows it, and what that figure has to be.

A bar names its source, a figure of that source (a number, or cells that must all hold) and its limit; figures beside
it, such as counts, are shown and not judged.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limit:
    words: str
    holds: Callable[[float], bool]


def at_most(limit: float, unit: str = "") -> Limit:
    return Limit(f"at most {limit:g}{unit}", lambda value: value <= limit)


def at_least(limit: float, unit: str = "") -> Limit:
    return Limit(
        f"at least {limit:,g}{unit}" if limit < 1e5 else f"at least {limit:,.0f}{unit}", lambda it: it >= limit
    )


def below(limit: float, unit: str = "") -> Limit:
    return Limit(f"below {limit:g}{unit}", lambda value: value < limit)


def between(low: float, high: float, unit: str = "") -> Limit:
    return Limit(f"{low:g} to {high:g}{unit}", lambda value: low <= value <= high)


NONE = Limit("none", lambda value: value == 0)
ALL_PASS = Limit("every test passes", lambda failed: failed == 0)


@dataclass(frozen=True, slots=True)
class Bar:
    what: str
    source: str
    figure: str
    limit: Limit
    unit: str = ""
    beside: tuple[str, ...] = ()


COUNTS = ("passed", "skipped")


def passes(what: str, source: str, *beside: str) -> Bar:
    return Bar(what, source, "failed", ALL_PASS, " failed", (*COUNTS, *beside))


BARS: tuple[Bar, ...] = (
    Bar(
        "from a clean clone: the two commands of the README, lint, types, imports, wheel, a rehearsal",
        "clean machine",
        "exit code",
        NONE,
    ),
    Bar(
        "rehearsals on a terminal with every setting inside by the unit's own truth: settings out",
        "rehearsal",
        "settings out",
        NONE,
        "",
        ("all in", "runs", "settings in"),
    ),
    Bar("a rehearsal, start to end, the slowest", "rehearsal", "seconds", below(90, " s"), " s", ("runs",)),
    passes("no acknowledgement, no kilovolts: the meter at the live point hears nothing", "no kilovolts"),
    Bar(
        "readings a second through the harness, over a bare pyvisa query loop",
        "poll rate",
        "poller over bare",
        at_least(0.9),
    ),
    passes("an unplugged instrument: said, opened again, set up again, the gap kept, the step goes on", "lost links"),
    passes("bad files are refused with file, line and cure, all mistakes at once, and nothing starts", "bad files"),
    passes("other people's clients drive the doubles; other people's decoders agree on the frames", "strangers"),
    passes("every grammar's frames both ways: whole, byte by byte, with left-overs, cut at random", "frames"),
    passes(
        "1,000,000 random bytes into each framer: nothing escapes, the next good frame is read", "noise", "random bytes"
    ),
    passes(
        "1,000,000 random bytes and 100,000 mutated messages into each double: nothing escapes, memory flat",
        "fuzz",
        "random bytes",
        "mutated messages",
    ),
    passes("a late answer never becomes the next reading, on sockets and serial lines", "late answers"),
    passes("older than twice the usual interval is stale and never accepted; a backlog delays nothing", "freshness"),
    Bar("1 M points over loopback, over a bare query_binary_values", "waveform", "over bare", at_least(0.8)),
    Bar(
        "10 M points: peak memory over the record's own bytes", "waveform", "peak memory over the record", at_most(2.5)
    ),
    passes("an instrument that rebooted is set up again before its next reading counts", "brown-outs"),
    passes("measurements and judgement against closed forms, standards, data sets and handbooks", "outside"),
    Bar(
        "true value within two standard uncertainties, by result",
        "honesty",
        "within, %",
        between(93, 97, " %"),
        " %",
        ("records",),
    ),
    Bar("spread of 50 % instants over the Cramer-Rao bound, ten pulses", "bound", "pulses 10", at_most(1.5)),
    Bar("spread of 50 % instants over the Cramer-Rao bound, three pulses", "bound", "pulses 3", at_most(1.5)),
    Bar("spread of 50 % instants over the Cramer-Rao bound, a single pulse", "bound", "pulses 1", at_most(1.5)),
    Bar("1 M 8-bit codes: time of a scipy pipeline over ours", "signals speed", "scipy over ours", at_least(10)),
    Bar(
        "1 M 8-bit codes: our time over one bincount and one comparison",
        "signals speed",
        "over bincount and comparison",
        at_most(5),
    ),
    Bar("10 k to 10 M samples: time over a straight line", "signals speed", "over a straight line", at_most(1.5)),
    Bar("10 M samples: extra memory, bytes a sample", "signals speed", "extra bytes a sample at 10 M", at_most(1)),
    passes("bad records: a named error with the numbers in it, or a flag", "bad records"),
    Bar(
        "time to a verified setting, cue over raw digits, 90th percentile, by trimmer and meter",
        "cues",
        "cue over raw digits",
        at_most(0.6),
        "",
        ("runs a cell",),
    ),
    Bar(
        "no trimmer and meter where the cue is slower than raw digits by more than a tenth",
        "cues",
        "cue over raw digits",
        at_most(1.1),
        "",
        ("runs a cell",),
    ),
    Bar(
        "crossings of the window, cue over raw digits",
        "cues",
        "crossings over raw digits",
        at_most(0.5),
        "",
        ("runs a cell",),
    ),
    Bar("hunts past 120 s with the cue", "cues", "hunts", NONE, "", ("hunts on raw digits", "runs a cell")),
    Bar(
        "accepted with the truth outside, window over noise 3 and more",
        "false",
        "accepted outside, %",
        below(0.1, " %"),
        " %",
        ("runs", "at most, %"),
    ),
    Bar(
        "a scratchy wiper named in the course of a trim",
        "scratchy",
        "named, %",
        at_least(95, " %"),
        " %",
        ("runs a cell",),
    ),
    Bar(
        "in the course of a trim: false alarms on clean wipers",
        "scratchy",
        "false alarms, %",
        at_most(1, " %"),
        " %",
        ("runs a cell",),
    ),
    Bar(
        "a scratchy wiper named by a sweep made for it", "sweep", "named, %", at_least(95, " %"), " %", ("runs a cell",)
    ),
    Bar(
        "by a sweep: false alarms on clean wipers", "sweep", "false alarms, %", at_most(1, " %"), " %", ("runs a cell",)
    ),
    Bar(
        "least point: how far above the least it is left, median",
        "least",
        "above the least, %",
        at_most(5, " %"),
        " %",
        ("within 5 %, %", "runs a cell"),
    ),
    Bar("least point: passes, median", "least", "passes", at_most(2.5), "", ("runs a cell",)),
    Bar(
        "two coupled trimmers: moves told over moves turned alternately, median",
        "coupled",
        "moves over alternating",
        at_most(0.5),
        "",
        ("runs a cell",),
    ),
    Bar(
        "two coupled trimmers: settled with the truth outside", "coupled", "settled outside", NONE, "", ("runs a cell",)
    ),
    Bar("counted turns to a window of 1/60, median", "counted", "turns", at_most(5), "", ("runs a cell",)),
    Bar("reading to cue in the engine, 99 %", "latency", "engine p99 ms", below(5, " ms"), " ms"),
    Bar(
        "reading to the bytes on a terminal, 99 %, at 3 and 10 readings/s, 24 rows and 3",
        "latency",
        "screen p99 ms to 10 readings/s",
        below(20, " ms"),
        " ms",
        ("readings seen",),
    ),
    Bar(
        "reading to the bytes on a terminal, 99 %, at 50 readings/s",
        "latency",
        "screen p99 ms at 50 readings/s",
        below(20, " ms"),
        " ms",
    ),
    Bar(
        "poll rate beside a prompt, a slow and a stuck terminal, over the rate with none",
        "latency",
        "rate over no screen",
        at_least(0.9),
    ),
    passes(
        "no order of events makes the engine accept a stale, held, overloaded, gated-out or outside reading",
        "never accepts",
    ),
    Bar(
        "restorations of tired units with a fault each: settings within reach out by the truth",
        "restorations",
        "settings out",
        NONE,
        "",
        ("settings in", "units"),
    ),
    Bar(
        "restorations: units whose fault did not end in its hint",
        "restorations",
        "units without the hint",
        NONE,
        "",
        ("units",),
    ),
    Bar("restorations: unsafe acts", "restorations", "unsafe acts", NONE, "", ("units",)),
    Bar(
        "restorations: hold points passed without acknowledgement",
        "restorations",
        "hold points passed without",
        NONE,
        "",
        ("hold points acknowledged", "units"),
    ),
    passes("a unit that is right is not touched", "right unit"),
    passes(
        "setting the kilovolts opens width and height again, cleaning a control what it sets; --plan says so",
        "what disturbs what",
    ),
    passes(
        "no way to a live point unasked, nor hands in before it is made safe: every state, and 1,000,000 events",
        "walks",
        "events",
    ),
    passes(
        "kill -9 at 200 moments: what was shown is kept, the record whole, the job goes on",
        "killed",
        "kills",
        "readings shown",
    ),
    passes(
        "the report in a browser without network: no complaint, hostile text stays text, 1280 px and paper", "report"
    ),
    Bar("72 h of 8 channels at 10 readings/s: readings missing", "days", "readings missing", NONE, "", ("readings",)),
    Bar("72 h of soak: hidden steps, dips and drift missed", "days", "hidden and missed", NONE, "", ("hidden",)),
    Bar("72 h of soak: false alarms", "days", "false alarms", at_most(1), "", ("said to drift by chance",)),
    Bar(
        "72 h of soak: memory grown after the first hour", "days", "memory grown after 1 h, MB", below(30, " MB"), " MB"
    ),
    Bar("72 h of soak: readings a second through the whole path", "days", "readings a second", at_least(150_000)),
    Bar("72 h of soak: bytes of file a reading", "days", "bytes a reading", at_most(24)),
    Bar("72 h of soak: the trends of the whole run drawn", "days", "trends drawn, s", below(2, " s"), " s"),
    Bar(
        "soak with something breaking every few seconds: gaps missing or left open",
        "chaos",
        "gaps missing or open",
        NONE,
        "",
        ("faults", "gaps"),
    ),
    Bar(
        "soak with something breaking: false readings accepted",
        "chaos",
        "false readings accepted",
        NONE,
        "",
        ("readings",),
    ),
    Bar("soak with something breaking: processor", "chaos", "processor, % of a core", below(5, " %"), " %"),
    passes(
        "kill -9, stopped for a while, disk full, read-only, two writers: said plainly, nothing lost",
        "trouble",
        "stood still s",
    ),
    Bar(
        "benches into one PostgreSQL that is killed and restarted: readings lost or doubled",
        "shop",
        "readings lost or doubled",
        NONE,
        "",
        ("benches", "readings committed"),
    ),
    Bar("benches into one PostgreSQL: benches that differ", "shop", "benches that differ", NONE, "", ("benches",)),
    passes("the page in a browser: bar within 300 ms, trends, hostile names, 401 and 403 without the token", "page"),
    Bar(
        "50 viewers: what they cost the soak, of a core",
        "viewers",
        "core watched, %",
        below(5, " %"),
        " %",
        ("viewers", "core alone, %"),
    ),
    passes("alarms to a mail and a web server: once, again as asked, after they were away", "alarms"),
    Bar("code lines of a function, median", "shape", "median code lines", at_most(7), "", ("functions",)),
    Bar("code lines of a function, 95 %", "shape", "95 % within", at_most(30), "", ("functions",)),
    Bar("modules in a circle of imports", "shape", "modules in a circle", NONE, "", ("modules",)),
    Bar(
        "modules over 400 lines without a reason at the top",
        "shape",
        "long without a reason",
        NONE,
        "",
        ("long modules", "modules"),
    ),
    Bar("statements of the engine that the tests run", "coverage", "statements, %", at_least(95, " %"), " %"),
    Bar("hold point: statements and branches", "coverage", "hold point, %", at_least(100, " %"), " %"),
    Bar("judgement: statements and branches", "coverage", "judgement, %", at_least(100, " %"), " %"),
)
