"""A real mail server and a real web server in this process, with TLS, and a house that waits."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from tests.store.make import Clock, furnish, up_to_hand_in
from verify.settings import RecordSettings
from verify.store.home import Home, open_home
from verify.web.messages.settings import MailSettings, MessageSettings, WebhookSettings
from verify.web.tls import Certificate, own_certificate

PAGES = "https://pages.example.org:8443"
USER, PASSWORD = "verify", "lantern-square-4471"
SECRET = b"a secret that both sides know, 32+"
Hook = Callable[[str], str | None]


@dataclass
class MailBox:
    """Takes e-mail. ``hook`` is asked at ``rcpt``, ``data`` and ``taken``; what it returns is
    answered in place of yes."""

    mails: list[EmailMessage] = field(default_factory=list)
    to: list[str] = field(default_factory=list)
    tls: list[bool] = field(default_factory=list)
    hook: Hook = lambda _: None

    async def handle_RCPT(self, *given: Any) -> str:  # noqa: N802 - the library's name
        _server, _session, envelope, address, _options = given
        answer = self.hook("rcpt")
        if answer is None:
            envelope.rcpt_tos.append(address)
        return answer or "250 ok"

    async def handle_DATA(self, *given: Any) -> str:  # noqa: N802
        _server, session, envelope = given
        answer = self.hook("data")
        if answer is not None:
            return answer
        mail = message_from_bytes(envelope.content, policy=policy.SMTP)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        self.to += envelope.rcpt_tos
        self.tls.append(session.ssl is not None)
        self.hook("taken")
        return "250 taken"


@dataclass
class Got:
    """One request that the web server got."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class WebServer:
    """Takes posts, and answers with the next status of ``answers``, else with 204."""

    url: str = ""
    got: list[Got] = field(default_factory=list)
    answers: list[tuple[int, dict[str, str]]] = field(default_factory=list)


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    return own_certificate(tmp_path_factory.mktemp("tls"), ["localhost", "127.0.0.1"])


@pytest.fixture
def server_tls(certificate: Certificate) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificate.chain, certificate.key)
    return context


def _sign_in(*given: Any) -> AuthResult:
    data = given[4]
    fits = (data.login, data.password) == (USER.encode(), PASSWORD.encode())
    return AuthResult(success=fits, handled=False)


@pytest.fixture
def box() -> MailBox:
    return MailBox()


@pytest.fixture
def mail(
    box: MailBox, server_tls: ssl.SSLContext, certificate: Certificate
) -> Iterator[MailSettings]:
    """Give the settings of a server that demands STARTTLS and a password."""
    how = {"tls_context": server_tls, "require_starttls": True, "auth_required": True}
    with listening(box, authenticator=_sign_in, **how) as port:
        yield MailSettings(
            "127.0.0.1", port, "starttls", "verify@example.org", USER, PASSWORD, certificate.root
        )


class AnyPort(Controller):
    """A mail server on any free port."""

    def _trigger_server(self) -> None:
        self.port = self.server.sockets[0].getsockname()[1]  # it asks itself whether it is there
        super()._trigger_server()


@contextmanager
def listening(box: MailBox, **how: Any) -> Iterator[int]:
    """Let a mail server listen, and say on which port."""
    controller = AnyPort(box, hostname="127.0.0.1", port=0, **how)
    controller.start()
    yield controller.port
    controller.stop()


@pytest.fixture
def web(server_tls: ssl.SSLContext) -> Iterator[WebServer]:
    found = WebServer()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            headers = {key.lower(): value for key, value in self.headers.items()}
            found.got.append(Got(self.command, self.path, headers, body))
            status, more = found.answers.pop(0) if found.answers else (204, {})
            self.send_response(status)
            for key, value in more.items():
                self.send_header(key, value)
            self.end_headers()

        do_GET = do_POST  # noqa: N815 - where a redirect would lead

        def log_message(self, *_: object) -> None: ...

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.socket = server_tls.wrap_socket(server.socket, server_side=True)
    found.url = f"https://localhost:{server.server_address[1]}"
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield found
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def hook(web: WebServer, certificate: Certificate) -> WebhookSettings:
    return WebhookSettings("office", f"{web.url}/in?from=verify", SECRET, ca=certificate.root)


@pytest.fixture
def settings(mail: MailSettings, hook: WebhookSettings) -> MessageSettings:
    return MessageSettings(PAGES, mail, (hook,))


@pytest.fixture
def records(tmp_path: Path) -> RecordSettings:
    place = tmp_path / "home"
    return RecordSettings(
        f"sqlite:///{place / 'records.db'}", str(place / "pictures"), place / "keys"
    )


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def home(records: RecordSettings, clock: Clock, tmp_path: Path) -> Iterator[Home]:
    """Give a house in which a rebuild with one thing held waits for noor."""
    with open_home(records, clock) as opened:
        furnish(opened, tmp_path / "machines")
        opened.people.set_contact("noor", by="noor", email="noor@example.org", language="en")
        up_to_hand_in(opened, tmp_path / "photos", first="wrong")
        yield opened
