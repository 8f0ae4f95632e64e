"""The rule that no outside check is skipped in earnest, tried on small suites."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).with_name("conftest.py")

SUITES = {
    "a marked test skips": (
        "tests/test_one.py",
        "import pytest\n\n@pytest.mark.outside\ndef test_it():\n    pytest.skip('no data')\n",
    ),
    "a test in the folder skips": (
        "tests/outside/test_one.py",
        "import pytest\n\ndef test_it():\n    pytest.skip('no data')\n",
    ),
    "a module in the folder skips": (
        "tests/outside/test_one.py",
        "import pytest\n\npytest.skip('no data', allow_module_level=True)\n",
    ),
    "the data is absent": (
        "tests/outside/test_one.py",
        "def test_it(open_data):\n    pass\n",
    ),
}


def run_suite(folder: Path, where: str, text: str, *, required: bool) -> int:
    file = folder / where
    file.parent.mkdir(parents=True)
    file.write_text(text)
    (folder / "tests" / "conftest.py").write_text(CONFTEST.read_text())
    (folder / "pytest.ini").write_text("[pytest]\nmarkers =\n    outside: x\n")
    env = {"VERIFY_REQUIRE_OPEN_DATA": "1"} if required else {}
    # The suite needs a passing test, else pytest ends with "no test ran".
    (folder / "tests" / "test_pass.py").write_text("def test_pass():\n    pass\n")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(folder)]
    return subprocess.run(command, env=env, cwd=folder, capture_output=True).returncode


@pytest.mark.parametrize("name", SUITES)
def test_a_skipped_outside_check_fails_only_where_open_data_is_required(
    name: str, tmp_path: Path
) -> None:
    where, text = SUITES[name]
    assert run_suite(tmp_path / "a", where, text, required=False) == 0
    assert run_suite(tmp_path / "b", where, text, required=True) != 0


def test_an_ordinary_skip_stays_a_skip(tmp_path: Path) -> None:
    text = "import pytest\n\ndef test_it():\n    pytest.skip('not today')\n"
    assert run_suite(tmp_path, "tests/test_one.py", text, required=True) == 0
