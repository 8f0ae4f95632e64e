"""A small invented machine folder and labelled set, and ways to break them."""

from __future__ import annotations

from pathlib import Path

from PIL import Image

MACHINE = """\
# Harbour kiosk, taught after the spring service.
format = 1

[machine]  # kiosk
id = "harbour-2"
title = "Two-spout freezer by the window"

[[view]]  # first view
id = "lid"
title = { en = "Inside of the lid", es-MX = "Interior de la tapa" }
ask = "Lay the lid on the table and fill the frame."
master = { file = "lid/right.jpg", size = [120, 90] }
mm_per_px = 0.5
body = [[5, 5], [115, 5], [115, 85], [5, 85]]

  [[view.shot]]  # April
  file = "lid/no-clip.jpg"
  states = { left-clip = "missing" }   # on the floor
  unlabelled = ["seal"]

  # The clips come in pairs.
  [[view.part]]  # clip
  id = "left-clip"
  title = "Left clip"
  outline = [[10, 10], [30, 10], [30, 30.5], [10, 30.5]]
  expect = "closed"
  severity = "stop"
  alike = "clip"
  symmetry = ["turn180", "mirror"]
  [[view.part.fault]]
  state = "missing"
  how = "absent"
  fix = "Snap a clip over the hinge."
  [[view.part.fault]]
  state = "sideways"
  how = "turned"
  turn_deg = 90
  [[view.part.fault]]
  state = "seal-there"
  how = "swapped"
  with = "seal"

  [[view.part]]  # ring
  id = "seal"
  title = "Ring seal"
  outline = [
    [60, 40],
    [80, 40],  # at the drain
    [70, 60],
  ]
  expect = "in the groove"
  severity = "caution"
  [[view.part.fault]]  # slipped
  state = "displaced"

[[view]]  # second view
id = "spout"
title = "The spouts, from below"
ask = "Hold the phone under the spouts."
master = { file = "spout.png", size = [90, 120] }

  [[view.part]]  # spout clip
  id = "left-clip"
  title = "Clip of the left spout"
  outline = [[10, 10], [30, 10], [20, 30]]
  expect = "closed"

[[step]]
id = "strip"
phase = "clean"
kind = "reading"
title = "Strength of the sanitizer"
ask = "Dip a test strip and compare the colour."
quantity = "strength"
unit = "mg/L"
rule = "sanitizer-strength"
if_not = "Mix a fresh bucket."

[[step]]
id = "seals"
phase = "clean"
kind = "check"
title = { en = "Seals", es = "Juntas" }
ask = "Is every seal free of nicks?"
why = "A nicked seal leaks."
if_not = "Take a new one from the kit."
  [[step.wear]]
  id = "ring"
  title = "Ring seal"
  count = 2
  every_days = 90

[[step]]
id = "lid"
phase = "put-back"
kind = "photo"
title = "Lid, before it goes on"
view = "lid"
hidden_by = "spouts"

[[step]]
id = "spouts"
phase = "put-back"
kind = "photo"
title = "Spouts"
view = "spout"

[[step]]
id = "mix"
phase = "start-up"
kind = "reading"
title = "Temperature of the mix"
ask = "Measure in the hopper."
why = "Warm mix grows germs."
quantity = "temperature"
unit = "°C"
at_least = -2
at_most = 5
if_not = "Wait until it is cold."
"""

LABELS = """\
format = 1

[[shot]]
file = "test/1.jpg"
view = "lid"

[[shot]]  # second
file = "test/2.jpg"
view = "lid"
states = { left-clip = "missing", seal = "displaced" }

[[shot]]  # third
file = "test/3.jpg"
view = "spout"
unlabelled = ["left-clip"]

[[shot]]
file = "test/4.jpg"
view = "lid"
retake = "blur"
"""

PICTURES = {
    "lid/right.jpg": (120, 90),
    "lid/no-clip.jpg": (64, 48),
    "lid/spare.jpg": (64, 48),
    "spout.png": (90, 120),
}


def machine_folder(folder: Path, text: str = MACHINE) -> Path:
    """Write the pictures and a ``machine.toml`` into a folder."""
    for name, size in PICTURES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.new("RGB", size, "silver").save(path)
    (folder / "note.txt").write_text("not a picture", encoding="utf-8")
    (folder / "empty.jpg").write_bytes(b"")
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    return folder


def labels_file(folder: Path, text: str = LABELS) -> Path:
    """Write a labelled set, with photos that exist but are no pictures."""
    (folder / "test").mkdir(parents=True, exist_ok=True)
    for number in range(1, 5):
        (folder / f"test/{number}.jpg").write_bytes(b"?")
    path = folder / "labels.toml"
    path.write_text(text, encoding="utf-8")
    return path


def broken(text: str, old: str, new: str, at: str) -> tuple[str, int]:
    """Return the text with its first ``old`` replaced, and the first line with ``at`` in it."""
    assert old in text, old
    changed = text.replace(old, new, 1)
    assert at in changed, at
    return changed, changed[: changed.index(at)].count("\n") + 1
