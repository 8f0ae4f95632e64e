"""The part of ``verify rebuild`` that the hands at the machine need."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verify.cli.options import PATH
from verify.cli.output import Progress
from verify.cli.record_options import AGAIN, HELD, act, acting, as_json, by, signed_in, why

if TYPE_CHECKING:
    from verify.domain import Result
    from verify.rebuild.replay import Rebuild
    from verify.store.home import Home

step_argument = click.argument("step", metavar="STEP")


@click.command()
@click.argument("machine", metavar="MACHINE")
@by
@as_json
def start(machine: str, by: str, as_json: bool) -> None:
    """Begin the rebuild of a machine. Switched off and unplugged?"""
    from verify.cli.rebuild_lines import show_rebuild
    from verify.cli.record_options import names_of

    with signed_in(by) as home:
        started = home.rebuilds.start(machine, by=by)
        show_rebuild(started, as_json=as_json, names=names_of(home))


@click.command()
@acting
@step_argument
@click.argument("photo", metavar="PHOTO", type=PATH)
def photo(rebuild: str, step: str, photo: Path, by: str, as_json: bool) -> None:
    """Add the photo of a step; it is judged at once."""
    from verify.cli.photos import require_photos

    require_photos([photo])

    def do(home: Home, rebuild_id: str) -> Rebuild:
        judge = judge_for(home, rebuild_id)
        return home.rebuilds.photo(rebuild_id, step, photo, by=by, judge=judge)

    after = act(rebuild, by, as_json, do)
    _end(after, step)


def judge_for(home: Home, rebuild_id: str) -> Callable[[Path, str], Result]:
    """Return what judges the photos of a rebuild's machine."""
    from verify.cli.photos import start_checker
    from verify.machine_file import read_machine
    from verify.settings import read_settings

    folder = home.sites.machine(home.rebuilds.get(rebuild_id).machine).folder

    def judge(path: Path, view: str) -> Result:
        checker = start_checker(read_machine(folder), read_settings(), 1, Progress())
        return checker.check(path, view=view).result

    return judge


@click.command()
@acting
@step_argument
@click.option("--yes/--no", "yes", default=None, required=True, help="The answer.")
@click.option("--note", metavar="TEXT", default="", help="What was seen.")
def answer(rebuild: str, step: str, yes: bool, note: str, by: str, as_json: bool) -> None:
    """Answer a hand check."""
    after = act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.answer(i, step, yes=yes, note=note, by=by),
    )
    _end(after, step)


@click.command()
@acting
@step_argument
@click.argument("value", metavar="NUMBER", type=float)
@click.option("--unit", metavar="UNIT", help="Of the number: ppm or °F too. Else the step's own.")
def reading(
    rebuild: str, step: str, value: float, unit: str | None, by: str, as_json: bool
) -> None:
    """Write down a reading. A number below zero comes after '--'."""
    after = act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.reading(i, step, value, unit=unit, by=by),
    )
    _end(after, step)


@click.command()
@acting
@step_argument
@why
def skip(rebuild: str, step: str, why: str, by: str, as_json: bool) -> None:
    """Leave a step out tonight, with a reason; it holds the machine."""
    after = act(rebuild, by, as_json, lambda home, i: home.rebuilds.skip(i, step, why, by=by))
    _end(after, step)


@click.command()
@acting
@step_argument
def acknowledge(rebuild: str, step: str, by: str, as_json: bool) -> None:
    """Say that the cautions of a photo were read."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.acknowledge(i, step, by=by))


@click.command("replace")
@acting
@click.argument("item", metavar="PART")
@click.option("--count", default=1, show_default=True, help="How many.")
@why
def replace_part(rebuild: str, item: str, count: int, why: str, by: str, as_json: bool) -> None:
    """Write down a part that was replaced from the wear kit."""
    act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.replace_part(i, item, why, count=count, by=by),
    )


@click.command("hand-in")
@acting
def hand_in(rebuild: str, by: str, as_json: bool) -> None:
    """Hand a rebuild in: all steps before start-up are answered."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.hand_in(i, by=by))


@click.command("in-use")
@acting
def in_use(rebuild: str, by: str, as_json: bool) -> None:
    """Say that start-up is done and product may be served."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.put_in_use(i, by=by))


@click.command()
@acting
@click.option("--where", metavar="TEXT", required=True, help="Where it leaks.")
@click.option("--step", metavar="STEP", help="The step whose work leaks, if it is known.")
@click.option("--note", metavar="TEXT", default="", help="What was seen.")
def leak(rebuild: str, where: str, step: str | None, note: str, by: str, as_json: bool) -> None:
    """Report a leak after the start: the machine stops."""
    act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.leak(i, where, step_id=step, note=note, by=by),
    )


@click.command("out-of-service")
@acting
@why
def out_of_service(rebuild: str, why: str, by: str, as_json: bool) -> None:
    """Take a machine out of service: a broken stud, no spare."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.out_of_service(i, why, by=by))


WORKING = (
    start, photo, answer, reading, skip, acknowledge, replace_part, hand_in, in_use, leak,
    out_of_service,
)  # fmt: skip


def _end(after: Rebuild, step: str) -> None:
    """End with what the step came to."""
    standing = after.step(step).standing.value
    sys.exit({"held": HELD, "again": AGAIN}.get(standing, 0))
