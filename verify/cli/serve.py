"""``verify serve``: the pages for crew, manager and supervisor."""

from __future__ import annotations

from pathlib import Path

import click

from verify.cli.options import PATH
from verify.cli.output import answer
from verify.errors import UsageError
from verify.settings import read_record_settings, read_settings


@click.command()
@click.option("--host", default="0.0.0.0", show_default=True, help="Address to listen on.")
@click.option(
    "--port",
    default=8443,
    show_default=True,
    type=click.IntRange(1, 65535),
    help="Port to listen on.",
)
@click.option(
    "--name", "names", multiple=True, metavar="NAME", help="A host name of this server; repeatable."
)
@click.option("--cert", metavar="FILE", type=PATH, help="Certificate chain in PEM, with --key.")
@click.option("--key", metavar="FILE", type=PATH, help="Its private key in PEM.")
@click.option(
    "--behind-proxy",
    metavar="ADDRESS",
    help="A proxy at this address does TLS; speak plain HTTP with it.",
)
def serve(
    host: str,
    port: int,
    names: tuple[str, ...],
    cert: Path | None,
    key: Path | None,
    behind_proxy: str | None,
) -> None:
    """Serve the pages over HTTPS: crew on the phone, the board, manager, supervisor.

    Without --cert and --key a certificate is made at the first start; /trust helps phones to
    trust it. Runs until it is interrupted.
    """
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
    listen = Listen(host, port, names, given, behind_proxy)
    serve_pages(read_record_settings(), read_settings(), listen, answer)
