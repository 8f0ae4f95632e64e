"""The page of a machine's wear kit: counted, fitted outside a rebuild, due."""

from __future__ import annotations

from tests.web.conftest import House

URL = "/machine/harbour-2/spares"


def test_spares_are_counted_and_a_part_is_fitted(house: House) -> None:
    ines = house.as_("ines")
    page = ines.get(URL).text
    assert "O-ring × 2" in page
    assert "Nobody knows since when" in page and "too few spares" in page
    assert ines.post(f"{URL}/ring/counted", stock="5").headers["location"] == f"{URL}?done=counted"
    answer = ines.post(f"{URL}/ring/fitted", reason="a nick", count="2")
    assert answer.headers["location"] == f"{URL}?done=fitted"
    (part,) = house.home.wear.kit("harbour-2")
    assert (part.stock, part.fitted_by, part.reason) == (3, "ines", "a nick")
    page = ines.get(f"{URL}?done=fitted").text
    assert "Written down." in page and "In the kit: 3, needs 2" in page and "a nick" in page
    assert "Inês Valadão" in page
    assert "due" not in page.partition("<main")[2]  # every 90 days: by September
    assert "To be replaced by Thu 10 Sept" in page or "To be replaced by Thu 10 Sep" in page
    house.clock.wait(days=80)
    assert "due soon" in ines.get(URL).text
    house.clock.wait(days=11)
    assert 'chip-stop">due<' in ines.get(URL).text


def test_more_than_the_kit_listed_asks_for_a_count(house: House) -> None:
    dalia = house.as_("dalia")
    answer = dalia.post(f"{URL}/ring/fitted", reason="worn", count="2")
    assert answer.headers["location"] == f"{URL}?done=recount"
    assert "count the spares" in dalia.get(f"{URL}?done=recount").text


def test_wrong_input_is_told_and_changes_nothing(house: House) -> None:
    dalia = house.as_("dalia", **{"accept-language": "es"})
    blank = dalia.post(f"{URL}/ring/fitted", reason="  ", count="1")
    assert blank.status_code == 400
    assert "por qué se cambió" in blank.text
    for fields in ({"stock": "-1"}, {"stock": "x"}, {}):
        assert dalia.post(f"{URL}/ring/counted", **fields).status_code == 400, fields
    assert dalia.post(f"{URL}/ring/fitted", reason="worn", count="0").status_code == 400
    (part,) = house.home.wear.kit("harbour-2")
    assert part.stock == 0 and part.fitted_on is None


def test_who_may_and_what_is_there(house: House) -> None:
    ruth = house.as_("ruth")  # of another store
    assert ruth.get(URL).status_code == 403
    assert ruth.post(f"{URL}/ring/counted", stock="1").status_code == 403
    assert ruth.post(f"{URL}/ring/fitted", reason="worn").status_code == 403
    ines = house.as_("ines")
    assert ines.get("/machine/none/spares").status_code == 404
    assert ines.post("/machine/none/spares/ring/counted", stock="1").status_code == 404
    assert ines.post(f"{URL}/none/counted", stock="1").status_code == 404
    assert ines.post(f"{URL}/none/fitted", reason="worn").status_code == 404


def test_it_is_found_from_machines_and_trends(house: House) -> None:
    dalia = house.as_("dalia")
    for page in ("/machines", "/trends"):
        assert f'href="{URL}"' in dalia.get(page).text, page
