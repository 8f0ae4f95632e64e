"""A changed machine is written into its file without losing what people wrote there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.machine_file.make import MACHINE, machine_folder
from verify.domain import Fault, How, Machine, Severity, Shot, Symmetry, Text, View
from verify.machine_file import read_machine
from verify.machine_file.editor import MachineFile
from verify.machine_file.merge import bring_up_to
from verify.machine_file.plain import machine_to_plain
from verify.machine_file.unplain import machine_from_plain


def merged(folder: Path, view: View) -> tuple[Machine, str]:
    """Bring the lid of the small machine up to a view; return what is read and the text."""
    opened = MachineFile.open(folder)
    now = opened.machine
    views = tuple(view if v.id == view.id else v for v in now.views)
    bring_up_to(opened, replace(now, views=views))
    opened.save()
    return read_machine(folder), opened.text


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return machine_folder(tmp_path / "harbour-2")


def test_nothing_changed_changes_no_character(folder: Path) -> None:
    opened = MachineFile.open(folder)
    bring_up_to(opened, opened.machine)
    assert opened.text == MACHINE


def test_one_outline_changes_one_line(folder: Path) -> None:
    lid = read_machine(folder).view("lid")
    clip = replace(lid.parts[0], outline=((11.0, 10.0), (30.0, 10.0), (30.0, 30.0)))
    machine, text = merged(folder, replace(lid, parts=(clip, *lid.parts[1:])))
    assert machine.view("lid").parts[0] == clip
    old, new = MACHINE.splitlines(), text.splitlines()
    assert [b for a, b in zip(old, new, strict=True) if a != b] == [
        "  outline = [[11, 10], [30, 10], [30, 30]]"
    ]


def test_words_parts_faults_and_shots_come_and_go(folder: Path) -> None:
    lid = read_machine(folder).view("lid")
    clip, seal = lid.parts
    changed = replace(
        clip,
        title=Text({"en": "Clip", "es": "Clip izquierdo"}),
        severity=Severity.CAUTION,
        faults=(replace(clip.faults[0], fix=Text({"": "Snap it."})), Fault("torn", How.OTHER)),
    )
    added = replace(seal, id="drain-seal", title=Text({"": "Drain seal"}))
    shots = (Shot("lid/spare.jpg", {"left-clip": "torn"}, frozenset({"seal"})),)
    wanted = replace(lid, parts=(changed, added, seal), shots=shots, mm_per_px=0.25)
    machine, text = merged(folder, wanted)
    read = machine.view("lid")
    assert {part.id: part for part in read.parts} == {part.id: part for part in wanted.parts}
    assert read.shots == shots
    assert read.mm_per_px == 0.25
    for comment in ("# Harbour kiosk", "# kiosk", "# first view", "# The clips come in pairs",
                    "# clip", "# ring", "# at the drain", "# slipped",
                    "# second view"):  # fmt: skip
        assert comment in text, comment


def test_a_key_that_goes_takes_its_table_along_but_nothing_else(folder: Path) -> None:
    lid = read_machine(folder).view("lid")
    clip = replace(lid.parts[0], symmetry=frozenset(), alike=None)
    machine, text = merged(folder, replace(lid, parts=(clip, lid.parts[1])))
    assert {p.id for p in machine.view("lid").parts} == {"left-clip", "seal"}
    assert machine.view("lid").part("left-clip") == clip
    assert "# at the drain" in text


def test_what_is_read_back_from_plain_values_is_the_same(folder: Path) -> None:
    machine = read_machine(folder)
    assert machine_from_plain(machine_to_plain(machine), folder) == machine


_STATES = ["missing", "sideways", "torn", "loose"]


@settings(max_examples=40, deadline=None)
@given(
    faults=st.lists(st.sampled_from(_STATES), unique=True, max_size=4),
    symmetry=st.sets(st.sampled_from(Symmetry)),
    alike=st.sampled_from([None, "clip", "lid clip"]),
    title=st.text(min_size=1, max_size=20).filter(lambda t: t.strip() and t.isprintable()),
)
def test_any_change_of_a_part_is_read_back(
    tmp_path_factory: pytest.TempPathFactory,
    faults: list[str],
    symmetry: set[Symmetry],
    alike: str | None,
    title: str,
) -> None:
    folder = machine_folder(tmp_path_factory.mktemp("merge") / "m")
    lid = read_machine(folder).view("lid")
    clip = replace(
        lid.parts[0],
        title=Text({"": title}),
        alike=alike,
        symmetry=frozenset(symmetry),
        faults=tuple(Fault(state) for state in faults),
    )
    machine, text = merged(folder, replace(lid, parts=(clip, lid.parts[1]), shots=()))
    read = machine.view("lid").part("left-clip")
    assert {f.state for f in read.faults} == set(faults)
    assert replace(read, faults=()) == replace(clip, faults=())
    assert "# second view" in text
