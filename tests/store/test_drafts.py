"""Machines that are being set up: kept, changed by two at once, put into use or refused."""

from __future__ import annotations

import math
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.store.make import STORE, Clock, picture, save, taught
from verify.domain import How, Machine, Outline, Shot, Text, View
from verify.errors import RefusedError, StoreError, UsageError
from verify.machine_file import read_machine
from verify.machine_file.geometry import double_area
from verify.store import draft_edits, outlines
from verify.store.draft_edits import Drawn, Lack
from verify.store.draft_use import as_folder, use
from verify.store.drafts import Draft, Drafts
from verify.store.home import Home
from verify.store.outlines import Flaw

SQUARE: Outline = ((10.0, 10.0), (90.0, 10.0), (90.0, 90.0), (10.0, 90.0))


def empty(folder: Path, title: str = "Freezer") -> Draft:
    machine = Machine("freezer", Text({"": title}), folder, ())
    return Draft("", STORE, machine, "SL-1", "", "piet")


@pytest.fixture
def drafts(tmp_path: Path) -> Drafts:
    return Drafts(tmp_path / "drafts", Clock())


@pytest.fixture
def draft(drafts: Drafts, tmp_path: Path) -> Draft:
    """Give a draft with one view, one part and one shot of which nothing was said."""
    begun, view_id = draft_edits.add_view(empty(tmp_path), "The lid", "")
    kept = drafts.begin(begun)
    content = [save(tmp_path / f"{n}.jpg", picture(n)).read_bytes() for n in (1, 2)]
    master, shot = (drafts.put_picture(kept.id, view_id, c, ".jpg") for c in content)

    def fill(now: Draft) -> Draft:
        now = draft_edits.set_master(now, view_id, master, (800, 600), laid=None)
        now = draft_edits.draw(now, view_id, None, [Drawn("", "Clip", SQUARE)], "en")
        return draft_edits.add_shot(now, view_id, shot)

    return drafts.change(kept.id, fill, by="piet")


def lid(draft: Draft) -> View:
    return draft.view("the-lid")


def test_a_draft_is_read_back_as_it_was_kept(drafts: Drafts, draft: Draft) -> None:
    assert drafts.get(draft.id) == draft
    assert drafts.listed([STORE]) == [draft]
    assert drafts.listed(["elsewhere"]) == []


def test_a_damaged_draft_is_told(drafts: Drafts, draft: Draft) -> None:
    (drafts.folder / draft.id / "draft.json").write_text("{", encoding="utf-8")
    with pytest.raises(StoreError, match="damaged"):
        drafts.get(draft.id)


@pytest.mark.parametrize("name", ["../keys", "none", "", "A", "a/b"])
@pytest.mark.usefixtures("draft")
def test_no_name_leads_out_of_the_folder(drafts: Drafts, name: str) -> None:
    with pytest.raises(UsageError):
        drafts.get(name)


