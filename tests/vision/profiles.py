"""Makes colour profiles for tests, after ICC.1:2010 (a header, a table of tags, the tags)."""

from __future__ import annotations

import struct
from collections.abc import Sequence

# Colorants of the wide-gamut space of phones (SMPTE RP 431-2 primaries, white D65), adapted
# to D50 after Bradford; columns X Y Z of red, green and blue. From memory.
P3 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
# The same for sRGB, as published for IEC 61966-2-1. From memory.
SRGB = ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410))
D50 = (0.9642, 1.0, 0.8249)
SRGB_CURVE = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def fixed(*values: float) -> bytes:
    return b"".join(struct.pack(">i", round(v * 65536)) for v in values)


def xyz(values: Sequence[float]) -> bytes:
    return b"XYZ \0\0\0\0" + fixed(*values)


def parametric(kind: int, values: Sequence[float]) -> bytes:
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + fixed(*values)


def table(values: Sequence[int]) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(f">I{len(values)}H", len(values), *values)


def profile(space: bytes, tags: dict[bytes, bytes]) -> bytes:
    name = b"made for a test\0"
    tags = {
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", len(name)) + name + bytes(78),
        b"cprt": b"text\0\0\0\0none\0",
        b"wtpt": xyz(D50),
        **tags,
    }
    entries, data = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for tag, value in tags.items():
        entries += tag + struct.pack(">II", start + len(data), len(value))
        data += value + bytes(-len(value) % 4)
    body = struct.pack(">I", len(tags)) + entries + data
    head = struct.pack(">I4sI", 128 + len(body), bytes(4), 0x04000000)
    head += b"mntr" + space + b"XYZ " + bytes(12) + b"acsp" + bytes(28) + fixed(*D50)
    return head.ljust(128, b"\0") + body


def rgb_profile(colorants: Sequence[Sequence[float]], curve: bytes) -> bytes:
    tags = {name + b"XYZ": xyz(c) for name, c in zip((b"r", b"g", b"b"), colorants, strict=True)}
    return profile(b"RGB ", tags | {name + b"TRC": curve for name in (b"r", b"g", b"b")})
