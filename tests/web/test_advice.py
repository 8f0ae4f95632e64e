"""What a try of a set-up says: what has to be done comes first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from tests.web.conftest import House, tries
from tests.web.test_setup import tried
from verify.domain import Machine
from verify.teach_report import TeachReport
from verify.web.workshop import Tools


def test_views_that_want_a_photo_come_first(house: House) -> None:
    def last_one_wants(machine: Machine, progress: Callable[[str], None]) -> TeachReport:
        report = tries(machine, progress)
        *others, last = report.views
        content = [
            replace(
                view,
                parts=tuple(
                    replace(part, advice=None, wanted=None, told_apart=True) for part in view.parts
                ),
            )
            for view in others
        ]
        return replace(report, views=(*content, last))

    workshop = house.app.state.desk.workshop
    workshop.tools = Tools(last_one_wants, workshop.tools.carry)
    noor = house.as_("noor")
    page = tried(noor, noor.post("/machine/harbour-2/change").headers["location"])
    machine = house.app.state.desk.judges.machine(house.home.sites.machine("harbour-2").folder)
    first, last = (view.title.get("en") for view in machine.views)
    assert 0 < page.index(f"<h2>{last}</h2>") < page.index(f"<h2>{first}</h2>")
    assert page.count("Nothing more is needed here.") == 1
