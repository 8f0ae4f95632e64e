"""The signature of a post, against the published examples and by an independent library."""

from __future__ import annotations

import base64
import hmac
import json
from datetime import UTC, datetime, timedelta
from urllib.parse import urljoin

import pytest
from http_message_signatures import HTTPMessageVerifier, HTTPSignatureKeyResolver, algorithms
from http_message_signatures.exceptions import InvalidSignature

from verify.web.messages.signature import content_digest, sign, signature_base, signed_headers

SECRET = b"a secret that both sides know, 32+"
NOW = datetime(2026, 6, 12, 23, 0, tzinfo=UTC)


@pytest.mark.outside
def test_hmac_sha_256_of_rfc_4231() -> None:
    """RFC 4231, 4.2, 4.3 and 4.7: test cases 1, 2 and 6 (a key longer than a block)."""
    cases = [
        (b"\x0b" * 20, b"Hi There",
         "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (b"Jefe", b"what do ya want for nothing?",
         "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
        (b"\xaa" * 131, b"Test Using Larger Than Block-Size Key - Hash Key First",
         "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"),
    ]  # fmt: skip
    for key, data, expected in cases:
        assert base64.b64decode(sign(key, data).strip(":")).hex() == expected


@pytest.mark.outside
def test_the_example_of_rfc_9421() -> None:
    """RFC 9421, B.2.5: signing a request using hmac-sha256; its shared secret is in B.1.5."""
    secret = base64.b64decode(
        "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
    )
    components = [
        ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
        ("@authority", "example.com"),
        ("content-type", "application/json"),
    ]
    params = '("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
    base = signature_base(components, params)
    assert sign(secret, base) == ":pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=:"


@pytest.mark.outside
def test_the_digest_of_rfc_9530() -> None:
    """RFC 9530, B.1 (a body and its sha-256), as RFC 9421 B.2 uses it for its test request."""
    assert content_digest(b'{"hello": "world"}\n') == (
        "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
    )


class Keys(HTTPSignatureKeyResolver):  # type: ignore[misc]
    def resolve_private_key(self, key_id: str) -> bytes:
        raise NotImplementedError

    def resolve_public_key(self, key_id: str) -> bytes:
        assert key_id == "office"
        return SECRET


class Request:
    """What the library looks at of a request."""

    def __init__(self, url: str, body: bytes, headers: dict[str, str]) -> None:
        self.method, self.url, self.body = "POST", url, body
        self.headers = headers


@pytest.mark.outside
@pytest.mark.parametrize("target", ["/in", "/in?from=verify&to=%20x", "/"])
def test_an_independent_library_finds_it_right_and_every_change_wrong(target: str) -> None:
    """http-message-signatures, by other hands, from the same standard."""
    body = json.dumps({"event": "waiting"}).encode()
    now = datetime.now(UTC)
    headers = signed_headers(
        SECRET, "office", body, authority="hooks.example.org:8443", target=target,
        created=int(now.timestamp()),
    )  # fmt: skip
    url = urljoin("https://hooks.example.org:8443", target)
    verifier = HTTPMessageVerifier(signature_algorithm=algorithms.HMAC_SHA256, key_resolver=Keys())
    (found,) = verifier.verify(Request(url, body, headers), max_age=timedelta(minutes=5))
    assert set(found.covered_components) >= {'"@method"', '"@path"', '"content-digest"'}
    changed = [
        Request(url.replace("hooks", "other"), body, headers),
        Request(url + "/more" if "?" not in url else url + "1", body, headers),
        Request(url, body, {**headers, "Content-Digest": content_digest(b"other")}),
        Request(url, body, {**headers, "Content-Type": "text/plain"}),
    ]
    for request in changed:
        with pytest.raises(InvalidSignature):
            verifier.verify(request, max_age=timedelta(minutes=5))


def test_the_body_is_covered_by_its_digest() -> None:
    headers = signed_headers(
        SECRET, "office", b"{}", authority="a.example", target="/", created=int(NOW.timestamp())
    )
    assert '"content-digest"' in headers["Signature-Input"]
    assert headers["Content-Digest"] == content_digest(b"{}") != content_digest(b"{ }")
    assert not hmac.compare_digest(
        headers["Signature"],
        signed_headers(
            SECRET,
            "office",
            b"{ }",
            authority="a.example",
            target="/",
            created=int(NOW.timestamp()),
        )["Signature"],
    )
