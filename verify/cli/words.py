"""The words and inks of verdicts, in one place. A verdict is told by its word first."""

from __future__ import annotations

from verify.cli.output import Ink
from verify.domain import PartVerdict, PhotoVerdict

PHOTO_WORDS: dict[PhotoVerdict, tuple[str, Ink]] = {
    PhotoVerdict.PASS: ("PASS", Ink.GOOD),
    PhotoVerdict.HOLD: ("HOLD", Ink.BAD),
    PhotoVerdict.RETAKE: ("TAKE AGAIN", Ink.DOUBT),
}
PART_WORDS: dict[PartVerdict, tuple[str, Ink]] = {
    PartVerdict.OK: ("right", Ink.GOOD),
    PartVerdict.FAULT: ("WRONG", Ink.BAD),
    PartVerdict.UNSURE: ("NOT SURE", Ink.DOUBT),
    PartVerdict.UNSEEN: ("NOT SEEN", Ink.DOUBT),
}
CAUTIONS = (
    "Before hands go in: switch off, unplug, and keep the plug where you can see it. "
    "Moving parts and cold metal can hurt.",
    "The maker's manual and local code come first; electrical and refrigeration work is for "
    "licensed technicians.",
    "Clean, rinse and sanitize as the product label and local code say; mind allergens.",
    "This tool advises. A person looks and releases the machine.",
)
