"""``verify store``: stores, their settings, their machines and stickers."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from verify.cli.options import PATH
from verify.cli.output import answer, answer_json
from verify.cli.record_options import as_json, ask_secret, by, opened, signed_in
from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.store.sites import Site, StoreSettings

_Command = TypeVar("_Command", bound=Callable[..., Any])
_WATER = ("ph", "hardness", "label_at_least", "label_at_most", "label_contact")


def _settings(command: _Command) -> _Command:
    """Add the options of a store's settings; what is not said stays as it is."""
    options = [
        click.option("--day-starts", metavar="HH:MM", help="When a business day begins."),
        click.option("--jurisdiction", metavar="ID", help="Whose table of sanitizers."),
        click.option("--sanitizer", metavar="KIND", help="chlorine, iodine or quat."),
        click.option("--ph", type=float, help="pH of the solution."),
        click.option("--hardness", type=float, help="Of the water, in mg/L."),
        click.option("--label-at-least", type=float, help="Lowest strength on the label, mg/L."),
        click.option("--label-at-most", type=float, help="Highest strength on the label, mg/L."),
        click.option("--label-contact", type=float, help="Contact time on the label, in s."),
        click.option("--wait-minutes", type=int, help="How long a supervisor has to answer."),
        click.option(
            "--sticker-needed/--no-sticker-needed",
            default=None,
            help="Hold photos without the machine's sticker.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


@click.group()
def store() -> None:
    """Stores: add, change, list, their machines and stickers.

    Ends with 0, 2 when used wrongly, 5 when not allowed.
    """


@store.command()
@click.argument("store_id", metavar="STORE")
@click.argument("name", metavar="NAME")
@click.option("--zone", required=True, help="Time zone, such as Europe/Lisbon.")
@_settings
@by
@as_json
def add(store_id: str, name: str, zone: str, by: str, as_json: bool, **given: Any) -> None:
    """Add a store; who adds it is its first supervisor."""
    from verify.store.sites import Site

    site = _changed(Site(store_id, name, zone), given)
    with opened() as home:
        if home.people.anybody():
            home.people.sign_in(by, ask_secret(f"PIN of {by}"))
        home.sites.add_store(site, by=by)
    _show([site], as_json)


@store.command()
@click.argument("store_id", metavar="STORE")
@click.option("--name", help="New name.")
@click.option("--zone", help="New time zone.")
@_settings
@by
@as_json
def change(
    store_id: str, name: str | None, zone: str | None, by: str, as_json: bool, **given: Any
) -> None:
    """Change what a store decides for itself; what is not said stays."""
    with signed_in(by) as home:
        old = home.sites.store(store_id)
        new = _changed(replace(old, name=name or old.name, zone=zone or old.zone), given)
        home.sites.change_store(new, by=by)
    _show([new], as_json)


@store.command("list")
@as_json
def list_them(as_json: bool) -> None:
    """List stores, their settings and machines."""
    with opened() as home:
        _show(home.sites.stores(), as_json)
        if not as_json:
            for machine in home.sites.machines():
                answer(f"  {machine.store}: {machine.id}, {machine.title} ({machine.folder})")


@store.command("add-machine")
@click.argument("store_id", metavar="STORE")
@click.argument("folder", metavar="DIR", type=PATH)
@click.option("--number", default="", help="On the plate of the machine.")
@by
def add_machine(store_id: str, folder: Path, number: str, by: str) -> None:
    """Add the machine that a folder teaches."""
    with signed_in(by) as home:
        known = home.sites.add_machine(folder, store_id, number=number, by=by)
    answer(f"{known.store}: {known.id}, {known.title}")


@store.command()
@click.argument("machine", metavar="MACHINE")
@click.argument("file", metavar="FILE", type=PATH)
@by
def sticker(machine: str, file: Path, by: str) -> None:
    """Write a PDF with a machine's sticker, to be printed at full size.

    Once it is made, photos that show another machine's sticker are held.
    """
    from verify.store.evidence import write_sticker

    with signed_in(by) as home:
        number = home.sites.give_sticker(machine, by=by)
        write_sticker(home.sites.machine(machine), file)
    answer(f"sticker {number} of {machine}: {file}")


def _changed(site: Site, given: dict[str, Any]) -> Site:
    said = {key: value for key, value in given.items() if value is not None}
    if "day_starts" in said:
        try:
            starts = time.fromisoformat(said["day_starts"])
        except ValueError:
            raise UsageError(f"--day-starts {said['day_starts']} is no HH:MM") from None
        site = replace(site, day_starts=starts)
    return replace(site, settings=_changed_settings(site.settings, said))


def _changed_settings(settings: StoreSettings, said: dict[str, Any]) -> StoreSettings:
    from verify.rebuild.sanitizer import Kind, Water

    plain: dict[str, Any] = {
        key: said[key] for key in ("wait_minutes", "sticker_needed") if key in said
    }
    water = {key: said[key] for key in (*_WATER, "jurisdiction") if key in said}
    if "sanitizer" in said:
        if said["sanitizer"] not in list(Kind):
            allowed = ", ".join(Kind)
            raise UsageError(f"--sanitizer {said['sanitizer']} is not known; allowed: {allowed}")
        water["kind"] = Kind(said["sanitizer"])
    if water:
        plain["water"] = replace(settings.water or Water(), **water)
    return replace(settings, **plain)


def _show(sites: list[Site], as_json: bool) -> None:
    for site in sites:
        plain = {
            "id": site.id,
            "name": site.name,
            "zone": site.zone,
            "day_starts": f"{site.day_starts:%H:%M}",
            "settings": site.settings.to_json(),
        }
        if as_json:
            answer_json(json.dumps(plain, ensure_ascii=False))
            continue
        water = site.settings.water
        said = f"{water.kind.value} by {water.jurisdiction}" if water else "sanitizer not set"
        answer(f"{site.id}: {site.name}, {site.zone}, day from {plain['day_starts']}, {said}")
