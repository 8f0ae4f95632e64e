"""The part of ``verify rebuild`` for those who look at what was done and decide."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from verify.cli.record_options import act, acting, why

if TYPE_CHECKING:
    from verify.rebuild.replay import Rebuild
    from verify.store.home import Home

steps_option = click.option(
    "--step", "steps", metavar="STEP", multiple=True, required=True, help="To be done again."
)
_LOOKED = ("false-alarm", "put-right", "accepted")


@click.command()
@acting
@click.argument("hold", metavar="HOLD")
@click.option(
    "--as",
    "looked",
    type=click.Choice(_LOOKED),
    required=True,
    help="false-alarm: it was right; put-right: mended before your eyes; accepted: harmless.",
)
@why
def clear(rebuild: str, hold: str, looked: str, why: str, by: str, as_json: bool) -> None:
    """Lift a hold after a look. Not by those who did the rebuild."""

    def do(home: Home, rebuild_id: str) -> Rebuild:
        from verify.rebuild.entries import ClearedAs

        return home.rebuilds.clear(rebuild_id, hold, ClearedAs(looked), why, by=by)

    act(rebuild, by, as_json, do)


@click.command("send-back")
@acting
@steps_option
@why
def send_back(rebuild: str, steps: tuple[str, ...], why: str, by: str, as_json: bool) -> None:
    """Have steps done again, with what hides them."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.send_back(i, steps, why, by=by))


@click.command()
@acting
def release(rebuild: str, by: str, as_json: bool) -> None:
    """Release a machine for start-up; the entry is signed. Not by those who did the rebuild."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.release(i, by=by))


@click.command("emergency-release")
@acting
@why
def emergency_release(rebuild: str, why: str, by: str, as_json: bool) -> None:
    """Release as a manager because no supervisor answered in time."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.emergency_release(i, why, by=by))


@click.command()
@acting
@click.option("--note", metavar="TEXT", default="", help="What the look has shown.")
def countersign(rebuild: str, note: str, by: str, as_json: bool) -> None:
    """Say, as a supervisor, that an emergency release was looked at."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.countersign(i, note=note, by=by))


@click.command("return")
@acting
@steps_option
@why
def return_to_work(rebuild: str, steps: tuple[str, ...], why: str, by: str, as_json: bool) -> None:
    """Go on with a machine that was out of service."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.return_to_work(i, steps, why, by=by))


@click.command("give-up")
@acting
@why
def give_up(rebuild: str, why: str, by: str, as_json: bool) -> None:
    """End a rebuild that is not going to be finished."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.give_up(i, why, by=by))


DECIDING = (clear, send_back, release, emergency_release, countersign, return_to_work, give_up)
