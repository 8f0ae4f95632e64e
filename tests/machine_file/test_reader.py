"""Reading a machine folder: what is taught, and that every broken rule is named on its line."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from tests.machine_file.make import MACHINE, broken, machine_folder
from tests.machine_file.rules import MACHINE_RULES, Rule
from verify.domain import How, Severity, Shot, Symmetry
from verify.errors import MachineFileError, VerifyError
from verify.machine_file import read_machine


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    inside = machine_folder(tmp_path / "machine")
    (tmp_path / "outside.jpg").write_bytes((inside / "lid/right.jpg").read_bytes())
    (inside / "linked.jpg").symlink_to(tmp_path / "outside.jpg")
    return inside


def problems(folder: Path, text: str) -> MachineFileError:
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(MachineFileError) as caught:
        read_machine(folder)
    return caught.value


def test_everything_written_is_read(folder: Path) -> None:
    machine = read_machine(folder)
    assert (machine.id, machine.folder) == ("harbour-2", folder)
    assert machine.title.by_language == {"": "Two-spout freezer by the window"}
    lid, spout = machine.views
    assert lid.title.by_language == {"en": "Inside of the lid", "es-MX": "Interior de la tapa"}
    assert (lid.master, lid.size, lid.mm_per_px) == ("lid/right.jpg", (120, 90), 0.5)
    assert lid.body == ((5, 5), (115, 5), (115, 85), (5, 85))
    assert lid.shots == (Shot("lid/no-clip.jpg", {"left-clip": "missing"}, frozenset({"seal"})),)
    assert (spout.id, spout.size, spout.mm_per_px, spout.body) == ("spout", (90, 120), None, None)
    clip, seal = lid.parts
    assert clip.outline == ((10, 10), (30, 10), (30, 30.5), (10, 30.5))
    assert (clip.expect, clip.severity, clip.alike) == ("closed", Severity.STOP, "clip")
    assert clip.symmetry == {Symmetry.TURN180, Symmetry.MIRROR}
    missing, sideways, swapped = clip.faults
    assert (missing.state, missing.how) == ("missing", How.ABSENT)
    assert str(missing.fix) == "Snap a clip over the hinge."
    assert (sideways.how, sideways.turn_deg, sideways.fix) == (How.TURNED, 90, None)
    assert (swapped.how, swapped.with_part) == (How.SWAPPED, "seal")
    assert (seal.severity, seal.alike, seal.symmetry) == (Severity.CAUTION, None, frozenset())
    assert [fault.how for fault in seal.faults] == [How.DISPLACED]  # by its name
    assert spout.parts[0].severity is Severity.STOP  # where it is not written


@pytest.mark.parametrize("rule", MACHINE_RULES, ids=lambda rule: rule.name)
def test_a_broken_rule_is_named_on_its_line(folder: Path, rule: Rule) -> None:
    text, line = broken(MACHINE, rule.old, rule.new, rule.at)
    error = problems(folder, text)
    found = {problem.key: problem for problem in error.problems}
    assert rule.key in found
    problem = found[rule.key]
    assert problem.line == line
    assert problem.allowed
    assert rule.says in str(problem)
    assert str(problem).startswith(f"{folder / 'machine.toml'}, line {line}, {rule.key}: ")


@pytest.mark.parametrize("rule", MACHINE_RULES, ids=lambda rule: rule.name)
def test_one_mistake_does_not_bring_others(folder: Path, rule: Rule) -> None:
    text, _ = broken(MACHINE, rule.old, rule.new, rule.at)
    keys = [problem.key for problem in problems(folder, text).problems]
    assert len(keys) == len(set(keys))
    assert len(keys) <= 3, keys


def test_all_problems_are_told_at_once_in_order(folder: Path) -> None:
    text = MACHINE.replace('"closed"', '"unknown"').replace("format = 1", "format = 9")
    text = text.replace('"seal"]', '"sael"]').replace("lid/no-clip.jpg", "lid/lost.jpg")
    error = problems(folder, text)
    lines = [problem.line or 0 for problem in error.problems]
    assert [problem.key for problem in error.problems] == [
        "format",
        "view[0].shot[0].file",
        "view[0].shot[0].unlabelled[0]",
        "view[0].part[0].expect",
        "view[1].part[0].expect",
    ]
    assert lines == sorted(lines)
    assert str(error).count("\n") == 4
    assert (error.file, error.line, error.key) == (folder / "machine.toml", 2, "format")
    assert (error.value, error.allowed) == ("9", "1")
    assert isinstance(error, VerifyError)
    assert error.exit_code == 2


def test_a_long_list_of_problems_is_cut_when_printed(folder: Path) -> None:
    corners = ", ".join(["[1, 'x']"] * 100)
    text = MACHINE.replace("[[10, 10], [30, 10], [20, 30]]", f"[{corners}]")
    error = problems(folder, text)
    assert len(error.problems) == 100
    assert str(error).endswith("and 75 more")


def test_the_error_survives_the_way_to_another_process(folder: Path) -> None:
    error = problems(folder, MACHINE.replace("format = 1", "format = 9"))
    again = pickle.loads(pickle.dumps(error))
    assert (type(again), str(again), again.problems) == (type(error), str(error), error.problems)


def test_the_machine_survives_the_way_to_another_process(folder: Path) -> None:
    machine = read_machine(folder)
    assert pickle.loads(pickle.dumps(machine)) == machine


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("format = 1", "format = ", 2),
        ("format = 1", "format = 1\nformat = 1", 3),
        ("[machine]", "[machine", 4),
        ('view = "lid"\n', "view = [", MACHINE[: MACHINE.index('view = "lid"')].count("\n") + 1),
    ],
)
def test_a_text_that_is_not_toml_is_named_by_line(
    folder: Path, old: str, new: str, line: int
) -> None:
    error = problems(folder, MACHINE.replace(old, new, 1))
    assert (error.line, error.key) == (line, "")
    assert "not TOML" in str(error)


def test_a_text_that_is_not_utf8_is_named_by_line(folder: Path) -> None:
    (folder / "machine.toml").write_bytes(MACHINE.encode().replace(b"spring", b"fr\xfchling"))
    with pytest.raises(MachineFileError, match="UTF-8") as caught:
        read_machine(folder)
    assert caught.value.line == 1


def test_a_mark_that_some_editors_put_in_front_is_no_mistake(folder: Path) -> None:
    (folder / "machine.toml").write_bytes(b"\xef\xbb\xbf" + MACHINE.encode())
    assert read_machine(folder).id == "harbour-2"


def test_line_breaks_of_other_systems_count_the_same(folder: Path) -> None:
    text = MACHINE.replace('severity = "stop"', 'severity = "halt"').replace("\n", "\r\n")
    (folder / "machine.toml").write_bytes(text.encode())
    with pytest.raises(MachineFileError) as caught:
        read_machine(folder)
    assert caught.value.line == MACHINE[: MACHINE.index('severity = "stop"')].count("\n") + 1


def test_deep_nesting_is_refused_and_not_a_crash(folder: Path) -> None:
    error = problems(folder, "a = " + "[" * 5000 + "]" * 5000)
    assert "nested" in str(error)


@pytest.mark.parametrize("text", ["", "format = 1\n", "format = 1\nview = []\n[machine]\n"])
def test_a_file_with_next_to_nothing_says_what_is_missing(folder: Path, text: str) -> None:
    keys = {problem.key for problem in problems(folder, text).problems}
    assert "view" in keys
    assert keys & {"machine", "machine.id"}


def test_steps_are_tables(folder: Path) -> None:
    text = MACHINE[: MACHINE.index("[[step]]")].replace("format = 1", "format = 1\nstep = [{}, 1]")
    error = problems(folder, text)
    assert ("step[1]", "1") in {(p.key, p.value) for p in error.problems}
    assert {p.line for p in error.problems} == {3}


def test_a_view_without_parts_is_refused(folder: Path) -> None:
    start = MACHINE.index("  [[view.part]]  # spout clip")
    error = problems(folder, MACHINE[:start])
    assert [problem.key for problem in error.problems] == ["view[1].part"]


def test_inline_tables_are_located_too(folder: Path) -> None:
    text = """\
