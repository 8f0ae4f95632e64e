"""A rebuild as a PDF: what was decided, one page for each photo, all checks, the record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from verify.domain import StepKind, View, by_urgency
from verify.errors import BrokenFileError, PhotoError
from verify.machine_file import read_machine
from verify.rebuild.days import time_zone
from verify.rebuild.entries import Action, Entry, Miss
from verify.rebuild.holds import Hold, holds_of
from verify.rebuild.replay import Rebuild, StepState, replay
from verify.result_json import result_from_json
from verify.store.chain import SIGNED
from verify.store.evidence.paper import Paper

if TYPE_CHECKING:
    from verify.store.home import Home

_STATES = {
    "under-way": "Under way, not released",
    "handed-in": "Handed in, not released",
    "released": "Released for start-up",
    "in-use": "Released and in use",
    "stopped": "STOPPED: it leaked after the start",
    "out-of-service": "OUT OF SERVICE",
    "given-up": "Given up",
}
_STANDINGS = {
    "to-do": "not done",
    "again": "to be taken again",
    "held": "HELD",
    "to-acknowledge": "caution not read yet",
    "done": "done",
}
_CAUTION = (
    "The tool advises; the people named here looked and decided. It does not see lubricant, "
    "torque, hairline cracks or cleanliness. The maker's manual, the label of the sanitizer and "
    "local code come first."
)


@dataclass(frozen=True)
class _Case:
    """What all pages need."""

    rebuild: Rebuild
    entries: tuple[Entry, ...]
    head: str
    key: str
    names: dict[str, str]
    zone: str
    views: dict[str, View]
    picture: Callable[[str], bytes]

    def who(self, person: str | None) -> str:
        return self.names.get(person, person) if person else "–"

    def when(self, at: datetime | None) -> str:
        if at is None:
            return "–"
        return f"{at.astimezone(time_zone(self.zone)):%Y-%m-%d %H:%M}"


def rebuild_pdf(home: Home, rebuild_id: str) -> bytes:
    """Return the PDF of a rebuild.

    Raises:
        UsageError: there is no such rebuild.
        RecordBrokenError: its record is not as it was written.
    """
    checked = home.rebuilds.check(rebuild_id)
    rebuild = replay(checked.entries)
    case = _Case(
        rebuild=rebuild,
        entries=checked.entries,
        head=checked.head,
        key=home.key.id,
        names={person.id: person.name for person in home.people.everybody()},
        zone=home.sites.store(rebuild.store).zone,
        views=_views(home.sites.machine(rebuild.machine).folder),
        picture=home.pictures.get,
    )
    made = checked.entries[-1].at
    paper = Paper(f"Rebuild {rebuild_id}", f"{rebuild_id} · head {checked.head[:16]}…", made)
    _summary(paper, case)
    for state in rebuild.steps:
        if state.step.kind is StepKind.PHOTO and state.entry is not None:
            _photo(paper, case, state)
    _record(paper, case)
    return bytes(paper.output())


def _views(folder: Path) -> dict[str, View]:
    """Return the machine's views for the titles of parts; none where its folder is gone."""
    try:
        return {view.id: view for view in read_machine(folder).views}
    except BrokenFileError:
        return {}


def _summary(paper: Paper, case: _Case) -> None:
    rebuild = case.rebuild
    start = case.entries[0].data
    paper.add_page()
    paper.head(f"Rebuild of {start['title']}")
    number = f", number {start['number']}" if start["number"] else ""
    paper.say(f"{rebuild.machine}{number} · store {rebuild.store} · business day {rebuild.day}")
    paper.say(_STATES[rebuild.state.value], bold=True)
    if rebuild.reason:
        paper.say(rebuild.reason, indent=4)
    for line in _decisions(case):
        paper.say(line)
    paper.say(f"Times are those of {case.zone}.", quiet=True)
    if rebuild.open_holds:
        paper.part("Still held")
        for hold in rebuild.open_holds:
            paper.say(f"{_title(rebuild, hold)}: {hold.message}", indent=4)
    paper.part("Steps")
    rows = [_row(case, state) for state in rebuild.steps]
    paper.rows(("step", "came to", "by", "at"), rows, (64, 60, 28, 28))
    for leak in rebuild.leaks:
        paper.part("Leak after the start")
        paper.say(
            f"{leak.where}, seen by {case.who(leak.by)}, {case.when(leak.at)}. Overlooked by: "
            f"{Miss(leak.miss).words}. "
            f"The {len(leak.photos)} photos that counted then are tied to it."
        )
    if rebuild.replaced:
        paper.part("Replaced from the wear kit")
        titles = {item.id: str(item.title) for item in rebuild.plan.wear}
        for item in rebuild.replaced:
            title = titles.get(item["item"], item["item"])
            who = case.who(item["by"])
            lacked = item.get("not_in_kit", 0)
            more = f"; {lacked} more than the kit listed" if lacked else ""
            paper.say(f"{item['count']} × {title}: {item['reason']} ({who}){more}", indent=4)
    paper.ln(3)
    paper.small(_CAUTION)


