"""Each way to tell somebody, against servers that are not ours: delivered once, and hostile words harmless."""

import io
import json
import os
import ssl
import sys
import time
from datetime import UTC, datetime

import pytest
import trustme
from hypothesis import given
from hypothesis import strategies as st

from benchrig.alarms import AlarmError, Alarms, CommandHook, Email, Policy, Webhook, try_all
from benchrig.alarms.mail import message
from benchrig.alarms.types import Alarm, headline
from benchrig.clock import RealClock, SimClock
from benchrig.ui.alarm_sounds import AlarmRing, open_ring
from benchrig.ui.tones import BellTone

from sinks import Hook, Mailbox, free_port, http_sink, smtp_sink  # isort: skip

AT = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
HOSTILE = "TP1 \ud800 low\r\nBcc: victim@example\r\n\r\n.\r\nQUIT\x00\x1b[2J$(reboot)`id`"


def alarm(title="TP1 low", **more):
    facts = {"key": "tp1", "severity": "stop", "words": "11.20 V", "unit_serial": "SK14-0231", "channel": "TP1"}
    return Alarm(**{**facts, "title": title, "raised": AT, "number": 1, **more})


def email(port, **more):
    return Email("127.0.0.1", ("ida@example.org",), "bench@example.org", port, **{"security": "none", **more})


def script(tmp_path, text):
    path = tmp_path / "hook.py"
    path.write_text(text)
    return (sys.executable, str(path))


@pytest.fixture(scope="module")
def authority():
    return trustme.CA()


@pytest.fixture(scope="module")
def certificates(authority, tmp_path_factory):
    path = tmp_path_factory.mktemp("ca") / "ca.pem"
    authority.cert_pem.write_to_path(str(path))
    return str(path)


@pytest.fixture(scope="module")
def tls(authority):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    return context


# the whole way


def test_both_sinks_get_each_telling_once_and_what_they_missed_when_they_are_back():
    """Through `Alarms`, over real sockets: told, sinks away, repeats, sinks back, no telling twice."""
    mailbox, hook, clock = Mailbox(), Hook(), SimClock()
    ports = free_port(), free_port()
    sinks = [email(ports[0]), Webhook(f"http://127.0.0.1:{ports[1]}/bench")]
    alarms = Alarms(sinks, clock, policy=Policy(repeat=300.0), unit_serial="SK14-0231")

    def seconds(count, step=10.0):
        for _ in range(round(count / step)):
            clock.sleep_until(clock.now() + step)
            alarms.tick()

    with smtp_sink(mailbox, ports[0]), http_sink(hook, ports[1]):
        alarms.raise_("tp1", "stop", "TP1 low", "11.20 V", channel="TP1")
        seconds(310)
    seconds(610)
    with smtp_sink(mailbox, ports[0]), http_sink(hook, ports[1]):
        seconds(130)
        alarms.acknowledge(by="Ida")
        seconds(900)
    assert [body["number"] for _, body in hook.got] == [1, 2, 4]
    assert [str(mail["Message-ID"])[1:33] for mail in mailbox.mails] == [body["id"] for _, body in hook.got]
    assert len({body["id"] for _, body in hook.got}) == 3


def test_on_threads_and_a_real_clock_too():
    mailbox, hook = Mailbox(), Hook()
    with smtp_sink(mailbox) as smtp, http_sink(hook) as http:
        alarms = Alarms([email(smtp), Webhook(f"http://127.0.0.1:{http}/")], RealClock())
        alarms.raise_("tp1", "stop", "TP1 low")
        assert alarms.close() == ()
    assert len(mailbox.mails) == len(hook.got) == 1


# mail


def test_a_mail_says_what_is_wrong_with_which_unit():
    mailbox = Mailbox()
    with smtp_sink(mailbox) as port:
        email(port).call(alarm())
    (mail,) = mailbox.mails
    assert mail["Subject"] == "benchrig STOP: TP1 low (SK14-0231)"
    assert mail["To"] == "ida@example.org"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
    assert mail["Date"].datetime == AT
    assert "11.20 V" in mail.get_content()


def test_hostile_words_end_no_header_and_no_message():
    """Line ends, a lone dot and control characters in every field: one mail to one person, headers as they were."""
    mailbox = Mailbox()
    names = dict.fromkeys(("title", "words", "unit_serial", "channel", "key"), HOSTILE)
    with smtp_sink(mailbox) as port:
        email(port).call(alarm(**names))
    (mail,), (envelope,) = mailbox.mails, mailbox.envelopes
    assert envelope.rcpt_tos == ["ida@example.org"]
    assert sorted(mail.keys()) == sorted(message(alarm(), "bench@example.org", ["ida@example.org"]).keys())
    assert mail["Bcc"] is None
    assert "\x1b" not in mail.get_content()


