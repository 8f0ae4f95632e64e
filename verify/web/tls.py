"""A certificate of our own, made at the first start, for a server that no authority knows.

A root signs the certificate of the server, and its key is thrown away: a phone that trusts the
root trusts this one server and nothing else. Name constraints say the same (RFC 5280, 4.2.1.10).
"""

from __future__ import annotations

import ipaddress
import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from verify.errors import StoreError
from verify.machine_file.saving import replace_file

# Apple's devices refuse server certificates that live longer than 825 days (support page 103769,
# "Requirements for trusted certificates in iOS 13 and macOS 10.15").
_LIFE = timedelta(days=820)
_RENEW = timedelta(days=30)


@dataclass(frozen=True)
class Certificate:
    """Files in PEM. ``root`` is what phones are told to trust; None where it is not our own."""

    chain: Path
    key: Path
    root: Path | None


def own_certificate(folder: Path, names: Sequence[str], now: datetime | None = None) -> Certificate:
    """Return the certificate in a folder; make it where it is missing, too old or for other names.

    Args:
        folder: only its owner can read the key in it.
        names: host names and addresses of this server.
        now: another time than the clock's.

    Raises:
        StoreError: the folder cannot be used.
    """
    made = Certificate(folder / "server.crt", folder / "server.key", folder / "verify-root.crt")
    moment = now or datetime.now(UTC)
    try:
        if not _still_fits(made, names, moment):
            folder.mkdir(parents=True, exist_ok=True)
            _make(made, names, moment)
    except OSError as error:
        raise StoreError(f"no certificate can be kept in {folder}: {error.strerror}") from error
    return made


def names_of_this_host() -> list[str]:
    """Return the names and addresses under which this computer is probably reached."""
    name = socket.gethostname().lower()
    found = ["localhost", name, f"{name.partition('.')[0]}.local", "127.0.0.1"]
    try:
        # No packet is sent: this asks which of our addresses would be used.
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))
            found.append(probe.getsockname()[0])
    except OSError:
        pass
    return list(dict.fromkeys(found))


def fingerprint(file: Path) -> str:
    """Return the SHA-256 of a certificate in groups of four letters."""
    certificate = x509.load_pem_x509_certificate(file.read_bytes())
    text = certificate.fingerprint(hashes.SHA256()).hex().upper()
    return " ".join(text[k : k + 4] for k in range(0, len(text), 4))


def _still_fits(made: Certificate, names: Sequence[str], now: datetime) -> bool:
    if not (made.chain.is_file() and made.key.is_file() and made.root and made.root.is_file()):
        return False
    certificate = x509.load_pem_x509_certificate(made.chain.read_bytes())
    known = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    there = set(known.get_values_for_type(x509.DNSName))
    there |= {str(a) for a in known.get_values_for_type(x509.IPAddress)}
    return set(names) <= there and now + _RENEW < certificate.not_valid_after_utc


def _make(made: Certificate, names: Sequence[str], now: datetime) -> None:
    general = [_general(name) for name in names]
    root_key = ec.generate_private_key(ec.SECP256R1())  # goes with this function
    key = ec.generate_private_key(ec.SECP256R1())
    title = f"verify on {socket.gethostname()}"
    root_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"{title}, root"[:64])])
    server_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, title[:64])])
    root = (
        _builder(root_name, root_name, root_key.public_key(), now)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(sign=True), critical=True)
        .add_extension(
            x509.SubjectKeyIdentifier.from_public_key(root_key.public_key()), critical=False
        )
        .add_extension(x509.NameConstraints([_bound(g) for g in general], None), critical=True)
        .sign(root_key, hashes.SHA256())
    )
    server = (
        _builder(server_name, root_name, key.public_key(), now)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(sign=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(general), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(root_key.public_key()),
            critical=False,
        )
        .sign(root_key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    secret = key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    made.key.unlink(missing_ok=True)
    handle = os.open(made.key, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as opened:
        opened.write(secret)
    assert made.root is not None
    replace_file(made.root, root.public_bytes(pem))
    replace_file(made.chain, server.public_bytes(pem) + root.public_bytes(pem))


def _builder(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, now: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + _LIFE - timedelta(days=1))
    )


def _usage(*, sign: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not sign,
        key_cert_sign=sign,
        crl_sign=sign,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _bound(name: x509.GeneralName) -> x509.GeneralName:
    if isinstance(name, x509.IPAddress):
        return x509.IPAddress(ipaddress.ip_network(f"{name.value}"))
    return name
