"""The file that says how messages are sent: refused as a whole, with the key, never a secret."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from verify.errors import UsageError
from verify.settings import messages_file
from verify.web.messages.settings import MessageSettings, read_message_settings

SECRET = "9d1f2c3b4a5968778695a4b3c2d1e0ff"
WHOLE = f"""
pages = "https://pages.example.org:8443/"
[mail]
host = "smtp.example.org"
user = "verify"
password = "{SECRET}"
from = "verify@example.org"
[[webhook]]
name = "office"
url = "https://hooks.example.org/in?key=abc"
secret = "{SECRET}"
stores = ["harbour"]
"""
Read = Callable[..., MessageSettings | None]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def write_and_read(text: str, mode: int = 0o600, **environ: str) -> MessageSettings | None:
        file = tmp_path / "messages.toml"
        file.write_text(text, encoding="utf-8")
        file.chmod(mode)
        return read_message_settings(file, environ)

    return write_and_read


def test_a_whole_file(read: Read) -> None:
    found = read(WHOLE)
    assert found is not None and found.mail is not None
    assert found.pages == "https://pages.example.org:8443"
    assert (found.mail.host, found.mail.port, found.mail.security) == (
        "smtp.example.org", 587, "starttls",
    )  # fmt: skip
    (hook,) = found.webhooks
    assert (hook.host, hook.secret, hook.stores) == (
        "hooks.example.org", SECRET.encode(), frozenset({"harbour"}),
    )  # fmt: skip
    assert found.channels.of("harbour") == ["office"] and found.channels.of("lantern") == []
    assert SECRET not in repr(found) and "key=abc" not in repr(found)


def test_without_a_file_messages_are_off(tmp_path: Path) -> None:
    assert read_message_settings(tmp_path / "messages.toml") is None
    assert messages_file({"VERIFY_HOME": "/somewhere"}) == Path("/somewhere/keys/messages.toml")
    assert messages_file({"VERIFY_MESSAGES": "/etc/m.toml"}) == Path("/etc/m.toml")


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o660])
def test_a_file_that_others_may_read_is_refused(read: Read, mode: int) -> None:
    with pytest.raises(UsageError, match="chmod 600"):
        read(WHOLE, mode)


def test_secrets_may_come_from_the_surroundings(read: Read) -> None:
    bare = WHOLE.replace(f'password = "{SECRET}"\n', "").replace(f'secret = "{SECRET}"\n', "")
    with pytest.raises(UsageError, match="VERIFY_MAIL_PASSWORD"):
        read(bare)
    found = read(bare, VERIFY_MAIL_PASSWORD="from outside", VERIFY_WEBHOOK_SECRET=SECRET)
    assert found is not None and found.mail is not None
    assert found.mail.password == "from outside"
    assert found.webhooks[0].secret == SECRET.encode()


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('pages = "https:', 'pages = "http:', "pages"),
        ('pages = "https://pages.example.org:8443/"', "", "pages is missing"),
        ("[mail]", "[mial]", "mial is not known"),
        ('host = "smtp', 'security = "none"\nhost = "smtp', "mail.security"),
        ('host = "smtp', 'security = "ssl"\nhost = "smtp', "starttls, tls, none"),
        ('host = "smtp', 'port = "25"\nhost = "smtp', "mail.port"),
        ('host = "smtp', 'port = 0\nhost = "smtp', "mail.port"),
        ('from = "verify@example.org"', 'from = "verify"', "mail.from"),
        ('host = "smtp', 'ca = "no.pem"\nhost = "smtp', "mail.ca"),
        ('url = "https:', 'url = "http:', "webhook office.url needs https"),
        ('url = "https://', 'url = "https://user:word@', "may hold no user"),
        ('url = "https://hooks', 'url = "ftp://hooks', "needs https"),
        ('url = "https://hooks.example.org/', 'url = "https:///', "is no address"),
        ('url = "https://hooks.example.org/', 'url = "https://h:99999/', "is no address"),
        (f'secret = "{SECRET}"', 'secret = "short"', "24 characters"),
        ('name = "office"', 'name = "The Office"', "webhook.name"),
        ('stores = ["harbour"]', 'stores = "harbour"', "stores"),
        ('stores = ["harbour"]', "private = 1", "private"),
        ('host = "smtp.example.org"', r'host = "smtp\r\nx"', "one line"),
        ("[[webhook]]", "webhook = 3\n[x]", "webhook"),
        ("[mail]", "[mail", "no TOML"),
    ],
)
def test_what_cannot_be_is_refused_with_its_key(read: Read, old: str, new: str, named: str) -> None:
    assert old in WHOLE
    with pytest.raises(UsageError) as refused:
        read(WHOLE.replace(old, new))
    assert named in str(refused.value) and "messages.toml" in str(refused.value)
    assert SECRET not in str(refused.value) and "short" not in str(refused.value)


def test_a_server_on_this_computer_needs_no_tls(read: Read) -> None:
    found = read(
        'pages = "https://p.example.org"\n[mail]\nhost = "localhost"\nsecurity = "none"\n'
        'from = "v@example.org"\n[[webhook]]\nname = "here"\nurl = "http://127.0.0.1:9/"\n'
        f'secret = "{SECRET}"\n'
    )
    assert found is not None and found.mail is not None
    assert (found.mail.port, found.mail.user, found.mail.password) == (25, None, None)
    two = WHOLE + WHOLE[WHOLE.index("[[webhook]]") :]
    with pytest.raises(UsageError, match="twice"):
        read(two)