def _decisions(case: _Case) -> Iterator[str]:
    rebuild = case.rebuild
    doers = ", ".join(case.who(person) for person in sorted(rebuild.doers))
    yield f"Begun by {case.who(rebuild.started_by)}, {case.when(rebuild.started_at)}."
    yield f"Done by: {doers}."
    for entry in case.entries:
        who, when = case.who(entry.by), case.when(entry.at)
        if entry.kind == Action.RELEASE:
            deputy = ", standing in for a supervisor" if entry.data["deputy"] else ""
            yield f"Released by {who}{deputy}, {when}: {entry.data['meaning']}"
        elif entry.kind == Action.EMERGENCY_RELEASE:
            yield f"EMERGENCY RELEASE by {who}, {when}: {entry.data['reason']}"
        elif entry.kind == Action.COUNTERSIGN:
            yield f"Countersigned by {who}, {when}. {entry.data['note']}".rstrip()
        elif entry.kind == Action.SEND_BACK:
            steps = ", ".join(entry.data["steps"])
            yield f"Sent back by {who}, {when}: {steps}. {entry.data['reason']}"
    if rebuild.emergency and not rebuild.countersigned:
        yield "No supervisor has countersigned the emergency release yet."


def _title(rebuild: Rebuild, hold: Hold) -> str:
    return str(rebuild.plan.step(hold.step).title)


def _row(case: _Case, state: StepState) -> tuple[str, str, str, str]:
    said = _STANDINGS[state.standing.value]
    if state.kind is Action.ANSWER:
        note = f": {state.data['note']}" if state.data["note"] else ""
        said += f", answered {'yes' if state.data['yes'] else 'NO'}{note}"
    elif state.kind is Action.READING:
        said += f", {state.data['message']}"
    elif state.kind is Action.SKIP:
        said += f", not done: {state.data['reason']}"
    elif state.kind is Action.PHOTO:
        said += f", photo {state.data['sha256'][:12]}…"
    if state.tries > 1:
        said += f" ({state.tries} tries)"
    for text, holds in _cleared(case, state).items():
        said += f"; {holds} held, cleared by {text}"
    return str(state.step.title), said, case.who(state.by), case.when(state.at)


def _cleared(case: _Case, state: StepState) -> Counter[str]:
    """Count the holds that were cleared by the same person, as the same thing, for one reason."""
    looks = (hold.cleared for hold in state.holds if hold.cleared is not None)
    return Counter(f"{case.who(k.by)} as {k.result.value}: {k.reason}" for k in looks)


def _photo(paper: Paper, case: _Case, state: StepState) -> None:
    paper.add_page()
    paper.head(str(state.step.title))
    if state.kind is not Action.PHOTO:
        paper.say(f"Not photographed: {state.data['reason']}")
        return
    paper.say(
        f"{_STANDINGS[state.standing.value]} · taken in by {case.who(state.by)}, "
        f"{case.when(state.at)} · try {state.tries}"
    )
    view = case.views.get(state.step.view or "")
    drawn = _drawn(case, state, view)
    if drawn is None:
        paper.say("The file is no picture that can be shown.", quiet=True)
    else:
        paper.picture(drawn[0], drawn[1], _room(state))
    result = state.data["result"]
    if result["retake"] is not None:
        paper.say(result["retake"]["advice"])
    holds = {hold.part: hold for hold in state.holds}
    titles = {part.id: str(part.title) for part in view.parts} if view else {}
    problems, right = by_urgency(result_from_json(result).parts)  # numbered as in the picture
    rows = [
        (
            str(number) if number <= len(problems) else "",
            titles.get(part.id, part.id),
            f"{part.verdict}, looks {part.found or 'not known'}, is to be {part.expected}",
            _chance(part.p_right),
            _looked(case, holds.get(part.id)),
        )
        for number, part in enumerate((*problems, *right), start=1)
    ]
    if rows:
        heads = ("no.", "part", "the tool's finding", "p right", "looked at")
        paper.rows(heads, rows, (9, 42, 57, 17, 55))
    for hold in state.holds:
        if hold.part is None:
            paper.say(f"{hold.message} {_looked(case, hold)}")
    _earlier(paper, case, state)
    made = result["made_by"]
    paper.small(
        f"photo SHA-256 {state.data['sha256']} · verify {made['verify']} · machine folder "
        f"{made['machine'][:16]}… · networks {made['model'][:16]}…"
    )


def _room(state: StepState) -> float:
    """Return how high the picture may be in mm, so that one page holds a view and its parts."""
    looked = sum(1 for hold in state.holds if hold.part is not None)
    others = len(state.data["result"]["parts"]) - looked
    return max(70.0, 225 - 14 * looked - 7 * others - 6 * state.tries)


def _chance(p_right: float | None) -> str:
    """Return a probability for people; never a rounded 0 or 100 %."""
    if p_right is None:
        return "–"
    if p_right >= 0.9995:
        return "> 99.9 %"
    return "< 0.1 %" if p_right < 0.0005 else f"{100 * p_right:.1f} %"


def _earlier(paper: Paper, case: _Case, state: StepState) -> None:
    """Say what came of the photos before the one that counts."""
    for entry in case.entries:
        if entry.kind != Action.PHOTO or entry.data["step"] != state.step.id:
            continue
        if entry.n == state.entry:
            break
        result = entry.data["result"]
        holds = holds_of(entry)
        words = "passed"
        if result["retake"] is not None:
            words = result["retake"]["advice"]
        elif holds:
            more = f" (and {len(holds) - 1} more held)" if len(holds) > 1 else ""
            words = holds[0].message + more
        paper.say(f"Earlier photo, {case.when(entry.at)}, {case.who(entry.by)}: {words}")


def _looked(case: _Case, hold: Hold | None) -> str:
    if hold is None:
        return ""
    if hold.cleared is None:
        return "NOT LOOKED AT"
    look = hold.cleared
    return f"{look.result.value}, {case.who(look.by)}: {look.reason}"


def _drawn(
    case: _Case, state: StepState, view: View | None
) -> tuple[bytes, tuple[int, int]] | None:
    """Return the photo with its parts drawn on it, as JPEG, and its size in pixels."""
    import cv2

    from verify.vision.draw import draw_marked
    from verify.vision.read import read_content

    data = state.data
    try:
        photo = read_content(case.picture(data["sha256"]), Path(data["sha256"]), max_side=1200)
    except PhotoError:
        return None
    result = result_from_json(data["result"])
    marked = draw_marked(
        photo.bgr, result, view, max_side=1200, to_pixels=photo.to_decoded, with_list=False
    )
    _, coded = cv2.imencode(".jpg", marked, [cv2.IMWRITE_JPEG_QUALITY, 82])
    return coded.tobytes(), (marked.shape[1], marked.shape[0])


def _record(paper: Paper, case: _Case) -> None:
    paper.add_page()
    paper.head("The record")
    paper.say(
        f"{len(case.entries)} entries. Each carries the SHA-256 of the one above it; the last is "
        "the head of the record. Whoever has noted the head can prove that nothing was changed "
        "since. The ZIP of this rebuild holds all entries, photos and signatures, and says how to "
        "check them with standard tools."
    )
    paper.say(f"head {case.head}", bold=True)
    paper.say(f"signing key {case.key}", quiet=True)
    rows = [
        (
            str(entry.n),
            entry.kind + (" (signed)" if entry.kind in SIGNED else ""),
            str(entry.data.get("step") or entry.data.get("hold") or ""),
            case.who(entry.by),
            case.when(entry.at),
        )
        for entry in case.entries
    ]
    paper.rows(("n", "what", "step or hold", "by", "at"), rows, (12, 48, 50, 40, 30))
    paper.ln(3)
    paper.small(_CAUTION)
