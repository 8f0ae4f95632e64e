"""``verify messages``: tell people that something waits: what is set, try it, what became of it."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.options import group
from verify.cli.output import Ink, answer, answer_json, paint, table
from verify.cli.record_options import AsJson, opened
from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.web.messages.settings import MessageSettings

FAILED = 7

messages = group()

_To = Annotated[str | None, typer.Option(metavar="ADDRESS", help="Send an e-mail to this address.")]
_Hook = Annotated[str | None, typer.Option(metavar="NAME", help="Post to this webhook.")]
_Language = Annotated[str, typer.Option(metavar="TAG", help="Of the e-mail, such as en or es.")]
_Most = Annotated[int, typer.Option(min=1, metavar="NUMBER", help="At most so many.")]


@messages.callback()
def about() -> None:
    """Messages when something waits: show, try, send, list.

    By e-mail and webhook, to supervisors first, and to deputies when nobody answers. They are
    set in messages.toml, in the folder keys beside the records (VERIFY_MESSAGES names another
    file), which only its owner may read; README.md shows one. 'verify serve' sends them. Ends
    with 0, 2 when used wrongly, 7 when a message did not get through.
    """


@messages.command()
def show() -> None:
    """Show what is set, nothing secret.

    Says which stores have no supervisor to tell.
    """
    from verify.settings import messages_file
    from verify.web.messages.settings import about, read_message_settings

    settings = read_message_settings(messages_file())
    with opened() as home:
        for line in about(home, settings):
            answer(line)
    if settings is not None:
        answer(f"Links lead to {settings.pages}")


@messages.command("try")
def try_out(to: _To = None, webhook: _Hook = None, language: _Language = "en") -> None:
    """Send a message to try it out, now and once; nothing is kept of it."""
    from verify.store.addresses import require_address
    from verify.web.messages.delivery import DeliveryError
    from verify.web.messages.sender import try_mail, try_webhook

    if (to is None) == (webhook is None):
        raise UsageError("say one of --to ADDRESS and --webhook NAME")
    settings = _settings()
    with opened() as home:
        try:
            if to is not None:
                try_mail(home, settings, require_address(to), language)
            if webhook is not None:
                try_webhook(home, settings, webhook)
        except DeliveryError as error:
            answer(f"did not get through: {words_of(error.trouble.value, error.answer)}")
            raise typer.Exit(FAILED) from None
    answer("it was taken")


@messages.command()
def send() -> None:
    """Send what is due now, once; for those who do not run 'verify serve'."""
    from verify.store.messages import Standing
    from verify.web.messages.sender import Sender

    settings = _settings()
    with opened() as home:
        done = Sender(home, settings).once()
    for message, standing in done:
        answer(f"{standing.value:10} {message.channel} {message.recipient}: {message.rebuild}")
    if any(standing is not Standing.SENT for _, standing in done):
        raise typer.Exit(FAILED)


@messages.command("list")
def list_them(limit: _Most = 50, as_json: AsJson = False) -> None:
    """List messages, the newest first, and what became of each."""
    with opened() as home:
        found = home.messages.listed(limit=limit)
    rows = []
    for message in found:
        if as_json:
            answer_json(json.dumps(asdict(message)))
            continue
        trouble = words_of(message.trouble.value, message.answer) if message.trouble else ""
        to = f"{message.channel} {message.recipient}"
        about = f"{message.rebuild}, {message.why}"
        rows.append((message.made_at[:16], to, f"{message.standing} {trouble}".strip(), about))
    if rows:
        first, *rest = table([("made (UTC)", "to", "became", "about"), *rows], (16, 20, 26, 30))
        answer(paint(first, Ink.STRONG))
        for line in rest:
            answer(line)


def words_of(trouble: str, number: int | None) -> str:
    """Return why a message did not get through, with the number that the server answered."""
    return f"{_WORDS[trouble]} ({number})" if number else _WORDS[trouble]


_WORDS = {
    "no-answer": "no answer from the server",
    "no-tls": "no safe connection: TLS or the certificate failed",
    "sign-in": "the server refused user or password",
    "address": "the address was refused",
    "refused": "the server refused the message",
    "redirect": "the address leads elsewhere; write the new one into the settings",
    "private-address": "the address is in the local network; 'private = true' allows that",
    "not-set": "it is not in the settings any more",
    "fault": "the program has a fault; its log says more",
}


def _settings() -> MessageSettings:
    from verify.settings import messages_file
    from verify.web.messages.settings import read_message_settings

    file = messages_file()
    settings = read_message_settings(file)
    if settings is None:
        raise UsageError(f"messages are off: there is no {file}")
    return settings
