"""What a book of 2,000 rebuilds costs, beside a small one.

    python -m tests.benchmark_records [--rebuilds 2000] [--database URL]

Writes a night of 25 entries once by the functions that pages and commands call, and copies it, with
other pictures, into book after book until there are so many rebuilds. Each question is then asked
of the small book and of the large one in the same run; the last column is how many times dearer it
is with the large one. What looks at one rebuild should stay near 1, what looks at everything may
grow as the book does. Commands are run in a process of their own, so that their memory is theirs.
``--database`` names an empty one of PostgreSQL; else it is SQLite, as by default.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from sqlalchemy import Connection, func, insert, select

from tests.benchmark import Cost, command, say
from tests.store.make import Clock, furnish, judge, photo
from verify.rebuild.entries import Action, ClearedAs, Entry
from verify.rebuild.replay import begin, replay
from verify.settings import RecordSettings
from verify.store import photos, tables
from verify.store.chain import BOOK, append, sha256
from verify.store.claims import Facts
from verify.store.home import Home, open_home
from verify.store.records import columns_of
from verify.store.reviews import Said

MACHINES = ("harbour-2", *(f"m-{number}" for number in range(2, 9)))
SMALL = 100
ENTRIES = 25  # of one night
REPEATS = 7
REVIEWED = 2  # every so many rebuilds a manager looked at the flagged part
FIRST_NIGHT = datetime(2024, 1, 1, 22, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Row:
    """What one question took of one book."""

    name: str
    cost: Cost


def main() -> int:
    """Fill a small book and a large one, ask both, print it."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmark_records", description=__doc__)
    parser.add_argument("--rebuilds", type=int, default=2000)
    parser.add_argument("--database", help="an empty PostgreSQL database")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="verify-benchmark-") as folder:
        run(Path(folder), asked.rebuilds, asked.database)
    return 0


def run(folder: Path, rebuilds: int, database: str | None) -> None:
    home = folder / "home"
    url = database or f"sqlite:///{home / 'records.db'}"
    os.environ |= {"VERIFY_HOME": str(home), "VERIFY_DATABASE": url}
    clock = Clock(FIRST_NIGHT)
    with open_home(RecordSettings(url, str(home / "pictures"), home / "keys"), clock) as opened:
        furnish(opened, folder / "machines", *MACHINES)
        night = one_night(opened, folder / "shots")
        likeness = likeness_of(opened, night)
        measured = []
        done = 1
        for size in (min(SMALL, rebuilds), rebuilds):
            started = time.perf_counter()
            for number in range(done, size):
                copy_night(opened, night, number, likeness)
            filled, done = time.perf_counter() - started, size
            clock.now = FIRST_NIGHT + timedelta(days=size)
            entries = count(opened)
            say(f"{size} rebuilds, {entries} entries, filled in {filled:.0f} s")
            measured.append((entries, [*questions(opened, folder, size), *commands(folder, night)]))
    show(measured)


# --- The book -----------------------------------------------------------------------------


def one_night(home: Home, shots: Path) -> list[Entry]:
    """Play one rebuild of 25 entries with all that happens: retakes, a hold, replaced parts."""
    rebuilds = home.rebuilds
    done = rebuilds.start(MACHINES[0], by="ines").id
    rebuilds.replace_part(done, "ring", "a nick", by="ines")
    rebuilds.answer(done, "counted", yes=True, by="ines")
    for strength in (20, 100):
        rebuilds.reading(done, "strength", strength, by="ines")
    for number, name in enumerate(("blur", "wrong", "right", "doubt", "wrong")):
        rebuilds.photo(done, "lid", photo(shots, number, name), by="ines", judge=judge)
    for number, name in enumerate(("blur", "wrong", "right")):
        rebuilds.photo(done, "spout", photo(shots, 9 + number, name), by="ines", judge=judge)
    handed = rebuilds.hand_in(done, by="ines")
    for _ in range(2):
        rebuilds.send_back(done, ["spout"], "not sharp enough for me", by="dalia")
        rebuilds.photo(done, "spout", photo(shots, 20 + _), by="ines", judge=judge)
        handed = rebuilds.hand_in(done, by="ines")
    for hold in handed.open_holds:
        rebuilds.clear(done, hold.id, ClearedAs.FALSE_ALARM, "it is there", by="dalia")
    rebuilds.release(done, by="noor")
    rebuilds.answer(done, "dry", yes=True, by="ines")
    while rebuilds.get(done).entries < ENTRIES - 1:
        rebuilds.answer(done, "dry", yes=True, note="looked again", by="ines")
    rebuilds.put_in_use(done, by="ines")
    return list(rebuilds.entries(done).entries)


def likeness_of(home: Home, night: Sequence[Entry]) -> bytes:
    """Return what is kept to find a picture again; it is as large for each."""
    digest = next(e.data["sha256"] for e in night if e.kind == Action.PHOTO)
    c = tables.pictures.c
    with home.database.read() as connection:
        found = connection.execute(select(c.likeness).where(c.sha256 == digest)).scalar_one()
    return bytes(found)


