"""A4 pages with the font, sizes and colours that all our PDFs share."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import XPos, YPos

MARGIN = 15.0  # mm
_FONTS = Path(__file__).parent / "fonts"  # Apache-2.0; has the letters of most names
_INK = (20, 24, 28)
_QUIET = (95, 100, 105)
_LINE = (190, 195, 200)


class Paper(FPDF):
    """A document in A4, in millimetres, with a foot on each page."""

    def __init__(self, title: str, foot: str, made: datetime) -> None:
        super().__init__(format="A4")
        self._foot = foot
        self.add_font("Roboto", "", _FONTS / "Roboto-Regular.ttf")
        self.add_font("Roboto", "B", _FONTS / "Roboto-Bold.ttf")
        self.set_margins(MARGIN, MARGIN)
        self.set_auto_page_break(True, MARGIN + 8)
        self.set_title(title)
        self.set_creation_date(made)

    def footer(self) -> None:
        """Write the foot of a page; called by the library."""
        self.set_y(-MARGIN)
        self.set_font("Roboto", "", 8)
        self.set_text_color(*_QUIET)
        self.cell(0, 5, f"{self._foot} · page {self.page_no()}")

    def head(self, text: str) -> None:
        """Write a heading."""
        self._write(text, 15, bold=True, height=8)

    def part(self, text: str) -> None:
        """Write a smaller heading, never alone at the foot of a page."""
        if self.will_page_break(22):
            self.add_page()
        self.ln(3)
        self._write(text, 11, bold=True, height=6)

    def say(self, text: str, *, bold: bool = False, quiet: bool = False, indent: float = 0) -> None:
        """Write a paragraph."""
        self._write(text, 9.5, bold=bold, quiet=quiet, height=4.8, indent=indent)

    def small(self, text: str) -> None:
        """Write a paragraph of small print."""
        self._write(text, 7.5, quiet=True, height=3.8)

    def rows(
        self, heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int]
    ) -> None:
        """Write a table; a row that does not fit goes to the next page with the heads."""
        self.set_font("Roboto", "", 8.5)
        self.set_text_color(*_INK)
        self.set_draw_color(*_LINE)
        with self.table(
            col_widths=tuple(widths),
            line_height=4.6,
            borders_layout="HORIZONTAL_LINES",
            text_align="LEFT",
            padding=0.8,
        ) as table:
            for row in (heads, *rows):
                cells = table.row()
                for cell in row:
                    cells.cell(cell)

    def picture(self, content: bytes, size: tuple[int, int], most_height: float) -> None:
        """Write a picture across the page, no higher than ``most_height`` mm."""
        width = self.epw
        height = width * size[1] / size[0]
        if height > most_height:
            width, height = width * most_height / height, most_height
        self.image(content, x=self.l_margin + (self.epw - width) / 2, w=width, h=height)
        self.ln(2)

    def _write(
        self,
        text: str,
        size: float,
        *,
        height: float,
        bold: bool = False,
        quiet: bool = False,
        indent: float = 0,
    ) -> None:
        self.set_font("Roboto", "B" if bold else "", size)
        self.set_text_color(*(_QUIET if quiet else _INK))
        self.set_x(self.l_margin + indent)
        self.multi_cell(
            self.epw - indent, height, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )
