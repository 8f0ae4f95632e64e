"""Imports run one way: domain <- vision <- rebuild, store <- web, cli.

Read from the source, so that an import inside a function counts as well.
"""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]
PRODUCT = REPOSITORY / "verify"

# For each layer, the layers of the product that it may import. A module that lies
# directly in verify/ is a layer of its own; one that is not named here is refused.
ALLOWED: dict[str, set[str]] = {
    "__init__": set(),
    "domain": set(),
    "errors": set(),
    "measured": {"domain"},
    "resources": {"errors"},
    "settings": {"errors"},
    "machine_file": {"domain", "errors"},
    "result_json": {"domain", "errors"},
    "teach_report": set(),
    "vision": {
        "__init__", "domain", "errors", "machine_file", "measured", "resources", "teach_report",
    },
    "score": {"__init__", "domain", "errors"},
    "rebuild": {"domain", "errors", "machine_file", "result_json"},
    "store": {
        "__init__", "domain", "errors", "machine_file", "result_json", "rebuild", "settings",
        "vision",
    },
    "cli": {
        "__init__", "domain", "errors", "machine_file", "measured", "rebuild", "resources",
        "result_json", "score", "settings", "store", "teach_report", "vision", "web",
    },
    "web": {
        "__init__", "domain", "errors", "machine_file", "measured", "rebuild", "resources",
        "result_json", "score", "settings", "store", "teach_report", "vision",
    },
}  # fmt: skip
# What stays out of a layer from outside the product.
BANNED_LIBRARIES: dict[str, set[str]] = {
    "domain": {"numpy", "cv2", "PIL", "onnxruntime"},
    "score": {"cv2", "PIL", "onnxruntime", "scipy", "sklearn"},
    "vision": {"sqlalchemy", "fastapi", "starlette", "jinja2", "typer", "scipy", "skimage"},
    "web": {"cv2"},
}
FILES_OUTSIDE = {"models", "demo_data", "tests"}


def layer_of(path: Path) -> str:
    """Return the first name below verify/, without ``.py``."""
    return path.relative_to(PRODUCT).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """Return the dotted names that a file imports, relative ones made absolute."""
    package = path.relative_to(REPOSITORY).with_suffix("").parts[:-1]
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else ()
            base = ".".join([*start, *([node.module] if node.module else [])])
            names |= {f"{base}.{alias.name}" for alias in node.names}
    return names


def sources() -> list[Path]:
    return sorted(PRODUCT.rglob("*.py"))


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(REPOSITORY)))
def test_a_file_imports_only_what_its_layer_may(path: Path) -> None:
    layer = layer_of(path)
    assert layer in ALLOWED, f"say in ALLOWED what {layer} may import"
    for name in imported(path):
        first, *rest = name.split(".")
        assert first not in FILES_OUTSIDE, f"{path} imports {name}"
        assert first not in BANNED_LIBRARIES.get(layer, set()), f"{path} imports {name}"
        if first == "verify":
            below = (rest or ["__init__"])[0]
            if not (PRODUCT / below).is_dir() and not (PRODUCT / f"{below}.py").exists():
                below = "__init__"  # a name that verify/__init__.py itself defines
            assert below in ALLOWED[layer] | {layer}, f"{path} imports {name}"


def test_there_is_something_to_check() -> None:
    assert len(sources()) > 3


def test_only_known_things_lie_at_the_top() -> None:
    """The shape of the repository is fixed; what git does not track does not count."""
    if shutil.which("git") is None:
        pytest.skip("there is no git here")
    listed = subprocess.run(
        ["git", "-C", str(REPOSITORY), "ls-files"], capture_output=True, text=True
    )
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    known = {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "requirements.lock",
        "requirements-test.lock", "verify", "models", "reference_images", "demo_data", "tests",
        "shared",
    }  # fmt: skip
    assert {name for name in top if not name.startswith(".")} <= known


@pytest.mark.parametrize("command", [["--help"], ["--version"]])
def test_light_commands_load_nothing_heavy(command: list[str]) -> None:
    """Start-up counts: help and version load neither OpenCV nor the network runtime."""
    code = (
        "import sys; from verify.cli.main import main\n"
        f"sys.argv = ['verify', *{command!r}]\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'cv2', 'numpy', 'onnxruntime', 'PIL', 'platformdirs', 'tomlkit'}\n"
        "heavy |= {'pydantic', 'rich'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_a_check_of_photos_loads_no_database() -> None:
    """The record is big; a verdict does without it."""
    code = (
        "import sys; import verify.cli.main, verify.cli.check, verify.cli.photos\n"
        "import verify.vision.pipeline, verify.machine_file, verify.result_json\n"
        "heavy = {'sqlalchemy', 'alembic', 'cryptography', 'argon2', 'fpdf', 'fsspec', 'rfc8785'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
