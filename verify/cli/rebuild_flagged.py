"""The part of ``verify rebuild`` for managers who look at flagged parts, for the tool to learn."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from verify.cli.output import answer, answer_json, table
from verify.cli.record_options import (
    AsJson,
    By,
    OnlyStore,
    RebuildName,
    find_rebuild,
    opened,
    signed_in,
)
from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.store.home import Home
    from verify.store.reviews import Flagged

flagging = typer.Typer()

_Part = Annotated[
    str, typer.Argument(metavar="ENTRY/PART", help="Entry and part, as 'flagged' lists them.")
]
_Seen = Annotated[
    Literal["real", "false-alarm", "cannot-see"],
    typer.Option("--as", help="real: it was wrong; false-alarm: it was right; or cannot-see."),
]
_State = Annotated[
    str | None, typer.Option(metavar="STATE", help="With real: the state that it was in.")
]
_All = Annotated[bool, typer.Option("--all", help="Also those that somebody has looked at.")]


@flagging.command()
def flagged(store: OnlyStore = None, everything: _All = False, as_json: AsJson = False) -> None:
    """List flagged parts to be looked at, the newest first."""
    with opened() as home:
        stores = [store] if store else [site.id for site in home.sites.stores()]
        found = [f for f in home.reviews.flagged(stores) if everything or f.said is None]
    if as_json:
        for one in found:
            answer_json(json.dumps(_plain(one), ensure_ascii=False))
        return
    rows = [(f.rebuild, f"{f.entry}/{f.part}", f.finding["message"], f.said or "") for f in found]
    for line in table(rows, (28, 24, 46, 12)):
        answer(line)


@flagging.command()
def look(rebuild: RebuildName, part: _Part, seen: _Seen, by: By, state: _State = None) -> None:
    """Say, as a manager, what a flagged part was.

    It lifts no hold: 'clear' does.
    """
    from verify.store.reviews import Said

    with signed_in(by) as home:
        entry, _, name = part.partition("/")
        if not entry.isdecimal() or not name:
            raise UsageError(f"'{part}' is no entry and part; name it as in 12/left-bushing")
        found = home.reviews.one(find_rebuild(home, rebuild), int(entry), name)
        if state is not None:
            _require_known(home, found, state, real=seen == "real")
        home.reviews.say(found, Said(seen), state=state, by=by)
    answer(f"{found.rebuild} {part}: {seen}{f', {state}' if state else ''}")


def _require_known(home: Home, found: Flagged, state: str, *, real: bool) -> None:
    """Refuse a state that the machine does not know, or where nothing was wrong."""
    from verify.machine_file import read_machine

    if not real:
        raise UsageError("--state belongs to '--as real'; leave it out")
    view = read_machine(home.sites.machine(found.machine).folder).view(found.view)
    part = next((p for p in view.parts if p.id == found.part), None)
    known = [fault.state for fault in part.faults] if part else []
    if state not in known:
        raise UsageError(f"--state {state} is not known; allowed: {', '.join(known) or 'none'}")


def _plain(found: Flagged) -> dict[str, object]:
    return {
        "rebuild": found.rebuild,
        "machine": found.machine,
        "store": found.store,
        "entry": found.entry,
        "part": found.part,
        "step": found.step,
        "view": found.view,
        "at": found.at,
        "by": found.by,
        "sha256": found.sha256,
        "finding": found.finding,
        "said": found.said,
        "said_by": found.said_by,
        "state": found.state,
    }
