"""Sinks of other people's making, on real sockets: an SMTP server and an HTTP server that keep what they get."""

from __future__ import annotations

import json
import socket
import threading
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Mailbox:
    """What aiosmtpd hands over: the envelope, and the message as the standard library's parser reads it."""

    def __init__(self, refuse=()):
        self.mails = []
        self.envelopes = []
        self.logins = []
        self.refuse = refuse

    async def handle_RCPT(self, server, session, envelope, address, options):
        if address in self.refuse:
            return "550 no such person"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        self.envelopes.append(envelope)
        self.mails.append(message_from_bytes(envelope.content, policy=default))
        return "250 OK"

    def login(self, server, session, envelope, mechanism, data):
        self.logins.append((data.login.decode(), data.password.decode()))
        return AuthResult(success=data.password == b"s3cret", handled=False)


@contextmanager
def smtp_sink(mailbox, port=0, **options):
    """The port, while the server runs."""
    port = port or free_port()
    controller = Controller(mailbox, hostname="127.0.0.1", port=port, **options)
    controller.start()
    try:
        yield port
    finally:
        controller.stop()


class Hook:
    """What was posted: (headers, the body read as JSON). `status` is what it answers."""

    def __init__(self):
        self.got = []
        self.status = 204


@contextmanager
def http_sink(hook, port=0):
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if hook.status < 300:
                hook.got.append((dict(self.headers), json.loads(body)))
            self.send_response(hook.status)
            if hook.status == 302:
                self.send_header("Location", "/elsewhere")
            self.end_headers()

        def log_message(self, *words):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
