"""Runs the application: over TLS, or as plain HTTP behind a proxy that does TLS."""

from __future__ import annotations

import secrets
import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from verify.errors import UsageError
from verify.settings import RecordSettings, Settings
from verify.store.home import open_home
from verify.web.app import create_app
from verify.web.judging import Judges, taught_by_pictures
from verify.web.messages.sender import Sender, start
from verify.web.messages.settings import MessageSettings, about
from verify.web.settings import WebSettings, open_session_key
from verify.web.tls import Certificate, fingerprint, names_of_this_host, own_certificate


@dataclass(frozen=True)
class Listen:
    """Where to listen, and how.

    Attributes:
        names: host names of this server beside its own; for a certificate that is made here.
        certificate: given files; None: our own.
        proxy: address of a proxy whose word is taken for who is calling; None: there is none,
            and TLS is done here.
    """

    host: str
    port: int
    names: Sequence[str] = ()
    certificate: Certificate | None = None
    proxy: str | None = None


def serve(
    records: RecordSettings,
    settings: Settings,
    listen: Listen,
    tell: Callable[[str], None],
    messages: MessageSettings | None = None,
) -> None:
    """Serve until interrupted.

    Args:
        records: where everything is kept.
        settings: cache and number of workers.
        listen: where and how.
        tell: is given lines for whoever starts it.
        messages: how people are told that something waits; None: they are not.

    Raises:
        StoreError: the records, or the certificate that was made here, cannot be used.
        UsageError: the given certificate cannot be used, or the address is taken.
    """
    if listen.certificate is not None:
        _require_usable(listen.certificate)
    with ExitStack() as stack:
        place = stack.enter_context(_listening(listen))
        home = stack.enter_context(open_home(records))
        certificate = listen.certificate
        if certificate is None and listen.proxy is None:
            names = list(dict.fromkeys([*listen.names, *names_of_this_host()]))
            certificate = own_certificate(records.keys / "tls", names)
        code = None if home.people.anybody() else secrets.token_hex(4)
        web = WebSettings(
            session_key=open_session_key(records.keys),
            cache=settings.cache,
            place=records.keys.parent,
            workers=settings.workers,
            setup_code=code,
            certificate=certificate.root if certificate else None,
            mail=messages is not None and messages.mail is not None,
        )
        judges = Judges(taught_by_pictures(settings.cache), settings.workers)
        for line in [*_greeting(listen, certificate, code), *about(home, messages)]:
            tell(line)
        folders = [machine.folder for machine in home.sites.machines()]
        threading.Thread(target=_warm_up, args=(judges, folders), daemon=True).start()
        if messages is not None:
            stack.callback(start(Sender(home, messages)))
        app = create_app(home, web, judges)
        uvicorn.Server(_config(app, listen, certificate)).run([place])


def _require_usable(given: Certificate) -> None:
    """Refuse a certificate and a key that TLS cannot be done with.

    Raises:
        UsageError: says what is wrong with them.
    """

    def no_password() -> str:
        raise UsageError(f"the key {given.key} is locked with a password; give one without")

    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
            given.chain, given.key, password=no_password
        )
    except OSError as error:  # ssl.SSLError is one of them
        why = getattr(error, "reason", None) or error.strerror
        raise UsageError(
            f"the certificate {given.chain} and the key {given.key} cannot be used ({why}); "
            "give a chain and its own key, both in PEM"
        ) from error


def _listening(listen: Listen) -> socket.socket:
    """Return what listens, before anything is told of where to look.

    Raises:
        UsageError: the port is taken, or there is no such address here.
    """
    try:
        family = socket.getaddrinfo(listen.host, listen.port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((listen.host, listen.port), family=family, backlog=2048)
    except OSError as error:
        raise UsageError(
            f"nothing can listen on {listen.host}, port {listen.port}: {error.strerror}; "
            "name another with --port or --host"
        ) from error


def _config(app: object, listen: Listen, certificate: Certificate | None) -> uvicorn.Config:
    tls = (
        {}
        if certificate is None
        else {
            "ssl_certfile": str(certificate.chain),
            "ssl_keyfile": str(certificate.key),
        }
    )
    return uvicorn.Config(
        app,  # type: ignore[arg-type]
        host=listen.host,
        port=listen.port,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=listen.proxy is not None,
        forwarded_allow_ips=listen.proxy,
        timeout_keep_alive=20,
        **tls,  # type: ignore[arg-type]
    )


def _greeting(listen: Listen, certificate: Certificate | None, code: str | None) -> list[str]:
    lines = []
    if listen.proxy is not None:
        lines.append(f"for the proxy at {listen.proxy}: http://{listen.host}:{listen.port}")
    else:
        alone = listen.host in ("127.0.0.1", "localhost")  # nobody else's phone gets here
        names = [*listen.names, *(["localhost"] if alone else names_of_this_host())]
        port = "" if listen.port == 443 else f":{listen.port}"
        lines += [f"https://{name}{port}" for name in dict.fromkeys(names)]
    if certificate is not None and certificate.root is not None:
        lines.append("The certificate is our own; /trust helps phones to trust it. SHA-256:")
        lines.append(f"  {fingerprint(certificate.root)}")
    if code is not None:
        lines.append(f"Nobody is known yet. Open /first with the code {code}")
    return lines


def _warm_up(judges: Judges, folders: Sequence[Path]) -> None:
    for folder in folders:
        judges.warm_up(folder)
