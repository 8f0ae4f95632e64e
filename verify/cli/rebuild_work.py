"""The part of ``verify rebuild`` that the hands at the machine need."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from verify.cli.output import Progress
from verify.cli.record_options import (
    AGAIN,
    HELD,
    AsJson,
    By,
    Count,
    MachineName,
    RebuildName,
    WearPart,
    Why,
    act,
    signed_in,
)

if TYPE_CHECKING:
    from verify.domain import Result
    from verify.rebuild.replay import Rebuild
    from verify.store.home import Home

working = typer.Typer()

_Step = Annotated[str, typer.Argument(metavar="STEP", help="Id of the step, as 'show' writes it.")]
_Photo = Annotated[Path, typer.Argument(metavar="PHOTO", help="The photo.")]
_Yes = Annotated[bool, typer.Option("--yes/--no", help="The answer.")]
_Note = Annotated[str, typer.Option(metavar="TEXT", help="What was seen.")]
_Value = Annotated[float, typer.Argument(metavar="NUMBER", help="What was read.")]
_Unit = Annotated[
    str | None,
    typer.Option(metavar="UNIT", help="Of the number: ppm or °F too. Else the step's own."),
]
_Where = Annotated[str, typer.Option(metavar="TEXT", help="Where it leaks.")]
_Leaking = Annotated[
    str | None,
    typer.Option("--step", metavar="STEP", help="The step whose work leaks, if it is known."),
]


@working.command()
def start(machine: MachineName, by: By, as_json: AsJson = False) -> None:
    """Begin the rebuild of a machine. Switched off and unplugged?"""
    from verify.cli.rebuild_lines import show_rebuild
    from verify.cli.record_options import names_of

    with signed_in(by) as home:
        started = home.rebuilds.start(machine, by=by)
        show_rebuild(started, as_json=as_json, names=names_of(home))


@working.command()
def photo(
    rebuild: RebuildName, step: _Step, photo: _Photo, by: By, as_json: AsJson = False
) -> None:
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


@working.command()
def answer(
    rebuild: RebuildName,
    step: _Step,
    yes: _Yes,
    by: By,
    note: _Note = "",
    as_json: AsJson = False,
) -> None:
    """Answer a hand check."""
    after = act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.answer(i, step, yes=yes, note=note, by=by),
    )
    _end(after, step)


@working.command()
def reading(
    rebuild: RebuildName,
    step: _Step,
    value: _Value,
    by: By,
    unit: _Unit = None,
    as_json: AsJson = False,
) -> None:
    """Write down a reading. A number below zero comes after '--'."""
    after = act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.reading(i, step, value, unit=unit, by=by),
    )
    _end(after, step)


@working.command()
def skip(rebuild: RebuildName, step: _Step, why: Why, by: By, as_json: AsJson = False) -> None:
    """Leave a step out tonight; it holds the machine."""
    after = act(rebuild, by, as_json, lambda home, i: home.rebuilds.skip(i, step, why, by=by))
    _end(after, step)


@working.command()
def acknowledge(rebuild: RebuildName, step: _Step, by: By, as_json: AsJson = False) -> None:
    """Say that the cautions of a photo were read."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.acknowledge(i, step, by=by))


@working.command("replace")
def replace_part(
    rebuild: RebuildName,
    item: WearPart,
    why: Why,
    by: By,
    count: Count = 1,
    as_json: AsJson = False,
) -> None:
    """Write down a part that was replaced from the wear kit."""
    act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.replace_part(i, item, why, count=count, by=by),
    )


@working.command()
def hand_in(rebuild: RebuildName, by: By, as_json: AsJson = False) -> None:
    """Hand in: all steps before start-up are answered."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.hand_in(i, by=by))


@working.command()
def in_use(rebuild: RebuildName, by: By, as_json: AsJson = False) -> None:
    """Say that start-up is done and product may be served."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.put_in_use(i, by=by))


@working.command()
def leak(
    rebuild: RebuildName,
    where: _Where,
    by: By,
    step: _Leaking = None,
    note: _Note = "",
    as_json: AsJson = False,
) -> None:
    """Report a leak after the start: the machine stops."""
    act(
        rebuild,
        by,
        as_json,
        lambda home, i: home.rebuilds.leak(i, where, step_id=step, note=note, by=by),
    )


@working.command()
def out_of_service(rebuild: RebuildName, why: Why, by: By, as_json: AsJson = False) -> None:
    """Take a machine out of service: a broken stud, no spare."""
    act(rebuild, by, as_json, lambda home, i: home.rebuilds.out_of_service(i, why, by=by))


def _end(after: Rebuild, step: str) -> NoReturn:
    """End with what the step came to."""
    standing = after.step(step).standing.value
    raise typer.Exit({"held": HELD, "again": AGAIN}.get(standing, 0))
