"""What a message says: plain text in the reader's language, and JSON for programs.

Nothing secret stands in it: no names of the crew, no pictures, no reasons, no way in. Whoever
follows the link has to sign in.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from verify.rebuild.entries import to_rfc3339
from verify.rebuild.notices import Round, Why
from verify.store.messages import Matter, Message
from verify.web.language import Language, later

FORMAT = 1

_SUBJECTS = {
    Why.RELEASE: later("%(store)s: %(machine)s waits for a release"),
    Why.LEAK: later("%(store)s: %(machine)s leaked and is stopped"),
    Why.OUT_OF_SERVICE: later("%(store)s: %(machine)s is out of service"),
    Why.COUNTERSIGN: later("%(store)s: %(machine)s was released in an emergency"),
}
_WHAT = {
    Why.RELEASE: later("The rebuild is handed in. Start-up waits until somebody releases it."),
    Why.LEAK: later("It leaked after the start. It stays off until somebody decides what is next."),
    Why.OUT_OF_SERVICE: later("It was taken out of service and must not be used."),
    Why.COUNTERSIGN: later(
        "A manager released it because nobody answered. A supervisor has to look at it afterwards."
    ),
}
_REASONS = {
    Round.FIRST: later("You get this because you are a supervisor of %(store)s."),
    Round.DEPUTIES: later(
        "You get this because no supervisor of %(store)s has opened it since. If you may not "
        "decide, call somebody who may."
    ),
}
_ADVICE = later("The tool advises. A person looks and releases the machine.")


@dataclass(frozen=True)
class Written:
    """A message as people read it; ``body`` ends with a line feed."""

    subject: str
    body: str


def link_to(pages: str, rebuild: str) -> str:
    """Return the address of the page on which it is decided."""
    return f"{pages}/rebuild/{rebuild}/evidence"


def write(language: Language, message: Message, matter: Matter, pages: str) -> Written:
    """Return what a person is told."""
    say = language.say
    names = {"store": _line(matter.store.name), "machine": _line(matter.title)}
    subject, what, reason = _SUBJECTS[message.why], _WHAT[message.why], _REASONS[message.round]
    since = language.moment(matter.since, matter.store.zone)
    lines = [say(subject, **names), say("Since %(since)s.", since=since), "", say(what)]
    if message.why is Why.RELEASE:
        held = matter.open_holds
        lines.append(say("Held: %(n)s.", n=held) if held else say("Nothing is held."))
    lines += ["", say("Look and decide:"), link_to(pages, message.rebuild), ""]
    lines += [say(reason, **names), say(_ADVICE), ""]
    return Written(say(subject, **names), "\n".join(lines))


def write_trial(language: Language, pages: str) -> Written:
    """Return a message that only shows that messages get through."""
    say = language.say
    lines = [
        say("Messages from verify get through to this address."),
        say(
            "When a machine waits for you, a message like this has a link to it. The pages are at:"
        ),
        f"{pages}/waiting",
        "",
    ]
    return Written(say("verify: a message to try it out"), "\n".join(lines))


def as_json(message: Message, matter: Matter, pages: str) -> bytes:
    """Return what a webhook is told, as ``shared/message.schema.json`` describes it."""
    plain: dict[str, Any] = {
        "format": FORMAT,
        "id": message.id,
        "event": "waiting",
        "why": message.why.value,
        "round": message.round.value,
        "store": {"id": matter.store.id, "name": matter.store.name},
        "machine": {"id": matter.machine, "title": matter.title},
        "rebuild": message.rebuild,
        "since": to_rfc3339(matter.since),
        "open_holds": matter.open_holds,
        "url": link_to(pages, message.rebuild),
    }
    return json.dumps(plain, ensure_ascii=False).encode()


def trial_json(message_id: str, pages: str) -> bytes:
    """Return what a webhook is told to try it out."""
    plain = {"format": FORMAT, "id": message_id, "event": "trial", "url": f"{pages}/waiting"}
    return json.dumps(plain).encode()


def _line(text: str) -> str:
    """Return a text on one line: a subject has no second one."""
    return " ".join(text.split())
