"""Sessions, cross-site protection, headers, limits: what every request goes through."""

from __future__ import annotations

import hmac
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from threading import Lock
from typing import Any

from fastapi import Request
from fastapi.responses import Response
from itsdangerous import BadSignature, URLSafeTimedSerializer
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "__Host-verify"  # the prefix ties it to this host, this path and TLS (RFC 6265bis, 4.1.3)

# No script and no style but our own files; nothing may frame a page (clickjacking).
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; font-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "media-src 'self' blob:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=(), payment=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Strict-Transport-Security": "max-age=31536000",
}


@dataclass(frozen=True)
class Session:
    """Who is there, as the cookie says it; signed, so that nobody else can have written it.

    Attributes:
        person: id; None for somebody who has not signed in.
        mark: ``People.secret_mark`` at the time of signing in.
        csrf: has to come back in every form.
    """

    person: str | None
    mark: str | None
    csrf: str


class Sessions:
    """Reads and writes the cookie."""

    def __init__(self, key: bytes, length: timedelta) -> None:
        self._signer = URLSafeTimedSerializer(key, salt="session")
        self._seconds = int(length.total_seconds())
        # Sessions that were ended, with the time from which no cookie of theirs lives any more. A
        # page that was under way while somebody signed out brings the old cookie back.
        self._ended: OrderedDict[str, float] = OrderedDict()
        self._lock = Lock()

    def end(self, session: Session) -> None:
        """Take no cookie of this session any more."""
        now = time.monotonic()
        with self._lock:
            self._ended[session.csrf] = now + 2 * self._seconds
            while self._ended and next(iter(self._ended.values())) < now:
                self._ended.popitem(last=False)

    def read(self, cookie: str | None) -> Session | None:
        """Return the session of a cookie; None where it is not ours, too old or was ended."""
        if not cookie:
            return None
        try:
            plain: Any = self._signer.loads(cookie, max_age=self._seconds)
        except BadSignature:
            return None
        if plain["c"] in self._ended:
            return None
        return Session(plain["p"], plain["m"], plain["c"])

    def write(self, response: Response, session: Session) -> None:
        """Put a session into an answer."""
        plain = {"p": session.person, "m": session.mark, "c": session.csrf}
        response.set_cookie(
            COOKIE,
            str(self._signer.dumps(plain)),
            max_age=self._seconds,
            path="/",
            secure=True,
            httponly=True,
            samesite="lax",
        )


def new_session(person: str | None = None, mark: str | None = None) -> Session:
    """Return a session that nobody had before."""
    return Session(person, mark, secrets.token_urlsafe(24))


def same(one: str, other: str) -> bool:
    """Compare two secrets in a time that says nothing of them."""
    return hmac.compare_digest(one.encode(), other.encode())


def comes_from_here(headers: Headers) -> bool:
    """True unless the browser says that another site sent this (Fetch Metadata; Origin)."""
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin in (None, f"https://{headers.get('host', '')}")


class Limiter:
    """Counts tries of each address, in a window that slides; forgets the oldest addresses."""

    def __init__(
        self,
        tries: int,
        within: timedelta,
        clock: Callable[[], float] = time.monotonic,
        remembered: int = 10_000,
    ) -> None:
        self._tries, self._within = tries, within.total_seconds()
        self._clock, self._remembered = clock, remembered
        self._seen: OrderedDict[str, list[float]] = OrderedDict()
        self._lock = Lock()

    def wait(self, address: str) -> int:
        """Count a try; return the seconds to wait if there were too many, else 0."""
        now = self._clock()
        with self._lock:
            times = [t for t in self._seen.pop(address, []) if t > now - self._within]
            free = len(times) < self._tries
            self._seen[address] = [*times, now] if free else times
            while len(self._seen) > self._remembered:
                self._seen.popitem(last=False)
        return 0 if free else max(1, round(times[0] + self._within - now))


class SecurityHeaders:
    """Adds the headers to every answer, and keeps pages out of caches."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self.app(scope, receive, with_headers)


class BodyLimit:
    """Refuses bodies that are too large, by what they say and by what comes.

    Only somebody who has signed in may send as much as a photo.
    """

    def __init__(self, app: ASGIApp, form_bytes: int, photo_bytes: int, sessions: Sessions) -> None:
        self.app = app
        self._form, self._photo, self._sessions = form_bytes, photo_bytes, sessions

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        most = self._most(scope)
        said = Headers(scope=scope).get("content-length", "0")
        if not said.isdigit() or int(said) > most:
            await _too_large(scope, receive, send, most)
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            return message if seen <= most else {"type": "http.disconnect"}

        async def unless_too_large(message: Message) -> None:
            if seen <= most:
                await send(message)

        try:
            await self.app(scope, counted, unless_too_large)
        except Exception:
            if seen <= most:
                raise
        if seen > most:
            await _too_large(scope, receive, send, most)

    def _most(self, scope: Scope) -> int:
        if not scope["path"].endswith("/photo"):
            return self._form
        session = self._sessions.read(HTTPConnection(scope).cookies.get(COOKIE))
        return self._photo if session is not None and session.person else self._form


class Faults:
    """Answers for a fault of the program, inside the headers that every answer gets."""

    def __init__(self, app: ASGIApp, handle: Callable[[Request, Exception], Response]) -> None:
        self.app, self._handle = app, handle

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        started = False

        async def noted(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self.app(scope, receive, noted)
        except Exception as fault:
            if started or scope["type"] != "http":
                raise
            await self._handle(Request(scope), fault)(scope, receive, send)


async def _too_large(scope: Scope, receive: Receive, send: Send, most: int) -> None:
    text = (
        f"Too large: at most {most / 1e6:g} MB. / Demasiado grande: como mucho {most / 1e6:g} MB."
    )
    headers = {"Connection": "close"}
    await Response(text, 413, headers, media_type="text/plain")(scope, receive, send)
