"""Works on a rebuild until it is killed; says on standard output what was accepted.

python -m tests.store.killed DATABASE HOME MACHINE SEED
"""

from __future__ import annotations

import sys
from itertools import count
from pathlib import Path

from tests.store.make import judge, picture, save
from verify.settings import RecordSettings
from verify.store.home import open_home
from verify.vision import likeness, markers, read  # noqa: F401 - loaded before the work begins


def main() -> None:
    database, place, machine, seed = sys.argv[1:]
    home = Path(place)
    settings = RecordSettings(database, str(home / "pictures"), home / "keys")
    with open_home(settings) as opened:
        rebuilds = opened.rebuilds
        rebuild = rebuilds.going_on(machine)
        assert rebuild is not None
        print("ready", flush=True)
        for number in count():
            note = f"{seed}-{number}"
            if number % 3 == 2:
                rebuilds.answer(rebuild, "counted", yes=True, note=note, by="ines")
                print(f"note {note}", flush=True)
                continue
            shot = picture(int(seed) * 10_000 + number, (720, 540))
            path = save(home.parent / "shots" / machine / f"right-{note}.jpg", shot)
            after = rebuilds.photo(rebuild, "lid", path, by="ines", judge=judge)
            print(f"photo {after.step('lid').data['sha256']}", flush=True)


if __name__ == "__main__":
    main()
