"""The Ed25519 key (RFC 8032) of an installation: made at first start, never written over."""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import os
import secrets
import stat
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)

from verify.errors import StoreError

PRIVATE = "signing-key.pem"
PUBLIC = "signing-key.pub.pem"


class SigningKey:
    """A key to sign with; what it signed can be checked with its public half alone."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        raw = serialization.Encoding.Raw, serialization.PublicFormat.Raw
        self.public: bytes = private.public_key().public_bytes(*raw)

    def __repr__(self) -> str:
        return f"SigningKey({self.id})"

    @property
    def id(self) -> str:
        """First 16 hexadecimal digits of the SHA-256 of the public key."""
        return hashlib.sha256(self.public).hexdigest()[:16]

    @property
    def public_pem(self) -> bytes:
        """The public key as PEM (SubjectPublicKeyInfo), as standard tools read it."""
        return Ed25519PublicKey.from_public_bytes(self.public).public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        )

    def sign(self, message: bytes) -> str:
        """Return the signature of a message, in base64."""
        return base64.b64encode(self._private.sign(message)).decode()


def is_signed(public: bytes, signature: str, message: bytes) -> bool:
    """True if the base64 signature is that of the message by the key (raw, 32 bytes)."""
    try:
        raw = base64.b64decode(signature, validate=True)
        Ed25519PublicKey.from_public_bytes(public).verify(raw, message)
    except (InvalidSignature, ValueError, binascii.Error):
        return False
    return True


def key_from_seed(seed: bytes) -> SigningKey:
    """Return the key of a 32-byte seed."""
    return SigningKey(Ed25519PrivateKey.from_private_bytes(seed))


def open_key(folder: Path) -> SigningKey:
    """Return the key kept in a folder; make it where there is none.

    Raises:
        StoreError: it cannot be read or written, or others may read it.
    """
    path = folder / PRIVATE
    try:
        if not path.exists():
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            _make(path)
        if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise StoreError(
                f"{path} may be read by others; say 'chmod 600 {path}', and make a new "
                "installation if somebody may have copied it"
            )
        private = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise StoreError(f"the signing key {path} cannot be used: {error.strerror}") from error
    except ValueError as error:
        raise StoreError(f"{path} is no signing key; put the right file back") from error
    if not isinstance(private, Ed25519PrivateKey):
        raise StoreError(f"{path} is a key of another kind; put the right file back")
    key = SigningKey(private)
    public = folder / PUBLIC
    if not public.exists():
        with contextlib.suppress(OSError):
            public.write_bytes(key.public_pem)
    return key


def _make(path: Path) -> None:
    """Write a new key that only its owner may read; keep the first where two make one at once."""
    pem = Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    new = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileExistsError):
            os.link(new, path)
    finally:
        new.unlink(missing_ok=True)