@given(st.text(max_size=300), st.text(max_size=300), st.text(max_size=50))
def test_no_words_at_all_can_change_the_headers(title, words, serial):
    """Whatever a unit or an instrument is called."""
    made = message(alarm(title, words=words, unit_serial=serial), "bench@example.org", ["ida@example.org"])
    raw = made.as_bytes()
    head = raw.split(b"\r\n\r\n")[0]
    names = [line.split(b":")[0] for line in head.split(b"\r\n") if not line.startswith((b" ", b"\t"))]
    assert sorted(names) == sorted(key.encode() for key in made)
    assert b"\x00" not in raw


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_goes_encrypted_and_with_a_password(security, tls, certificates):
    mailbox = Mailbox()
    options = {"ssl_context": tls} if security == "tls" else {"tls_context": tls}
    with smtp_sink(mailbox, authenticator=mailbox.login, auth_require_tls=security != "tls", **options) as port:
        email(port, security=security, user="bench", password="s3cret", ca_file=certificates).call(alarm())
    assert mailbox.logins == [("bench", "s3cret")]
    assert len(mailbox.mails) == 1


def test_a_server_that_nobody_vouches_for_gets_no_password(tls):
    mailbox = Mailbox()
    with (
        smtp_sink(mailbox, tls_context=tls, authenticator=mailbox.login) as port,
        pytest.raises(AlarmError, match="CERTIFICATE_VERIFY_FAILED"),
    ):
        email(port, security="starttls", user="bench", password="s3cret").call(alarm())
    assert mailbox.logins == []


def test_a_server_without_encryption_gets_none_either():
    mailbox = Mailbox()
    with smtp_sink(mailbox) as port, pytest.raises(AlarmError, match="STARTTLS"):
        email(port, security="starttls", user="bench", password="s3cret").call(alarm())


def test_a_wrong_password_is_an_error_that_does_not_show_it(tls, certificates):
    mailbox = Mailbox()
    with (
        smtp_sink(mailbox, tls_context=tls, authenticator=mailbox.login) as port,
        pytest.raises(AlarmError, match="535") as caught,
    ):
        email(port, security="starttls", user="bench", password="wr0ng", ca_file=certificates).call(alarm())
    assert "wr0ng" not in str(caught.value)


def test_a_password_that_cannot_be_sent_shows_no_letter_of_itself(tls, certificates):
    """Python's own words would quote the letter and its place."""
    mailbox = Mailbox()
    with (
        smtp_sink(mailbox, tls_context=tls, authenticator=mailbox.login) as port,
        pytest.raises(AlarmError, match=r"the password .* has a letter") as caught,
    ):
        email(port, security="starttls", user="bench", password="pass\u0161word", ca_file=certificates).call(alarm())
    assert not {"\u0161", "\\u0161", "position"} & set(str(caught.value).replace("'", " ").split())


def test_one_address_refused_is_said_and_the_others_do_not_get_it_twice():
    mailbox = Mailbox(refuse=("gone@example.org",))
    with smtp_sink(mailbox) as port:
        caller = Email("127.0.0.1", ("ida@example.org", "gone@example.org"), "b@example.org", port, "none")
        with pytest.raises(AlarmError, match=r"gone@example\.org") as caught:
            caller.call(alarm())
        assert not caught.value.again
        with pytest.raises(AlarmError) as caught:
            email(port).__class__("127.0.0.1", ("gone@example.org",), "b@example.org", port, "none").call(alarm())
        assert caught.value.again
    assert len(mailbox.mails) == 1


# web hook


def test_a_web_hook_gets_json_its_token_and_a_key_to_know_a_double_by():
    hook = Hook()
    with http_sink(hook) as port:
        Webhook(f"http://127.0.0.1:{port}/bench", token="t0ken").call(alarm(HOSTILE))
    ((headers, body),) = hook.got
    assert headers["Authorization"] == "Bearer t0ken"
    assert headers["Idempotency-Key"] == body["id"] == alarm(HOSTILE).id
    assert body["title"] == HOSTILE
    assert body["raised"] == "2026-01-05T08:00:00+00:00"


