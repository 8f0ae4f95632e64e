"""Where messages to a person go, and in which language."""

from __future__ import annotations

import re
from email.errors import HeaderParseError
from email.headerregistry import Address

from verify.errors import UsageError

_LONGEST = 254  # of a path of SMTP without its brackets (RFC 5321, 4.5.3.1.3)


def require_address(text: str) -> str:
    """Return an e-mail address (RFC 5322, 3.4.1, in ASCII) without spaces around it.

    Raises:
        UsageError: it is none.
    """
    address = text.strip()
    fits = address.isascii() and len(address) <= _LONGEST and not re.search(r"\s", address)
    try:
        parsed = Address(addr_spec=address) if fits else None
    except (HeaderParseError, ValueError, IndexError):
        parsed = None
    if parsed is None or not parsed.username or not parsed.domain:
        raise UsageError(f"'{address}' is no e-mail address; allowed: name@example.org")
    return address


def require_language(text: str) -> str:
    """Return a language tag (RFC 5646), such as ``en`` or ``es-US``.

    Raises:
        UsageError: it is none.
    """
    if not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8}){0,2}", text) or len(text) > 16:
        raise UsageError(f"'{text}' is no language; allowed: tags such as en or es-US")
    return text
