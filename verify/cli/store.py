"""``verify store``: stores, their settings, their machines and stickers."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from verify.cli.options import group
from verify.cli.output import answer, answer_json
from verify.cli.record_options import AsJson, By, MachineName, ask_secret, opened, signed_in
from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.store.sites import Site, StoreSettings

store = group()

_Id = Annotated[str, typer.Argument(metavar="STORE", help="Id of the store.")]
_Name = Annotated[str, typer.Argument(metavar="NAME", help="As it stands in the records.")]
_Zone = Annotated[str, typer.Option(metavar="ZONE", help="Time zone, such as Europe/Lisbon.")]
_NewName = Annotated[str | None, typer.Option("--name", metavar="NAME", help="New name.")]
_NewZone = Annotated[str | None, typer.Option("--zone", metavar="ZONE", help="New time zone.")]
_Starts = Annotated[str | None, typer.Option(metavar="HH:MM", help="When a business day begins.")]
_Law = Annotated[str | None, typer.Option(metavar="ID", help="Whose table of sanitizers.")]
_Kind = Annotated[str | None, typer.Option(metavar="KIND", help="chlorine, iodine or quat.")]
_Ph = Annotated[float | None, typer.Option(metavar="NUMBER", help="pH of the solution.")]
_Hardness = Annotated[float | None, typer.Option(metavar="NUMBER", help="Of the water, in mg/L.")]
_AtLeast = Annotated[
    float | None, typer.Option(metavar="NUMBER", help="Lowest strength on the label, mg/L.")
]
_AtMost = Annotated[
    float | None, typer.Option(metavar="NUMBER", help="Highest strength on the label, mg/L.")
]
_Contact = Annotated[
    float | None, typer.Option(metavar="NUMBER", help="Contact time on the label, in s.")
]
_Wait = Annotated[
    int | None, typer.Option(metavar="NUMBER", help="How long a supervisor has to answer.")
]
_Deputies = Annotated[
    int | None,
    typer.Option(
        "--deputies-after", metavar="MINUTES", help="When deputies are told that something waits."
    ),
]
_Sticker = Annotated[
    bool | None,
    typer.Option(
        "--sticker-needed/--no-sticker-needed", help="Hold photos without the machine's sticker."
    ),
]
_Folder = Annotated[Path, typer.Argument(metavar="DIR", help="The machine folder.")]
_Plate = Annotated[str, typer.Option(metavar="TEXT", help="On the plate of the machine.")]
_File = Annotated[Path, typer.Argument(metavar="FILE", help="The PDF to write.")]


@dataclass(frozen=True)
class _Said:
    """What was said of a store's settings; None stays as it is."""

    day_starts: str | None
    jurisdiction: str | None
    sanitizer: str | None
    ph: float | None
    hardness: float | None
    label_at_least: float | None
    label_at_most: float | None
    label_contact: float | None
    wait_minutes: int | None
    sticker_needed: bool | None
    deputy_minutes: int | None


@store.callback()
def about() -> None:
    """Stores: add, change, list, their machines and stickers.

    Ends with 0, 2 when used wrongly, 5 when not allowed.
    """


@store.command()
def add(
    store_id: _Id,
    name: _Name,
    zone: _Zone,
    by: By,
    day_starts: _Starts = None,
    jurisdiction: _Law = None,
    sanitizer: _Kind = None,
    ph: _Ph = None,
    hardness: _Hardness = None,
    label_at_least: _AtLeast = None,
    label_at_most: _AtMost = None,
    label_contact: _Contact = None,
    wait_minutes: _Wait = None,
    sticker_needed: _Sticker = None,
    deputies_after: _Deputies = None,
    as_json: AsJson = False,
) -> None:
    """Add a store; who adds it is its first supervisor."""
    from verify.store.sites import Site

    said = _Said(
        day_starts, jurisdiction, sanitizer, ph, hardness, label_at_least, label_at_most,
        label_contact, wait_minutes, sticker_needed, deputies_after,
    )  # fmt: skip
    site = _changed(Site(store_id, name, zone), said)
    with opened() as home:
        if home.people.anybody():
            home.people.sign_in(by, ask_secret(f"PIN of {by}"))
        home.sites.add_store(site, by=by)
    _show([site], as_json)


@store.command()
def change(
    store_id: _Id,
    by: By,
    name: _NewName = None,
    zone: _NewZone = None,
    day_starts: _Starts = None,
    jurisdiction: _Law = None,
    sanitizer: _Kind = None,
    ph: _Ph = None,
    hardness: _Hardness = None,
    label_at_least: _AtLeast = None,
    label_at_most: _AtMost = None,
    label_contact: _Contact = None,
    wait_minutes: _Wait = None,
    sticker_needed: _Sticker = None,
    deputies_after: _Deputies = None,
    as_json: AsJson = False,
) -> None:
    """Change a store's settings; what is not said stays."""
    said = _Said(
        day_starts, jurisdiction, sanitizer, ph, hardness, label_at_least, label_at_most,
        label_contact, wait_minutes, sticker_needed, deputies_after,
    )  # fmt: skip
    with signed_in(by) as home:
        old = home.sites.store(store_id)
        new = _changed(replace(old, name=name or old.name, zone=zone or old.zone), said)
        home.sites.change_store(new, by=by)
    _show([new], as_json)


@store.command("list")
def list_them(as_json: AsJson = False) -> None:
    """List stores, their settings and machines."""
    with opened() as home:
        _show(home.sites.stores(), as_json)
        if not as_json:
            for machine in home.sites.machines():
                answer(f"  {machine.store}: {machine.id}, {machine.title} ({machine.folder})")


@store.command()
def add_machine(store_id: _Id, folder: _Folder, by: By, number: _Plate = "") -> None:
    """Add the machine that a folder teaches."""
    with signed_in(by) as home:
        known = home.sites.add_machine(folder, store_id, number=number, by=by)
    answer(f"{known.store}: {known.id}, {known.title}")


@store.command()
def sticker(machine: MachineName, file: _File, by: By) -> None:
    """Write a machine's sticker as a PDF, to print at full size.

    Once it is made, photos that show another machine's sticker are held.
    """
    from verify.store.evidence import write_sticker

    with signed_in(by) as home:
        number = home.sites.give_sticker(machine, by=by)
        write_sticker(home.sites.machine(machine), file)
    answer(f"sticker {number} of {machine}: {file}")


def _changed(site: Site, said: _Said) -> Site:
    given = {key: value for key, value in asdict(said).items() if value is not None}
    if said.day_starts is not None:
        try:
            starts = time.fromisoformat(said.day_starts)
        except ValueError:
            raise UsageError(f"--day-starts {said.day_starts} is no HH:MM") from None
        site = replace(site, day_starts=starts)
    return replace(site, settings=_changed_settings(site.settings, given))


def _changed_settings(settings: StoreSettings, given: dict[str, Any]) -> StoreSettings:
    from verify.rebuild.sanitizer import Kind, Water

    own = {"wait_minutes", "sticker_needed", "deputy_minutes"}
    plain: dict[str, Any] = {key: given[key] for key in own & given.keys()}
    water = {key: given[key] for key in given.keys() - own - {"day_starts", "sanitizer"}}
    if "sanitizer" in given:
        if given["sanitizer"] not in list(Kind):
            allowed = ", ".join(Kind)
            raise UsageError(f"--sanitizer {given['sanitizer']} is not known; allowed: {allowed}")
        water["kind"] = Kind(given["sanitizer"])
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
