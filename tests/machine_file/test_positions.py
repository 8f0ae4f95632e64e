"""The index of places finds exactly the keys that the standard library's reader finds."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.machine_file.paths import KeyPath, show_path
from verify.machine_file.plain import to_value
from verify.machine_file.positions import Positions


def paths(value: Any, at: KeyPath = ()) -> set[KeyPath]:
    """Return the path of everything in a value that tomllib gave."""
    found: set[KeyPath] = set()
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for step, item in items:
        found.add((*at, step))
        if isinstance(item, dict | list):
            found |= paths(item, (*at, step))
    return found


# The shapes of TOML v1.0.0 (https://toml.io/en/v1.0.0), section by section, in own words; what
# they mean is asked of tomllib.
SHAPES = {
    "comments": '# a\n k = "# no" # b\n#[t]\n  # c',
    "bare keys": "a = 1\na_b = 2\na-b = 3\n12 = 4",
    "quoted keys": '"a.b" = 1\n\'c d\' = 2\n"" = 3\n\'x "y"\' = 4\n"\\u00e9\\t" = 5',
    "dotted keys": 'p.a = 1\np . b = 2\np.  "q.r"  .c = 3\n3.14 = 4',
    "basic strings": 'a = "x \\" ] } # \\\\"\nb = ""\nc = "\\u00E9"',
    "strings of many lines": 'a = """\none\n[two]\n"""\nb = """x ""\\" "" y"""\nc = """\\\n z"""',
    "quotes at the ends": 'a = """""two"""""\nb = """"one""""\nc = """"""\nd = """\\""""',
    "literal strings": "a = 'C:\\x\\'\nb = '''a 'b' ''c'''\nc = ''\nd = ''''''",
    "apostrophes at the ends": "a = ''''x''''\nb = '''''y'''''",
    "numbers": "a = +9\nb = 1_000\nc = 0xff\nd = -2E-2\ne = inf\nf = -nan\ng=0b1\nh = 6.6e-3",
    "dates": "a = 1979-05-27T07:32:00Z\nb = 1979-05-27 07:32:00 # c\nc = [07:32:00]",
    "arrays": 'a = [ 1, 2, ]\nb = [[1, 2], ["x", """\n]"""]]\nc = []',
    "arrays of many lines": "c = [\n # ]\n 1 # ,\n , 2\n]\nd = [\n]",
    "tables": '[a]\nk = 1\n[ b . c ."d" ] # x\n[b]\nk = 2\n[e.f]\nx.y = 1\n[e.f.g]\nz = 1',
    "inline tables": 'a = {}\nb = { x = 1, y.z = "}" , "w" = { v = [ {} , {u = 1}] } }',
    "arrays of tables": "[[p]]\nn = 1\n[[p]]\n\n[[p]]\nn = 2\nm = 3",
    "nested arrays of tables": (
        "[[f]]\nn = 1\n[f.s]\nc = 1\n[[f.v]]\nn = 2\n[[f.v]]\n[f.v.w]\n[[f]]\n[[f.v]]\nn = 3"
    ),
    "alternating": "[[v]]\n[[v.s]]\na=1\n[[v.p]]\na=2\n[[v.s]]\na=3\n[[v.p.q]]\n[[v.p]]\n[[v.p.q]]",
    "nothing": "",
    "line breaks": "a = 1\r\n[b]\r\nc = [\r\n1,\r\n2]\r\n[[d]]\r\ne = '''\r\nx'''\r\n",
    "indented": "\t[a]\n\t\tk = 1\n  [[a.b]]\n\t c = 2",
}


@pytest.mark.parametrize("text", SHAPES.values(), ids=SHAPES.keys())
def test_every_key_of_every_shape_has_a_place(text: str) -> None:
    assert Positions(text).paths() == paths(tomllib.loads(text))


def test_the_examples_that_come_with_the_standard_library() -> None:
    """Run where Python brings its own tests; not all systems install them."""
    folder = Path(tomllib.__file__).parents[1] / "test" / "test_tomllib" / "data" / "valid"
    files = sorted(folder.rglob("*.toml"))
    if not files:
        pytest.skip(f"this Python comes without {folder}")
    for file in files:
        text = file.read_bytes().decode()
        assert Positions(text).paths() == paths(tomllib.loads(text)), file


def test_lines_and_sources() -> None:
    text = """\
format = 1
[[view]]
  id = "a"   # comment
  [[view.part]]
  outline = [
    [1, 2], # first
    [3.0, 4],
  ]
  states = { "left clip" = "x", right = "y" }
  [[view.part.fault]]
  with.deep = '''
  z'''
[[view]]
part = [{ id = "p" }]
"""
    positions = Positions(text)
    expected: dict[KeyPath, tuple[int, str | None]] = {
        ("format",): (1, "1"),
        ("view",): (2, None),
        ("view", 0): (2, None),
        ("view", 0, "id"): (3, '"a"'),
        ("view", 0, "part"): (4, None),
        ("view", 0, "part", 0): (4, None),
        ("view", 0, "part", 0, "outline"): (5, "[\n    [1, 2], # first\n    [3.0, 4],\n  ]"),
        ("view", 0, "part", 0, "outline", 0): (6, "[1, 2]"),
        ("view", 0, "part", 0, "outline", 1, 0): (7, "3.0"),
        ("view", 0, "part", 0, "states", "left clip"): (9, '"x"'),
        ("view", 0, "part", 0, "states", "right"): (9, '"y"'),
        ("view", 0, "part", 0, "fault", 0): (10, None),
        ("view", 0, "part", 0, "fault", 0, "with"): (11, None),
        ("view", 0, "part", 0, "fault", 0, "with", "deep"): (11, "'''\n  z'''"),
        ("view", 1): (13, None),
        ("view", 1, "part", 0, "id"): (14, '"p"'),
    }
    for path, (line, source) in expected.items():
        assert (positions.line(path), positions.source(path)) == (line, source), path
    assert positions.line(("view", 0, "part", 0, "title")) == 4  # absent: what surrounds it
    assert positions.line(("machine",)) is None
    assert positions.block_end(("view", 0)) == text.index("[[view]]\npart")


words = st.text(st.characters(codec="utf-8", exclude_characters="\r"), max_size=6)
scalars = st.one_of(
    st.integers(-(2**63), 2**63 - 1), st.floats(allow_nan=False), words, st.booleans().map(int)
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=8,
)


@pytest.mark.parametrize("gap", ["", " ", "\t  "])
@given(data=st.dictionaries(words, values, max_size=4))
def test_any_values_are_walked_and_read_back(data: dict[str, Any], gap: str) -> None:
    """What is written reads back the same, and the index finds all of it and its source."""
    text = "".join(f"{gap}{to_value(key)}{gap}={gap}{to_value(v)} # c\n" for key, v in data.items())
    read = tomllib.loads(text)
    assert read == data
    positions = Positions(text)
    assert positions.paths() == paths(read)
    for number, key in enumerate(data, 1):
        assert positions.line((key,)) == number
        assert positions.source((key,)) == to_value(data[key])


@pytest.mark.parametrize(
    ("path", "shown"),
    [
        (("view", 0, "part", 2, "expect"), "view[0].part[2].expect"),
        (("states", "left clip"), 'states."left clip"'),
        (("a",), "a"),
        ((), ""),
        (("", "é"), '""."é"'),
    ],
)
def test_paths_are_shown_as_people_write_them(path: KeyPath, shown: str) -> None:
    assert show_path(path) == shown
