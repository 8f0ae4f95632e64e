"""How messages are sent: one TOML file that only its owner can read, or nothing at all.

::

    pages = "https://verify.example.org:8443"   # where people reach the pages; links begin so

    [mail]
    host = "smtp.example.org"
    port = 587                   # optional
    security = "starttls"        # or "tls"; "none" only to a server on this computer
    user = "verify"              # optional, with password
    password = "…"               # or in VERIFY_MAIL_PASSWORD
    from = "verify@example.org"
    ca = "/etc/ssl/our-ca.pem"   # optional: who vouches for the server, beside the usual ones

    [[webhook]]
    name = "office"
    url = "https://hooks.example.org/verify"
    secret = "…"                 # at least 24 characters; or in VERIFY_WEBHOOK_SECRET, for all
    stores = ["harbour"]         # optional; all stores without it
    private = true               # optional: its address may be one of the local network
    ca = "/etc/ssl/our-ca.pem"   # optional, as above
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn
from urllib.parse import urlsplit

from verify.errors import UsageError
from verify.rebuild.people import Role
from verify.store.addresses import require_address
from verify.store.home import Home
from verify.store.messages import Channels

MIN_SECRET = 24  # characters; a key of HMAC-SHA-256 is as good as it is hard to guess
_PORTS = {"starttls": 587, "tls": 465, "none": 25}
_LOOPBACK = ("localhost", "127.0.0.1", "::1")
_KEYS = {
    "": {"pages", "mail", "webhook"},
    "mail": {"host", "port", "security", "user", "password", "from", "ca"},
    "webhook": {"name", "url", "secret", "stores", "private", "ca"},
}


@dataclass(frozen=True)
class MailSettings:
    """The mail server. What is secret is left out of every text about it."""

    host: str
    port: int
    security: str
    sender: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None


@dataclass(frozen=True)
class WebhookSettings:
    """One webhook. ``stores``: ids; None for all."""

    name: str
    url: str = field(repr=False)  # some carry a key in their path
    secret: bytes = field(repr=False)
    stores: frozenset[str] | None = None
    private: bool = False
    ca: Path | None = None

    @property
    def host(self) -> str:
        """The host of its address."""
        return urlsplit(self.url).hostname or ""


@dataclass(frozen=True)
class MessageSettings:
    """How messages are sent. ``pages`` has no slash at its end."""

    pages: str
    mail: MailSettings | None = None
    webhooks: tuple[WebhookSettings, ...] = ()

    @property
    def channels(self) -> Channels:
        """What the store has to know of it."""
        hooks = {hook.name: hook.stores for hook in self.webhooks}
        return Channels(mail=self.mail is not None, webhooks=hooks)

    def webhook(self, name: str) -> WebhookSettings | None:
        """Return the webhook of that name, or None."""
        return next((hook for hook in self.webhooks if hook.name == name), None)


def read_message_settings(
    file: Path, environ: Mapping[str, str] | None = None
) -> MessageSettings | None:
    """Return what a file says; None where there is none: messages are off.

    Raises:
        UsageError: it cannot be read or used, or others may read it. Names the key, never a
            secret.
    """
    values = os.environ if environ is None else environ
    try:
        mode = file.stat().st_mode
        plain = tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except OSError as error:
        raise UsageError(f"{file} cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{file} is no TOML: {error}") from None
    if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
        raise UsageError(f"{file} may be read by others; say 'chmod 600 {file}'")
    return _Reader(file, values).settings(plain)


def about(home: Home, settings: MessageSettings | None) -> list[str]:
    """Return what whoever starts the server has to know of messages, nothing secret."""
    if settings is None:
        return ["Messages when something waits are off; 'verify messages --help' says how."]
    lines = []
    if settings.mail is not None:
        mail = settings.mail
        lines.append(f"Messages by e-mail over {mail.host}:{mail.port} ({mail.security})")
        for site in home.sites.stores():
            people = home.people.everybody(site.id)
            told = [p for p in people if p.email and (site.id, Role.SUPERVISOR) in p.roles]
            if not told:
                lines.append(f"  No supervisor of {site.id} has an e-mail address; see /me")
    lines += [f"Messages to the webhook {hook.name} at {hook.host}" for hook in settings.webhooks]
    return lines or ["Messages are set, but neither [mail] nor a [[webhook]]: none is sent."]


class _Reader:
    """Reads the file; every complaint names it and the key."""

    def __init__(self, file: Path, environ: Mapping[str, str]) -> None:
        self.file, self.environ = file, environ

    def settings(self, plain: dict[str, Any]) -> MessageSettings:
        self._known(plain, "")
        pages = self._text(plain, "", "pages").rstrip("/")
        parts = self._url(pages, "pages")
        if parts.scheme != "https":
            self._refuse("pages", "is no address of the pages; allowed: https://host[:port]")
        mail = self._mail(self._table(plain["mail"], "mail")) if "mail" in plain else None
        hooks = plain.get("webhook", [])
        if not isinstance(hooks, list):
            self._refuse("webhook", "is no list; allowed: [[webhook]]")
        webhooks = tuple(self._webhook(self._table(hook, "webhook")) for hook in hooks)
        if len({hook.name for hook in webhooks}) < len(webhooks):
            self._refuse("webhook.name", "stands there twice")
        return MessageSettings(pages, mail, webhooks)

    def _mail(self, plain: dict[str, Any]) -> MailSettings:
        host = self._text(plain, "mail", "host")
        security = self._text(plain, "mail", "security", "starttls")
        if security not in _PORTS:
            self._refuse("mail.security", f"is not known; allowed: {', '.join(_PORTS)}")
        if security == "none" and host not in _LOOPBACK:
            self._refuse("mail.security", "'none' is for a server on this computer only")
        port = plain.get("port", _PORTS[security])
        if type(port) is not int or not 0 < port < 65536:
            self._refuse("mail.port", "is no port; allowed: 1 to 65535")
        user = self._text(plain, "mail", "user", "") or None
        password = self._text(plain, "mail", "password", "")
        password = password or self.environ.get("VERIFY_MAIL_PASSWORD", "")
        if user and not password:
            self._refuse("mail.password", "is missing; set it or VERIFY_MAIL_PASSWORD")
        sender = self._text(plain, "mail", "from")
        try:
            sender = require_address(sender)
        except UsageError as error:
            self._refuse("mail.from", f": {error}")
        secret = password if user else None
        return MailSettings(host, port, security, sender, user, secret, self._ca(plain, "mail"))

    def _webhook(self, plain: dict[str, Any]) -> WebhookSettings:
        name = self._text(plain, "webhook", "name")
        if not re.fullmatch(r"[a-z0-9-]{1,64}", name):
            self._refuse("webhook.name", "is no id; allowed: a-z, 0-9 and '-', at most 64")
        where = f"webhook {name}"
        url = self._text(plain, where, "url")
        parts = self._url(url, f"{where}.url")
        if parts.scheme != "https" and parts.hostname not in _LOOPBACK:
            self._refuse(f"{where}.url", "needs https; http is for this computer only")
        secret = self._text(plain, where, "secret", "")
        secret = secret or self.environ.get("VERIFY_WEBHOOK_SECRET", "")
        if len(secret) < MIN_SECRET:
            self._refuse(
                f"{where}.secret",
                f"needs {MIN_SECRET} characters or more; "
                "python3 -c 'import secrets; print(secrets.token_urlsafe(32))' makes one",
            )
        stores = plain.get("stores")
        if stores is not None and not (
            isinstance(stores, list) and all(isinstance(store, str) for store in stores)
        ):
            self._refuse(f"{where}.stores", "is no list of ids of stores")
        private = plain.get("private", False)
        if not isinstance(private, bool):
            self._refuse(f"{where}.private", "is neither true nor false")
        of = None if stores is None else frozenset(stores)
        return WebhookSettings(name, url, secret.encode(), of, private, self._ca(plain, where))

    def _ca(self, plain: dict[str, Any], where: str) -> Path | None:
        named = self._text(plain, where, "ca", "")
        if not named:
            return None
        path = self.file.parent / named
        if not path.is_file():
            self._refuse(f"{where}.ca", "is not there; name a file in PEM")
        return path

    def _table(self, value: object, where: str) -> dict[str, Any]:
        if not isinstance(value, dict):
            self._refuse(where, "is no table")
        self._known(value, where)
        return value

    def _known(self, plain: dict[str, Any], where: str) -> None:
        allowed = _KEYS[where]
        for key in plain.keys() - allowed:
            named = f"{where}.{key}" if where else key
            self._refuse(named, f"is not known; allowed: {', '.join(sorted(allowed))}")

    def _text(self, plain: dict[str, Any], where: str, key: str, default: str | None = None) -> str:
        named = f"{where}.{key}" if where else key
        value = plain.get(key, default)
        if value is None:
            self._refuse(named, "is missing")
        if not isinstance(value, str) or re.search(r"[\x00-\x1f\x7f]", value):
            self._refuse(named, "is no text on one line")
        return value

    def _url(self, url: str, named: str) -> Any:
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError:
            self._refuse(named, "is no address")
        if not parts.hostname or not url.isascii() or port == 0 or " " in url:
            self._refuse(named, "is no address; allowed: https://host[:port]/path")
        if parts.username is not None or parts.password is not None or parts.fragment:
            self._refuse(named, "may hold no user, password or fragment")
        return parts

    def _refuse(self, key: str, rule: str) -> NoReturn:
        raise UsageError(f"{self.file}: {key} {rule}")
