"""``verify rebuild``: a rebuild from its start to its release, as a script can do it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from verify.cli.options import PATH
from verify.cli.output import answer, answer_json
from verify.cli.rebuild_decide import DECIDING
from verify.cli.rebuild_work import WORKING
from verify.cli.record_options import as_json, find_rebuild, names_of, opened, rebuild_argument
from verify.errors import UsageError


@click.group()
def rebuild() -> None:
    """Rebuilds: start, photograph, answer, hand in, look, release, prove.

    REBUILD is the id of a rebuild, or that of a machine whose rebuild is going on. Every command
    that does something ends with 0 when done, 3 when it is recorded and something is held by it, 4
    when a photo has to be taken again, 5 when the rules or a wrong PIN forbid it, 6 when the
    record is not as it was written, 2 when used wrongly. --json prints the rebuild as one object.
    """


@rebuild.command("list")
@click.option("--store", metavar="ID", help="Only of this store.")
@click.option("--machine", metavar="ID", help="Only of this machine.")
@click.option("--day", metavar="YYYY-MM-DD", help="Only of this business day.")
@click.option("--state", "states", metavar="STATE", multiple=True, help="Only in this state.")
@click.option("--held", is_flag=True, help="Only those in which something is held.")
@as_json
def list_them(
    store: str | None,
    machine: str | None,
    day: str | None,
    states: tuple[str, ...],
    held: bool,
    as_json: bool,
) -> None:
    """List rebuilds, the newest first."""
    from dataclasses import asdict

    from verify.cli.rebuild_lines import listed_lines
    from verify.rebuild.states import State

    wanted = [_state(word) for word in states]
    with opened() as home:
        found = home.rebuilds.listed(
            store=store, machine=machine, day=day, states=[State(word) for word in wanted]
        )
    found = [item for item in found if item.open_holds or not held]
    if as_json:
        for item in found:
            answer_json(json.dumps({**asdict(item), "state": item.state.value}, ensure_ascii=False))
        return
    for line in listed_lines(found):
        answer(line)


def _state(word: str) -> str:
    from verify.rebuild.states import State

    if word not in list(State):
        raise UsageError(f"--state {word} is not known; allowed: {', '.join(State)}")
    return word


@rebuild.command()
@rebuild_argument
@as_json
def show(rebuild: str, as_json: bool) -> None:
    """Show where a rebuild stands, step by step."""
    from verify.cli.rebuild_lines import show_rebuild

    with opened() as home:
        found = home.rebuilds.get(find_rebuild(home, rebuild))
        show_rebuild(found, as_json=as_json, names=names_of(home))


@rebuild.command()
@rebuild_argument
@click.option("--pdf", metavar="FILE", type=PATH, help="Write it as a PDF.")
@click.option("--zip", "archive", metavar="FILE", type=PATH, help="Write it as a ZIP.")
def export(rebuild: str, pdf: Path | None, archive: Path | None) -> None:
    """Write the evidence of a rebuild: a PDF to read, a ZIP to check with standard tools."""
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


@rebuild.command()
@rebuild_argument
@click.option("--head", metavar="SHA256", help="A head noted earlier, which must be in the record.")
@as_json
def verify(rebuild: str, head: str | None, as_json: bool) -> None:
    """Hold a record against its hashes, seal, signatures, rules and pictures.

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
    sys.exit(0)


for command in (*WORKING, *DECIDING):
    rebuild.add_command(command)
