"""Lay pictures out on contact sheets with their outlines drawn, to be looked at by a person.

    python -m demo_data.sheet demo_data/photos/pier-3 --out sheets

Reads the ``truth*.jsonl`` files of a folder that ``demo_data.make`` wrote. Parts as they should
be are outlined in green, wrong ones in red with their state, parts that nobody vouches for in
yellow, the body in blue; a photo that must be refused says why. A sheet holds the pictures of
one view.
"""

from __future__ import annotations

import argparse
import json
import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw, ImageFont, ImageOps

RIGHT, WRONG, UNSURE, BODY = (40, 190, 70), (235, 40, 30), (250, 200, 0), (60, 120, 255)
LINES, LINE = 3, 16  # lines of text under each picture, and the height of one


def _caption(row: dict[str, Any], letters: int) -> str:
    states = ", ".join(f"{part}: {state}" for part, state in row["states"].items())
    why = f"refuse ({row['retake']})" if row["retake"] else ""
    words = textwrap.wrap(states or "all right", letters)
    return "\n".join([f"{row['file']}  {why}", *words][:LINES])


def _closed(ring: Sequence[Sequence[float]], factor: float) -> list[tuple[float, float]]:
    points = [(x * factor, y * factor) for x, y in ring]
    return [*points, points[0]]


def tile(path: Path, row: dict[str, Any], width: int, plain: bool) -> Image.Image:
    """Return one upright picture, ``width`` pixels wide at most, with outlines and caption."""
    with Image.open(path) as opened:
        picture = ImageOps.exif_transpose(opened).convert("RGB")
    box = (width, round(0.75 * width))
    factor = min(box[0] / picture.width, box[1] / picture.height)
    small = picture.resize((round(picture.width * factor), round(picture.height * factor)))
    draw = ImageDraw.Draw(small)
    if not plain:
        draw.line(_closed(row["body"], factor), fill=BODY, width=1)
        for part_id, part in row["parts"].items():
            wrong = part_id in row["states"]
            colour = WRONG if wrong else UNSURE if part_id in row.get("unlabelled", ()) else RIGHT
            draw.line(_closed(part["outline"], factor), fill=colour, width=2 if wrong else 1)
    out = Image.new("RGB", (box[0], box[1] + LINES * LINE + 6), "white")
    out.paste(small, (0, 0))
    font = ImageFont.load_default(size=0.8 * LINE)
    letters = width // 7  # the font is about so many pixels wide
    ImageDraw.Draw(out).text((4, box[1] + 2), _caption(row, letters), fill="black", font=font)
    return out


def sheets(folder: Path, width: int, columns: int, plain: bool) -> dict[str, Image.Image]:
    """Return one sheet per truth file and view, by a name that is unique in ``folder``."""
    out = {}
    for truth in sorted(folder.glob("truth*.jsonl")):
        rows = [json.loads(line) for line in truth.read_text(encoding="utf-8").splitlines()]
        for view in dict.fromkeys(row["view"] for row in rows):
            tiles = [tile(folder / r["file"], r, width, plain) for r in rows if r["view"] == view]
            wide, tall = tiles[0].size
            count = min(columns, len(tiles))
            sheet = Image.new("RGB", (count * wide, math.ceil(len(tiles) / count) * tall), "white")
            for k, each in enumerate(tiles):
                sheet.paste(each, (k % count * wide, k // count * tall))
            out[f"{truth.stem}-{view}"] = sheet
    return out


def main(argv: list[str] | None = None) -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(
        prog="python -m demo_data.sheet",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("folder", type=Path, help="one machine's folder, with truth*.jsonl")
    parser.add_argument("--out", type=Path, required=True, help="folder that gets the sheets")
    parser.add_argument("--width", type=int, default=420, help="of one picture, pixels")
    parser.add_argument("--columns", type=int, default=4)
    parser.add_argument("--plain", action="store_true", help="draw no outlines")
    args = parser.parse_args(argv)
    made = sheets(args.folder, args.width, args.columns, args.plain)
    if not made:
        parser.error(f"{args.folder} holds no truth*.jsonl; make it with demo_data.make")
    args.out.mkdir(parents=True, exist_ok=True)
    for name, sheet in made.items():
        path = args.out / f"{name}.jpg"
        sheet.save(path, quality=88)
        print(path)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
