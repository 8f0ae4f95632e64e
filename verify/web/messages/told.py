"""What a page says of the messages about a rebuild: who was told, who could not be."""

from __future__ import annotations

from collections.abc import Mapping

from verify.rebuild.entries import from_rfc3339
from verify.rebuild.notices import Why
from verify.store.messages import Channel, Message, Standing, Trouble
from verify.web.crew_pages import Told
from verify.web.language import Language, later
from verify.web.visit import Visit

_TROUBLES = {
    Trouble.NO_ANSWER: later("no answer from the server"),
    Trouble.NO_TLS: later("no safe connection"),
    Trouble.SIGN_IN: later("the mail server refused us"),
    Trouble.ADDRESS: later("the address was refused"),
    Trouble.REFUSED: later("the server refused it"),
    Trouble.REDIRECT: later("the address leads elsewhere"),
    Trouble.PRIVATE: later("the address is not allowed"),
    Trouble.NOT_SET: later("it is not set up any more"),
    Trouble.FAULT: later("the program has a fault"),
}
_TONES = {
    Standing.SENT: "good",
    Standing.GIVEN_UP: "stop",
    Standing.UNKNOWN: "stop",
}


def told_lines(visit: Visit, stores: Mapping[str, str]) -> dict[str, list[Told]]:
    """Return what is said of the messages about rebuilds, by rebuild, the oldest first.

    Args:
        visit: whose language it is told in.
        stores: ids of rebuilds, each with the id of its store.
    """
    zones = {site.id: site.zone for site in visit.home.sites.stores()}
    zone_of = {rebuild: zones[store] for rebuild, store in stores.items()}
    found = visit.home.messages.listed(zone_of) if stores else []
    names = {person.id: person.name for person in visit.home.people.everybody()} if found else {}
    newest: dict[tuple[str, Why], int] = {}
    for message in found:
        what = message.rebuild, message.why
        newest[what] = max(message.entry, newest.get(what, 0))
    told: dict[str, list[Told]] = {}
    for message in reversed(found):
        earlier = message.entry != newest[message.rebuild, message.why]  # that it waited
        if earlier or message.standing is Standing.NOT_NEEDED:
            continue
        text = _text(visit.language, message, names, zone_of[message.rebuild])
        tone = _TONES.get(message.standing, "wait")
        lines = told.setdefault(message.rebuild, [])
        line = Told(text[:1].upper() + text[1:], tone)
        if line not in lines:  # a webhook is told in both rounds
            lines.append(line)
    return told


def _text(language: Language, message: Message, names: dict[str, str], zone: str) -> str:
    say = language.say
    who = names.get(message.recipient, message.recipient)
    if message.channel is Channel.WEBHOOK:
        who = say("webhook %(name)s", name=message.recipient)
    if message.standing is Standing.SENT and message.settled_at:
        at = language.clock(from_rfc3339(message.settled_at), zone)
        return say("%(who)s was told at %(at)s", who=who, at=at)
    if message.standing is Standing.UNKNOWN:
        return say("Perhaps %(who)s was not told: call", who=who)
    trouble = message.trouble
    why = say(_TROUBLES[trouble]) if trouble is not None else ""
    if message.standing is Standing.GIVEN_UP:
        return say("%(who)s could not be told (%(why)s): call", who=who, why=why)
    if trouble is not None:
        return say("%(who)s is not told yet (%(why)s); tried again", who=who, why=why)
    return say("%(who)s is being told", who=who)
