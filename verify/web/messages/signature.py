"""Signs a request: HTTP Message Signatures (RFC 9421) with HMAC-SHA-256 over its digest.

The body is covered by ``Content-Digest`` (RFC 9530), that by the signature, with method, address,
content type and the time at which it was signed. The algorithm is ``hmac-sha256`` (RFC 9421,
3.3.3; RFC 2104); its key are the bytes of the shared secret in UTF-8.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Sequence

COVERED = ("@method", "@authority", "@path", "@query", "content-type", "content-digest")
_LABEL = "verify"


def content_digest(body: bytes) -> str:
    """Return the value of ``Content-Digest`` for a body (RFC 9530, 2)."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"


def signature_base(components: Sequence[tuple[str, str]], params: str) -> bytes:
    """Return the bytes that are signed (RFC 9421, 2.5).

    Args:
        components: identifiers with their values, in order.
        params: value of ``@signature-params``, such as ``("@method");created=1618884473``.
    """
    lines = [f'"{name}": {value}' for name, value in components]
    return "\n".join([*lines, f'"@signature-params": {params}']).encode("ascii")


def sign(secret: bytes, base: bytes) -> str:
    """Return the HMAC-SHA-256 of a signature base as a byte sequence (RFC 8941, 3.3.5)."""
    return f":{base64.b64encode(hmac.new(secret, base, hashlib.sha256).digest()).decode()}:"


def signed_headers(
    secret: bytes, key_id: str, body: bytes, *, authority: str, target: str, created: int
) -> dict[str, str]:
    """Return the headers of a signed POST of JSON.

    Args:
        secret: shared with whoever gets it.
        key_id: tells which secret, in letters, digits and '-'.
        body: as it is sent.
        authority: host, with a port that is not the usual one, in small letters.
        target: path, with its query, as it is sent.
        created: seconds since 1970.
    """
    path, _, query = target.partition("?")
    kind, digest = "application/json", content_digest(body)
    values = {
        "@method": "POST",
        "@authority": authority,
        "@path": path,
        "@query": f"?{query}",  # RFC 9421, 2.2.7: an absent query counts as '?'
        "content-type": kind,
        "content-digest": digest,
    }
    names = " ".join(f'"{name}"' for name in COVERED)
    params = f'({names});created={created};keyid="{key_id}";alg="hmac-sha256"'
    base = signature_base([(name, values[name]) for name in COVERED], params)
    return {
        "Content-Type": kind,
        "Content-Digest": digest,
        "Signature-Input": f"{_LABEL}={params}",
        "Signature": f"{_LABEL}={sign(secret, base)}",
    }
