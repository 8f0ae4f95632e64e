"""Far away: what waits, the evidence, the decision."""

from __future__ import annotations

import io
import zipfile

from tests.store.make import PINS, up_to_hand_in
from tests.web.conftest import House
from verify.rebuild.people import Role
from verify.rebuild.states import State


def handed_in(house: House, word: str = "right") -> str:
    return up_to_hand_in(house.home, house.folder, first=word).id


def test_a_release_asks_for_the_pin_again(house: House) -> None:
    rebuild = handed_in(house)
    noor = house.as_("noor")
    assert f"/rebuild/{rebuild}/evidence" in noor.get("/waiting").text
    assert "Release for start-up" in noor.get(f"/rebuild/{rebuild}/evidence").text
    url = f"/rebuild/{rebuild}/release"
    assert noor.post(url, key="key-000001").status_code == 400  # without a PIN
    wrong = noor.post(url, pin="111222", key="key-000001")
    assert wrong.status_code == 403
    assert "PIN is wrong" in wrong.text
    assert house.home.rebuilds.get(rebuild).state is State.HANDED_IN
    assert noor.post(url, pin=PINS["noor"], key="key-000001").status_code == 303
    after = house.home.rebuilds.get(rebuild)
    assert (after.state, after.released_by) == (State.RELEASED, "noor")
    assert noor.get("/").status_code == 200  # the session goes on
    assert f"/rebuild/{rebuild}/evidence" not in noor.get("/waiting").text


def test_what_is_held_blocks_until_somebody_else_has_looked(house: House) -> None:
    rebuild = handed_in(house, "wrong")
    noor, dalia = house.as_("noor"), house.as_("dalia")
    page = noor.get(f"/rebuild/{rebuild}/evidence").text
    assert "One thing is held" in page
    assert 'name="pin"' not in page  # nothing to release yet
    refused = noor.post(f"/rebuild/{rebuild}/release", pin=PINS["noor"], key="key-000001")
    assert refused.status_code == 409
    hold = house.home.rebuilds.get(rebuild).open_holds[0].id
    fields = {"hold": hold, "result": "false-alarm", "reason": "seen with a lamp"}
    dalia.post(f"/rebuild/{rebuild}/clear", key="key-000002", **fields)
    assert house.home.rebuilds.get(rebuild).open_holds == ()
    assert "seen with a lamp" in noor.get(f"/rebuild/{rebuild}/evidence").text
    again = dalia.post(f"/rebuild/{rebuild}/clear", key="key-000003", **fields)
    assert (again.status_code, "cleared before" in again.text) == (409, True)


def test_a_manager_may_look_but_not_release(house: House) -> None:
    rebuild = handed_in(house)
    dalia = house.as_("dalia")
    answer = dalia.post(f"/rebuild/{rebuild}/release", pin=PINS["dalia"], key="key-000001")
    assert answer.status_code == 403
    early = dalia.post(
        f"/rebuild/{rebuild}/emergency", pin=PINS["dalia"], reason="called", key="key-000002"
    )
    assert early.status_code == 409
    house.clock.wait(minutes=61)
    fields = {"pin": PINS["dalia"], "reason": "called Noor at two", "key": "key-000003"}
    assert dalia.post(f"/rebuild/{rebuild}/emergency", **fields).status_code == 303
    noor = house.as_("noor")
    assert rebuild in noor.get("/waiting").text  # to be countersigned
    noor.post(f"/rebuild/{rebuild}/countersign", pin=PINS["noor"], key="key-000004")
    assert house.home.rebuilds.get(rebuild).countersigned


def test_crew_see_no_evidence(house: House) -> None:
    rebuild = handed_in(house)
    ines = house.as_("ines")
    for url in ("evidence", "evidence.pdf", "evidence.zip"):
        assert ines.get(f"/rebuild/{rebuild}/{url}").status_code == 403
    assert "/waiting" not in ines.get("/").text


