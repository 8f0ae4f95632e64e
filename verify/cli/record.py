"""``verify record``: the whole of what is kept: check it, upgrade it, its public key."""

from __future__ import annotations

import json

import typer

from verify.cli.options import group
from verify.cli.output import Progress, answer, answer_json, complain
from verify.cli.record_options import AsJson, opened
from verify.errors import RecordBrokenError

BROKEN = 6

record = group()


@record.callback()
def about() -> None:
    """All records together: check, upgrade, public key.

    Ends with 0, 6 when a record is not as it was written, 2 when used wrongly.
    """


@record.command()
def check(as_json: AsJson = False) -> None:
    """Check that every record is as it was written.

    Each is held against its hashes, seal, signatures, the rules and its pictures.

    Writes the head of each; note them elsewhere to notice an older copy of the whole later.
    """
    progress, broken = Progress(), 0
    with opened() as home:
        for chain in home.rebuilds.chains():
            progress(f"checking {chain}")
            try:
                checked = home.rebuilds.check_chain(chain)
            except RecordBrokenError as error:
                broken += 1
                progress.clear()
                complain(error)
                continue
            plain = {"id": chain, "entries": len(checked.entries), "head": checked.head}
            progress.clear()
            if as_json:
                answer_json(json.dumps(plain))
            else:
                answer(f"{checked.head}  {chain}, {len(checked.entries)} entries")
    raise typer.Exit(BROKEN if broken else 0)


@record.command()
def key() -> None:
    """Write the public key that signatures are checked with, as PEM."""
    with opened() as home:
        answer(home.key.public_pem.decode().rstrip())


@record.command()
def upgrade() -> None:
    """Bring the database to this version; a file is copied first."""
    from verify.settings import read_record_settings
    from verify.store.database import newest_revision
    from verify.store.database import upgrade as upgrade_database

    copy = upgrade_database(read_record_settings().database)
    answer(f"the database has schema {newest_revision()}")
    if copy is not None:
        answer(f"a copy from before: {copy}")
