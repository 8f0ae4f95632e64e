"""What is said of a part or a photo, in plain words.

A result is written in English; whoever shows it to a person says it anew in that person's
language, from the same data. Titles and fixes come from the machine folder, in its languages.
"""

from __future__ import annotations

from ..domain import DISPLACED_STATE, UNKNOWN_STATE, How, Part, PartVerdict, Retake, RetakeReason

# Machine folders name states as they like; these are the ones that are common. None agrees in
# gender with the part, since nobody says what that is.
_STATES_ES = {
    "absent": "falta",
    "backwards": "mirando hacia atrás",
    "clean": "sin restos",
    "closed": "con el cierre puesto",
    "displaced": "fuera de su sitio",
    "down": "abajo",
    "fitted": "en su sitio",
    "flipped": "al revés",
    "from-below": "desde abajo",
    "from-top": "desde arriba",
    "greased": "con lubricante",
    "home": "hasta el fondo",
    "in": "dentro",
    "in-groove": "en su ranura",
    "inside-out": "lo de dentro afuera",
    "locked": "con el seguro puesto",
    "loose": "sin apretar",
    "missing": "falta",
    "not-flipped": "sin voltear",
    "on": "en su sitio",
    "open": "sin cerrar",
    "other-side": "del otro lado",
    "out": "fuera",
    "outer-valve": "válvula exterior",
    "own-side": "de su lado",
    "proud": "sobresale",
    "raised": "arriba",
    "reversed": "al revés",
    "ridge-outside": "con el reborde hacia fuera",
    "seal-missing": "sin sello",
    "seal-off": "con el sello fuera de su sitio",
    "seal-seated": "con el sello en su sitio",
    "seated": "en su sitio",
    "short-screw": "tornillo corto",
    "sideways": "de lado",
    "special-valve": "válvula especial",
    "swapped": "pieza cambiada",
    "tall-screw": "tornillo largo",
    "tight": "con buen apriete",
    "turned": "con otro giro",
    "upper-ring-missing": "sin el anillo de arriba",
    "upside-down": "boca abajo",
    "window-front": "con la ventana al frente",
}
_UNSEEN_EN = {
    RetakeReason.CROPPED: "is cut off at the edge of the photo",
    RetakeReason.GLARE: "is hidden by a bright reflection",
    RetakeReason.BLUR: "is too blurred to judge",
    RetakeReason.DARK: "is too dark to judge",
    RetakeReason.COVERED: "cannot be seen: something is in front of it",
}
_UNSEEN_ES = {
    RetakeReason.CROPPED: "queda cortada en el borde de la foto",
    RetakeReason.GLARE: "un reflejo la tapa",
    RetakeReason.BLUR: "se ve borrosa",
    RetakeReason.DARK: "se ve demasiado oscura",
    RetakeReason.COVERED: "algo la tapa",
}
_ADVICE_ES = {
    RetakeReason.BLUR: "Sostenga el teléfono quieto y toque la pieza para enfocar.",
    RetakeReason.DARK: "Está muy oscuro: encienda una luz o el flash.",
    RetakeReason.GLARE: "Una lámpara se refleja: incline un poco el teléfono.",
    RetakeReason.CROPPED: "Aléjese: un lado queda cortado.",
    RetakeReason.COVERED: "Algo tapa una pieza: quítelo de delante.",
    RetakeReason.WRONG_VIEW: "La foto muestra otra cosa que la pedida.",
    RetakeReason.NOT_FOUND: "No se encontró lo que hay que revisar: póngalo en el centro.",
    RetakeReason.UNREADABLE: "El archivo no se puede leer como foto: tómela de nuevo.",
}


def speaks_spanish(language: str) -> bool:
    """Say whether a language tag, such as ``es-MX``, is one of Spanish."""
    return language.split("-")[0].lower() == "es"


def spoken(state: str, language: str = "en") -> str:
    """Return a state's id as words: 'not-run-in' becomes 'not run in'.

    In Spanish the common states have words of their own; any other is said as it is written.
    """
    known = _STATES_ES.get(state) if speaks_spanish(language) else None
    return known or state.replace("-", " ")


def message(
    part: Part,
    verdict: PartVerdict,
    found: str | None,
    why: RetakeReason | None,
    language: str = "en",
) -> str:
    """Return one sentence on a part; ``why`` tells what hides an unseen one."""
    title = part.title.get(language)
    if speaks_spanish(language):
        return f"{title}: {_said_es(part, verdict, found, why)}."
    name = title[:1].lower() + title[1:]
    if verdict is PartVerdict.OK:
        return f"The {name} is {spoken(part.expect)}."
    if verdict is PartVerdict.UNSEEN:
        return f"The {name} {_UNSEEN_EN[why if why in _UNSEEN_EN else RetakeReason.COVERED]}."
    if verdict is PartVerdict.UNSURE:
        return f"The {name} cannot be told from this photo. Look at it yourself."
    if found == DISPLACED_STATE:
        return f"The {name} is not in its place."
    if found is None or found == UNKNOWN_STATE:
        return f"The {name} does not look as it should."
    fault = part.fault(found)
    if fault is not None and fault.how is How.SWAPPED:  # the state names another thing
        return f"In the place of the {name}: {spoken(found)}."
    return f"The {name} is {spoken(found)}."


def fix(part: Part, verdict: PartVerdict, found: str | None, language: str = "en") -> str | None:
    """Return what to do about a fault, where the machine file says it."""
    if verdict is not PartVerdict.FAULT or found is None:
        return None
    fault = part.fault(found)
    return fault.fix.get(language) if fault is not None and fault.fix is not None else None


def advice(retake: Retake, language: str = "en") -> str:
    """Return how to take a photo again; in Spanish without the names of parts and sides."""
    return _ADVICE_ES[retake.reason] if speaks_spanish(language) else retake.advice


def _said_es(part: Part, verdict: PartVerdict, found: str | None, why: RetakeReason | None) -> str:
    if verdict is PartVerdict.OK:
        return spoken(part.expect, "es")
    if verdict is PartVerdict.UNSEEN:
        return _UNSEEN_ES.get(why, "no se ve bien") if why else "no se ve bien"
    if verdict is PartVerdict.UNSURE:
        return "no se puede saber por esta foto, mírela usted"
    if found is None or found == UNKNOWN_STATE:
        return "no se ve como debe"
    return spoken(found, "es")