format = 1
machine = { id = "m", title = "M" }
view = [
  { id = "lid", title = "T", ask = "A", master = { file = "lid/right.jpg", size = [120, 90] },
    part = [
      { id = "a", title = "A", outline = [[1, 1], [9, 1], [1, 9]], expect = "x" },
      { id = "b", title = "B", outline = [[1, 1], [9, 1],
          [1, 999]], expect = "x" } ] },
]
"""
    if "part = [" not in text.split("\n")[3]:  # TOML v1.0.0 wants an inline table on one line
        text = text.replace("[120, 90] },\n    part", "[120, 90] }, part")
    error = problems(folder, text)
    assert [(p.line, p.key) for p in error.problems] == [(7, "view[0].part[1].outline[2]")]


def test_dotted_keys_are_located_too(folder: Path) -> None:
    text = MACHINE.replace(
        'master = { file = "spout.png", size = [90, 120] }',
        'master.file = "spout.png"\nmaster.size = [90, 121]',
    )
    error = problems(folder, text)
    line = text[: text.index("master.size")].count("\n") + 1
    assert [(p.line, p.key) for p in error.problems] == [(line, "view[1].master.size")]


@pytest.mark.parametrize(
    ("name", "says"), [("absent", "no such folder"), ("note.txt", "not a folder")]
)
def test_what_is_no_folder_is_refused(folder: Path, name: str, says: str) -> None:
    with pytest.raises(MachineFileError, match=says):
        read_machine(folder / name)


def test_a_folder_without_the_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(MachineFileError, match=r"machine\.toml: there is no such file"):
        read_machine(tmp_path)


def test_a_picture_may_serve_two_views(folder: Path) -> None:
    text = MACHINE.replace(
        "  [[view.part]]  # spout clip",
        '  [[view.shot]]\n  file = "lid/no-clip.jpg"\n\n  [[view.part]]',
    )
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    assert [shot.file for shot in read_machine(folder).views[1].shots] == ["lid/no-clip.jpg"]


def test_a_link_that_stays_inside_is_no_escape(folder: Path) -> None:
    (folder / "linked.jpg").unlink()
    (folder / "linked.jpg").symlink_to(folder / "lid/no-clip.jpg")
    (folder / "machine.toml").write_text(MACHINE.replace("lid/no-clip.jpg", "linked.jpg"))
    assert read_machine(folder).views[0].shots[0].file == "linked.jpg"


@pytest.mark.outside
def test_a_folder_that_nobody_here_made_reads(open_data: Path) -> None:
    """The real photos of ``screws4``; names and sizes are those written in its files."""
    machine = read_machine(open_data / "screws4")
    (view,) = machine.views
    assert (machine.id, view.size, len(view.shots)) == ("four-screw-board", (600, 789), 8)
    assert [part.id for part in view.parts] == [
        "top-left",
        "top-right",
        "bottom-left",
        "bottom-right",
    ]
    order = [part.id for part in view.parts]
    for shot in view.shots:  # the file's name carries the truth, 1 for a screw
        truth = shot.file.split("_")[1][:4]
        assert set(shot.states) == {order[n] for n in range(4) if truth[n] == "0"}
