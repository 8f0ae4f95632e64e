"""Whatever is changed in a record behind the back of the program is found.

An edit is planted in the tables or the pictures; whoever edits has the database but not the
signing key. 200 of them, drawn with a seed, on each database.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, delete, insert, select, update

from tests.store.make import whole_night
from verify.errors import RecordBrokenError
from verify.store import tables
from verify.store.chain import BOOK, canonical, sha256
from verify.store.home import Home

EDITS = 200
TABLES = (
    tables.entries, tables.chains, tables.rebuilds, tables.pictures, tables.uses, tables.wear,
)  # fmt: skip
Rows = list[dict[str, Any]]
e, c = tables.entries.c, tables.chains.c


def rows_of(connection: Connection, chain: str) -> Rows:
    found = connection.execute(select(tables.entries).where(e.chain == chain).order_by(e.n))
    return [dict(row) for row in found.mappings()]


def put(connection: Connection, row: dict[str, Any], **changes: Any) -> None:
    at = (e.chain == row["chain"]) & (e.n == row["n"])
    connection.execute(update(tables.entries).where(at).values(**changes))


def forged(row: dict[str, Any], draw: random.Random) -> str:
    """Return a body that says something else, well formed."""
    value = json.loads(row["body"])
    choice = draw.choice(["by", "at", "kind", "data", "data"])
    if choice == "by":
        value["by"] = "noor" if value["by"] != "noor" else "ines"
    elif choice == "at":
        value["at"] = value["at"][:-2] + ("1Z" if value["at"][-2] != "1" else "2Z")
    elif choice == "kind":
        value["kind"] = "answer" if value["kind"] != "answer" else "skip"
    else:
        value["data"]["note"] = draw.choice(["fine", "as it should be", 7, None, True])
        value["data"]["forged"] = draw.random()
    return canonical(value).decode()


def change_a_byte(connection: Connection, rows: Rows, draw: random.Random) -> int:
    row = draw.choice(rows)
    place = draw.randrange(len(row["body"]))
    other = draw.choice([ch for ch in "abc019{}:," if ch != row["body"][place]])
    put(connection, row, body=row["body"][:place] + other + row["body"][place + 1 :])
    return int(row["n"])


def change_what_it_says(connection: Connection, rows: Rows, draw: random.Random) -> int:
    row = draw.choice(rows)
    put(connection, row, body=forged(row, draw))
    return int(row["n"])


def change_and_hash_anew(connection: Connection, rows: Rows, draw: random.Random) -> int:
    row = draw.choice(rows)
    body = forged(row, draw)
    value = json.loads(body)
    put(connection, row, body=body, hash=sha256(body.encode()), by=value["by"], at=value["at"],
        kind=value["kind"])  # fmt: skip
    return int(row["n"])


def rewrite_all_that_follows(connection: Connection, rows: Rows, draw: random.Random) -> int:
    """The whole tail written anew, with fitting hashes; the head too, but without a seal."""
    start = draw.randrange(len(rows))
    prev = None
    for row in rows[start:]:
        body = forged(row, draw) if prev is None else row["body"]
        value = json.loads(body)
        if prev is not None:
            value["prev"] = prev
            body = canonical(value).decode()
        prev = sha256(body.encode())
        put(connection, row, body=body, hash=prev, by=value["by"], at=value["at"],
            kind=value["kind"])  # fmt: skip
    if draw.random() < 0.5:
        values = {"head": prev}
        connection.execute(update(tables.chains).where(c.id == rows[0]["chain"]).values(**values))
    return start + 1


def delete_one(connection: Connection, rows: Rows, draw: random.Random) -> int:
    row = draw.choice(rows)
    connection.execute(delete(tables.entries).where(e.chain == row["chain"], e.n == row["n"]))
    return int(row["n"])


def swap_two(connection: Connection, rows: Rows, draw: random.Random) -> int:
    a, b = sorted(draw.sample(rows, 2), key=lambda row: row["n"])
    for to, origin in ((a, b), (b, a)):
        kept = {k: origin[k] for k in ("body", "hash", "signature", "at", "by", "kind")}
        put(connection, to, **kept)
    return int(a["n"])


def cut_the_tail(connection: Connection, rows: Rows, draw: random.Random) -> int:
    keep = draw.randrange(len(rows))
    chain = rows[0]["chain"]
    connection.execute(delete(tables.entries).where(e.chain == chain, e.n > keep))
    if draw.random() < 0.6 and keep:
        values = {"length": keep, "head": rows[keep - 1]["hash"]}
        connection.execute(update(tables.chains).where(c.id == chain).values(**values))
    return keep + 1


def put_one_in(connection: Connection, rows: Rows, draw: random.Random) -> int:
    last = rows[-1]
    value = json.loads(draw.choice(rows)["body"])
    value |= {"n": last["n"] + 1, "prev": last["hash"]}
    body = canonical(value).decode()
    said = {key: value[key] for key in ("n", "by", "at", "kind")}
    row = {**last, **said, "body": body, "hash": sha256(body.encode()), "signature": None}
    connection.execute(insert(tables.entries).values(**row))
    if draw.random() < 0.5:
        values = {"length": row["n"], "head": row["hash"]}
        connection.execute(update(tables.chains).where(c.id == row["chain"]).values(**values))
    return int(row["n"])


def list_it_wrongly(connection: Connection, rows: Rows, draw: random.Random) -> int:
    row = draw.choice(rows)
    change = draw.choice([{"by": "nobody"}, {"kind": "note"}, {"at": "2020-01-01T00:00:00.000Z"},
                          {"hash": "f" * 64}])  # fmt: skip
    put(connection, row, **change)
    return int(row["n"])


def touch_a_signature(connection: Connection, rows: Rows, draw: random.Random) -> int:
    row = draw.choice(rows)
    signed = [r["signature"] for r in rows if r["signature"]]
    if row["signature"] is None:
        put(connection, row, signature=signed[0] if signed else "QUJD")
    else:
        put(connection, row, signature=draw.choice([None, "A" * 86 + "==", row["signature"][:-8]]))
    return int(row["n"])


def touch_the_seal(connection: Connection, rows: Rows, draw: random.Random) -> int:
    chain = rows[0]["chain"]
    if draw.random() < 0.3:
        connection.execute(delete(tables.chains).where(c.id == chain))
    else:
        values = {"seal": draw.choice(["", "A" * 86 + "=="])}
        connection.execute(update(tables.chains).where(c.id == chain).values(**values))
    return 0


def list_the_rebuild_wrongly(connection: Connection, rows: Rows, draw: random.Random) -> int:
    """What stands in lists beside the record: state, holds, pictures in use."""
    chain = rows[0]["chain"]
    u, r = tables.uses.c, tables.rebuilds.c
    if draw.random() < 0.4:
        used = connection.execute(select(u.n).where(u.rebuild == chain)).scalars().all()
        at = (u.rebuild == chain) & (u.n == draw.choice(used))
        if draw.random() < 0.5:
            connection.execute(delete(tables.uses).where(at))
        else:
            connection.execute(update(tables.uses).where(at).values(step="dry"))
        return 0
    values = draw.choice(
        [{"state": "given-up"}, {"open_holds": 7}, {"leaks": 3}, {"day": "2020-01-01"},
         {"to_countersign": True}, {"started_by": "noor"}]
    )  # fmt: skip
    connection.execute(update(tables.rebuilds).where(r.id == chain).values(**values))
    return 0


def drop_all_of_it(connection: Connection, rows: Rows, draw: random.Random) -> int:
    """A whole rebuild, as if it had never been: the book knows better."""
    chain = rows[0]["chain"]
    if draw.random() < 0.3:  # only out of the list
        connection.execute(delete(tables.uses).where(tables.uses.c.rebuild == chain))
        connection.execute(delete(tables.rebuilds).where(tables.rebuilds.c.id == chain))
        return 0
    connection.execute(delete(tables.entries).where(e.chain == chain))
    connection.execute(delete(tables.chains).where(c.id == chain))
    if chain != BOOK:
        connection.execute(delete(tables.uses).where(tables.uses.c.rebuild == chain))
        connection.execute(delete(tables.rebuilds).where(tables.rebuilds.c.id == chain))
    return 0


def list_a_picture_wrongly(connection: Connection, rows: Rows, draw: random.Random) -> int:
    """What a photo is found again by: without it, one that is used again would pass."""
    photos = [json.loads(row["body"])["data"]["sha256"] for row in rows if row["kind"] == "photo"]
    changes = [{"likeness": None}, {"likeness": b"other"}, {"added_at": "2020-01-01T00:00:00.000Z"},
               {"bytes": 1}, {"format": "png"}]  # fmt: skip
    at = tables.pictures.c.sha256 == draw.choice(photos)
    connection.execute(update(tables.pictures).where(at).values(**draw.choice(changes)))
    return 0


def list_the_kit_wrongly(connection: Connection, rows: Rows, draw: random.Random) -> int:
    """Spares and the age of parts; a part too many, or one less."""
    assert rows
    choice = draw.random()
    if choice < 0.2:
        connection.execute(delete(tables.wear))
    elif choice < 0.4:
        values = {"machine": "harbour-2", "item": "never-heard-of", "reason": "", "stock": 3}
        connection.execute(insert(tables.wear).values(**values))
    else:
        changes = [{"stock": 99}, {"fitted_on": "2026-06-30"}, {"fitted_by": "noor"},
                   {"reason": "other"}, {"fitted_on": None}]  # fmt: skip
        connection.execute(update(tables.wear).values(**draw.choice(changes)))
    return 0


Edit = Callable[[Connection, Rows, random.Random], int]
KINDS: tuple[Edit, ...] = (
    change_a_byte, change_what_it_says, change_and_hash_anew, rewrite_all_that_follows, delete_one,
    swap_two, cut_the_tail, put_one_in, list_it_wrongly, touch_a_signature, touch_the_seal,
    list_the_rebuild_wrongly, drop_all_of_it, list_a_picture_wrongly, list_the_kit_wrongly,
)  # fmt: skip

WHOLE = (  # only of a rebuild
    list_the_rebuild_wrongly, drop_all_of_it, list_a_picture_wrongly, list_the_kit_wrongly,
)  # fmt: skip


def broken(home: Home) -> list[str]:
    """Return what is wrong with all records, as ``verify record check`` finds it."""
    found = []
    for chain in home.rebuilds.chains():
        try:
            home.rebuilds.check_chain(chain)
        except RecordBrokenError as error:
            found.append(str(error))
    return found


def snapshot(home: Home) -> dict[str, Rows]:
    with home.database.read() as connection:
        return {t.name: [dict(r) for r in connection.execute(select(t)).mappings()] for t in TABLES}


def restore(home: Home, kept: dict[str, Rows]) -> None:
    with home.database.write() as connection:
        for table in reversed(TABLES):
            connection.execute(delete(table))
        for table in TABLES:
            if kept[table.name]:
                connection.execute(insert(table), kept[table.name])


def test_every_planted_edit_is_found(home: Home, tmp_path: Path) -> None:
    home.wear.set_stock("harbour-2", "ring", 4, by="noor")
    done = whole_night(home, tmp_path)
    home.wear.fit("harbour-2", "ring", "worn", count=2, by="ines")
    assert broken(home) == []
    kept = snapshot(home)
    draw = random.Random(8785)
    for number in range(EDITS):
        kind = KINDS[number % len(KINDS)]
        chain = done.id if draw.random() < 0.75 or kind in WHOLE else BOOK
        with home.database.write() as connection:
            rows = rows_of(connection, chain)
            n = kind(connection, rows, draw)
        found = broken(home)
        assert found, f"edit {number}: {kind.__name__} of {chain}, entry {n}, was not found"
        own = (text for text in found if f"record {chain}" in text and "of the book" not in text)
        mine = next(own, found[0])
        named = [int(m) for m in re.findall(r"entry (\d+)", mine)]
        if kind not in (touch_the_seal, rewrite_all_that_follows, *WHOLE):
            # The entry itself, or the next one, whose chain no longer fits; or the last one left.
            assert named, mine
            first = n - 1 if kind is cut_the_tail else n
            assert first <= named[0] <= n + 1, f"{kind.__name__} {n}: {mine}"
        restore(home, kept)
    assert broken(home) == []


def test_every_planted_edit_of_a_picture_is_found(home: Home, tmp_path: Path) -> None:
    done = whole_night(home, tmp_path)
    draw = random.Random(180)
    for digest in done.photos:
        path = tmp_path / "home" / "pictures" / digest[:2] / digest
        whole = path.read_bytes()
        place = draw.randrange(len(whole))
        flipped = whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :]
        for content in (flipped, whole[:-1], whole + b"\0", b""):
            path.write_bytes(content)
            assert broken(home)
        path.unlink()
        assert broken(home)
        path.write_bytes(whole)
    assert broken(home) == []


def test_an_older_copy_is_told_by_a_head_noted_elsewhere(home: Home, tmp_path: Path) -> None:
    """A seal that was once right stays right: only somebody's own note tells the difference."""
    started = home.rebuilds.start("harbour-2", by="ines")
    home.rebuilds.answer(started.id, "counted", yes=False, by="ines")
    older = snapshot(home)
    head = home.rebuilds.check(started.id).head
    home.rebuilds.answer(started.id, "counted", yes=True, by="ines")
    newest = home.rebuilds.check(started.id).head
    assert home.rebuilds.check(started.id, expected_head=head).head == newest
    restore(home, older)
    assert home.rebuilds.check(started.id).head == head
    with pytest.raises(RecordBrokenError, match=newest):
        home.rebuilds.check(started.id, expected_head=newest)
    assert tmp_path


def test_a_broken_record_is_not_added_to(home: Home) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")
    with home.database.write() as connection:
        change_what_it_says(connection, rows_of(connection, started.id), random.Random(1))
    with pytest.raises(RecordBrokenError, match="entry 1"):
        home.rebuilds.answer(started.id, "counted", yes=True, by="ines")


@pytest.mark.parametrize("kind", ["put-in-use", "release"])
def test_entries_that_the_rules_forbid_are_found_though_well_written(home: Home, kind: str) -> None:
    """Written with the key, but not by the program: the order of things is held as well."""
    from verify.store.chain import append

    started = home.rebuilds.start("harbour-2", by="ines")
    with home.database.write() as connection:
        append(
            connection,
            home.key,
            started.id,
            by="ines",
            kind=kind,
            data={},
            at=home.rebuilds.clock(),
        )
    with pytest.raises(RecordBrokenError, match="entry 2: does not fit"):
        home.rebuilds.check(started.id)
