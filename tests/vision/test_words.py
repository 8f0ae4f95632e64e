"""What is said of parts and photos, in English and Spanish."""

from __future__ import annotations

from pathlib import Path

import pytest

from verify.domain import Fault, How, Part, PartVerdict, Retake, RetakeReason, Text
from verify.machine_file import read_machine
from verify.vision.words import advice, fix, message, spoken

REFERENCE_IMAGES = Path(__file__).resolve().parents[2] / "reference_images"
PUSH = Text({"en": "Push it on.", "es": "Empújelo."})
PART = Part(
    "left",
    Text({"en": "Left front bushing", "es": "Buje delantero izquierdo"}),
    ((0, 0), (1, 0), (1, 1)),
    "seated",
    faults=(
        Fault("missing", How.ABSENT, PUSH),
        Fault("reversed", How.FLIPPED),
        Fault("short-screw", How.SWAPPED),
    ),
)
OK, FAULT, UNSURE, UNSEEN = PartVerdict


@pytest.mark.parametrize(
    ("verdict", "found", "why", "english", "spanish"),
    [
        (OK, "seated", None, "The left front bushing is seated.", "en su sitio."),
        (FAULT, "missing", None, "The left front bushing is missing.", "falta."),
        (FAULT, "reversed", None, "The left front bushing is reversed.", "al revés."),
        (FAULT, "short-screw", None, "place of the left front bushing: short screw.", "corto."),
        (FAULT, "displaced", None, "The left front bushing is not in its place.", "fuera de su "),
        (FAULT, "unknown", None, "does not look as it should", "no se ve como debe."),
        (FAULT, None, None, "does not look as it should", "no se ve como debe."),
        (FAULT, "half-on", None, "The left front bushing is half on.", "half on."),
        (UNSURE, "seated", None, "cannot be told from this photo", "no se puede saber"),
        (UNSEEN, None, None, "something is in front of it", "no se ve bien."),
        (UNSEEN, None, RetakeReason.GLARE, "bright reflection", "un reflejo la tapa."),
        (UNSEEN, None, RetakeReason.CROPPED, "cut off at the edge", "cortada en el borde"),
        (UNSEEN, None, RetakeReason.COVERED, "something is in front of it", "algo la tapa."),
    ],
)
def test_a_part_is_told_in_both_languages(
    verdict: PartVerdict, found: str | None, why: RetakeReason | None, english: str, spanish: str
) -> None:
    assert english in message(PART, verdict, found, why)
    told = message(PART, verdict, found, why, "es-MX")
    assert told.startswith("Buje delantero izquierdo: ")
    assert spanish in told


def test_a_fix_is_told_in_the_languages_of_the_folder() -> None:
    assert fix(PART, FAULT, "missing") == "Push it on."
    assert fix(PART, FAULT, "missing", "es") == "Empújelo."
    assert fix(PART, FAULT, "missing", "de") == "Push it on."
    assert fix(PART, FAULT, "reversed", "es") is None
    assert fix(PART, UNSURE, "missing", "es") is None
    only = Text({"": "Push."})
    part = Part("a", only, PART.outline, "seated", faults=(Fault("missing", fix=only),))
    assert fix(part, FAULT, "missing", "es") == "Push."


@pytest.mark.parametrize("reason", RetakeReason)
def test_advice_is_told_in_both_languages(reason: RetakeReason) -> None:
    retake = Retake(reason, "Step back: the left side is cut off.")
    assert advice(retake) == "Step back: the left side is cut off."
    told = advice(retake, "es")
    assert told != retake.advice
    assert told.endswith(".")


@pytest.mark.parametrize("folder", sorted(REFERENCE_IMAGES.glob("*/")), ids=lambda f: f.name)
def test_every_state_of_the_demo_machines_has_spanish_words(folder: Path) -> None:
    machine = read_machine(folder)
    parts = [part for view in machine.views for part in view.parts]
    states = {s for part in parts for s in (part.expect, *(f.state for f in part.faults))}
    assert {state for state in states if spoken(state, "es") == spoken(state)} == set()


@pytest.mark.parametrize("folder", sorted(REFERENCE_IMAGES.glob("*/")), ids=lambda f: f.name)
def test_no_two_states_of_a_part_sound_alike_in_spanish(folder: Path) -> None:
    for view in read_machine(folder).views:
        for part in view.parts:
            states = [part.expect, *(fault.state for fault in part.faults)]
            assert len({spoken(state, "es") for state in states}) == len(states), part.id


@pytest.mark.parametrize(
    ("state", "said"),
    [("proud", "sobresale"), ("greased", "con lubricante"), ("other-side", "del otro lado")],
)
def test_states_of_the_inner_views_are_told_in_spanish(state: str, said: str) -> None:
    assert message(PART, FAULT, state, None, "es") == f"Buje delantero izquierdo: {said}."
