"""Messages over real connections: what arrives, what does not, and what is said of it."""

from __future__ import annotations

import json
import logging
import os
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import jsonschema
import pytest

from tests.store.make import Clock, furnish, up_to_hand_in
from tests.web.messages.conftest import PAGES, PASSWORD, SECRET, MailBox, WebServer, listening
from verify.settings import RecordSettings
from verify.store.base import now_utc
from verify.store.home import Home, open_home
from verify.store.messages import CLAIM, Channel, Message, Standing, Trouble
from verify.web.messages import delivery
from verify.web.messages.delivery import DeliveryError, addresses_of, is_public
from verify.web.messages.sender import Sender, start, try_mail, try_webhook
from verify.web.messages.settings import MailSettings, MessageSettings, WebhookSettings
from verify.web.messages.signature import content_digest
from verify.web.messages.webhook import post
from verify.web.tls import own_certificate

REPOSITORY = Path(__file__).resolve().parents[3]


def by_mail(home: Home, mail: MailSettings) -> Message:
    """Send what is due by mail alone, and return what became of the one message."""
    Sender(home, MessageSettings(PAGES, mail)).once()
    (message,) = home.messages.listed()
    return message


def by_hook(home: Home, hook: WebhookSettings) -> Message:
    Sender(home, MessageSettings(PAGES, None, (hook,))).once()
    return home.messages.listed()[0]


def test_an_e_mail_and_a_post_arrive_once(
    home: Home, settings: MessageSettings, box: MailBox, web: WebServer, clock: Clock
) -> None:
    sender = Sender(home, settings)
    assert [standing for _, standing in sender.once()] == [Standing.SENT] * 2
    clock.wait(minutes=5)
    assert sender.once() == []
    (mail,), (got,) = box.mails, web.got
    assert (box.to, box.tls) == (["noor@example.org"], [True])
    assert mail["Subject"] == "Harbour Steps: Two-spout freezer by the window waits for a release"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["To"] == "noor@example.org"
    text = mail.get_content().replace("\r\n", "\n")
    rebuild = home.rebuilds.going_on("harbour-2")
    assert f"{PAGES}/rebuild/{rebuild}/evidence\n" in text
    assert "Held: 1." in text and "supervisor of Harbour Steps" in text
    for name in ("Inês", "ines", PASSWORD, SECRET.decode()):
        assert name not in mail.as_string()
    plain = json.loads(got.body)
    schema = json.loads((REPOSITORY / "shared" / "message.schema.json").read_text("utf-8"))
    jsonschema.validate(plain, schema)
    assert (plain["why"], plain["round"], plain["open_holds"]) == ("release", "first", 1)
    assert plain["url"] == f"{PAGES}/rebuild/{rebuild}/evidence"
    assert got.path == "/in?from=verify"
    assert got.headers["content-digest"] == content_digest(got.body)
    assert got.headers["idempotency-key"] == f'"{plain["id"]}"'
    assert "hmac-sha256" in got.headers["signature-input"]


def test_each_reads_it_in_her_own_language(home: Home, mail: MailSettings, box: MailBox) -> None:
    home.people.set_contact("noor", by="noor", email="noor@example.org", language="es-MX")
    by_mail(home, mail)
    (found,) = box.mails
    # Some Pythons fold a subject with one space too many.
    assert " ".join(found["Subject"].split()).endswith("espera la liberación")
    assert max(len(line) for line in found.as_bytes().splitlines()) <= 78  # RFC 5322, 2.1.1
    assert found.as_bytes().isascii()  # no 8BITMIME was asked for (RFC 6152)
    assert "Mirar y decidir:" in found.get_content()


def test_a_server_that_offers_no_tls_gets_nothing(home: Home, mail: MailSettings) -> None:
    bare = MailBox()
    with listening(bare) as port:
        sent = by_mail(home, replace(mail, port=port))
    assert (sent.standing, sent.trouble) == (Standing.WAITING, Trouble.NO_TLS)
    assert bare.mails == []


def test_a_certificate_that_nobody_vouches_for_is_refused(
    home: Home, mail: MailSettings, hook: WebhookSettings, box: MailBox, web: WebServer
) -> None:
    assert by_mail(home, replace(mail, ca=None)).trouble is Trouble.NO_TLS
    assert by_hook(home, replace(hook, ca=None)).trouble is Trouble.NO_TLS
    assert box.mails == [] and web.got == []


