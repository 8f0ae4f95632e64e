"""Posts one message to a webhook, signed, over HTTPS.

Whoever may write the settings names the address; that still must not let a name lead into the
local network (server-side request forgery). So the name is looked up once, every address that it
has must be a public one, and the connection goes to just that address. Redirects are not
followed, proxies of the surroundings not used, and of an answer only the status counts.
"""

from __future__ import annotations

import http.client
import socket
import ssl
from datetime import datetime
from urllib.parse import SplitResult, urlsplit

from verify import __version__
from verify.store.messages import Trouble
from verify.web.messages.delivery import (
    TIMEOUT,
    DeliveryError,
    HandOver,
    NotNeededError,
    addresses_of,
    is_public,
    tls_context,
)
from verify.web.messages.settings import WebhookSettings
from verify.web.messages.signature import signed_headers

_LOOPBACK = ("localhost", "127.0.0.1", "::1")
_LONGEST = 65_536  # bytes of an answer that are read; none of them is used
_GONE = 410


def post(
    settings: WebhookSettings, message_id: str, body: bytes, at: datetime, hand_over: HandOver
) -> None:
    """Post JSON to a webhook.

    Args:
        settings: of the webhook.
        message_id: the same at every try; goes along as ``Idempotency-Key``.
        body: JSON in UTF-8.
        at: now; part of what is signed, so that an old message can be told from a new one.
        hand_over: is asked when the connection stands.

    Raises:
        DeliveryError: it was not taken: no status of 200 to 299.
        NotNeededError: ``hand_over`` said no.
    """
    url = urlsplit(settings.url)
    target = (url.path or "/") + (f"?{url.query}" if url.query else "")
    headers = signed_headers(
        settings.secret,
        settings.name,
        body,
        authority=_authority(url),
        target=target,
        created=int(at.timestamp()),
    )
    headers |= {
        "Host": _authority(url),
        "User-Agent": f"verify/{__version__}",
        "Idempotency-Key": f'"{message_id}"',
    }
    connection = _Pinned(settings, url)
    try:
        connection.connect()
        if not hand_over():
            raise NotNeededError
        connection.request("POST", target, body, headers)
        answer = connection.getresponse()
        answer.read(_LONGEST)
        status = answer.status
    except ssl.SSLError:
        raise DeliveryError(Trouble.NO_TLS) from None
    except (OSError, http.client.HTTPException):
        raise DeliveryError(Trouble.NO_ANSWER) from None
    finally:
        connection.close()
    if 300 <= status < 400:
        raise DeliveryError(Trouble.REDIRECT, status)
    if not 200 <= status < 300:
        raise DeliveryError(Trouble.REFUSED, status, for_good=status == _GONE)


class _Pinned(http.client.HTTPConnection):
    """A connection to the very address that was looked at; a name may say another one later."""

    def __init__(self, settings: WebhookSettings, url: SplitResult) -> None:
        host = url.hostname or ""
        self._tls = tls_context(settings.ca) if url.scheme == "https" else None
        self._inside = settings.private or host in _LOOPBACK
        port = url.port or (443 if self._tls else 80)
        super().__init__(host, port, timeout=TIMEOUT)

    def connect(self) -> None:
        """Connect to the first address that answers; all have to be public ones."""
        found = addresses_of(self.host, self.port)
        if not self._inside and not all(is_public(address) for address in found):
            raise DeliveryError(Trouble.PRIVATE)
        trouble: OSError | None = None
        for address in found:
            try:
                plain = socket.create_connection((address, self.port), TIMEOUT)
                break
            except OSError as error:
                trouble = error
        else:
            raise trouble or OSError("no address")
        self.sock = self._tls.wrap_socket(plain, server_hostname=self.host) if self._tls else plain


def _authority(url: SplitResult) -> str:
    """Return host and port in small letters, without the usual port (RFC 9421, 2.2.3)."""
    host = (url.hostname or "").lower()
    host = f"[{host}]" if ":" in host else host
    usual = 443 if url.scheme == "https" else 80
    return host if url.port in (None, usual) else f"{host}:{url.port}"
