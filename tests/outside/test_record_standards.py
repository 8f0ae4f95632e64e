"""Canonical JSON, hashes, signatures and times against their standards.

RFC 8785 (sample and Appendix B from the RFC and its author's repository), RFC 8032 section 7.1,
FIPS 180-4 examples, RFC 3339 section 5.8.
"""

from __future__ import annotations

import base64
import json
import struct
from datetime import UTC, datetime

import pytest
import rfc8785

from verify.rebuild.entries import from_rfc3339, to_rfc3339
from verify.store.chain import canonical, sha256
from verify.store.keys import is_signed, key_from_seed


def test_the_sample_of_rfc_8785() -> None:
    text = r"""{
      "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
      "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
      "literals": [null, true, false]
    }"""
    wanted = (
        '{"literals":[null,true,false],'
        '"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert canonical(json.loads(text)) == wanted.encode()


def test_keys_sort_by_utf_16_units() -> None:
    keys = ["\r", "1", "\u0080", "ö", "€", "😀", "\ufb33"]
    written = canonical(dict.fromkeys(reversed(keys), 0)).decode()
    assert list(json.loads(written)) == keys


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("4340000000000000", "9007199254740992"),
        ("44b52d02c7e14af6", "1e+23"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ],
)
def test_the_doubles_of_rfc_8785_appendix_b(bits: str, text: str) -> None:
    number = struct.unpack(">d", bytes.fromhex(bits))[0]
    assert canonical({"n": number}) == b'{"n":' + text.encode() + b"}"


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000"])
def test_what_is_no_number_is_refused(bits: str) -> None:
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical({"n": struct.unpack(">d", bytes.fromhex(bits))[0]})


def test_sha_256() -> None:
    """FIPS 180-4 examples."""
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    million = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    assert sha256(b"abc") == abc
    assert sha256(b"a" * 1_000_000) == million


def test_ed25519_test_1_of_rfc_8032() -> None:
    key = key_from_seed(
        bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    )
    public = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    signature = (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bac"
        "c61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
    )
    assert key.public.hex() == public
    assert base64.b64decode(key.sign(b"")).hex() == signature
    assert is_signed(bytes.fromhex(public), key.sign(b""), b"")
    assert not is_signed(key.public, key.sign(b""), b"x")
    assert not is_signed(key.public, key.sign(b"")[:-4], b"")
    assert not is_signed(key.public, "no base64!", b"")


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
    ],
)
def test_times_of_rfc_3339(text: str, utc: str) -> None:
    assert to_rfc3339(from_rfc3339(text)) == utc


@pytest.mark.parametrize(
    "text",
    ["1985-04-31T00:00:00Z", "2100-02-29T00:00:00Z", "1990-12-31T24:30:00Z", "1990-12-31T10:00:00"],
)
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        from_rfc3339(text)


def test_times_keep_their_order_as_texts() -> None:
    times = [datetime(2026, 6, 12, 23, 59, 59, us, UTC) for us in (0, 1000, 999000)]
    assert sorted(map(to_rfc3339, times)) == list(map(to_rfc3339, times))
    with pytest.raises(ValueError, match="zone"):
        to_rfc3339(datetime(2026, 6, 12))
