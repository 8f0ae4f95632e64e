"""Looks every few seconds whether something waits, and sends what is due."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from threading import Event, Thread
from uuid import uuid4

from verify.errors import UsageError
from verify.store.home import Home
from verify.store.messages import Channel, Message, Standing, Trouble
from verify.web.language import choose
from verify.web.messages import texts
from verify.web.messages.delivery import DeliveryError, HandOver, NotNeededError
from verify.web.messages.mail import compose, send_mail
from verify.web.messages.settings import MessageSettings
from verify.web.messages.webhook import post

log = logging.getLogger("verify.messages")

EVERY = 5.0  # seconds
_AT_ONCE = 50  # messages of one round, so that what is new is looked for in between


@dataclass(frozen=True)
class Sender:
    """Sends messages.

    Attributes:
        home: open.
        settings: how.
    """

    home: Home
    settings: MessageSettings

    def once(self) -> list[tuple[Message, Standing]]:
        """Make and send what is due now; return what became of each message."""
        self.home.messages.plan(self.settings.channels)
        done = []
        for _ in range(_AT_ONCE):
            message = self.home.messages.claim()
            if message is None:
                break
            done.append((message, self._send(message)))
        return done

    def run(self, stop: Event, every: float = EVERY) -> None:
        """Go on until ``stop`` is set; what goes wrong is logged, and tried again."""
        while not stop.is_set():
            try:
                self.once()
            except Exception:
                log.exception("messages could not be sent")
            stop.wait(every)

    def _send(self, message: Message) -> Standing:
        """Send one claimed message, and write down how it ended."""
        messages = self.home.messages
        try:
            self._deliver(message, lambda: messages.hand_over(message))
        except NotNeededError:
            return Standing.NOT_NEEDED
        except DeliveryError as error:
            standing = messages.failed(
                message, error.trouble, error.answer, for_good=error.for_good
            )
            # No address and no word of the server: both may say too much.
            log.warning(
                "message %s by %s: %s; %s", message.id, message.channel, error, standing.value
            )
            return standing
        except Exception:
            log.exception("message %s by %s", message.id, message.channel)
            return messages.failed(message, Trouble.FAULT, for_good=False)
        messages.sent(message)
        return Standing.SENT

    def _deliver(self, message: Message, hand_over: HandOver) -> None:
        matter = self.home.messages.matter(message)
        pages, at = self.settings.pages, self.home.messages.clock()
        if message.channel is Channel.WEBHOOK:
            hook = self.settings.webhook(message.recipient)
            if hook is None:
                raise DeliveryError(Trouble.NOT_SET, for_good=True)
            post(hook, message.id, texts.as_json(message, matter, pages), at, hand_over)
            return
        person = self.home.people.person(message.recipient)
        if self.settings.mail is None:
            raise DeliveryError(Trouble.NOT_SET, for_good=True)
        if person.email is None:
            raise DeliveryError(Trouble.ADDRESS, for_good=True)
        written = texts.write(choose(person.language), message, matter, pages)
        mail = compose(self.settings.mail, person.email, written, message.id, at)
        send_mail(self.settings.mail, mail, hand_over)


def try_mail(home: Home, settings: MessageSettings, to: str, language: str) -> None:
    """Send an e-mail that says that messages get through; nothing is kept of it.

    Raises:
        DeliveryError: they do not.
        UsageError: e-mail is not set.
    """
    if settings.mail is None:
        raise UsageError("e-mail is not set; give the settings a [mail]")
    written = texts.write_trial(choose(language), settings.pages)
    mail = compose(settings.mail, to, written, str(uuid4()), home.messages.clock())
    send_mail(settings.mail, mail, _always)


def try_webhook(home: Home, settings: MessageSettings, name: str) -> None:
    """Post to a webhook that messages get through.

    Raises:
        DeliveryError: they do not.
        UsageError: there is no webhook of that name.
    """
    hook = settings.webhook(name)
    if hook is None:
        known = ", ".join(hook.name for hook in settings.webhooks) or "none"
        raise UsageError(f"there is no webhook '{name}' in the settings; allowed: {known}")
    message_id = str(uuid4())
    body = texts.trial_json(message_id, settings.pages)
    post(hook, message_id, body, home.messages.clock(), _always)


def start(sender: Sender, every: float = EVERY) -> Callable[[], None]:
    """Send in a thread of its own; return what ends it."""
    stop = Event()
    thread = Thread(target=sender.run, args=(stop, every), name="messages", daemon=True)
    thread.start()

    def end() -> None:
        stop.set()
        thread.join(timeout=5)

    return end


def _always() -> bool:
    return True
