"""The page's server: who may read it, and how do updates reach it at once?

It listens on the loopback interface alone. The address holds a random token; without it,
and under any other host name, everything is 404, so that no other page or user of this
machine can read or press anything. Updates are server-sent events; nothing is logged.
"""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from socketserver import TCPServer
from types import TracebackType
from typing import Any

from lab.cli.watch_page import POLICY, page_html
from lab.errors import LabError

__all__ = ["ACTIONS", "PageServer", "Update"]

_HOST = "127.0.0.1"
_TOKEN_BYTES = 24
_BEAT_S = 5.0  # between signs of life, which find readers that have gone
_MOST_BODY = 4096
_MOST_READERS = 24  # of events at once
ACTIONS = ("mark", "undo")


@dataclass(frozen=True, kw_only=True)
class Update:
    """What the page shows: HTML of its main part, and plain text for title and speech."""

    html: str
    title: str
    spoken: str


class PageServer:
    """A running server; a context manager that ends it.

    Parameters
    ----------
    port : int
        0 takes any that is free.
    press : callable
        Called, in a thread of the server, with one of ``ACTIONS``.
    first : Update
        To show until the first ``publish``.

    Raises
    ------
    LabError
        If the port cannot be had.
    """

    def __init__(self, *, port: int, press: Callable[[str], None], first: Update) -> None:
        self._token = secrets.token_urlsafe(_TOKEN_BYTES)
        self._changed = threading.Condition()
        self._update, self._number, self._open = first, 1, True
        self._readers = 0
        self._press = press
        try:
            self._server = _Server((_HOST, port), _handler(self))
        except OSError as error:
            raise LabError(
                f"--port {port}: cannot be used ({error.strerror}). Give another, or none to "
                "take any that is free."
            ) from None
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True
        )

    def __enter__(self) -> PageServer:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._changed:
            self._open = False
            self._changed.notify_all()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self._server.server_address[1])

    @property
    def url(self) -> str:
        """The page's address, with the token."""
        return f"http://{_HOST}:{self.port}/{self._token}/"

    def publish(self, update: Update) -> None:
        """Show an update on every open page."""
        with self._changed:
            self._update, self._number = update, self._number + 1
            self._changed.notify_all()

    def latest(self) -> tuple[Update, int]:
        """The update that is shown, and its number."""
        with self._changed:
            return self._update, self._number

    def wait_beyond(self, number: int) -> tuple[Update, int] | None:
        """The latest update once its number differs; after a while the same; None at the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._number != number or not self._open, _BEAT_S)
            return (self._update, self._number) if self._open else None

    def enter_reader(self) -> bool:
        """Whether one more may listen."""
        with self._changed:
            if self._readers >= _MOST_READERS:
                return False
            self._readers += 1
            return True

    def leave_reader(self) -> None:
        """One listens no more."""
        with self._changed:
            self._readers -= 1

    def admits(self, path: str, host: str, origin: str | None) -> str | None:
        """What a request asks for below the token; None for a stranger."""
        own = (f"{_HOST}:{self.port}", f"localhost:{self.port}")
        if host not in own or (origin is not None and origin not in [f"http://{o}" for o in own]):
            return None
        first, _, rest = path.removeprefix("/").partition("/")
        if not secrets.compare_digest(first.encode(), self._token.encode()) or "/" not in path[1:]:
            return None
        return rest

    def press(self, action: str) -> None:
        """Hand a pressed button on."""
        self._press(action)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False  # a reader that hangs must not keep us

    def server_bind(self) -> None:
        """Bind, and ask nobody what this host is called, as the library would."""
        TCPServer.server_bind(self)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Readers come and go; that is nobody's error."""


def _handler(page: PageServer) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = 15.0
        server_version, sys_version = "stopwise", ""
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            asked = self._asked()
            if asked == "":
                update, number = page.latest()
                html = page_html(update.html, title=update.title, number=number)
                self._answer(HTTPStatus.OK, html, "text/html; charset=utf-8")
            elif asked == "events":
                self._events()
            else:
                self._not_found()

        def do_POST(self) -> None:
            asked = self._asked()
            length = self.headers.get("Content-Length", "0")
            if length.isdecimal() and int(length) <= _MOST_BODY:
                self.rfile.read(int(length))
            else:
                self.close_connection = True
            if asked not in ACTIONS:
                self._not_found()
                return
            page.press(asked)
            self.send_response(HTTPStatus.SEE_OTHER)  # without script: back to the page
            self.send_header("Location", "./")
            self._common(0)

        def _asked(self) -> str | None:
            return page.admits(self.path, self.headers.get("Host", ""), self.headers.get("Origin"))

        def _not_found(self) -> None:
            self._answer(HTTPStatus.NOT_FOUND, "Not found.\n", "text/plain; charset=utf-8")

        def _answer(self, status: HTTPStatus, body: str, kind: str) -> None:
            data = body.encode("utf-8", "replace")
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self._common(len(data))
            self.wfile.write(data)

        def _common(self, length: int | None) -> None:
            if length is not None:
                self.send_header("Content-Length", str(length))
            self.send_header("Cache-Control", "no-store")
            self.send_header("Content-Security-Policy", POLICY)
            self.send_header("Cross-Origin-Resource-Policy", "same-origin")
            self.send_header("Referrer-Policy", "no-referrer")
            self.send_header("X-Content-Type-Options", "nosniff")
            self.end_headers()

        def _events(self) -> None:
            if not page.enter_reader():
                self._not_found()
                return
            try:
                self.close_connection = True
                self.send_response(HTTPStatus.OK)
                self.send_header("Content-Type", "text/event-stream")
                self._common(None)
                number = 0
                while True:
                    got = page.wait_beyond(number)
                    if got is None:
                        self.wfile.write(b"event: stopped\ndata: {}\n\n")
                        return
                    update, latest = got
                    if latest == number:
                        self.wfile.write(b": still here\n\n")
                        continue
                    number = latest
                    text = json.dumps(
                        {
                            "html": update.html,
                            "title": update.title,
                            "spoken": update.spoken,
                            "number": number,
                        }
                    )
                    self.wfile.write(f"data: {text}\n\n".encode("utf-8", "replace"))
            except OSError:
                return  # the reader has gone
            finally:
                page.leave_reader()

        def log_message(self, format: str, *args: Any) -> None:
            """Nothing is logged: a line would hold the token."""

    return Handler