def test_two_at_once_lose_nothing(drafts: Drafts, draft: Draft) -> None:
    def add(number: int) -> None:
        drafts.change(
            draft.id, lambda now: draft_edits.add_view(now, f"View {number}", "")[0], by="piet"
        )

    threads = [threading.Thread(target=add, args=(n,)) for n in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(drafts.get(draft.id).machine.views) == 13


def test_what_a_shot_shows_has_to_be_said(draft: Draft) -> None:
    assert list(draft_edits.lacks(draft)) == [(Lack.SAID, "the-lid")]
    file = lid(draft).shots[0].file
    said = draft_edits.set_shot(draft, "the-lid", file, {"clip": "missing"}, ())
    assert list(draft_edits.lacks(said)) == []
    later = draft_edits.draw(
        said, "the-lid", None, [Drawn("clip", "", SQUARE), Drawn("", "Ring", SQUARE)], "en"
    )
    (shot,) = lid(later).shots
    assert shot == Shot(file, {"clip": "missing"}, frozenset({"ring"}))  # nobody looked for a ring


def test_a_state_that_goes_leaves_no_shot_that_is_taken_for_right(draft: Draft) -> None:
    file = lid(draft).shots[0].file
    said = draft_edits.set_shot(draft, "the-lid", file, {"clip": "missing"}, ())
    part = replace(lid(said).parts[0], faults=())
    (shot,) = lid(draft_edits.set_part(said, "the-lid", part)).shots
    assert shot.states == {}
    assert shot.unlabelled == {"clip"}


def test_a_renamed_part_keeps_its_shots(draft: Draft) -> None:
    file = lid(draft).shots[0].file
    said = draft_edits.set_shot(draft, "the-lid", file, {"clip": "missing"}, ())
    renamed = draft_edits.draw(said, "the-lid", None, [Drawn("clip", "Left clip", SQUARE)], "en")
    assert [part.id for part in lid(renamed).parts] == ["left-clip"]
    assert dict(lid(renamed).shots[0].states) == {"left-clip": "missing"}


def test_a_copy_of_a_part_takes_its_words(draft: Draft) -> None:
    wrong = replace(lid(draft).parts[0], expect="closed", faults=())
    both = draft_edits.draw(
        draft_edits.set_part(draft, "the-lid", wrong), "the-lid", None,
        [Drawn("clip", "", SQUARE), Drawn("", "Clip 2", SQUARE, like="clip")], "en",
    )  # fmt: skip
    first, second = lid(both).parts
    assert (second.id, second.expect, second.faults) == ("clip-2", "closed", ())
    assert first.alike == second.alike == "clip"


def test_a_new_view_of_a_planned_machine_is_asked_for_before_start_up(tmp_path: Path) -> None:
    machine = read_machine(taught(tmp_path / "m"))
    planned = replace(empty(tmp_path), machine=machine)
    after, view_id = draft_edits.add_view(planned, "More", "")
    steps = [step.id for step in after.machine.steps]
    assert steps.index(view_id) == steps.index("dry") - 1
    gone = draft_edits.drop_view(after, "lid")
    assert all(step.view != "lid" and step.hidden_by != "lid" for step in gone.machine.steps)


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("Left draw valve", "left-draw-valve"),
        ("  Válvula n.º 2 ", "valvula-n-o-2"),
        ("漏斗", "part"),
        ("", "part"),
        ("a" * 90, "a" * 48),
        ("ring", "ring-3"),
    ],
)
def test_ids_are_made_of_words(words: str, wanted: str) -> None:
    assert draft_edits.slug(words, {"ring", "ring-2"}, "part") == wanted


# --- Outlines -----------------------------------------------------------------------------


def test_an_oval_has_nearly_the_area_of_its_ellipse() -> None:
    """An n-gon in an ellipse has n/(2 pi) sin(2 pi/n) of its area pi a b: plane geometry."""
    oval = outlines.box(10, 20, 200, 80, "ellipse")
    share = abs(double_area(oval)) / 2 / (math.pi * 100 * 40)
    assert share == pytest.approx(24 / (2 * math.pi) * math.sin(2 * math.pi / 24))


@pytest.mark.parametrize(
    ("outline", "flaw"),
    [
        (SQUARE, None),
        (SQUARE[:2], Flaw.FEW),
        (((0.0, 0.0), (50.0, 0.0), (100.0, 0.0)), Flaw.SMALL),
        (((0.0, 0.0), (50.0, 50.0), (100.0, 100.0)), Flaw.SMALL),
        (((0.0, 0.0), (90.0, 90.0), (90.0, 0.0), (0.0, 90.0)), Flaw.CROSSES),
        (SQUARE * 100, Flaw.MANY),
    ],
)
def test_what_cannot_be_an_outline(outline: Outline, flaw: Flaw | None) -> None:
    assert outlines.flaw_of(outline) is flaw


