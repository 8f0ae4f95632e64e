"""Changing a machine file: what is changed says so, and all else is as it was."""

from __future__ import annotations

import difflib
import os
import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.machine_file.make import MACHINE, machine_folder
from verify.domain import Fault, How, Part, Shot, Text, View
from verify.errors import MachineFileError, UsageError
from verify.machine_file import read_machine
from verify.machine_file.editor import MachineFile

TRIANGLE = ((40.0, 10.0), (60.5, 10.0), (50.0, 30.25))
HANDLE = Part("handle", Text({"": "Handle"}), TRIANGLE, "up", faults=(Fault("down", How.FLIPPED),))
SPARE = Shot("lid/spare.jpg", {"left-clip": "sideways"})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return machine_folder(tmp_path)


def lines_changed(before: str, after: str) -> tuple[list[str], list[str]]:
    """Return the lines that went and the lines that came."""
    old, new = before.split("\n"), after.split("\n")
    went: list[str] = []
    came: list[str] = []
    for _, i, j, k, m in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if old[i:j] != new[k:m]:
            went += old[i:j]
            came += new[k:m]
    return went, came


# Changes -------------------------------------------------------------------------------


def test_a_shot_goes_behind_the_last_shot(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.add_shot("lid", SPARE)
    file.save()
    written = (folder / "machine.toml").read_text(encoding="utf-8")
    assert lines_changed(MACHINE, written) == (
        [],
        [
            "",
            "  [[view.shot]]",
            '  file = "lid/spare.jpg"',
            '  states = { left-clip = "sideways" }',
        ],
    )
    after = written.index('unlabelled = ["seal"]')
    assert after < written.index("lid/spare.jpg") < written.index("# The clips come in pairs.")
    assert read_machine(folder).views[0].shots[1] == SPARE


def test_the_first_shot_goes_before_the_parts(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.add_shot("spout", Shot("lid/spare.jpg", unlabelled=frozenset({"left-clip"})))
    master = 'master = { file = "spout.png", size = [90, 120] }\n'
    shot = '\n  [[view.shot]]\n  file = "lid/spare.jpg"\n  unlabelled = ["left-clip"]\n'
    assert file.text == MACHINE.replace(master, master + shot)
    assert file.machine.views[1].shots[0].unlabelled == {"left-clip"}


def test_an_outline_is_replaced_in_its_place(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.set_outline("lid", "left-clip", TRIANGLE)
    assert lines_changed(MACHINE, file.text) == (
        ["  outline = [[10, 10], [30, 10], [30, 30.5], [10, 30.5]]"],
        ["  outline = [[40, 10], [60.5, 10], [50, 30.25]]"],
    )
    assert file.machine.views[0].parts[0].outline == TRIANGLE


def test_an_outline_on_several_lines_is_replaced_with_its_comments(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.set_outline("lid", "seal", TRIANGLE)
    went, came = lines_changed(MACHINE, file.text)
    assert came == ["  outline = [[40, 10], [60.5, 10], [50, 30.25]]"]
    assert len(went) == 5
    assert file.machine.views[0].parts[1].outline == TRIANGLE


def test_a_part_goes_behind_the_last_part_of_its_view(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.add_part("lid", HANDLE)
    assert lines_changed(MACHINE, file.text)[0] == []
    assert [part.id for part in file.machine.views[0].parts] == ["left-clip", "seal", "handle"]
    assert file.machine.views[0].parts[2] == HANDLE
    assert file.machine.views[1].parts == read_machine(folder).views[1].parts


def test_a_fault_goes_to_its_part(folder: Path) -> None:
    file = MachineFile.open(folder)
    cracked = Fault("cracked", fix=Text({"en": "Take a new one.", "es": "Tome uno nuevo."}))
    file.add_fault("spout", "left-clip", cracked)
    file.add_fault("lid", "left-clip", Fault("half shut", How.TURNED, turn_deg=22.5))
    lid, spout = file.machine.views
    assert spout.parts[0].faults == (cracked,)
    assert [f.state for f in lid.parts[0].faults] == [
        "missing",
        "sideways",
        "seal-there",
        "half shut",
    ]


def test_a_body_is_added_or_replaced(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.set_body("spout", TRIANGLE)
    file.set_body("lid", TRIANGLE)
    assert [view.body for view in file.machine.views] == [TRIANGLE, TRIANGLE]
    went, came = lines_changed(MACHINE, file.text)
    assert went == ["body = [[5, 5], [115, 5], [115, 85], [5, 85]]"]
    assert came == ["body = [[40, 10], [60.5, 10], [50, 30.25]]"] * 2


def test_a_view_goes_behind_the_others_and_before_the_steps(folder: Path) -> None:
    file = MachineFile.open(folder)
    view = View(
        "drip",
        Text({"": "Drip tray"}),
        Text({"": "Pull it out."}),
        "lid/spare.jpg",
        (64, 48),
        (replace(HANDLE, outline=((1, 1), (9, 1), (5, 9))),),
        (Shot("spout.png"),),
    )
    file.add_view(view)
    assert file.machine.views[2] == view
    assert file.text.index('id = "drip"') < file.text.index("[[step]]")
    assert lines_changed(MACHINE, file.text)[0] == []


def test_a_shot_is_taken_out_and_its_comments_stay(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.add_shot("lid", SPARE)
    file.remove_shot("lid", SPARE.file)
    assert file.text == MACHINE
    file.remove_shot("lid", "lid/no-clip.jpg")
    assert file.machine.views[0].shots == ()
    assert "# The clips come in pairs." in file.text
    assert (folder / "lid/no-clip.jpg").exists()


def test_steps_and_what_they_hold_stay(folder: Path) -> None:
    steps = (
        "[[step]]\nid = 'wipe'\nkind = 'check'\nphase = 'clean' # wet!\ntitle = 'Wipe'\n"
        "ask = '''Wipe\nit.'''\nwhy = 'w'\nif_not = 'n'\n\n"
        "[[step.wear]]\nid = 'y'\ntitle = 'Y'"
    )
    text = MACHINE[: MACHINE.index("[[step]]")] + steps
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    file = MachineFile.open(folder)
    file.add_part("spout", HANDLE)
    file.add_shot("lid", SPARE)
    file.save()
    assert (folder / "machine.toml").read_text(encoding="utf-8").endswith("\n" + steps)


# Layouts -------------------------------------------------------------------------------

ALTERNATING = """\
format = 1
machine = { id = "m", title = "M" }
[[view]]
id = "lid"
title = "T"
ask = "A"
master.file = "lid/right.jpg"
master.size = [120, 90]
[[view.part]]
id = "left-clip"
title = "A"
outline = [[1, 1], [9, 1], [1, 9]]
expect = "x"
[[view.part.fault]]
state = "sideways"
# about the first shot
[[view.shot]]
file = "lid/no-clip.jpg"
# also about the first shot

# about the second part
[[view.part]]
id = "b"
title = "B"
outline = [[1, 1], [9, 1], [1, 9]]
expect = "x"
"""
INLINE = """\
format = 1
machine = { id = "m", title = "M" }
view = [ { id = "lid", title = "T", ask = "A", master = { file = "lid/right.jpg", size = [120, 90]}\
, part = [ # parts
  { id = "left-clip", title = "A", outline = [[1, 1], [9, 1], [1, 9]], expect = "x",\
 fault = [{ state = "sideways" }] }, # first
  { id = "b", title = "B", outline = [[1, 1], [9, 1], [1, 9]], expect = "x" },
  ], shot = [] } ] # end
"""
SHOTS_INLINE = ALTERNATING.replace(
    '# about the first shot\n[[view.shot]]\nfile = "lid/no-clip.jpg"\n', ""
).replace(
    "master.size = [120, 90]",
    "master.size = [120, 90]\nshot = [ {file = 'lid/no-clip.jpg'} , # first\n]",
)
LAYOUTS = {
    "plain": MACHINE,
    "alternating": ALTERNATING,
    "inline": INLINE,
    "shots inline": SHOTS_INLINE,
    "no last line break": ALTERNATING.rstrip("\n"),
    "other line breaks": MACHINE.replace("\n", "\r\n"),
}


@pytest.mark.parametrize("text", LAYOUTS.values(), ids=LAYOUTS.keys())
def test_all_layouts_can_be_changed(folder: Path, text: str) -> None:
    (folder / "machine.toml").write_bytes(text.encode())
    file = MachineFile.open(folder)
    file.add_shot("lid", SPARE)
    file.add_part("lid", HANDLE)
    file.add_fault("lid", "left-clip", Fault("bent"))
    file.set_outline("lid", "left-clip", TRIANGLE)
    file.set_body("lid", TRIANGLE)
    machine = file.save()
    lid = machine.views[0]
    assert lid.shots[-1] == SPARE
    assert lid.parts[-1] == HANDLE
    assert lid.parts[0].faults[-1].state == "bent"
    assert (lid.parts[0].outline, lid.body) == (TRIANGLE, TRIANGLE)
    for comment in (line.partition("#")[2] for line in text.split("\n") if "#" in line):
        if "at the drain" not in comment:  # stood in the outline that was drawn anew
            assert f"#{comment}" in file.text
    raw = (folder / "machine.toml").read_bytes()
    assert raw == file.text.encode()
    assert raw.count(b"\r\n") in (0, raw.count(b"\n"))  # the file's own line breaks, throughout
    file.remove_shot("lid", SPARE.file)
    assert SPARE not in file.save().views[0].shots


def test_comments_stay_with_what_they_are_about(folder: Path) -> None:
    (folder / "machine.toml").write_text(ALTERNATING, encoding="utf-8")
    file = MachineFile.open(folder)
    file.add_shot("lid", SPARE)
    expected = ALTERNATING.replace(
        "# also about the first shot\n",
        '# also about the first shot\n\n[[view.shot]]\nfile = "lid/spare.jpg"\n'
        'states = { left-clip = "sideways" }\n',
    )
    assert file.text == expected


def test_a_mark_in_front_stays(folder: Path) -> None:
    (folder / "machine.toml").write_bytes(b"\xef\xbb\xbf" + MACHINE.encode())
    file = MachineFile.open(folder)
    file.add_shot("lid", SPARE)
    file.save()
    file.add_part("lid", HANDLE)
    file.save()
    assert (folder / "machine.toml").read_bytes() == b"\xef\xbb\xbf" + file.text.encode()


def test_a_shot_whose_states_have_a_header_goes_as_a_whole(folder: Path) -> None:
    states = '[view.shot.states]\nleft-clip = "sideways"\n'
    text = ALTERNATING.replace("# also about the first shot\n", states)
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    file = MachineFile.open(folder)
    file.remove_shot("lid", "lid/no-clip.jpg")
    assert file.machine.views[0].shots == ()
    assert "view.shot" not in file.text


def test_a_layout_that_cannot_be_changed_says_where(folder: Path) -> None:
    """The states of the shot stand behind another part: no single piece can be cut out."""
    text = ALTERNATING + '[view.shot.states]\nleft-clip = "sideways"\n'
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    file = MachineFile.open(folder)
    with pytest.raises(MachineFileError, match=r"by hand at view\[0\]\.shot"):
        file.remove_shot("lid", "lid/no-clip.jpg")
    assert file.text == text


# Refusals ------------------------------------------------------------------------------

CHANGES: dict[str, Callable[[MachineFile], None]] = {
    "shot": lambda file: file.add_shot("tap", SPARE),
    "part": lambda file: file.add_part("tap", HANDLE),
    "outline": lambda file: file.set_outline("lid", "handle", TRIANGLE),
    "body": lambda file: file.set_body("tap", TRIANGLE),
    "fault": lambda file: file.add_fault("lid", "handle", Fault("bent")),
    "removed": lambda file: file.remove_shot("spout", "lid/no-clip.jpg"),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_what_is_not_there_cannot_be_changed(
    folder: Path, change: Callable[[MachineFile], None]
) -> None:
    file = MachineFile.open(folder)
    with pytest.raises(UsageError, match="there is no"):
        change(file)
    assert file.text == MACHINE


def test_a_change_that_breaks_a_rule_is_not_saved(folder: Path) -> None:
    file = MachineFile.open(folder)
    file.add_shot("lid", Shot("lid/lost.jpg", {"seal": "gone"}))
    with pytest.raises(MachineFileError) as caught:
        file.save()
    assert [p.key for p in caught.value.problems] == [
        "view[0].shot[1].file",
        "view[0].shot[1].states.seal",
    ]
    assert (folder / "machine.toml").read_text(encoding="utf-8") == MACHINE


def test_a_folder_that_breaks_a_rule_is_not_opened(folder: Path) -> None:
    (folder / "machine.toml").write_text(MACHINE.replace('"stop"', '"halt"'), encoding="utf-8")
    with pytest.raises(MachineFileError, match="halt"):
        MachineFile.open(folder)


def test_what_somebody_else_wrote_meanwhile_is_not_overwritten(folder: Path) -> None:
    mine, theirs = MachineFile.open(folder), MachineFile.open(folder)
    theirs.add_part("lid", HANDLE)
    theirs.save()
    mine.add_shot("lid", SPARE)
    with pytest.raises(MachineFileError, match="somebody else"):
        mine.save()
    assert (folder / "machine.toml").read_text(encoding="utf-8") == theirs.text


def test_a_failure_while_writing_leaves_the_old_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = MachineFile.open(folder)
    file.add_shot("lid", SPARE)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    before = sorted(path.name for path in folder.iterdir())
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        file.save()
    assert (folder / "machine.toml").read_text(encoding="utf-8") == MACHINE
    assert sorted(path.name for path in folder.iterdir()) == before


def test_permissions_and_links_are_kept(folder: Path, tmp_path: Path) -> None:
    real = tmp_path / "kept-elsewhere.toml"
    (folder / "machine.toml").rename(real)
    real.chmod(0o640)
    (folder / "machine.toml").symlink_to(real)
    file = MachineFile.open(folder)
    file.add_shot("lid", SPARE)
    file.save()
    assert (folder / "machine.toml").is_symlink()
    assert real.read_text(encoding="utf-8") == file.text
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
