"""``verify serve``: the pages for crew, manager and supervisor."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from verify.cli.output import answer
from verify.errors import UsageError
from verify.settings import messages_file, read_record_settings, read_settings

_Host = Annotated[str, typer.Option(help="Address to listen on.")]
_Port = Annotated[int, typer.Option(min=1, max=65535, help="Port to listen on.")]
_Names = Annotated[
    list[str] | None,
    typer.Option("--name", metavar="NAME", help="A host name of this server; repeatable."),
]
_Cert = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Certificate chain in PEM, with --key.")
]
_Key = Annotated[Path | None, typer.Option(metavar="FILE", help="Its private key in PEM.")]
_Proxy = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS", help="A proxy at this address does TLS; speak plain HTTP with it."
    ),
]


def serve(
    host: _Host = "0.0.0.0",
    port: _Port = 8443,
    names: _Names = None,
    cert: _Cert = None,
    key: _Key = None,
    behind_proxy: _Proxy = None,
) -> None:
    """Serve the pages over HTTPS, for phones and desks.

    Crew, the board at the machine, manager and supervisor have theirs. Without --cert and
    --key a certificate is made at the first start; /trust helps phones to trust it. Sends
    messages when something waits, where they are set ('verify messages'). Runs until it is
    interrupted.
    """
    from verify.web.messages.settings import read_message_settings
    from verify.web.serving import Listen
    from verify.web.serving import serve as serve_pages
    from verify.web.tls import Certificate

    if (cert is None) != (key is None):
        raise UsageError("--cert and --key belong together; give both, or none")
    if cert is not None and behind_proxy is not None:
        raise UsageError("with --behind-proxy the proxy does TLS; leave --cert and --key out")
    for file in (cert, key):
        if file is not None and not file.is_file():
            raise UsageError(f"{file} is not there; name a file in PEM")
    given = Certificate(cert, key, None) if cert and key else None
    listen = Listen(host, port, tuple(names or ()), given, behind_proxy)
    messages = read_message_settings(messages_file())
    serve_pages(read_record_settings(), read_settings(), listen, answer, messages)
