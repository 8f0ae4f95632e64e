"""``verify rebuild``: a rebuild from its start to its release, as a script can do it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.options import group
from verify.cli.output import answer, answer_json, complain
from verify.cli.rebuild_decide import deciding
from verify.cli.rebuild_flagged import flagging
from verify.cli.rebuild_work import working
from verify.cli.record_options import (
    AsJson,
    OnlyStore,
    RebuildName,
    find_rebuild,
    names_of,
    opened,
)
from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.rebuild.states import State


rebuild = group()
looking = typer.Typer()

_Machine = Annotated[str | None, typer.Option(metavar="ID", help="Only of this machine.")]
_Day = Annotated[str | None, typer.Option(metavar="YYYY-MM-DD", help="Only of this business day.")]
_States = Annotated[
    list[str] | None, typer.Option("--state", metavar="STATE", help="Only in this state.")
]
_Limit = Annotated[int, typer.Option(metavar="NUMBER", min=1, help="At most so many.")]
_Held = Annotated[bool, typer.Option("--held", help="Only those in which something is held.")]
_Pdf = Annotated[Path | None, typer.Option(metavar="FILE", help="Write it as a PDF.")]
_Zip = Annotated[Path | None, typer.Option("--zip", metavar="FILE", help="Write it as a ZIP.")]
_Head = Annotated[
    str | None,
    typer.Option(metavar="SHA256", help="A head noted earlier, which must be in the record."),
]


@rebuild.callback()
def about() -> None:
    """Rebuilds: start, photograph, hand in, look, release, prove.

    REBUILD is the id of a rebuild, or that of a machine whose rebuild is going on. Every command
    that does something ends with 0 when done, 3 when it is recorded and something is held by it, 4
    when a photo has to be taken again, 5 when the rules or a wrong PIN forbid it, 6 when the
    record is not as it was written, 2 when used wrongly. --json prints the rebuild as one object.
    """


@looking.command("list")
def list_them(
    store: OnlyStore = None,
    machine: _Machine = None,
    day: _Day = None,
    states: _States = None,
    held: _Held = False,
    limit: _Limit = 200,
    as_json: AsJson = False,
) -> None:
    """List rebuilds, the newest first."""
    from dataclasses import asdict

    from verify.cli.rebuild_lines import listed_lines

    wanted = [_state(word) for word in states or ()]
    with opened() as home:
        found = home.rebuilds.listed(
            store=store, machine=machine, day=day, states=wanted, held=held, limit=limit + 1
        )
    if len(found) > limit:
        complain(f"there are more than these {limit}; --limit says how many to list")
        found = found[:limit]
    if as_json:
        for item in found:
            answer_json(json.dumps({**asdict(item), "state": item.state.value}, ensure_ascii=False))
        return
    for line in listed_lines(found):
        answer(line)


def _state(word: str) -> State:
    from verify.rebuild.states import State

    if word not in list(State):
        raise UsageError(f"--state {word} is not known; allowed: {', '.join(State)}")
    return State(word)


@looking.command()
def show(rebuild: RebuildName, as_json: AsJson = False) -> None:
    """Show where a rebuild stands, step by step."""
    from verify.cli.rebuild_lines import show_rebuild

    with opened() as home:
        found = home.rebuilds.get(find_rebuild(home, rebuild))
        show_rebuild(found, as_json=as_json, names=names_of(home))


@looking.command()
def leaks(store: OnlyStore = None, machine: _Machine = None, as_json: AsJson = False) -> None:
    """List leaks and count who overlooked them."""
    from collections import Counter
    from dataclasses import asdict

    from verify.cli.rebuild_lines import leak_lines
    from verify.rebuild.entries import Miss

    with opened() as home:
        found = home.rebuilds.leaks(store=store, machine=machine)
    if as_json:
        for leak in found:
            answer_json(json.dumps(asdict(leak), ensure_ascii=False))
        return
    for line in leak_lines(found):
        answer(line)
    missed = Counter(leak.miss for leak in found)
    counted = ", ".join(f"{Miss(miss).words} {number}" for miss, number in missed.most_common())
    answer(f"leaks: {len(found)}; overlooked by: {counted}" if found else "no leak was reported")


@looking.command()
def export(rebuild: RebuildName, pdf: _Pdf = None, archive: _Zip = None) -> None:
    """Write the evidence of a rebuild as PDF or ZIP.

    The PDF is there to be read, the ZIP to be checked with standard tools.
    """
    from verify.store.evidence import write_pdf, write_zip

    if pdf is None and archive is None:
        raise UsageError("say where to: --pdf FILE, --zip FILE or both")
    with opened() as home:
        rebuild_id = find_rebuild(home, rebuild)
        if pdf is not None:
            write_pdf(home, rebuild_id, pdf)
            answer(f"written: {pdf}")
        if archive is not None:
            write_zip(home, rebuild_id, archive)
            answer(f"written: {archive}")


@looking.command()
def verify(rebuild: RebuildName, head: _Head = None, as_json: AsJson = False) -> None:
    """Check that a record is as it was written.

    It is held against its hashes, seal, signatures, the rules and its pictures.

    Ends with 0 if it is as it was written, with 6 if not; the first broken entry is named.
    """
    with opened() as home:
        checked = home.rebuilds.check(find_rebuild(home, rebuild), expected_head=head)
    plain = {"id": checked.chain, "entries": len(checked.entries), "head": checked.head}
    if as_json:
        answer_json(json.dumps(plain))
    else:
        answer(f"{checked.chain}: {len(checked.entries)} entries, as they were written")
        answer(f"head {checked.head}")


for commands in (working, deciding, flagging, looking):
    rebuild.add_typer(commands)
