"""``verify demo --serve``: the invented shops with some weeks of history, as pages to look at.

People, shops and machines are invented (``demo_data/scenario.toml``), photos are rendered.
"""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.cli.demo_history import NIGHTS, Clock, History, Judge, judge_all, plan_nights
from verify.cli.output import Ink, Progress, answer, pad, paint, wrapped
from verify.domain import Machine, Result
from verify.errors import UsageError
from verify.resources import demo_data_folder, reference_images_folder
from verify.settings import RecordSettings, Settings, read_settings

if TYPE_CHECKING:
    from verify.store.home import Home
    from verify.vision.pipeline import Checker

_DONE = "complete"  # a file that says that the history was written to its end
_NOTE = "All stores, people and machines are invented, and all photos are rendered."


def serve_house(folder: Path, host: str, port: int) -> None:
    """Build the invented house where it is not there yet, and serve its pages.

    Args:
        folder: keeps everything; what was done on the pages is there again next time.
        host, port: where to listen.

    Raises:
        UsageError: the folder holds something else, or the demo's pictures are not here.
    """
    from verify.web.serving import Listen, serve

    records = records_of(folder)
    settings = read_settings()
    if not (folder / _DONE).is_file():
        _require_free(folder)
        build_in(folder, settings)
    for line in greeting(pins_of(demo_data_folder() / "scenario.toml"), folder):
        answer(line)
    serve(records, settings, Listen(host, port), answer)


def build_in(folder: Path, settings: Settings) -> None:
    """Write the house with the tool's own judging, telling how far it is."""
    progress = Progress()
    checkers: dict[Path, Checker] = {}

    def judge(machine_folder: Path, photo: Path, view: str) -> Result:
        return checkers[machine_folder].check(photo, view=view).result

    def teach(machine: Machine) -> None:
        from verify.vision.pipeline import Checker

        checkers[machine.folder] = Checker(
            machine, cache_dir=settings.cache, progress=progress, threads=1
        )

    build_house(
        folder,
        (reference_images_folder(), demo_data_folder()),
        (teach, judge),
        settings.workers,
        progress,
    )
    progress.clear()


def build_house(
    folder: Path,
    sources: tuple[Path, Path],
    eyes: tuple[Callable[[Machine], None], Judge],
    workers: int,
    progress: Callable[[str], None],
) -> None:
    """Write the whole invented house into a folder that has none yet.

    Args:
        folder: gets the records, the pictures and copies of the machines.
        sources: machine folders of the demonstration; its scenario and photos.
        eyes: what prepares for a machine, and what judges a photo.
        workers: how many photos are judged at the same time.
        progress: is told what goes on.

    Raises:
        UsageError: pictures of the demonstration are not here.
    """
    from verify.machine_file import read_machine
    from verify.store.home import open_home

    reference_images, demo_data = sources
    machines = folder / "machines"
    _copy_machines(reference_images, machines)
    teach, judge = eyes
    for machine in NIGHTS:
        teach(read_machine(machines / machine))
    nights = plan_nights(machines, demo_data)
    said = judge_all(nights, machines, judge, workers, progress)
    clock = Clock()
    with open_home(records_of(folder), clock) as home:
        clock.now = datetime.now(UTC) - timedelta(days=max(n.days_ago for n in nights) + 1)
        _furnish(home, demo_data / "scenario.toml", machines)
        history = History(home, clock, said)
        for number, night in enumerate(nights):
            progress(f"playing night {number + 1} of {len(nights)}")
            history.play(night, number)
    (folder / _DONE).write_text(f"{_NOTE}\n", encoding="utf-8")


def records_of(folder: Path) -> RecordSettings:
    """Return where the records of the invented house lie."""
    place = folder.resolve()
    return RecordSettings(
        f"sqlite:///{place / 'records.db'}", str(place / "pictures"), place / "keys"
    )


def pins_of(scenario: Path) -> dict[str, tuple[str, str, str]]:
    """Return name, part and PIN of the invented people, by id. The PINs guard nothing."""
    people = _read(scenario)["person"]
    return {
        person["id"]: (person["name"], person["part"], f"{638152 + 7919 * number}")
        for number, person in enumerate(people)
    }


def greeting(people: dict[str, tuple[str, str, str]], folder: Path) -> list[str]:
    """Return what whoever starts it has to know: who there is, with which PIN."""
    lines = [paint(line, Ink.DOUBT) for line in wrapped(_NOTE)]
    lines += wrapped(f"They lie in {folder}; delete it to begin anew.")
    lines.append(paint("Sign in as", Ink.STRONG))
    lines += [
        f"  {pad(person, 8)} PIN {pin}   {name}, {part}"
        for person, (name, part, pin) in people.items()
    ]
    lines.append(paint("Look at", Ink.STRONG))
    return lines


def _require_free(folder: Path) -> None:
    """Refuse to write into somebody's folder; what was left half done is made anew."""
    begun = folder / "machines"
    if folder.is_dir() and any(folder.iterdir()) and not begun.is_dir():
        raise UsageError(f"--house {folder} holds something else; name an empty or new folder")
    try:
        for name in ("machines", "pictures", "keys"):
            shutil.rmtree(folder / name, ignore_errors=True)
        for file in folder.glob("records.db*"):
            file.unlink()
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--house {folder} cannot be used: {error.strerror}") from error


def _copy_machines(reference_images: Path, folder: Path) -> None:
    """Copy the machine folders, so that what is taught on the pages changes no original."""
    for machine in NIGHTS:
        if not (reference_images / machine).is_dir():
            raise UsageError(
                f"{reference_images / machine} is not there; the demonstration with pages runs "
                "from a clone of the project"
            )
        shutil.copytree(reference_images / machine, folder / machine)


def _furnish(home: Home, scenario: Path, folder: Path) -> None:
    """Add the invented stores, people and machines."""
    from verify.rebuild.people import Role
    from verify.rebuild.sanitizer import Water
    from verify.store.sites import Site, StoreSettings

    plain = _read(scenario)
    settings = StoreSettings(water=Water(ph=7.5))
    for store in plain["store"]:
        site = Site(store["id"], store["name"], store["time_zone"], settings=settings)
        home.sites.add_store(site, by="noor")
    everywhere = [store["id"] for store in plain["store"]]
    # The supervisor comes first: only then may somebody give the others their parts.
    people = sorted(plain["person"], key=lambda p: p["part"] != "supervisor")
    secrets = pins_of(scenario)
    for person in people:
        stores = [person["store"]] if "store" in person else everywhere
        roles = [(store, Role(person["part"])) for store in stores]
        name, _, pin = secrets[person["id"]]
        home.people.add(person["id"], name, by="noor", secret=pin, roles=roles)
    for machine in plain["machine"]:
        home.sites.add_machine(
            folder / machine["id"], machine["store"], number=machine["number"], by="noor"
        )
        for part in home.wear.kit(machine["id"]):
            home.wear.set_stock(machine["id"], part.item.id, 2 * part.item.count, by="noor")


def _read(scenario: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(scenario.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(
            f"{scenario} cannot be read ({error.strerror}); the demonstration with pages runs "
            "from a clone of the project"
        ) from error
