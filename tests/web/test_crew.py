"""The crew's way through a rebuild, without script."""

from __future__ import annotations

from tests.web.conftest import House
from verify.rebuild.states import State


def begun(house: House, person: str = "ines") -> tuple[object, str]:
    browser = house.as_(person)
    answer = browser.post("/machine/harbour-2/start")
    assert answer.status_code == 303
    rebuild = answer.headers["location"].split("/")[2]
    return browser, rebuild


def test_a_whole_night_by_forms_alone(house: House) -> None:
    crew, rebuild = begun(house)
    step = f"/rebuild/{rebuild}/step"
    assert "Tonight" in crew.get("/").text
    page = crew.get(f"{step}/counted").text
    assert "All there?" in page
    assert "unplug" in page  # the caution stands where the work is
    answer = crew.post(f"{step}/counted/answer", yes="true", key="key-000001")
    assert answer.headers["location"] == f"{step}/strength"
    weak = crew.post(f"{step}/strength/reading", value="12,5", unit="ppm", key="key-000002")
    assert weak.headers["location"] == f"{step}/strength#answer"
    assert "Mix anew." in crew.get(f"{step}/strength").text
    crew.post(f"{step}/strength/reading", value="100", unit="mg/L", key="key-000003")
    wrong = house.photo(1, "wrong")
    assert crew.send_photo(rebuild, "lid", wrong, "key-000004").status_code == 303
    page = crew.get(f"{step}/lid").text
    assert "Stop: 1 to put right" in page
    assert "marked.jpg" in page
    crew.send_photo(rebuild, "lid", house.photo(2), "key-000005")
    assert "All right" in crew.get(f"{step}/lid").text
    assert "Take it again" in page
    crew.send_photo(rebuild, "spout", house.photo(3, "blur"), "key-000006")
    assert "Take it again" in crew.get(f"{step}/spout").text
    crew.post(f"{step}/spout/skip", reason="the lamp is broken", key="key-000007")
    assert "Hand it in" in crew.get(f"/rebuild/{rebuild}").text
    crew.post(f"/rebuild/{rebuild}/hand-in", key="key-000008")
    after = house.home.rebuilds.get(rebuild)
    assert after.state is State.HANDED_IN
    assert [hold.why for hold in after.open_holds] == ["skipped"]
    board = crew.get("/board/harbour-2").text
    assert "DO NOT START" in board
    assert "waits for a supervisor" in board


def test_the_board_says_go_only_after_the_release(house: House) -> None:
    crew, rebuild = begun(house)
    assert "no record" in house.as_("noor").get("/board/cove-1").text
    step = f"/rebuild/{rebuild}/step"
    crew.post(f"{step}/counted/answer", yes="true", key="key-000001")
    crew.post(f"{step}/strength/reading", value="100", unit="mg/L", key="key-000002")
    for number, name in enumerate(("lid", "spout")):
        crew.send_photo(rebuild, name, house.photo(number), f"key-photo-{number}")
    crew.post(f"/rebuild/{rebuild}/hand-in", key="key-000003")
    assert "board-no" in crew.get("/board/harbour-2").text
    house.home.rebuilds.release(rebuild, by="noor")
    board = crew.get("/board/harbour-2").text
    assert "board-go" in board
    assert "Noor Castellan" in board
    crew.post(f"{step}/dry/answer", yes="false", key="key-000004", note="the left spout")
    board = crew.get("/board/harbour-2").text
    assert "board-no" in board
    assert "It leaked" in board


def test_what_is_sent_twice_is_judged_and_written_once(house: House) -> None:
    crew, rebuild = begun(house)
    step = f"/rebuild/{rebuild}/step"
    for _ in range(2):
        crew.post(f"{step}/counted/answer", yes="true", key="key-000001")
        crew.post(f"{step}/strength/reading", value="100", unit="mg/L", key="key-000002")
    content = house.photo(1)
    for _ in range(3):
        assert crew.send_photo(rebuild, "lid", content, "key-000003").status_code == 303
    assert house.says.judged == 1
    assert house.home.rebuilds.get(rebuild).entries == 4


def test_a_script_is_told_where_to_go_and_what_was_wrong(house: House) -> None:
    crew, rebuild = begun(house)
    url = f"/rebuild/{rebuild}/step"
    data = {"token": crew.token(), "key": "key-000001", "yes": "true"}
    json = {"accept": "application/json"}
    told = crew.client.post(f"{url}/counted/answer", data=data, headers=json)
    assert told.json() == {"next": f"{url}/strength", "told": ""}
    data = {"token": crew.token(), "key": "key-000002", "value": "much", "unit": "mg/L"}
    told = crew.client.post(f"{url}/strength/reading", data=data, headers=json)
    assert (told.status_code, told.json()["error"]) == (400, "no-number")
    data = {"token": crew.token(), "key": "key-000003", "yes": "true"}
    told = crew.client.post(f"{url}/dry/answer", data=data, headers=json)
    assert (told.status_code, told.json()["error"]) == (409, "not-released")


def test_a_caution_is_read_and_a_worn_part_replaced(house: House) -> None:
    crew, rebuild = begun(house)
    step = f"/rebuild/{rebuild}/step"
    crew.post(f"{step}/counted/replace", item="ring", reason="a nick", key="key-000001")
    assert house.home.wear.kit("harbour-2")[0].reason == "a nick"
    crew.post(f"{step}/counted/answer", yes="true", key="key-000002")
    crew.post(f"{step}/strength/reading", value="100", unit="mg/L", key="key-000003")
    crew.send_photo(rebuild, "lid", house.photo(1, "caution"), "key-000004")
    assert "I have read it" in crew.get(f"{step}/lid").text
    crew.post(f"{step}/lid/acknowledge", key="key-000005")
    assert house.home.rebuilds.get(rebuild).step("lid").standing == "done"


def test_a_leak_and_a_broken_stud_stop_the_machine(house: House) -> None:
    crew, rebuild = begun(house)
    crew.post(f"/rebuild/{rebuild}/out-of-service", reason="a broken stud", key="key-000001")
    page = crew.get(f"/rebuild/{rebuild}").text
    assert "Out of service" in page
    assert "a broken stud" in page
    refused = crew.post(f"/rebuild/{rebuild}/leak", where="left", key="key-000002")
    assert refused.status_code == 409


def test_pages_speak_spanish_and_measure_in_fahrenheit(house: House) -> None:
    spanish = house.as_("ines", **{"accept-language": "es-MX,es;q=0.9,en;q=0.5"})
    page = spanish.get("/").text
    assert '<html lang="es">' in page
    assert "Máquinas de esta noche" in page
    spanish.post("/language", code="en")
    assert "Tonight" in spanish.get("/").text
