"""What mail and webhooks have in common: how a try ends, and names that cannot be trusted."""

from __future__ import annotations

import ipaddress
import socket
import ssl
from collections.abc import Callable
from pathlib import Path

from verify.store.messages import Trouble

TIMEOUT = 15.0  # seconds for each step of a conversation
# Asked at the last moment before the server could take a message; False: do not send it.
HandOver = Callable[[], bool]

_NAT64 = ipaddress.ip_network("64:ff9b::/96")  # RFC 6052, 2.1: the IPv4 address in the last 32 bits
Address = ipaddress.IPv4Address | ipaddress.IPv6Address


class DeliveryError(Exception):
    """A message did not get through.

    Attributes:
        trouble: why, in a word of ours; what the server said in its own stays unsaid.
        answer: number that the server answered with, if it did.
        for_good: another try would end the same.
    """

    def __init__(self, trouble: Trouble, answer: int | None = None, *, for_good: bool = False):
        self.trouble, self.answer, self.for_good = trouble, answer, for_good
        super().__init__(trouble, answer)

    def __str__(self) -> str:
        return f"{self.trouble.value} ({self.answer})" if self.answer else self.trouble.value


class NotNeededError(Exception):
    """At the last moment it turned out that a message must not be sent."""


def tls_context(ca: Path | None) -> ssl.SSLContext:
    """Return a context that checks certificate and name; ``ca`` vouches beside the usual ones."""
    context = ssl.create_default_context()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if ca is not None:
        context.load_verify_locations(ca)
    return context


def addresses_of(host: str, port: int) -> list[str]:
    """Return the addresses of a host, as numbers.

    Raises:
        DeliveryError: it has none, now.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise DeliveryError(Trouble.NO_ANSWER) from None
    return list(dict.fromkeys(str(info[4][0]) for info in found))


def is_public(address: str) -> bool:
    """True for an address of the public internet (IANA special-purpose registries, RFC 6890).

    An IPv4 address that is written into an IPv6 one counts as itself.
    """
    try:
        parsed: Address = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    if isinstance(parsed, ipaddress.IPv6Address):
        inner = parsed.ipv4_mapped or parsed.sixtofour
        if parsed in _NAT64:
            inner = ipaddress.IPv4Address(int(parsed) & 0xFFFFFFFF)
        if parsed.teredo is not None:
            return False
        if inner is not None:
            return is_public(str(inner))
    return parsed.is_global and not parsed.is_multicast
