"""Another process at the test database, to be killed the way a machine kills; and a mail server for it to talk to."""

import os
import socketserver
import subprocess
import sys
import textwrap
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit, urlunsplit

from django.db import connection

from rentals.runtime.bootstrap import PROJECT

BEGIN = """
import sys, time
import django
django.setup()
"""


@contextmanager
def another_process(code: str, **variables: str) -> Iterator["subprocess.Popen[str]"]:
    """Run `code` in a process of its own, with the application's rights; what it prints is to be read. It is ended at the end."""
    parts = urlsplit(os.environ["OFFICE_TEST_APP_URL"])
    url = urlunsplit(parts._replace(path="/" + str(connection.settings_dict["NAME"])))
    process = subprocess.Popen(
        [sys.executable, "-c", BEGIN + textwrap.dedent(code)],
        env={**os.environ, "DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "rentals.settings", **variables},
        cwd=PROJECT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


class MailServer(socketserver.ThreadingTCPServer):
    """Takes mails by SMTP (RFC 5321) into `mails`; the first `hanging` of them it takes and then says nothing any more."""

    daemon_threads = True
    block_on_close = False

    def __init__(self, *, hanging: int = 0) -> None:
        super().__init__(("127.0.0.1", 0), _Session)
        self.mails: list[str] = []
        self.hanging = hanging
        self.has_taken = threading.Event()
        threading.Thread(target=self.serve_forever, daemon=True).start()

    @property
    def url(self) -> str:
        """Where it listens, as OFFICE_EMAIL_URL."""
        return f"smtp://127.0.0.1:{self.server_address[1]}"

    def __exit__(self, *error: object) -> None:
        self.shutdown()
        self.server_close()


class _Session(socketserver.StreamRequestHandler):
    server: MailServer

    def handle(self) -> None:
        self._say("220 mail.example")
        while line := self.rfile.readline().decode().strip().upper():
            self._say("354 go on" if line == "DATA" else "221 bye" if line == "QUIT" else "250 mail.example")
            if line == "DATA":
                self._take()

    def _take(self) -> None:
        lines = []
        while (line := self.rfile.readline().decode()) not in {".\r\n", ""}:
            lines.append(line.rstrip())
        self.server.mails.append("\n".join(lines))
        self.server.has_taken.set()
        if len(self.server.mails) > self.server.hanging:
            self._say("250 taken")

    def _say(self, line: str) -> None:
        self.wfile.write(f"{line}\r\n".encode())
