"""What parts should be and what they are caught as, in words to choose from."""

from __future__ import annotations

import re
from dataclasses import dataclass

from verify.domain import Fault, How, Part, Symmetry, View
from verify.store.draft_edits import Lack
from verify.store.outlines import Flaw
from verify.teach_report import Because, PartCheck
from verify.web.language import LANGUAGES, Language, later, translations
from verify.web.words import spoken_state, title_of


@dataclass(frozen=True)
class Wrong:
    """A way in which a part can be wrong: a fault and what it is called."""

    state: str
    how: How
    words: str
    turn_deg: float | None = None


EXPECT = (
    ("in-place", later("in its place")),
    ("seated", later("seated all the way")),
    ("facing-front", later("facing the front")),
    ("closed", later("closed")),
    ("hand-tight", later("hand-tight")),
    ("complete", later("complete, with its seals")),
)
WRONGS = (
    Wrong("missing", How.ABSENT, later("missing")),
    Wrong("reversed", How.FLIPPED, later("the wrong way round, front to back")),
    Wrong("upside-down", How.TURNED, later("upside down"), 180.0),
    Wrong("sideways", How.TURNED, later("turned sideways"), 90.0),
    Wrong("displaced", How.DISPLACED, later("not in its place")),
    Wrong("loose", How.OTHER, later("loose, not run home")),
    Wrong("seal-missing", How.OTHER, later("without its seal or O-ring")),
    Wrong("seal-off", How.OTHER, later("with its seal off its place")),
    Wrong("damaged", How.OTHER, later("torn, cracked or worn")),
)
MIXED_UP = "mixed-up-with-"  # before the id of the other part
HOWS = (
    (How.OTHER, later("it looks different")),
    (How.ABSENT, later("something is not there")),
    (How.TURNED, later("it is turned")),
    (How.FLIPPED, later("it is the wrong way round")),
    (How.DISPLACED, later("it is somewhere else")),
)
SYMMETRIES = (
    (Symmetry.TURN180, later("turned by half")),
    (Symmetry.ANY_TURN, later("turned by any angle, like a knob")),
    (Symmetry.MIRROR, later("mirrored, left to right")),
)
LACKS = {
    Lack.VIEW: later("a view: what crews are to photograph"),
    Lack.PHOTO: later("a photo with all parts right"),
    Lack.PART: later("at least one part, drawn on the photo"),
    Lack.SAID: later("your word on what a photo shows"),
    Lack.CHECK: later("your look at the outlines that the tool laid"),
}
FLAWS = {
    Flaw.FEW: later("%(part)s: an outline needs three corners or more."),
    Flaw.MANY: later("%(part)s: this outline has too many corners."),
    Flaw.SMALL: later("%(part)s: this outline is too small. Zoom in and draw it anew."),
    Flaw.CROSSES: later("%(part)s: this outline crosses itself. Move or delete a corner."),
}
_ADVICE = {
    Because.FEW_RIGHT: later("Add a photo with it %(state)s, under another light."),
    Because.TAKEN_WRONGLY: later(
        "Add a photo with it %(state)s: that is what is most often taken wrongly."
    ),
    Because.FEW: later("Add a photo with it %(state)s."),
}


def unnamed(view: View, language: Language) -> tuple[str, ...]:
    """Return the titles of parts that bear the number that drawing gave them, and no name."""
    words = {translations(code).gettext("Part") for code in LANGUAGES}
    numbered = re.compile(f"(?:(?:{'|'.join(map(re.escape, sorted(words)))}) )?[0-9]+")
    titles = (part.title.get(language.code) for part in view.parts)
    return tuple(title for title in titles if numbered.fullmatch(title))


def expect_words(state: str, language: Language) -> str:
    """Return what a part should be as words."""
    known = dict(EXPECT).get(state)
    return language.say(known) if known else spoken_state(state, language)


def fault_words(fault: Fault, view: View, language: Language) -> str:
    """Return what a part can be caught as, in words."""
    known = next((w for w in WRONGS if w.state == fault.state and w.how is fault.how), None)
    if known is not None:
        return language.say(known.words)
    if fault.state.startswith(MIXED_UP) and fault.with_part is not None:
        other = title_of(view, fault.with_part, language)
        return language.say("mixed up with: %(other)s", other=other)
    return spoken_state(fault.state, language)


def state_words(part: Part, state: str, view: View, language: Language) -> str:
    """Return a state of a part, right or wrong, as words."""
    fault = part.fault(state)
    if fault is None:
        return expect_words(state, language)
    return fault_words(fault, view, language)


def advice(check: PartCheck, part: Part, view: View, language: Language) -> str:
    """Return which shot of a part would help most; empty where none is needed."""
    if check.wanted is None:
        return ""
    state = state_words(part, check.wanted.state, view, language)
    text = _ADVICE[check.wanted.because]
    return language.say(text, state=state)


def flaw_words(flaw: Flaw, title: str, language: Language) -> str:
    """Return why an outline cannot be one."""
    text = FLAWS[flaw]
    return language.say(text, part=title)