def copy_night(home: Home, night: Sequence[Entry], number: int, likeness: bytes) -> None:
    """Write the night again, as another rebuild with other pictures, at another date."""
    shift = timedelta(days=number)
    machine = MACHINES[number % len(MACHINES)]
    rebuild_id = f"{machine}-{(night[0].at + shift).date().isoformat()}-1"
    digests = {
        entry.data["sha256"]: home.pictures.put(f"{number} {entry.n}".encode())
        for entry in night
        if entry.kind == Action.PHOTO
    }
    with home.database.write() as connection:
        written: list[Entry] = []
        for old in night:
            data = {**old.data}
            if old.kind == Action.START:
                data |= {"machine": machine, "day": (night[0].at + shift).date().isoformat()}
            if old.kind == Action.PHOTO:
                data["sha256"] = digests[data["sha256"]]
                data["likeness"] = sha256(likeness)
            if "photos" in data:
                data["photos"] = [digests[digest] for digest in data["photos"]]
            at = old.at + shift
            entry = append(
                connection, home.key, rebuild_id, by=old.by, kind=old.kind, data=data, at=at
            )
            if not written:
                values = columns_of(begin(entry))
                connection.execute(
                    insert(tables.rebuilds).values(id=rebuild_id, **{**values, "state": "in-use"})
                )
            written.append(entry)
            note(home, connection, entry, likeness)
        values = columns_of(replay(written))
        connection.execute(
            tables.rebuilds.update().where(tables.rebuilds.c.id == rebuild_id).values(**values)
        )
    if number % REVIEWED == 0:
        photos_of = [e.n for e in written if e.kind == Action.PHOTO]
        for n in photos_of[1:2]:
            flagged = home.reviews.one(rebuild_id, n, "left-clip")
            home.reviews.say(flagged, Said.FALSE_ALARM, by="dalia")


STATE_CHANGES = frozenset(
    {Action.START, Action.HAND_IN, Action.SEND_BACK, Action.RELEASE, Action.PUT_IN_USE}
)


def note(home: Home, connection: Connection, entry: Entry, likeness: bytes) -> None:
    """Write what a rebuild leaves beside its own record."""
    if entry.kind in STATE_CHANGES:
        home.rebuilds._note_head(connection, entry)
    if entry.kind == Action.PHOTO:
        photos.note_use(connection, entry, "harbour-steps", Facts("jpeg", None, likeness))


def count(home: Home) -> int:
    """Return how many entries the rebuilds have."""
    e = tables.entries.c
    with home.database.read() as connection:
        wanted = select(func.count()).select_from(tables.entries).where(e.chain != BOOK)
        return int(connection.execute(wanted).scalar_one())


# --- The questions ------------------------------------------------------------------------


def timed(work: Callable[[], object], repeats: int = REPEATS) -> Cost:
    """Return the median time of a few runs, without memory."""
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return Cost(statistics.median(times), 0)


def questions(home: Home, folder: Path, size: int) -> list[Row]:
    """Time what pages and commands call."""
    rebuilds = home.rebuilds
    listed = rebuilds.listed(limit=1)[0].id
    started = time.perf_counter()
    going_on = rebuilds.start(MACHINES[0], by="ines").id
    rows = [Row("start", Cost(time.perf_counter() - started, 0))]
    answer = partial(rebuilds.answer, going_on, "counted", yes=True, by="ines")
    rows.append(Row("append an answer", timed(answer)))
    rebuilds.reading(going_on, "strength", 100, by="ines")
    names = iter(range(10_000 + 10 * size, 10_000 + 10 * size + 3))

    def add_photo() -> None:
        path = photo(folder / "shots", next(names))
        rebuilds.photo(going_on, "lid", path, by="ines", judge=judge)

    rows.append(Row("append a photo", timed(add_photo, 3)))
    rows.append(Row("open one rebuild", timed(partial(rebuilds.get, listed))))
    rows.append(Row("which one is going on", timed(partial(rebuilds.going_on, MACHINES[0]))))
    rows.append(Row("list the newest 200", timed(rebuilds.listed)))
    rows.append(Row("list what is held", timed(partial(rebuilds.listed, held=True))))
    flagged = partial(home.reviews.flagged, ["harbour-steps"])
    rows.append(Row("list flagged parts", timed(flagged)))
    of_one = partial(home.reviews.flagged, ["harbour-steps"], rebuild=listed)
    rows.append(Row("flagged parts of one rebuild", timed(of_one)))
    rows.append(Row("check one record", timed(partial(rebuilds.check, listed))))
    rebuilds.give_up(going_on, "a benchmark", by="noor")
    return rows


def commands(folder: Path, night: Sequence[Entry]) -> list[Row]:
    """Run whole commands, each in a process of its own."""
    one = night[0].chain
    out = folder / "out"
    said = {
        "verify rebuild list": ["rebuild", "list", "--limit", "1000000", "--json"],
        "verify rebuild show": ["rebuild", "show", one, "--json"],
        "verify rebuild verify": ["rebuild", "verify", one],
        "verify rebuild export --zip": ["rebuild", "export", one, "--zip", f"{out}.zip"],
        "verify rebuild export --pdf": ["rebuild", "export", one, "--pdf", f"{out}.pdf"],
        "verify record check": ["record", "check", "--json"],
    }
    return [Row(name, command(words, folder / "cache")) for name, words in said.items()]


def show(measured: Sequence[tuple[int, Sequence[Row]]]) -> None:
    """Print both books beside each other."""
    (few, small), (many, large) = measured
    say("")
    say(f"{'':<30}{few:>10} {many:>10} entries")
    for a, b in zip(small, large, strict=True):
        memory = ""
        if b.cost.megabytes:
            memory = f"   {a.cost.megabytes:.0f} and {b.cost.megabytes:.0f} MB"
        times = f"{1000 * a.cost.seconds:>7.1f} ms {1000 * b.cost.seconds:>7.1f} ms"
        say(f"{a.name:<30}{times}   x{b.cost.seconds / a.cost.seconds:.1f}{memory}")
    whole = large[-1].cost.seconds - small[-1].cost.seconds
    if many > few:
        say(f"one more entry adds {1e6 * whole / (many - few):.0f} µs to 'verify record check'")


if __name__ == "__main__":
    sys.exit(main())