def test_a_certificate_of_another_name_is_refused(
    hook: WebhookSettings, web: WebServer, tmp_path: Path
) -> None:
    """The address is right, the name is not: what DNS says is not believed."""
    other = own_certificate(tmp_path / "other", ["other.example.org"])
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(other.chain, other.key)
    with socket.create_server(("127.0.0.1", 0)) as server:
        wrong = replace(hook, url=f"https://localhost:{server.getsockname()[1]}/", ca=other.root)
        from threading import Thread

        def once() -> None:
            plain, _ = server.accept()
            try:
                context.wrap_socket(plain, server_side=True).close()
            except (ssl.SSLError, OSError):
                plain.close()

        thread = Thread(target=once)
        thread.start()
        with pytest.raises(DeliveryError, match="no-tls"):
            post(wrong, "id", b"{}", now_utc(), lambda: True)
        thread.join()
    assert web.got == []


def test_tls_from_the_start(
    home: Home, mail: MailSettings, server_tls: ssl.SSLContext, clock: Clock
) -> None:
    box = MailBox()
    with listening(box, ssl_context=server_tls) as port:
        direct = replace(mail, security="tls", port=port, user=None, password=None)
        assert by_mail(home, direct).standing is Standing.SENT
    assert len(box.mails) == 1
    assert clock


@pytest.mark.parametrize(
    ("place", "answer", "trouble", "standing"),
    [
        ("rcpt", "550 no such user here", Trouble.ADDRESS, Standing.GIVEN_UP),
        ("rcpt", "450 try again", Trouble.ADDRESS, Standing.WAITING),
        ("data", "554 we do not like it", Trouble.REFUSED, Standing.WAITING),
    ],
)
def test_what_a_mail_server_refuses(
    home: Home, mail: MailSettings, box: MailBox, place: str, answer: str, trouble: Trouble,
    standing: Standing,
) -> None:  # fmt: skip
    box.hook = lambda at: answer if at == place else None
    sent = by_mail(home, mail)
    assert (sent.trouble, sent.standing, sent.answer) == (trouble, standing, int(answer[:3]))
    assert box.mails == []


