"""People: who may give what, PINs and how often one may guess."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import select

from tests.store.make import PINS, Clock
from verify.errors import RefusedError, UsageError
from verify.rebuild.people import Role
from verify.store import pins, tables
from verify.store.home import Home
from verify.store.sites import Site

HARBOUR = "harbour-steps"


def test_a_pin_fits_its_person_only(home: Home) -> None:
    assert home.people.sign_in("ines", PINS["ines"]).name == "Inês Valadão"
    for person, pin in (("ines", PINS["tomek"]), ("nobody", PINS["ines"]), ("ines", "")):
        with pytest.raises(RefusedError, match="wrong") as refused:
            home.people.sign_in(person, pin)
        assert refused.value.code == "wrong-pin"


def test_only_a_hash_is_kept(home: Home) -> None:
    with home.database.read() as connection:
        kept = connection.execute(select(tables.people.c.secret)).scalars().all()
    assert all(secret.startswith("$argon2id$v=19$") for secret in kept)
    assert len(set(kept)) == len(kept)


def test_what_a_hash_costs() -> None:
    """OWASP Password Storage: Argon2id with 19 MiB, 2 passes, 1 lane is one of its choices."""
    from argon2 import PasswordHasher, Type

    hasher = PasswordHasher(time_cost=2, memory_cost=19456, parallelism=1)
    import importlib

    fresh = importlib.reload(pins)._HASHER
    assert (fresh.memory_cost, fresh.time_cost, fresh.parallelism) == (19456, 2, 1)
    assert fresh.type is Type.ID is hasher.type
    assert re.match(r"\$argon2id\$v=19\$m=19456,t=2,p=1\$", pins.hashed("583920"))


@pytest.mark.parametrize(
    "secret",
    ["12345", "111111", "123456", "987654", "890123", "short", "aaaaaaaa", "x" * 129, ""],
)
def test_what_is_guessed_at_once_is_refused(secret: str) -> None:
    with pytest.raises(UsageError):
        pins.require_good(secret)


@pytest.mark.parametrize(
    "secret", ["294716", "0000001", "harbour light", "x1y2z3w4" * 16, "ключ и замок"]
)
def test_what_is_accepted(secret: str) -> None:
    pins.require_good(secret)


def test_guessing_gets_slower_and_then_stops(home: Home, clock: Clock) -> None:
    for _ in range(5):
        with pytest.raises(RefusedError, match="wrong"):
            home.people.sign_in("ines", "000007")
    with pytest.raises(RefusedError, match="wait") as refused:
        home.people.sign_in("ines", PINS["ines"])  # even the right one
    assert refused.value.code == "locked"
    clock.wait(seconds=31)
    home.people.sign_in("ines", PINS["ines"])
    home.people.sign_in("tomek", PINS["tomek"])  # others never wait


def test_a_day_of_guessing_gives_few_tries(home: Home, clock: Clock) -> None:
    """NIST SP 800-63B 5.2.2 allows 100 wrong ones in a row; here 50, and an hour between them."""
    tried = 0
    for _ in range(24 * 60 * 3):
        try:
            home.people.sign_in("ines", "000007")
        except RefusedError as error:
            tried += error.code == "wrong-pin"
        clock.wait(minutes=1)
    assert 5 < tried <= pins.MOST_FAILURES
    clock.wait(days=1)
    with pytest.raises(RefusedError, match="manager"):
        home.people.sign_in("ines", PINS["ines"])
    home.people.set_secret("ines", "739201", by="dalia")
    home.people.sign_in("ines", "739201")


def test_side_by_side_nobody_guesses_faster(home: Home) -> None:
    def guess(_: int) -> str:
        try:
            home.people.sign_in("ines", "000007")
        except RefusedError as error:
            return error.code
        return "in"

    with ThreadPoolExecutor(8) as pool:
        codes = list(pool.map(guess, range(24)))
    assert codes.count("wrong-pin") <= pins.FREE_FAILURES + 1
    assert "in" not in codes


def test_managers_give_crew_and_supervisors_all(home: Home) -> None:
    crew, manager = [(HARBOUR, Role.CREW)], [(HARBOUR, Role.MANAGER)]
    home.people.add("new", "New", by="dalia", secret="538190", roles=crew)
    with pytest.raises(RefusedError, match="supervisor"):
        home.people.set_roles("new", manager, by="dalia")
    home.people.set_roles("new", manager, by="noor")
    with pytest.raises(RefusedError):
        home.people.set_roles("new", crew, by="dalia")  # nor take it away
    with pytest.raises(RefusedError):
        home.people.add("x", "X", by="ines", roles=crew)
    with pytest.raises(RefusedError):
        home.people.set_secret("noor", "538190", by="dalia")
    home.people.set_secret("ines", "538190", by="ines")


def test_whoever_has_left_does_nothing_but_keeps_the_name(home: Home) -> None:
    rebuild = home.rebuilds.start("harbour-2", by="ines")
    home.people.leave("ines", by="dalia")
    with pytest.raises(RefusedError, match="wrong"):
        home.people.sign_in("ines", PINS["ines"])
    with pytest.raises(RefusedError, match="has left"):
        home.rebuilds.answer(rebuild.id, "counted", yes=True, by="ines")
    assert home.people.person("ines").name == "Inês Valadão"
    with pytest.raises(RefusedError):
        home.people.leave("noor", by="dalia")


def test_the_first_person_comes_with_a_pin(bare: Home) -> None:
    bare.sites.add_store(Site("a", "A", "Europe/Lisbon"), by="noor")
    for wrong in ({"by": "noor"}, {"by": "other", "secret": "583920"}):
        with pytest.raises(UsageError, match="first person"):
            bare.people.add("noor", "Noor", **wrong)
    bare.people.add("noor", "Noor", by="noor", secret="583920", roles=[("a", Role.SUPERVISOR)])
    with pytest.raises(UsageError, match="no person 'x'"):
        bare.people.add("x", "X", by="x", secret="583920")
    bare.sites.add_store(Site("b", "B", "Europe/Lisbon"), by="noor")
    assert bare.people.person("noor").roles == (("a", Role.SUPERVISOR), ("b", Role.SUPERVISOR))


def test_names_and_ids_that_cannot_be(home: Home) -> None:
    for person, name in (("Ines", "I"), ("a b", "I"), ("", "I"), ("ok", " "), ("ines", "Twice")):
        with pytest.raises(UsageError):
            home.people.add(person, name, by="noor")
    with pytest.raises(RefusedError, match="nowhere"):
        home.people.add("ok", "Ok", by="noor", roles=[("nowhere", Role.CREW)])


def test_all_of_it_stands_in_the_book(home: Home) -> None:
    from verify.store.chain import BOOK

    kinds = [entry.kind for entry in home.rebuilds.check_chain(BOOK).entries]
    assert kinds[:2] == ["store-added", "person-added"]
    assert "machine-added" in kinds
    text = str([dict(entry.data) for entry in home.rebuilds.check_chain(BOOK).entries])
    assert "argon2" not in text
    assert not any(pin in text for pin in PINS.values())
