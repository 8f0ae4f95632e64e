"""Evidence: the ZIP is checked with sha256sum and openssl, the PDF read by another library."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

from tests.store.make import up_to_hand_in, whole_night
from verify.errors import RecordBrokenError, UsageError
from verify.store.evidence import write_pdf, write_sticker, write_zip
from verify.store.home import Home


@pytest.fixture
def archive(home: Home, tmp_path: Path) -> Path:
    """Return the folder of an unpacked ZIP."""
    done = whole_night(home, tmp_path)
    write_zip(home, done.id, tmp_path / "night.zip")
    with zipfile.ZipFile(tmp_path / "night.zip") as whole:
        assert whole.testzip() is None
        whole.extractall(tmp_path / "night")
    return tmp_path / "night"


def shell(folder: Path, script: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["sh", "-c", script], cwd=folder, capture_output=True, text=True)


def steps_of(folder: Path) -> list[str]:
    """Return the commands that the README tells people to run."""
    text = (folder / "README.txt").read_text(encoding="utf-8")
    blocks = re.findall(r"((?:^ {7}.+\n)+)", text, re.M)
    return [re.sub(r"^ {7}", "", block, flags=re.M) for block in blocks]


@pytest.mark.outside
def test_its_own_readme_proves_it_with_standard_tools(archive: Path) -> None:
    for tool in ("sha256sum", "openssl"):
        if shutil.which(tool) is None:
            pytest.skip(f"there is no {tool} here")
    whole, chain, seal = steps_of(archive)
    assert shell(archive, whole).returncode == 0
    done = shell(archive, chain)
    assert (done.returncode, done.stdout) == (0, "")
    assert "Verified Successfully" in shell(archive, seal).stdout
    for signature in sorted((archive / "entries").glob("*.sig")):
        entry = f"entries/{signature.stem}"
        mine = seal.replace("seal.json", f"{entry}.json").replace("seal.sig", f"{entry}.sig")
        assert "Verified Successfully" in shell(archive, mine).stdout
        (archive / f"{entry}.json").write_text("{}")
        assert shell(archive, mine).returncode != 0
    assert shell(archive, whole).returncode != 0
    assert "broken at" in shell(archive, chain).stdout


@pytest.mark.outside
def test_a_cut_tail_is_seen_with_standard_tools(archive: Path) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("there is no sha256sum here")
    sorted((archive / "entries").glob("*.json"))[-1].unlink()
    assert "cut off" in shell(archive, steps_of(archive)[1]).stdout


def test_the_zip_holds_all_of_it(archive: Path, home: Home) -> None:
    state = json.loads((archive / "rebuild.json").read_text(encoding="utf-8"))
    rebuild = home.rebuilds.get(state["id"])
    assert state["state"] == "in-use"
    assert len(list((archive / "entries").glob("*.json"))) == rebuild.entries
    assert len(list((archive / "entries").glob("*.sig"))) == 1  # the release
    for digest in rebuild.photos:
        assert (archive / "pictures" / f"{digest}.jpg").read_bytes() == home.pictures.get(digest)
    assert "argon2" not in (archive / "README.txt").read_text(encoding="utf-8")


def test_the_same_record_gives_the_same_zip(home: Home, tmp_path: Path) -> None:
    done = whole_night(home, tmp_path)
    write_zip(home, done.id, tmp_path / "1.zip")
    write_zip(home, done.id, tmp_path / "2.zip")
    assert (tmp_path / "1.zip").read_bytes() == (tmp_path / "2.zip").read_bytes()


def words_of(path: Path) -> tuple[int, str]:
    import pypdf

    pages = pypdf.PdfReader(io.BytesIO(path.read_bytes())).pages
    return len(pages), "\n".join(page.extract_text() for page in pages)


def test_the_pdf_says_who_what_and_when(home: Home, tmp_path: Path) -> None:
    done = whole_night(home, tmp_path)
    write_pdf(home, done.id, tmp_path / "night.pdf")
    pages, words = words_of(tmp_path / "night.pdf")
    assert pages == 4  # summary, two photos, the record
    head = home.rebuilds.check(done.id).head
    for said in (
        head, "Released and in use", "Inês Valadão", "Dália Fenwick-Ørsted", "it is there",
        "answered yes", "100 mg/L is within its limits", "business day 2026-06-12",
        "fault, looks missing", "false-alarm", "The tool advises", "2026-06-12 23:00",
    ):  # fmt: skip
        assert said in words, said


def test_the_pdf_of_what_is_not_done_says_so(home: Home, tmp_path: Path) -> None:
    handed = up_to_hand_in(home, tmp_path, first="wrong")
    write_pdf(home, handed.id, tmp_path / "night.pdf")
    _, words = words_of(tmp_path / "night.pdf")
    assert "Handed in, not released" in words
    assert "Still held" in words
    assert "NOT LOOKED AT" in words


def test_no_evidence_is_made_of_a_broken_record(home: Home, tmp_path: Path) -> None:
    from sqlalchemy import text

    done = whole_night(home, tmp_path)
    with home.database.write() as connection:
        connection.execute(text("UPDATE entries SET body = '{}' WHERE n = 3"))
    for write, name in ((write_pdf, "x.pdf"), (write_zip, "x.zip")):
        with pytest.raises(RecordBrokenError, match="entry 3"):
            write(home, done.id, tmp_path / name)
        assert not (tmp_path / name).exists()


def test_a_file_that_cannot_be_written_is_named(home: Home, tmp_path: Path) -> None:
    done = whole_night(home, tmp_path)
    with pytest.raises(UsageError, match="cannot be written"):
        write_zip(home, done.id, tmp_path / "none" / "x.zip")


def test_a_printed_sticker_is_read_again(home: Home, tmp_path: Path) -> None:
    """The picture in the PDF, seen by a camera: a little turned, small and blurred."""
    import cv2
    import numpy as np
    import pypdf

    from verify.vision.markers import find_markers

    number = home.sites.give_sticker("harbour-2", by="piet")
    write_sticker(home.sites.machine("harbour-2"), tmp_path / "sticker.pdf")
    page = pypdf.PdfReader(tmp_path / "sticker.pdf").pages[0]
    printed = np.asarray(page.images[0].image.convert("L"))
    paper = cv2.copyMakeBorder(printed, 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255)
    seen = cv2.resize(paper, (90, 90), interpolation=cv2.INTER_AREA)
    photo = np.full((600, 800), 130, np.uint8)
    photo[200:290, 300:390] = seen
    turned = cv2.warpAffine(
        photo, cv2.getRotationMatrix2D((400, 300), 17, 0.9), (800, 600), borderValue=130
    )
    assert find_markers(cv2.cvtColor(cv2.GaussianBlur(turned, (3, 3), 0), cv2.COLOR_GRAY2BGR)) == (
        number,
    )