@pytest.mark.parametrize("status", [302, 404, 500])
def test_any_other_answer_is_not_told(status):
    """A redirection is not followed: the token would go where nobody meant it to go."""
    hook = Hook()
    hook.status = status
    with http_sink(hook) as port, pytest.raises(AlarmError, match=str(status)) as caught:
        Webhook(f"http://127.0.0.1:{port}/secret-path", token="t0ken").call(alarm())
    assert "secret-path" not in str(caught.value)
    assert "t0ken" not in str(caught.value)
    assert hook.got == []


def test_nobody_there_is_a_plain_error():
    with pytest.raises(AlarmError, match="No answer from 127"):
        Webhook(f"http://127.0.0.1:{free_port()}/secret-path").call(alarm())


# command


def test_a_command_gets_the_alarm_on_its_input_and_in_its_environment_and_no_shell(tmp_path):
    out = tmp_path / "out.json"
    keep = "json.dump([json.load(sys.stdin), dict(os.environ), sys.argv[1:]], open"
    run = script(tmp_path, f"import json, os, sys\n{keep}({str(out)!r}, 'w'))\n")
    CommandHook((*run, "$(touch never); `touch never`")).call(alarm(HOSTILE))
    body, environment, arguments = json.loads(out.read_text())
    assert body["title"] == HOSTILE
    assert arguments == ["$(touch never); `touch never`"]
    assert environment["BENCHRIG_ALARM_SEVERITY"] == "stop"
    assert environment["BENCHRIG_ALARM_NUMBER"] == "1"
    assert environment["BENCHRIG_ALARM_TITLE"].isprintable()
    assert environment["PATH"] == os.environ["PATH"]


def test_a_command_that_fails_says_why(tmp_path):
    run = script(tmp_path, "import sys\nsys.exit('no such pager')\n")
    with pytest.raises(AlarmError, match="ended with 1: no such pager"):
        CommandHook(run).call(alarm())
    with pytest.raises(AlarmError, match="cannot be run"):
        CommandHook(("/nowhere/ring",)).call(alarm())


def test_a_command_that_hangs_is_ended_with_what_it_started(tmp_path):
    """Also where a child of its own holds on to everything it was given."""
    mark = tmp_path / "child"
    run = script(tmp_path, "import subprocess, sys, time\n"
                 "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
                 f"open({str(mark)!r}, 'w').write(str(child.pid))\ntime.sleep(60)\n")  # fmt: skip
    began = time.monotonic()
    with pytest.raises(AlarmError, match="not done within 1 s"):
        CommandHook(run, timeout=1.0).call(alarm())
    assert time.monotonic() - began < 10.0
    until = time.monotonic() + 5.0
    while _runs(int(mark.read_text())):
        assert time.monotonic() < until


def _runs(pid):
    """True while the process does anything; a zombie that waits for init does nothing."""
    try:
        with open(f"/proc/{pid}/stat") as file:
            return file.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


# sound, and trying


def test_the_bell_rings_for_whoever_is_near():
    written, waited = [], []
    AlarmRing(lambda: BellTone(written.append), wait=waited.append).call(alarm())
    assert written == ["\a"]
    assert len(waited) == 1


def test_spoken_words_are_one_argument_that_is_no_option(tmp_path):
    out = tmp_path / "out"
    run = script(tmp_path, f"import sys\nopen({str(out)!r}, 'w').write(repr(sys.argv[1:]))\n")
    AlarmRing(lambda: None, run).call(alarm("--version"))
    assert out.read_text() == repr(["STOP: --version (SK14-0231)"])


def test_with_nothing_to_ring_it_says_so():
    """A pipe is no bell."""
    with pytest.raises(AlarmError, match="no sound card"):
        open_ring("bell", io.StringIO()).call(alarm())
    assert open_ring("off", io.StringIO()) is None


def test_every_caller_is_tried_before_the_bench_is_left_alone():
    """Each by name, with what went wrong; the trial says that nothing is wrong."""
    mailbox = Mailbox()
    with smtp_sink(mailbox) as port:
        tried = try_all([email(port), Webhook(f"http://127.0.0.1:{free_port()}/")], AT, "SK14-0231")
    assert [(name, told) for name, told, _ in tried] == [("email", True), ("webhook", False)]
    assert "No answer" in tried[1][2]
    assert "Nothing is wrong" in mailbox.mails[0].get_content()


@given(st.text())
def test_a_headline_is_one_printable_line(title):
    assert headline(alarm(title)).isprintable()
