"""PINs and passwords: what is accepted, how it is kept (Argon2id), how often one may guess."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from verify.errors import UsageError

# One of the equal choices of the OWASP Password Storage Cheat Sheet: 19 MiB, 2 passes, 1 lane.
_HASHER = PasswordHasher(time_cost=2, memory_cost=19456, parallelism=1)

MIN_PIN = 6  # digits (NIST SP 800-63-3, 5.1.1: a random PIN has 6 digits or more)
MIN_PASSWORD = 8  # the same section
MAX_LENGTH = 128  # it asks to allow 64 at least

FREE_FAILURES = 4
FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(hours=1)
# NIST SP 800-63B, 5.2.2, allows 100 in a row.
MOST_FAILURES = 50


def require_good(secret: str) -> None:
    """Refuse a PIN or password that is guessed at once.

    Raises:
        UsageError: says what is accepted.
    """
    if len(secret) > MAX_LENGTH:
        raise UsageError(f"a password may have {MAX_LENGTH} characters at most")
    if secret.isascii() and secret.isdigit():
        if len(secret) < MIN_PIN:
            raise UsageError(f"a PIN needs {MIN_PIN} digits or more")
        steps = {(int(b) - int(a)) % 10 for a, b in pairwise(secret)}
        if steps <= {0} or steps in ({1}, {9}):
            raise UsageError("digits all the same or in a row are guessed first; choose others")
    elif len(secret) < MIN_PASSWORD or len(set(secret)) < 4:
        raise UsageError(
            f"a password needs {MIN_PASSWORD} characters or more, or a PIN {MIN_PIN} digits"
        )


def hashed(secret: str) -> str:
    """Return what is kept of a PIN or password."""
    return _HASHER.hash(secret)


def fits(kept: str | None, secret: str) -> bool:
    """True if the secret is the one that is kept; takes as long where nothing is kept."""
    try:
        return _HASHER.verify(kept or _nobody(), secret) and kept is not None
    except (VerificationError, InvalidHashError):
        return False


def is_outdated(kept: str) -> bool:
    """True if it was hashed with other costs than today's."""
    return _HASHER.check_needs_rehash(kept)


def locked_until(failures: int, now: datetime) -> datetime | None:
    """Return until when nobody may guess again, after that many wrong ones in a row.

    The first four cost nothing; then half a minute, doubling, up to an hour.
    """
    if failures <= FREE_FAILURES:
        return None
    doublings = min(failures - FREE_FAILURES - 1, 20)
    wait: timedelta = FIRST_WAIT * (1 << doublings)
    return now + min(wait, LONGEST_WAIT)


_kept_nobody: list[str] = []


def _nobody() -> str:
    if not _kept_nobody:
        _kept_nobody.append(_HASHER.hash("nobody has this password"))
    return _kept_nobody[0]
