"""Writing new folders, and any change of any file: values made up by the hundred."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.machine_file.make import MACHINE, machine_folder
from verify.domain import (
    Fault,
    How,
    Machine,
    Part,
    Phase,
    Severity,
    Shot,
    Step,
    StepKind,
    Symmetry,
    Text,
    View,
    WearItem,
)
from verify.errors import MachineFileError
from verify.machine_file import read_machine
from verify.machine_file.editor import MachineFile, write_machine

TRIANGLE = ((40.0, 10.0), (60.5, 10.0), (50.0, 30.25))
HANDLE = Part("handle", Text({"": "Handle"}), TRIANGLE, "up", faults=(Fault("down", How.FLIPPED),))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return machine_folder(tmp_path)


def is_kept(before: str, after: str) -> bool:
    """True if all lines are still there, in their order."""
    lines = iter(after.split("\n"))
    return all(line in lines for line in before.split("\n"))


def test_a_new_folder_reads_back_the_same(folder: Path, tmp_path: Path) -> None:
    machine = read_machine(folder)
    new = machine_folder(tmp_path / "new")
    (new / "machine.toml").unlink()
    written = write_machine(machine, new)
    assert written == read_machine(new) == replace(machine, folder=new)


def test_a_folder_that_is_taught_already_is_not_overwritten(folder: Path) -> None:
    machine = read_machine(folder)
    with pytest.raises(MachineFileError, match="already"):
        write_machine(machine, folder)
    assert (folder / "machine.toml").read_text(encoding="utf-8") == MACHINE


def test_a_machine_that_breaks_a_rule_is_not_written(folder: Path) -> None:
    machine = replace(read_machine(folder), id="No id")
    (folder / "machine.toml").unlink()
    with pytest.raises(MachineFileError, match="not an id"):
        write_machine(machine, folder)
    assert not (folder / "machine.toml").exists()


letters = st.characters(codec="utf-8")
texts = st.text(letters, min_size=1, max_size=12).filter(str.strip)
names = texts.filter(lambda name: name.isprintable() and name == name.strip())
coins = st.booleans()
ids = st.text("abc019-", min_size=1, max_size=4)
many_texts = texts.map(lambda text: Text({"": text})) | st.dictionaries(
    st.sampled_from(["en", "es-MX", "zh-Hant", "fil"]), texts, min_size=1
).map(Text)
numbers = st.integers(0, 119) | st.floats(0, 119.5)
triangles = st.tuples(numbers, st.floats(0, 40), st.floats(0.5, 20), st.floats(0.5, 20)).map(
    lambda t: ((t[0], t[1]), (min(t[0] + t[2], 119.5), t[1]), (t[0], t[1] + t[3]))
)
outlines = triangles.filter(lambda corners: corners[1][0] - corners[0][0] > 0.01)


@st.composite
def any_part(draw: st.DrawFn, part_id: str, others: list[str]) -> Part:
    states = draw(st.lists(names, min_size=1, max_size=4, unique=True))
    states = [state for state in states if state not in ("unknown", "displaced")] or ["fine"]
    faults: list[Fault] = []
    for state in states[1:]:
        how = draw(st.sampled_from(How))
        turn = draw(st.none() | st.floats(-359, 359).filter(bool)) if how is How.TURNED else None
        twin = draw(st.sampled_from([None, *others])) if how is How.SWAPPED else None
        faults.append(Fault(state, how, draw(st.none() | many_texts), turn, twin))
    return Part(
        part_id,
        draw(many_texts),
        draw(outlines),
        states[0],
        draw(st.sampled_from(Severity)),
        draw(st.none() | names),
        draw(st.frozensets(st.sampled_from(Symmetry))),
        tuple(faults),
    )


@st.composite
def plans(draw: st.DrawFn, views: list[View]) -> tuple[Step, ...]:
    steps: list[Step] = []
    step_ids = draw(st.lists(ids, max_size=5, unique=True))
    phases = sorted((draw(st.sampled_from(Phase)) for _ in step_ids), key=list(Phase).index)
    for number, (step_id, phase) in enumerate(zip(step_ids, phases, strict=True)):
        kind = draw(st.sampled_from(StepKind))
        later = [i for i, p in zip(step_ids, phases, strict=True) if p is phase]
        later = later[later.index(step_id) + 1 :]
        values: dict[str, Any] = {"hidden_by": draw(st.sampled_from([None, *later]))}
        if kind is StepKind.PHOTO:
            values |= {"view": views[0].id, "ask": draw(st.none() | many_texts)}
        else:
            values |= {"ask": draw(many_texts), "if_not": draw(many_texts)}
            values |= {"why": draw(many_texts)}
        if kind is StepKind.CHECK:
            days = draw(st.none() | st.integers(1, 999))
            count = draw(st.integers(1, 9))
            item = WearItem(f"w{number}", draw(many_texts), count, days)
            values["wear"] = (item,) if draw(coins) else ()
            values["leak"] = phase is Phase.START_UP and draw(coins)
        if kind is StepKind.READING:
            values |= {"quantity": draw(many_texts), "unit": "s"}
            values |= draw(st.sampled_from([{"at_least": -1.5}, {"at_least": 0, "at_most": 2.25}]))
        steps.append(Step(step_id, phase, kind, draw(many_texts), **values))
    return tuple(steps)


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    views = []
    for view_id in draw(st.lists(ids, min_size=1, max_size=2, unique=True)):
        part_ids = draw(st.lists(ids, min_size=1, max_size=3, unique=True))
        view_parts = [draw(any_part(p, [o for o in part_ids if o != p])) for p in part_ids]
        wrong = {p.id: p.faults[0].state for p in view_parts if p.faults and draw(coins)}
        doubted = frozenset(p for p in part_ids if p not in wrong and draw(coins))
        views.append(
            View(
                view_id,
                draw(many_texts),
                draw(many_texts),
                "lid/right.jpg",
                (120, 90),
                tuple(view_parts),
                (Shot("lid/no-clip.jpg", wrong, doubted),) if draw(coins) else (),
                draw(st.none() | st.floats(1e-6, 1e6)),
                draw(st.none() | outlines),
            )
        )
    return Machine(draw(ids), draw(many_texts), Path(), tuple(views), draw(plans(views)))


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = machine_folder(tmp_path_factory.mktemp("any"))
    (folder / "machine.toml").unlink()
    return folder


@settings(max_examples=60)
@given(machine=machines())
def test_any_machine_reads_back_the_same(pictures: Path, machine: Machine) -> None:
    machine = replace(machine, folder=pictures)
    (pictures / "machine.toml").unlink(missing_ok=True)
    write_machine(machine, pictures)
    assert read_machine(pictures) == machine


# What people write between the lines.
junk = st.sampled_from(["", "\n", "# note\n", "  # [[view.shot]]\n", "\n\n# a\n\n", "\t\n"])


@settings(max_examples=60)
@given(machine=machines(), data=st.data())
def test_any_change_of_any_file_leaves_the_rest(
    pictures: Path, machine: Machine, data: st.DataObject
) -> None:
    """Each change adds lines or replaces one value; no other line goes, and all still reads."""
    (pictures / "machine.toml").unlink(missing_ok=True)
    write_machine(machine, pictures)
    file = MachineFile.open(pictures)
    lines = file.text.split("\n")[:-1]
    between = data.draw(st.lists(junk, min_size=len(lines) + 1, max_size=len(lines) + 1))
    file.text = "".join(f"{odd}{line}\n" for odd, line in zip(between, lines, strict=False))
    file.text += between[-1]
    view = data.draw(st.sampled_from(machine.views))
    part = data.draw(st.sampled_from(view.parts))
    before = file.text
    file.add_shot(view.id, Shot("lid/spare.jpg"))
    file.add_part(view.id, replace(HANDLE, id="new-handle"))
    file.add_fault(view.id, part.id, Fault("never seen before"))
    assert is_kept(before, file.text)
    file.set_outline(view.id, part.id, TRIANGLE)
    now = file.machine.view(view.id)
    assert now.shots == (*view.shots, Shot("lid/spare.jpg"))
    assert now.part("new-handle") == replace(HANDLE, id="new-handle")
    changed = replace(part, outline=TRIANGLE, faults=(*part.faults, Fault("never seen before")))
    assert now.part(part.id) == changed
    assert [p for p in now.parts[:-1] if p.id != part.id] == [p for p in view.parts if p != part]
    others = [other for other in file.machine.views if other.id != view.id]
    assert others == [other for other in machine.views if other.id != view.id]
