"""The sticker of a machine, at its true size."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from verify.store.base import now_utc
from verify.store.evidence.paper import MARGIN, Paper

if TYPE_CHECKING:
    from verify.store.sites import KnownMachine

SIZES = (30.0, 45.0)  # mm, the black square


def sticker_pdf(machine: KnownMachine) -> bytes:
    """Return a PDF with the sticker in two sizes; the machine must have one."""
    from PIL import Image

    from verify.vision.markers import CELLS, draw_marker

    assert machine.marker is not None
    paper = Paper(f"Sticker of {machine.id}", f"sticker {machine.marker}", now_utc())
    paper.add_page()
    paper.head(f"{machine.title} ({machine.id})")
    paper.say(
        "Print at full size (100 %). Cut along the thin line: the white margin is needed. Stick it "
        "where it is in the picture when the parts are photographed, but never where it touches "
        "food. Each machine has its own: a photo with another machine's sticker is held."
    )
    picture = io.BytesIO()
    Image.fromarray(draw_marker(machine.marker)).save(picture, "PNG")
    top = paper.get_y() + 8
    for size in SIZES:
        margin = size / CELLS
        whole = size + 2 * margin
        paper.set_draw_color(170, 170, 170)
        paper.rect(MARGIN, top, whole, whole + 6)
        paper.image(picture, x=MARGIN + margin, y=top + margin, w=size, h=size)
        paper.set_font("Roboto", "", 8)
        paper.set_xy(MARGIN, top + whole)
        paper.cell(whole, 5, f"{machine.id} · {machine.marker}", align="C")
        top += whole + 14
    return bytes(paper.output())
