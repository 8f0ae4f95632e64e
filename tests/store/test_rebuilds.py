"""A rebuild in the store: what is written, listed, tied together; the same on both databases."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.store.make import (
    Clock,
    digest,
    furnish,
    judge,
    photo,
    taught,
    up_to_hand_in,
    whole_night,
)
from verify.errors import RecordBrokenError, RefusedError, StoreError, UsageError
from verify.rebuild.entries import ClearedAs
from verify.rebuild.replay import Standing
from verify.rebuild.states import State
from verify.settings import RecordSettings
from verify.store.chain import BOOK
from verify.store.home import Home, open_home


def test_a_whole_night_is_kept_and_found_again(
    home: Home, tmp_path: Path, record_settings: RecordSettings
) -> None:
    done = whole_night(home, tmp_path)
    assert done.state is State.IN_USE
    assert done.id == "harbour-2-2026-06-12-1"
    with open_home(record_settings) as again:
        assert again.rebuilds.get(done.id) == done
        checked = again.rebuilds.check(done.id)
        assert len(checked.entries) == done.entries
        assert again.rebuilds.check_chain(BOOK).entries
        listed = again.rebuilds.listed(store="harbour-steps")
    assert [(item.id, item.state, item.open_holds) for item in listed] == [
        (done.id, State.IN_USE, 0)
    ]


def test_a_held_photo_is_cleared_by_other_eyes_only(home: Home, tmp_path: Path) -> None:
    handed = up_to_hand_in(home, tmp_path, first="wrong")
    hold = handed.open_holds[0]
    assert hold.part == "left-clip"
    with pytest.raises(RefusedError) as refused:
        home.rebuilds.clear(handed.id, hold.id, ClearedAs.FALSE_ALARM, "fine", by="ines")
    assert refused.value.code == "role"
    with pytest.raises(RefusedError) as refused:
        home.rebuilds.release(handed.id, by="noor")
    assert refused.value.code == "held"
    assert home.rebuilds.get(handed.id) == handed  # nothing was changed
    assert home.rebuilds.listed()[0].open_holds == 1


def test_a_photo_sent_twice_changes_nothing(home: Home, tmp_path: Path) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")
    home.rebuilds.answer(started.id, "counted", yes=True, by="ines")
    home.rebuilds.reading(started.id, "strength", 75, unit="ppm", by="ines")
    path = photo(tmp_path, 5)
    once = home.rebuilds.photo(started.id, "lid", path, by="ines", judge=judge)
    again = home.rebuilds.photo(started.id, "lid", path, by="ines", judge=judge)
    assert again == once
    assert home.pictures.get(digest(path)) == path.read_bytes()


def test_a_photo_that_is_refused_leaves_no_entry(home: Home, tmp_path: Path) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")
    with pytest.raises(RefusedError, match="counted"):
        home.rebuilds.photo(started.id, "lid", photo(tmp_path, 1), by="ines", judge=judge)
    home.rebuilds.answer(started.id, "counted", yes=True, by="ines")
    home.rebuilds.reading(started.id, "strength", 100, by="ines")
    with pytest.raises(UsageError, match="cannot be read"):
        home.rebuilds.photo(started.id, "lid", tmp_path / "none.jpg", by="ines", judge=judge)
    assert home.rebuilds.get(started.id).entries == 3


def test_one_rebuild_at_a_time(home: Home) -> None:
    first = home.rebuilds.start("harbour-2", by="ines")
    with pytest.raises(RefusedError, match=first.id):
        home.rebuilds.start("harbour-2", by="tomek")
    home.rebuilds.give_up(first.id, "wrong machine", by="dalia")
    second = home.rebuilds.start("harbour-2", by="tomek")
    assert second.id.endswith("-2")
    assert home.rebuilds.going_on("harbour-2") == second.id


def test_a_no_to_a_look_for_leaks_stops_the_machine(home: Home, tmp_path: Path) -> None:
    handed = up_to_hand_in(home, tmp_path)
    home.rebuilds.release(handed.id, by="noor")
    stopped = home.rebuilds.answer(handed.id, "dry", yes=False, note="left spout", by="tomek")
    assert stopped.state is State.STOPPED
    assert len(stopped.leaks[0].photos) == 2
    assert home.rebuilds.listed()[0].leaks == 1
    back = home.rebuilds.send_back(handed.id, ["spout"], "ring twisted", by="dalia")
    assert back.state is State.UNDER_WAY
    assert back.step("spout").standing is Standing.TO_DO
    assert len(back.leaks) == 1


def test_an_emergency_is_listed_until_it_is_countersigned(
    home: Home, tmp_path: Path, clock: Clock
) -> None:
    handed = up_to_hand_in(home, tmp_path)
    clock.wait(hours=2)
    home.rebuilds.emergency_release(handed.id, "nobody answers", by="dalia")
    assert home.rebuilds.listed()[0].to_countersign
    home.rebuilds.countersign(handed.id, by="noor")
    assert not home.rebuilds.listed()[0].to_countersign


def test_a_deputy_releases_for_a_while(home: Home, tmp_path: Path, clock: Clock) -> None:
    from datetime import timedelta

    handed = up_to_hand_in(home, tmp_path)
    now = clock()
    home.deputies.name("dalia", "harbour-steps", now, now + timedelta(hours=1), by="noor")
    clock.wait(hours=2)
    with pytest.raises(RefusedError, match="supervisor"):
        home.rebuilds.release(handed.id, by="dalia")
    home.deputies.name("dalia", "harbour-steps", now, now + timedelta(hours=9), by="noor")
    assert home.rebuilds.release(handed.id, by="dalia").state is State.RELEASED
    assert home.rebuilds.entries(handed.id).entries[-1].data["deputy"] is True


def test_a_clock_that_is_turned_back_does_not_turn_the_record(home: Home, clock: Clock) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")
    clock.wait(days=-3)
    home.rebuilds.answer(started.id, "counted", yes=True, by="ines")
    times = [entry.at for entry in home.rebuilds.check(started.id).entries]
    assert times == sorted(times)


def test_the_wear_kit_follows_what_was_replaced(home: Home) -> None:
    home.wear.set_stock("harbour-2", "ring", 3, by="dalia")
    started = home.rebuilds.start("harbour-2", by="ines")
    home.rebuilds.replace_part(started.id, "ring", "nick", count=2, by="ines")
    kit = home.wear.kit("harbour-2")[0]
    assert (kit.stock, kit.fitted_by, kit.reason) == (1, "ines", "nick")
    assert str(kit.fitted_on) == "2026-06-12"
    assert kit.short
    assert not kit.is_due(home.wear.today("harbour-2"))
    assert home.rebuilds.get(started.id).replaced[0]["not_in_kit"] == 0
    # More fitted than the kit lists is no mistake of the hands, but one of the list: it says so.
    more = home.rebuilds.replace_part(started.id, "ring", "nick", count=2, by="ines")
    assert (more.replaced[1]["count"], more.replaced[1]["not_in_kit"]) == (2, 1)
    assert home.wear.fit("harbour-2", "ring", "again", count=5, by="piet") == 5
    home.wear.set_stock("harbour-2", "ring", 6, by="piet")
    assert home.wear.fit("harbour-2", "ring", "again", count=6, by="piet") == 0
    assert home.wear.kit("harbour-2")[0].stock == 0
    for wrong in ({"item": "x", "stock": 1}, {"item": "ring", "stock": -1}):
        with pytest.raises(UsageError):
            home.wear.set_stock("harbour-2", by="dalia", **wrong)  # type: ignore[arg-type]


def test_a_record_outlives_its_machine_folder(home: Home, tmp_path: Path) -> None:
    done = whole_night(home, tmp_path)
    (tmp_path / "machines" / "harbour-2" / "machine.toml").unlink()
    assert home.rebuilds.get(done.id) == done


def test_two_stores_keep_apart(home: Home, tmp_path: Path) -> None:
    from dataclasses import replace

    other = replace(home.sites.store("harbour-steps"), id="lantern-square", name="Lantern")
    home.sites.add_store(other, by="noor")
    from verify.rebuild.people import Role

    home.people.add(
        "ruth", "Ruth", by="noor", secret="839201", roles=[("lantern-square", Role.CREW)]
    )
    with pytest.raises(RefusedError, match="Ruth"):
        home.rebuilds.start("harbour-2", by="ruth")
    home.sites.add_machine(taught(tmp_path / "x", "cove-1"), "lantern-square", by="noor")
    home.rebuilds.start("cove-1", by="ruth")
    assert [item.machine for item in home.rebuilds.listed(store="lantern-square")] == ["cove-1"]
    assert [person.id for person in home.people.everybody("lantern-square")] == ["noor", "ruth"]


def test_what_is_not_there_is_named(home: Home) -> None:
    for ask in (
        lambda: home.rebuilds.get("none"),
        lambda: home.rebuilds.start("none", by="ines"),
        lambda: home.sites.store("none"),
        lambda: home.people.person("none"),
        lambda: home.wear.kit("none"),
    ):
        with pytest.raises(UsageError, match="none"):
            ask()


def test_settings_that_cannot_be_are_refused(home: Home) -> None:
    from dataclasses import replace

    site = home.sites.store("harbour-steps")
    for wrong in (
        replace(site, zone="Harbour"),
        replace(site, name=" "),
        replace(site, settings=replace(site.settings, wait_minutes=0)),
    ):
        with pytest.raises(UsageError):
            home.sites.change_store(wrong, by="noor")
    home.sites.change_store(replace(site, name="Harbour"), by="dalia")
    assert home.sites.store("harbour-steps").name == "Harbour"
    with pytest.raises(RefusedError):
        home.sites.change_store(site, by="ines")


@pytest.mark.parametrize("url", ["nonsense", "mysql://x/y", "sqlite://", "sqlite:///:memory:"])
def test_a_url_that_is_none_says_what_is_allowed(tmp_path: Path, url: str) -> None:
    settings = RecordSettings(url, str(tmp_path), tmp_path / "keys")
    with pytest.raises(StoreError, match="sqlite:"):
        open_home(settings)


def test_a_picture_that_changes_while_it_is_judged_is_refused(home: Home, tmp_path: Path) -> None:
    started = home.rebuilds.start("harbour-2", by="ines")
    home.rebuilds.answer(started.id, "counted", yes=True, by="ines")
    home.rebuilds.reading(started.id, "strength", 100, by="ines")
    path = photo(tmp_path, 3)

    def slow(path: Path, view: str):  # type: ignore[no-untyped-def]
        path.write_bytes(photo(tmp_path / "other", 4).read_bytes())
        return judge(path, view)

    with pytest.raises(RefusedError, match="changed while"):
        home.rebuilds.photo(started.id, "lid", path, by="ines", judge=slow)


def test_a_picture_that_is_gone_or_changed_is_told(home: Home, tmp_path: Path) -> None:
    done = whole_night(home, tmp_path)
    kept = tmp_path / "home" / "pictures" / done.photos[0][:2] / done.photos[0]
    kept.write_bytes(kept.read_bytes()[:-1])
    with pytest.raises(RecordBrokenError, match=r"entry 4: the picture .* not what was kept"):
        home.rebuilds.check(done.id)
    kept.unlink()
    with pytest.raises(RecordBrokenError, match="entry 4"):
        home.rebuilds.check(done.id)


def test_many_at_once_lose_nothing(home: Home) -> None:
    """Eight hands at one rebuild: each answer is written once, in one line of entries."""
    from concurrent.futures import ThreadPoolExecutor

    started = home.rebuilds.start("harbour-2", by="ines")

    def work(number: int) -> None:
        home.rebuilds.answer(
            started.id, "counted", yes=True, note=str(number), by=("ines", "tomek")[number % 2]
        )

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(work, range(24)))
    entries = home.rebuilds.check(started.id).entries
    assert {entry.data["note"] for entry in entries[1:]} == {str(n) for n in range(24)}


def test_only_one_of_two_starts_wins(bare: Home, tmp_path: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    furnish(bare, tmp_path / "machines")

    def begin(person: str) -> str:
        try:
            return bare.rebuilds.start("harbour-2", by=person).id
        except RefusedError as error:
            return error.code

    with ThreadPoolExecutor(4) as pool:
        came = list(pool.map(begin, ["ines", "tomek", "ines", "tomek"]))
    assert sorted(came)[:3] == ["going-on"] * 3


def test_a_leak_of_a_night_that_is_over_is_counted_while_the_next_goes_on(
    home: Home, tmp_path: Path
) -> None:
    done = whole_night(home, tmp_path)
    started = home.rebuilds.start("harbour-2", by="ines")
    told = home.rebuilds.leak(done.id, "left spout", step_id="spout", by="ines")
    assert told.state is State.IN_USE  # nothing is stopped: it is taken apart anyhow
    assert home.rebuilds.going_on("harbour-2") == started.id
    (leak,) = home.rebuilds.leaks()
    assert (leak.rebuild, leak.where, leak.photos) == (done.id, "left spout", done.photos)
    listed = {item.id: item for item in home.rebuilds.listed()}
    assert (listed[done.id].leaks, listed[started.id].leaks) == (1, 0)
    raw = home.trends.read(["harbour-steps"], date(2026, 6, 1))
    assert [escape.rebuild for escape in raw.escapes] == [done.id]
    home.rebuilds.check(done.id)
    # So it is where the next one is in use; where it was given up, the machine is as it was left.
    home.rebuilds.give_up(started.id, "wrong machine", by="dalia")
    assert home.rebuilds.leak(done.id, "door", by="ines").state is State.STOPPED
    assert len(home.rebuilds.leaks()) == 2


def test_leaks_are_counted_with_the_photos_that_had_passed(home: Home, tmp_path: Path) -> None:
    done = whole_night(home, tmp_path)
    assert home.rebuilds.leaks() == []
    home.rebuilds.leak(done.id, "left spout", step_id="spout", by="ines")
    (leak,) = home.rebuilds.leaks(store="harbour-steps", machine="harbour-2")
    assert (leak.rebuild, leak.where, leak.step, leak.miss) == (
        done.id, "left spout", "spout", "tool",
    )  # fmt: skip
    assert leak.photos == done.photos
    assert home.rebuilds.leaks(store="elsewhere") == []