def test_send_back_and_out_of_service_and_back(house: House) -> None:
    rebuild = handed_in(house)
    noor = house.as_("noor")
    url = f"/rebuild/{rebuild}"
    none = noor.post(f"{url}/send-back", reason="look again", key="key-000001")
    assert (none.status_code, "which steps" in none.text) == (409, True)
    noor.post(f"{url}/send-back", reason="look again", steps=["lid"], key="key-000002")
    after = house.home.rebuilds.get(rebuild)
    assert (after.state, after.step("lid").answered) == (State.UNDER_WAY, False)
    noor.post(f"{url}/out-of-service", reason="a broken stud", key="key-000003")
    assert "Out of service" in noor.get("/waiting").text
    assert "a broken stud" in noor.get(f"{url}/evidence").text
    noor.post(f"{url}/return", reason="new stud", steps=["spout"], key="key-000004")
    assert house.home.rebuilds.get(rebuild).state is State.UNDER_WAY
    noor.post(f"{url}/give-up", reason="started anew", key="key-000005")
    assert house.home.rebuilds.get(rebuild).state is State.GIVEN_UP


def test_what_waits_longest_stands_first_over_all_stores(house: House) -> None:
    first = handed_in(house)
    house.clock.wait(hours=2)
    second = house.home.rebuilds.start("cove-1", by="ruth").id
    rebuilds = house.home.rebuilds
    rebuilds.answer(second, "counted", yes=True, by="ruth")
    for step in ("strength", "lid", "spout"):
        rebuilds.skip(second, step, "no light", by="ruth")
    rebuilds.hand_in(second, by="ruth")
    page = house.as_("noor").get("/waiting").text
    assert 0 < page.index(first) < page.index(second)
    assert "2 hours" in page
    assert second not in house.as_("dalia").get("/waiting").text


def test_a_deputy_decides_while_standing_in(house: House) -> None:
    rebuild = handed_in(house)
    now = house.clock()
    from datetime import timedelta

    dalia = house.as_("dalia")
    assert (
        dalia.post(f"/rebuild/{rebuild}/release", pin=PINS["dalia"], key="key-000001").status_code
        == 403
    )
    house.home.deputies.name("dalia", "harbour-steps", now, now + timedelta(hours=8), by="noor")
    answer = dalia.post(f"/rebuild/{rebuild}/release", pin=PINS["dalia"], key="key-000002")
    assert answer.status_code == 303
    assert Role.SUPERVISOR not in dict(house.home.people.person("dalia").roles).values()


def test_evidence_as_pdf_and_zip(house: House) -> None:
    rebuild = handed_in(house)
    noor = house.as_("noor")
    pdf = noor.get(f"/rebuild/{rebuild}/evidence.pdf")
    assert pdf.content.startswith(b"%PDF")
    assert rebuild in pdf.headers["content-disposition"]
    archive = noor.get(f"/rebuild/{rebuild}/evidence.zip")
    assert "seal.json" in zipfile.ZipFile(io.BytesIO(archive.content)).namelist()


def test_what_a_manager_may_answer_is_offered_as_a_decision(house: House) -> None:
    """A manager sends a leaking machine back, but releases nothing: DEVELOPERS.md, the record."""
    waiting = handed_in(house)
    dalia = house.as_("dalia")
    assert "Look and decide" not in dalia.get("/waiting").text
    house.as_("noor").post(f"/rebuild/{waiting}/release", pin=PINS["noor"], key="key-000001")
    house.home.rebuilds.leak(waiting, "at the spout", by="ines")
    assert "Look and decide" in dalia.get("/waiting").text


def test_a_reason_that_is_missing_is_asked_for_in_the_language_of_the_page(house: House) -> None:
    rebuild = handed_in(house)
    spanish = house.as_("noor", **{"accept-language": "es"})
    answer = spanish.post(
        f"/rebuild/{rebuild}/send-back", reason=" ", steps="lid", key="key-000001"
    )
    assert answer.status_code == 409
    assert "diga por qué" in answer.text
