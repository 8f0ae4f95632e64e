"""Every picture and network that is kept is listed with its SHA-256, origin and licence."""

from __future__ import annotations

from pathlib import Path

import pytest

from demo_data.manifest import (
    REPOSITORY,
    ManifestError,
    kept_files,
    problems,
    read_list,
    rewrite,
    sha256_of,
)

LIST = """\
# by hand
[[set]]
folder = "models"
origin = "made here"
licence = "Apache-2.0"  # of the whole

[[set]]
folder = "demo_data/photos"
origin = "made here too"
licence = "Apache-2.0"
"""


def test_every_kept_file_is_as_listed() -> None:
    assert list(problems(REPOSITORY)) == []


def test_every_network_has_a_card_with_its_digest() -> None:
    networks = [name for name in kept_files(REPOSITORY) if name.startswith("models/")]
    if not networks:
        pytest.skip("no network is kept here yet")
    card = (REPOSITORY / "models" / "README.md").read_text(encoding="utf-8")
    for name in networks:
        assert f"## {Path(name).name}" in card, f"models/README.md has no section on {name}"
        assert sha256_of(REPOSITORY / name) in card, f"models/README.md: SHA-256 of {name}"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    for name in ("models/a.onnx", "demo_data/photos/x/1.jpg", "demo_data/photos/2.JPG"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    (tmp_path / "models" / "notes.txt").write_text("no picture, no network")
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared" / "files.toml").write_text(LIST)
    return tmp_path


def test_the_tool_lists_each_file_once_and_keeps_what_is_written_by_hand(root: Path) -> None:
    assert rewrite(root) == 3
    assert list(problems(root)) == []
    text = (root / "shared" / "files.toml").read_text()
    assert "# by hand" in text
    assert "# of the whole" in text
    first = text
    assert rewrite(root) == 3
    assert (root / "shared" / "files.toml").read_text() == first
    sets = read_list(root)["set"]
    assert list(sets[1]["files"]) == ["2.JPG", "x/1.jpg"]  # type: ignore[index, arg-type]


def test_a_missing_a_changed_and_an_unlisted_file_are_found(root: Path) -> None:
    rewrite(root)
    (root / "models" / "a.onnx").write_text("changed")
    (root / "demo_data" / "photos" / "2.JPG").unlink()
    (root / "demo_data" / "photos" / "new.png").write_text("new")
    assert sorted(problems(root)) == [
        "demo_data/photos/2.JPG is listed, but not there",
        "demo_data/photos/new.png is not listed",
        "models/a.onnx is not the file that was listed",
    ]


def test_a_file_that_belongs_to_no_set_is_refused(root: Path) -> None:
    (root / "reference_images").mkdir()
    (root / "reference_images" / "1.jpg").write_text("x")
    with pytest.raises(ManifestError, match=r"reference_images/1\.jpg belongs to no set"):
        rewrite(root)


def test_a_set_without_origin_is_refused(root: Path) -> None:
    path = root / "shared" / "files.toml"
    path.write_text(path.read_text().replace('origin = "made here"\n', ""))
    with pytest.raises(ManifestError, match=r"set\[0\]\.origin"):
        read_list(root)
