"""The messages of an installation: made once, claimed by one, never sent twice."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest

from tests.store.make import STORE, Clock, up_to_hand_in, whole_night
from verify.errors import RefusedError, UsageError
from verify.rebuild.notices import Round, Why
from verify.store.chain import BOOK
from verify.store.home import Home
from verify.store.messages import BACK_OFF, CLAIM, Channel, Channels, Standing, Trouble

MAIL = Channels(mail=True)
BOTH = Channels(mail=True, webhooks={"office": None, "other": frozenset({"elsewhere"})})


@pytest.fixture
def reachable(home: Home) -> Home:
    for person in ("noor", "dalia", "ines"):
        home.people.set_contact(person, by=person, email=f"{person}@example.org")
    return home


def made(home: Home) -> list[tuple[str, str, str]]:
    return sorted((m.round.value, m.channel.value, m.recipient) for m in home.messages.listed())


def test_a_hand_in_is_told_once_however_often_it_is_looked_for(
    reachable: Home, tmp_path: Path
) -> None:
    assert reachable.messages.plan(BOTH) == 0
    up_to_hand_in(reachable, tmp_path)
    with ThreadPoolExecutor(4) as pool:
        assert sum(pool.map(lambda _: reachable.messages.plan(BOTH), range(8))) == 2
    assert made(reachable) == [("first", "mail", "noor"), ("first", "webhook", "office")]


def test_deputies_are_told_after_the_time_of_the_store(
    reachable: Home, tmp_path: Path, clock: Clock
) -> None:
    up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(MAIL)
    clock.wait(minutes=19)
    assert reachable.messages.plan(MAIL) == 0
    now = clock()
    reachable.deputies.name("ines", STORE, now, now + timedelta(hours=9), by="noor")
    clock.wait(minutes=1)
    assert reachable.messages.plan(MAIL) == 1  # ines did the work; so the manager, who can call
    assert made(reachable)[0] == ("deputies", "mail", "dalia")


def test_a_deputy_who_may_decide_is_told(reachable: Home, tmp_path: Path, clock: Clock) -> None:
    up_to_hand_in(reachable, tmp_path)
    now = clock()
    reachable.people.set_contact("piet", by="piet", email="piet@example.org")
    reachable.deputies.name("piet", STORE, now, now + timedelta(hours=9), by="noor")
    clock.wait(minutes=21)
    assert reachable.messages.plan(MAIL) == 2
    assert ("deputies", "mail", "piet") in made(reachable)


def test_once_a_supervisor_has_opened_it_deputies_sleep(
    reachable: Home, tmp_path: Path, clock: Clock
) -> None:
    handed = up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(MAIL)
    reachable.messages.note_opened(handed.id, "dalia")  # a manager does not release
    reachable.messages.note_opened(handed.id, "noor")
    clock.wait(minutes=30)
    assert reachable.messages.plan(MAIL) == 0
    # Sent back and handed in again, it waits anew.
    reachable.rebuilds.send_back(handed.id, ["lid"], "look again", by="dalia")
    clock.wait(minutes=1)
    from tests.store.make import judge, photo

    reachable.rebuilds.photo(handed.id, "lid", photo(tmp_path, 77), by="ines", judge=judge)
    if not reachable.rebuilds.get(handed.id).step("spout").answered:
        reachable.rebuilds.photo(handed.id, "spout", photo(tmp_path, 78), by="ines", judge=judge)
    reachable.rebuilds.hand_in(handed.id, by="ines")
    assert reachable.messages.plan(MAIL) == 1
    clock.wait(minutes=30)
    assert reachable.messages.plan(MAIL) == 1
    assert [m.entry for m in reachable.messages.listed()].count(handed.entries) == 1


def test_a_manager_who_opens_it_does_not_keep_deputies_asleep(
    reachable: Home, tmp_path: Path, clock: Clock
) -> None:
    handed = up_to_hand_in(reachable, tmp_path)
    reachable.messages.note_opened(handed.id, "dalia")
    clock.wait(minutes=30)
    reachable.messages.plan(MAIL)
    assert ("deputies", "mail", "dalia") in made(reachable)


def test_a_leak_out_of_service_and_an_emergency_are_told(
    reachable: Home, tmp_path: Path, clock: Clock
) -> None:
    handed = up_to_hand_in(reachable, tmp_path)
    clock.wait(minutes=70)
    reachable.rebuilds.emergency_release(handed.id, "nobody answers", by="dalia")
    reachable.messages.plan(MAIL)
    reachable.rebuilds.leak(handed.id, "spout", by="ines")
    reachable.messages.plan(MAIL)
    reachable.rebuilds.out_of_service(handed.id, "a stud", by="ines")
    reachable.messages.plan(MAIL)
    told = {m.why for m in reachable.messages.listed() if m.recipient == "noor"}
    assert told == {Why.COUNTERSIGN, Why.LEAK, Why.OUT_OF_SERVICE}


def test_what_is_decided_before_it_is_sent_is_not_sent(reachable: Home, tmp_path: Path) -> None:
    handed = up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(MAIL)
    claimed = reachable.messages.claim()
    assert claimed is not None
    reachable.rebuilds.release(handed.id, by="noor")
    reachable.messages.plan(MAIL)
    assert not reachable.messages.hand_over(claimed)
    assert reachable.messages.listed()[0].standing is Standing.NOT_NEEDED
    assert reachable.messages.claim() is None


def test_one_claims_what_many_want(reachable: Home, tmp_path: Path) -> None:
    up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(BOTH)
    with ThreadPoolExecutor(6) as pool:
        claimed = [m.id for m in pool.map(lambda _: reachable.messages.claim(), range(6)) if m]
    assert len(claimed) == len(set(claimed)) == 2


def test_killed_before_the_server_could_take_it_it_is_tried_again(
    reachable: Home, tmp_path: Path, clock: Clock
) -> None:
    up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(MAIL)
    dead = reachable.messages.claim()
    assert dead is not None and reachable.messages.claim() is None
    clock.now += CLAIM
    again = reachable.messages.claim()
    assert again is not None and again.id == dead.id and again.tries == 2
    assert not reachable.messages.hand_over(dead)  # it was not dead, only slow
    assert reachable.messages.hand_over(again)


def test_killed_after_that_it_is_not_sent_twice(
    reachable: Home, tmp_path: Path, clock: Clock
) -> None:
    up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(MAIL)
    claimed = reachable.messages.claim()
    assert claimed is not None and reachable.messages.hand_over(claimed)
    clock.now += CLAIM
    assert reachable.messages.claim() is None
    assert reachable.messages.listed()[0].standing is Standing.UNKNOWN
    reachable.messages.sent(claimed)  # only slow: then it is known
    assert reachable.messages.listed()[0].standing is Standing.SENT


def test_it_is_tried_ever_more_slowly_and_given_up(
    reachable: Home, tmp_path: Path, clock: Clock
) -> None:
    up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(MAIL)
    for number, pause in enumerate(BACK_OFF):
        claimed = reachable.messages.claim()
        assert claimed is not None and claimed.tries == number + 1
        assert reachable.messages.hand_over(claimed)
        standing = reachable.messages.failed(claimed, Trouble.NO_ANSWER, 451, for_good=False)
        assert standing is Standing.WAITING
        clock.now += pause - timedelta(seconds=5)
        assert reachable.messages.claim() is None
        clock.now += timedelta(seconds=5)
    last = reachable.messages.claim()
    assert last is not None
    reachable.messages.failed(last, Trouble.NO_ANSWER, 451, for_good=False)
    kept = reachable.messages.listed()[0]
    assert (kept.standing, kept.trouble, kept.answer) == (
        Standing.GIVEN_UP, Trouble.NO_ANSWER, 451,
    )  # fmt: skip
    assert sum(BACK_OFF, timedelta()) < timedelta(hours=3)


def test_one_that_cannot_be_mended_is_given_up_at_once(reachable: Home, tmp_path: Path) -> None:
    up_to_hand_in(reachable, tmp_path)
    reachable.messages.plan(MAIL)
    claimed = reachable.messages.claim()
    assert claimed is not None
    gone = reachable.messages.failed(claimed, Trouble.ADDRESS, 550, for_good=True)
    assert gone is Standing.GIVEN_UP


def test_whoever_has_no_address_or_has_left_is_not_told(home: Home, tmp_path: Path) -> None:
    home.people.set_contact("dalia", by="noor", email="dalia@example.org", language="es-US")
    up_to_hand_in(home, tmp_path)
    assert home.messages.plan(MAIL) == 1  # no supervisor can be told: the manager, at once
    assert made(home) == [("deputies", "mail", "dalia")]
    assert home.people.person("dalia").language == "es-US"
    home.people.leave("dalia", by="noor")
    assert home.people.person("dalia").email is None


def test_addresses_stand_in_no_record(reachable: Home, tmp_path: Path) -> None:
    whole_night(reachable, tmp_path)
    for chain in reachable.rebuilds.chains():
        for entry in reachable.rebuilds.check_chain(chain).entries:
            assert "example.org" not in str(entry.data), chain
    kinds = [e.kind for e in reachable.rebuilds.check_chain(BOOK).entries]
    assert kinds.count("contact-set") == 3


@pytest.mark.parametrize(
    "wrong",
    ["", "noor", "noor@", "@example.org", "a b@example.org", "noor@example.org\r\nBcc: x@y.z",
     "nöor@example.org", f"{'a' * 250}@example.org", "Noor <noor@example.org>"],
)  # fmt: skip
def test_what_is_no_address_is_refused(home: Home, wrong: str) -> None:
    with pytest.raises(UsageError, match="no e-mail address"):
        home.people.set_contact("noor", by="noor", email=wrong)


def test_crew_sets_no_address_but_her_own(home: Home) -> None:
    with pytest.raises(RefusedError):
        home.people.set_contact("noor", by="ines", email="x@example.org")
    with pytest.raises(UsageError, match="no language"):
        home.people.set_contact("ines", by="ines", email=None, language="español")


def test_what_a_message_is_about(reachable: Home, tmp_path: Path) -> None:
    handed = up_to_hand_in(reachable, tmp_path, first="wrong")
    reachable.messages.plan(MAIL)
    (message,) = reachable.messages.listed()
    assert (message.why, message.round, message.channel) == (
        Why.RELEASE, Round.FIRST, Channel.MAIL,
    )  # fmt: skip
    matter = reachable.messages.matter(message)
    assert (matter.store.id, matter.machine, matter.open_holds) == (STORE, "harbour-2", 1)
    assert matter.since == handed.handed_in_at