def test_a_wrong_password_says_so_and_stands_in_no_log(
    home: Home, mail: MailSettings, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        sent = by_mail(home, replace(mail, password="wrong-and-secret-9913"))
    assert sent.trouble is Trouble.SIGN_IN
    assert "message" in caplog.text
    for word in ("wrong-and-secret", "example.org", PASSWORD):
        assert word not in caplog.text
    assert "wrong-and-secret" not in repr(replace(mail, password="wrong-and-secret-9913"))


def test_nobody_there(home: Home, mail: MailSettings, hook: WebhookSettings) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        free = taken.getsockname()[1]
    assert by_mail(home, replace(mail, port=free)).trouble is Trouble.NO_ANSWER
    nobody = replace(hook, url=f"https://localhost:{free}/")
    assert by_hook(home, nobody).trouble is Trouble.NO_ANSWER


def test_a_server_that_never_answers_is_left_after_a_while(
    hook: WebhookSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    from verify.web.messages import webhook

    monkeypatch.setattr(webhook, "TIMEOUT", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}/"
        with pytest.raises(DeliveryError, match="no-answer"):
            post(replace(hook, url=url), "id", b"{}", now_utc(), lambda: True)


@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_redirects_are_not_followed(
    home: Home, hook: WebhookSettings, web: WebServer, status: int
) -> None:
    web.answers = [(status, {"Location": f"{web.url}/elsewhere"})]
    sent = by_hook(home, hook)
    assert (sent.trouble, sent.answer) == (Trouble.REDIRECT, status)
    assert [got.path for got in web.got] == ["/in?from=verify"]


def test_what_fails_is_tried_again_with_the_same_id(
    home: Home, hook: WebhookSettings, web: WebServer, clock: Clock
) -> None:
    web.answers = [(500, {}), (429, {})]
    assert by_hook(home, hook).standing is Standing.WAITING
    assert len(web.got) == 1
    clock.wait(seconds=31)
    by_hook(home, hook)
    clock.wait(seconds=61)
    assert by_hook(home, hook).standing is Standing.SENT
    assert len({got.headers["idempotency-key"] for got in web.got}) == 1
    assert len({got.headers["signature"] for got in web.got}) == 3  # signed anew each time
    web.answers = [(410, {})]
    with pytest.raises(DeliveryError) as gone:
        post(hook, "id", b"{}", now_utc(), lambda: True)
    assert gone.value.for_good


@pytest.mark.outside
@pytest.mark.parametrize(
    ("address", "public"),
    [  # IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890): not globally reachable
        ("10.1.2.3", False), ("172.16.0.1", False), ("192.168.1.1", False), ("127.0.0.1", False),
        ("169.254.169.254", False), ("100.64.0.1", False), ("0.0.0.0", False), ("::1", False),
        ("192.0.2.1", False), ("198.18.0.1", False), ("fe80::1%eth0", False), ("fd00::1", False),
        ("240.0.0.1", False), ("255.255.255.255", False), ("2001:db8::1", False),
        # the same, written into another address (RFC 4291, 2.5.5.2; RFC 3056; RFC 6052)
        ("::ffff:10.0.0.1", False), ("::ffff:169.254.169.254", False), ("2002:a00:1::", False),
        ("64:ff9b::a00:1", False), ("64:ff9b::7f00:1", False), ("224.0.0.1", False),
        ("ff02::1", False), ("2001:0:53aa:64c::1", False), ("no address", False),
        # and some that are
        ("8.8.8.8", True), ("2606:4700:4700::1111", True), ("64:ff9b::808:808", True),
    ],
)  # fmt: skip
def test_which_addresses_are_public(address: str, public: bool) -> None:
    assert is_public(address) is public


def test_a_name_that_leads_into_the_local_network_is_refused(
    hook: WebhookSettings, monkeypatch: pytest.MonkeyPatch, web: WebServer
) -> None:
    from verify.web.messages import webhook

    port = int(web.url.rpartition(":")[2])
    outside = replace(hook, url=f"https://hooks.example.org:{port}/in")
    for found in (["127.0.0.1"], ["8.8.8.8", "127.0.0.1"], ["::ffff:127.0.0.1"]):
        monkeypatch.setattr(webhook, "addresses_of", lambda *_, found=found: found)
        with pytest.raises(DeliveryError, match="private-address"):
            post(outside, "id", b"{}", now_utc(), lambda: True)
    monkeypatch.setattr(webhook, "addresses_of", lambda *_: ["127.0.0.1"])
    with pytest.raises(DeliveryError, match="no-tls"):  # allowed to go there; the name is another
        post(replace(outside, private=True), "id", b"{}", now_utc(), lambda: True)
    assert web.got == []


def test_it_goes_to_the_address_that_was_looked_at(
    hook: WebhookSettings, web: WebServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name that says something else at the second question gains nothing: there is none."""
    asked = []

    def once(host: str, port: int) -> list[str]:
        asked.append((host, port))
        return ["127.0.0.1"] if len(asked) == 1 else ["10.0.0.1"]

    from verify.web.messages import webhook

    monkeypatch.setattr(webhook, "addresses_of", once)
    post(hook, "id", b"{}", now_utc(), lambda: True)
    assert len(asked) == len(web.got) == 1
    assert addresses_of("127.0.0.1", 80) == ["127.0.0.1"]
    with pytest.raises(DeliveryError, match="no-answer"):
        addresses_of("no.such.name.invalid", 443)  # RFC 6761, 6.4: never resolves


def test_no_proxy_of_the_surroundings_is_used(
    home: Home, hook: WebhookSettings, web: WebServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("https_proxy", "http://127.0.0.1:9")
    monkeypatch.setenv("ALL_PROXY", "http://127.0.0.1:9")
    assert by_hook(home, hook).standing is Standing.SENT
    assert len(web.got) == 1


def test_a_webhook_that_is_not_set_any_more(
    home: Home, hook: WebhookSettings, web: WebServer
) -> None:
    settings = MessageSettings(PAGES, None, (hook,))
    home.messages.plan(settings.channels)
    Sender(home, MessageSettings(PAGES)).once()
    (kept,) = home.messages.listed()
    assert (kept.standing, kept.trouble) == (Standing.GIVEN_UP, Trouble.NOT_SET)
    assert web.got == []


def test_messages_to_try_it_out(
    home: Home, settings: MessageSettings, box: MailBox, web: WebServer
) -> None:
    try_mail(home, settings, "somebody@example.org", "es")
    try_webhook(home, settings, "office")
    assert box.mails[0]["Subject"] == "verify: un mensaje de prueba"
    assert json.loads(web.got[0].body)["event"] == "trial"
    schema = json.loads((REPOSITORY / "shared" / "message.schema.json").read_text("utf-8"))
    jsonschema.validate(json.loads(web.got[0].body), schema)
    assert home.messages.listed() == []


def test_a_thread_sends_by_itself_and_ends(
    home: Home, settings: MessageSettings, box: MailBox
) -> None:
    import time

    end = start(Sender(home, settings), every=0.05)
    until = time.monotonic() + 20
    while not box.mails and time.monotonic() < until:
        time.sleep(0.05)
    end()
    assert len(box.mails) == 1


def test_one_fault_does_not_end_the_thread(
    home: Home, settings: MessageSettings, monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    from verify.web.messages import sender

    def broken(*_: object) -> None:
        raise RuntimeError("a fault")

    monkeypatch.setattr(sender, "send_mail", broken)
    mail_only = replace(settings, webhooks=())
    Sender(home, mail_only).once()
    (kept,) = home.messages.listed()
    assert (kept.standing, kept.trouble) == (Standing.WAITING, Trouble.FAULT)
    assert "a fault" in caplog.text


# --- killed while it sends -----------------------------------------------------------------------

KILLED = """
import sys
from pathlib import Path
from verify.settings import RecordSettings
from verify.store.home import open_home
from verify.web.messages.sender import Sender
from verify.web.messages.settings import read_message_settings
database, place, file = sys.argv[1:]
home = Path(place)
settings = read_message_settings(Path(file))
with open_home(RecordSettings(database, str(home / "pictures"), home / "keys")) as opened:
    Sender(opened, settings).once()
"""


@pytest.mark.parametrize(
    ("at", "after"),
    [("rcpt", Standing.SENT), ("data", Standing.UNKNOWN), ("taken", Standing.UNKNOWN)],
)
def test_killed_while_it_sends_nothing_arrives_twice(
    at: str, after: Standing, records: RecordSettings, mail: MailSettings, box: MailBox,
    tmp_path: Path,
) -> None:  # fmt: skip
    """Killed before the server could have taken it: sent later. After: never a second time."""
    file = tmp_path / "messages.toml"
    file.write_text(
        f'pages = "{PAGES}"\n[mail]\nhost = "127.0.0.1"\nport = {mail.port}\n'
        f'user = "{mail.user}"\npassword = "{PASSWORD}"\nfrom = "verify@example.org"\n'
        f'ca = "{mail.ca}"\n'
    )
    file.chmod(0o600)
    with open_home(records) as home:
        furnish(home, tmp_path / "machines")
        home.people.set_contact("noor", by="noor", email="noor@example.org")
        up_to_hand_in(home, tmp_path / "photos")
    worker: list[subprocess.Popen[bytes]] = []

    def kill(place: str) -> str | None:
        if place == at and worker:
            worker[0].send_signal(signal.SIGKILL)
            worker[0].wait(20)
            return "421 gone" if place != "taken" else None
        return None

    box.hook = kill
    place = str(tmp_path / "home")
    worker.append(
        subprocess.Popen(
            [sys.executable, "-c", KILLED, records.database, place, str(file)],
            cwd=REPOSITORY,
            env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
        )
    )
    assert worker[0].wait(60) == -signal.SIGKILL
    box.hook = lambda _: None
    sent_before = len(box.mails)
    assert sent_before == (1 if at == "taken" else 0)
    later: Callable[[], datetime] = lambda: now_utc() + CLAIM + timedelta(seconds=1)  # noqa: E731
    with open_home(records, later) as home:
        by_mail(home, mail)
        assert home.messages.listed()[0].standing is after
    assert len(box.mails) == (0 if at == "data" else 1)
    with open_home(records, lambda: now_utc() + CLAIM * 3) as home:
        by_mail(home, mail)
    assert len(box.mails) == (0 if at == "data" else 1)
    assert {m["Message-ID"] for m in box.mails} == {
        f"<{m.id}@example.org>" for m in home_messages(records) if at != "data"
    }


def home_messages(records: RecordSettings) -> list[Message]:
    with open_home(records) as home:
        return [m for m in home.messages.listed() if m.channel is Channel.MAIL]


def test_delivery_is_bounded_in_time() -> None:
    """One try has to end before its claim does, or nearly so: connect, greet, TLS, sign in, …"""
    assert CLAIM.total_seconds() >= 10 * delivery.TIMEOUT
