"""The part of ``verify rebuild`` for those who look at what was done and decide."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from verify.cli.record_options import AsJson, By, RebuildName, Why, act

if TYPE_CHECKING:
    from verify.rebuild.replay import Rebuild
    from verify.store.home import Home

deciding = typer.Typer()

_Steps = Annotated[list[str], typer.Option("--step", metavar="STEP", help="To be done again.")]
_Hold = Annotated[str, typer.Argument(metavar="HOLD", help="Id of the hold, as 'show' writes it.")]
_Looked = Annotated[
    Literal["false-alarm", "put-right", "accepted"],
    typer.Option(
        "--as",
        help="false-alarm: it was right; put-right: mended before your eyes; accepted: harmless.",
    ),
]
_Note = Annotated[str, typer.Option(metavar="TEXT", help="What the look has shown.")]


@deciding.command()
def clear(
    rebuild: RebuildName, hold: _Hold, looked: _Looked, why: Why, by: By, as_json: AsJson = False
) -> None:
    """Lift a hold after a look. Not by those who did the rebuild."""

    def do(home: Home, rebuild_id: str) -> Rebuild:
        from verify.rebuild.entries import ClearedAs

        return home.rebuilds.clear(rebuild_id, hold, ClearedAs(looked), why, by=by)

    act(rebuild, by, as_json, do)


@deciding.command()
def send_back(
    rebuild: RebuildName, steps: _Steps, why: Why, by: By, as_json: AsJson = False
) -> None:
    """Have steps done again, with what hides them."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.send_back(i, steps, why, by=by))


@deciding.command()
def release(rebuild: RebuildName, by: By, as_json: AsJson = False) -> None:
    """Release a machine for start-up; the entry is signed. Not by those who did the rebuild."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.release(i, by=by))


@deciding.command()
def emergency_release(rebuild: RebuildName, why: Why, by: By, as_json: AsJson = False) -> None:
    """Release as a manager: no supervisor answered in time."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.emergency_release(i, why, by=by))


@deciding.command()
def countersign(rebuild: RebuildName, by: By, note: _Note = "", as_json: AsJson = False) -> None:
    """Confirm, as a supervisor, an emergency release."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.countersign(i, note=note, by=by))


@deciding.command("return")
def return_to_work(
    rebuild: RebuildName, steps: _Steps, why: Why, by: By, as_json: AsJson = False
) -> None:
    """Go on with a machine that was out of service."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.return_to_work(i, steps, why, by=by))


@deciding.command()
def give_up(rebuild: RebuildName, why: Why, by: By, as_json: AsJson = False) -> None:
    """End a rebuild that is not going to be finished."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.give_up(i, why, by=by))