@given(
    st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=3, max_size=9),
    st.tuples(st.integers(1, 4000), st.integers(1, 4000)),
)
def test_outlines_are_kept_inside_the_photo(
    points: list[tuple[float, float]], size: tuple[int, int]
) -> None:
    for x, y in outlines.inside(points, size):
        assert -0.5 <= x <= size[0] - 0.5
        assert -0.5 <= y <= size[1] - 0.5


# --- Into use -----------------------------------------------------------------------------


def complete(drafts: Drafts, draft: Draft) -> Draft:
    file = lid(draft).shots[0].file
    return drafts.change(
        draft.id, lambda now: draft_edits.set_shot(now, "the-lid", file, {}, ()), by="piet"
    )


def test_an_unfinished_one_is_refused(home: Home, draft: Draft, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="lacks"):
        use(draft, tmp_path / "new", home.sites, by="piet")


def test_it_is_registered_under_an_id_of_its_own(
    home: Home, drafts: Drafts, draft: Draft, tmp_path: Path
) -> None:
    done = complete(drafts, draft)
    known = use(done, tmp_path / "new", home.sites, by="piet")
    again = use(done, tmp_path / "new", home.sites, by="piet")
    assert (known.id, again.id) == ("freezer", "freezer-2")
    assert (known.store, known.number) == (STORE, "SL-1")
    machine = read_machine(known.folder)
    assert machine.view("the-lid").parts[0].faults[0].how is How.ABSENT
    assert not (known.folder / "draft.json").exists()


def test_whoever_may_not_changes_nothing(
    home: Home, drafts: Drafts, draft: Draft, tmp_path: Path
) -> None:
    done = complete(drafts, draft)
    with pytest.raises(RefusedError):
        use(done, tmp_path / "new", home.sites, by="ines")
    assert not (tmp_path / "new").exists()


def test_a_registration_that_fails_leaves_no_folder(
    home: Home, drafts: Drafts, draft: Draft, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise UsageError("there is a machine 'freezer' already")

    monkeypatch.setattr(type(home.sites), "add_machine", fails)
    with pytest.raises(UsageError):
        use(complete(drafts, draft), tmp_path / "new", home.sites, by="piet")
    assert list((tmp_path / "new").iterdir()) == []


def test_a_change_is_refused_after_somebody_elses(
    home: Home, drafts: Drafts, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = home.sites.machine("harbour-2")
    machine = read_machine(known.folder)
    begun = replace(
        empty(tmp_path), machine=machine, source=known.id, changes=True, store=known.store
    )
    draft = drafts.begin(begun, known.folder)
    as_folder(draft)
    from verify.store import draft_use

    def meanwhile(*_: object) -> None:
        text = (known.folder / "machine.toml").read_text(encoding="utf-8")
        (known.folder / "machine.toml").write_text(f"{text}# mine\n", encoding="utf-8")

    monkeypatch.setattr(draft_use, "bring_up_to", meanwhile)
    with pytest.raises(Exception, match="changed by somebody else"):
        use(draft, tmp_path / "new", home.sites, by="dalia")
    assert (known.folder / "machine.toml").read_text(encoding="utf-8").endswith("# mine\n")


def test_a_change_is_noted_in_the_book(home: Home, drafts: Drafts, tmp_path: Path) -> None:
    known = home.sites.machine("harbour-2")
    machine = read_machine(known.folder)
    begun = replace(
        empty(tmp_path), machine=machine, source=known.id, changes=True, store=known.store
    )
    use(drafts.begin(begun, known.folder), tmp_path / "new", home.sites, by="dalia")
    from verify.store.chain import BOOK

    with home.database.read() as connection:
        from sqlalchemy import select

        from verify.store import tables

        e = tables.entries.c
        wanted = select(e.kind, e.by).where(e.chain == BOOK).order_by(e.n.desc()).limit(1)
        assert connection.execute(wanted).one() == ("machine-changed", "dalia")
