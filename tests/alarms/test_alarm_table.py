"""The table [alarms] of a bench file: read whole, or every mistake told with its line; no secret is ever shown."""

import pytest

from benchrig.alarms import CommandHook, Email, Webhook, callers_of, policy_of
from benchrig.bench import load_bench
from benchrig.errors import FileError

HEAD = 'mains = "50 Hz"\n[instrument.meter]\ndriver = "meter-scpi"\naddress = "sim://meter"\n'  # 4 lines
WHOLE = """
[alarms]
repeat = "10 min"
loud_repeat = "20 s"
quiet = "30 s"
per_minute = 4
[[alarms.email]]
host = "mail.lantern-lane.example"
from = "bench@lantern-lane.example"
to = ["ida@lantern-lane.example"]
user = "bench"
password_env = "BENCH_MAIL_PASSWORD"
least = "stop"
[[alarms.webhook]]
name = "phone"
url = "https://hooks.lantern-lane.example/x"
token_file = "hook.token"
[[alarms.command]]
run = ["/usr/local/bin/ring", "--loud"]
timeout = "3 s"
"""
MAIL = '[[alarms.email]]\nhost = "m"\nfrom = "a@b"\nto = ["a@b"]\n'
RING = '[[alarms.command]]\nname = "x"\nrun = ["ring"]\n'


def bench(tmp_path, table):
    path = tmp_path / "bench.toml"
    path.write_text(HEAD + table)
    return load_bench(path)


def mistakes(tmp_path, table):
    with pytest.raises(FileError) as caught:
        bench(tmp_path, table)
    return [(mistake.line, mistake.path, str(mistake)) for mistake in caught.value.mistakes]


def test_a_bench_without_the_table_has_no_callers(tmp_path):
    settings = bench(tmp_path, "").alarms
    assert callers_of(settings) == []
    assert policy_of(settings).repeat == 300.0


def test_the_whole_table_becomes_callers(tmp_path):
    (tmp_path / "hook.token").write_text("t0ken\n")
    settings = bench(tmp_path, WHOLE).alarms
    assert (settings.repeat, settings.loud_repeat, settings.quiet, settings.per_minute) == (600.0, 20.0, 30.0, 4)
    command, hook, mail = callers_of(settings, {"BENCH_MAIL_PASSWORD": "s3cret"})
    assert command == CommandHook(("/usr/local/bin/ring", "--loud"), "command", "warning", 3.0)
    assert hook == Webhook("https://hooks.lantern-lane.example/x", "phone", "warning", "t0ken", 10.0)
    assert isinstance(mail, Email)
    assert (mail.port, mail.security, mail.user, mail.password, mail.least) == (
        587,
        "starttls",
        "bench",
        "s3cret",
        "stop",
    )
    for caller in (hook, mail):
        assert "t0ken" not in repr(caller)
        assert "s3cret" not in repr(caller)


def test_every_secret_that_is_missing_is_named_at_once(tmp_path):
    settings = bench(tmp_path, WHOLE).alarms
    with pytest.raises(FileError) as caught:
        callers_of(settings, {})
    assert "BENCH_MAIL_PASSWORD" in str(caught.value)
    assert "hook.token" in str(caught.value)


@pytest.mark.parametrize("words", ["", "  \n"])
def test_an_empty_secret_is_none(tmp_path, words):
    (tmp_path / "hook.token").write_text(words)
    with pytest.raises(FileError, match="empty"):
        callers_of(bench(tmp_path, WHOLE).alarms, {"BENCH_MAIL_PASSWORD": "s"})


@pytest.mark.parametrize(
    ("line", "key", "table"),
    [
        (7, "repeat", '[alarms]\nper_minute = 2\nrepeat = "5 s"'),
        (7, "repeat", "[alarms]\nper_minute = 2\nrepeat = 300"),
        (6, "per_minute", "[alarms]\nper_minute = 0"),
        (6, "loud", "[alarms]\nloud = true"),
        (6, "run", "[[alarms.command]]\nrun = []"),
        (6, "run", '[[alarms.command]]\nrun = "ring --loud"'),
        (6, "run", '[[alarms.command]]\nrun = ["ring\\u0000"]'),
        (6, "url", '[[alarms.webhook]]\nurl = "ftp://x"'),
        (6, "url", '[[alarms.webhook]]\nurl = "http://x:99999/"'),
        (6, "url", '[[alarms.webhook]]\nurl = "http://x/\\r\\nHost: y"'),
        (5, "webhook", "[[alarms.webhook]]"),
        (5, "webhook", '[[alarms.webhook]]\nurl = "http://192.168.1.9/"\ntoken_env = "T"'),
        (5, "webhook", '[[alarms.webhook]]\nurl = "https://x/"\ntoken_env = "T"\ntoken_file = "t"'),
        (7, "from", '[[alarms.email]]\nhost = "m"\nfrom = "a@b\\r\\nBcc: x@y"\nto = ["a@b"]'),
        (8, "to", '[[alarms.email]]\nhost = "m"\nfrom = "a@b"\nto = ["a@b", "Ida <a@b>"]'),
        (8, "to", '[[alarms.email]]\nhost = "m"\nfrom = "a@b"\nto = []'),
        (5, "email", f'{MAIL}user = "u"'),
        (5, "email", f'{MAIL}user = "u"\npassword_env = "P"\nsecurity = "none"'),
        (5, "alarms", f"[alarms]\n{RING}{RING}"),
    ],
)  # fmt: skip
def test_each_mistake_is_told_with_its_line(tmp_path, line, key, table):
    ((found_line, path, words),) = mistakes(tmp_path, table)
    assert found_line == line
    assert key in path
    assert words.rstrip().endswith((".", "?"))


@pytest.mark.parametrize(
    "table",
    [
        f'{MAIL}user = "u"\npassword_env = "hunter two"',
        f'{MAIL}user = "u"\npassword = "hunter two"',
        '[[alarms.webhook]]\nurl = "htp://hooks.example/hunter two"',
    ],
)
def test_a_secret_at_the_wrong_place_is_not_repeated(tmp_path, table):
    """The mistake names the place; what stands there may be the secret."""
    assert all("hunter" not in words for _, _, words in mistakes(tmp_path, table))
