"""A rebuild as a ZIP whose every claim can be checked with sha256sum and openssl."""

from __future__ import annotations

import base64
import io
import json
import zipfile
from collections.abc import Iterator
from typing import TYPE_CHECKING

from verify.rebuild.entries import Action
from verify.rebuild.replay import replay
from verify.rebuild.to_json import rebuild_to_json
from verify.store.chain import SIGNED, Head, Written, head_of, seal_bytes, sha256, written

if TYPE_CHECKING:
    from verify.store.home import Home

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the same record gives the same bytes
_ENDINGS = {"jpeg": ".jpg", "png": ".png", "webp": ".webp", "heif": ".heic", "avif": ".avif"}

_README = """\
Record of the rebuild {id}

What is in here
  rebuild.json           where the rebuild stood when this was made
  entries/0001.json ...  the record: one entry each, canonical JSON (RFC 8785), no line break
  entries/0001.sig ...   Ed25519 signatures (RFC 8032, 64 bytes) of releases and countersigns
  seal.json, seal.sig    number of entries and head of the record, signed
  signing-key.pub.pem    the public key; compare it with the one that you were given before
  pictures/              the photos, as they came, named by their SHA-256
  SHA256SUMS             SHA-256 of every file above

How to check it, in a shell, in this folder
  1. Every file is whole:
       sha256sum -c SHA256SUMS
  2. The record was not changed: the SHA-256 of each entry stands as "prev" in the next one. The
     first one has 64 zeros.
       prev=0000000000000000000000000000000000000000000000000000000000000000
       for f in entries/*.json; do
         grep -q "\\"prev\\":\\"$prev\\"" "$f" || echo "broken at $f"
         prev=$(sha256sum "$f" | cut -d' ' -f1)
       done
       grep -q "$prev" seal.json || echo "the end is cut off"
  3. The seal and the releases are signed (OpenSSL 1.1.1 or newer):
       openssl pkeyutl -verify -pubin -inkey signing-key.pub.pem -rawin \\
         -in seal.json -sigfile seal.sig
     and so for each entries/NNNN.sig with its entries/NNNN.json.
  4. Each photo is the one of its entry: its name is the "sha256" in that entry.

The head of this record is {head}
Note it elsewhere: a record that was written anew has another one.
The key is {key}.

The tool advises; the people named in the record looked and decided. Times are UTC. The maker's
manual and local code come first.
"""


def rebuild_zip(home: Home, rebuild_id: str) -> bytes:
    """Return the ZIP of a rebuild.

    Raises:
        UsageError: there is no such rebuild.
        RecordBrokenError: its record is not as it was written.
    """
    home.rebuilds.check(rebuild_id)
    with home.database.read() as connection:
        rows, head = written(connection, rebuild_id), head_of(connection, rebuild_id)
    assert head is not None  # the check has seen it
    files = dict(_files(home, rebuild_id, rows[: head.length], head))
    sums = "".join(f"{sha256(content)}  {name}\n" for name, content in sorted(files.items()))
    files["SHA256SUMS"] = sums.encode()
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        for name, content in sorted(files.items()):
            info = zipfile.ZipInfo(name, _EPOCH)
            info.external_attr = 0o644 << 16
            kind = zipfile.ZIP_STORED if name.startswith("pictures/") else zipfile.ZIP_DEFLATED
            archive.writestr(info, content, kind)
    return whole.getvalue()


def _files(
    home: Home, rebuild_id: str, rows: list[Written], head: Head
) -> Iterator[tuple[str, bytes]]:
    rebuild = replay(home.rebuilds.entries(rebuild_id).entries)
    plain = json.dumps(rebuild_to_json(rebuild), ensure_ascii=False, indent=1)
    yield "rebuild.json", plain.encode()
    for row in rows:
        yield f"entries/{row.n:04d}.json", row.body.encode()
        if row.kind in SIGNED and row.signature is not None:
            yield f"entries/{row.n:04d}.sig", base64.b64decode(row.signature)
        if row.kind == Action.PHOTO:
            data = json.loads(row.body)["data"]
            ending = _ENDINGS.get(data["format"], "")
            yield f"pictures/{data['sha256']}{ending}", home.pictures.get(data["sha256"])
    yield "seal.json", seal_bytes(rebuild_id, head.length, head.hash)
    yield "seal.sig", base64.b64decode(head.seal)
    yield "signing-key.pub.pem", home.key.public_pem
    readme = _README.format(id=rebuild_id, head=head.hash, key=home.key.id)
    yield "README.txt", readme.encode()
