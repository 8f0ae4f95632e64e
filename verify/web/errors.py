"""What pages answer when something cannot be done: one handler for all of it.

A browser gets a page, a script that asks for JSON gets ``{"error": code, "message": …}``.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from http import HTTPStatus

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from verify.errors import (
    BrokenFileError,
    PhotoError,
    RecordBrokenError,
    RefusedError,
    StoreError,
    UsageError,
    VerifyError,
)
from verify.web.language import Language, later

log = logging.getLogger("verify.web")


class WebError(VerifyError):
    """A request that cannot be answered as it was asked.

    Attributes:
        status: of HTTP.
        code: a short word that does not change.
    """

    def __init__(self, status: HTTPStatus, code: str, message: str, retry_after: int = 0) -> None:
        self.status, self.code, self.message = status, code, message
        self.retry_after = retry_after
        super().__init__(status, code, message)

    def __str__(self) -> str:
        return self.message


@dataclass(frozen=True)
class Trouble:
    """What is told of an error."""

    status: int
    code: str
    message: str
    retry_after: int = 0


_STATUS = {  # of what the rules forbid
    "role": HTTPStatus.FORBIDDEN,
    "own-work": HTTPStatus.FORBIDDEN,
    "left": HTTPStatus.FORBIDDEN,
    "wrong-pin": HTTPStatus.UNAUTHORIZED,
    "locked": HTTPStatus.TOO_MANY_REQUESTS,
}


def trouble_of(error: Exception, language: Language) -> Trouble:
    """Return what is told of an error, in a language. What nobody can mend is not explained."""
    say = language.say
    if isinstance(error, WebError):
        return Trouble(error.status, error.code, say(error.message), error.retry_after)
    if isinstance(error, RefusedError):
        status = _STATUS.get(error.code, HTTPStatus.CONFLICT)
        return Trouble(status, error.code, refusal(error, language))
    if isinstance(error, RecordBrokenError):
        text = say(
            "This record is not as it was written. Nothing can be decided on it: have it looked at."
        )
        return Trouble(500, "record-broken", f"{text} ({error})")
    if isinstance(error, StoreError):
        return Trouble(503, "store", say("The records cannot be reached just now. Try again soon."))
    if isinstance(error, PhotoError | UsageError):
        return Trouble(400, "wrong-input", reason(error, language))
    if isinstance(error, BrokenFileError):
        text = say("The machine's folder breaks a rule and cannot be used until it is mended.")
        return Trouble(500, "machine-folder", text)
    if isinstance(error, RequestValidationError):
        fields = ", ".join(sorted({str(e["loc"][-1]) for e in error.errors()}))
        return Trouble(400, "wrong-input", say("Something is missing or wrong in: %(f)s", f=fields))
    if isinstance(error, HTTPException):
        return Trouble(error.status_code, "http", say(_HTTP.get(error.status_code, _OTHER)))
    return Trouble(500, "fault", say("The program has a fault. It was noted; try again."))


_OTHER = later("That did not work.")
_HTTP = {
    404: later("There is nothing here. Perhaps the address was typed wrongly."),
    405: later("This address takes no such request."),
    413: later("That is too large."),
}


# What people meet most often of what is told of wrong input; the rest stays English.
INPUT = (
    later("a PIN needs 6 digits or more"),
    later("digits all the same or in a row are guessed first; choose others"),
    later("a password needs 8 characters or more, or a PIN 6 digits"),
    later("a person needs a name"),
    later("somebody without any role has left; take them out instead"),
    later("say why: the reason stays in the record"),
    later("say why it was replaced, and how many"),
    later("a deputy's time ends before it begins"),
    later("a deputy's time is over already"),
    later("a deputy stands in for 31 days at most"),
    later("a supervisor of the store needs no naming"),
    later("that is no date and time"),
    later("a view needs a title"),
    later("this photo is the one that is drawn on"),
)


# Why a photo cannot be read: how the reason begins, and what is said of it in other languages.
UNREADABLE = (
    ("the file is empty", later("the file is empty: send the photo again")),
    ("the file is a video", later("the file is a video: send a still photo")),
    ("the picture has only", later("it is too small: send the photo itself, not a preview of it")),
    ("the picture is a strip", later("it is only a strip: send the whole photo")),
    ("the picture has", later("it is too large: send it smaller")),
    ("the file is larger", later("it is too large: send it smaller")),
    ("the file is damaged", later("the file is damaged or cut off: send the photo again")),
    ("the file ends too early", later("the file is damaged or cut off: send the photo again")),
    ("the picture is stored", later("it takes too much memory: save it as an ordinary JPEG")),
    ("", later("it is no picture: send a photo as JPEG, PNG, WebP or HEIC")),
)


def unreadable(error: PhotoError, language: Language) -> str:
    """Return why a photo cannot be read, in a language; English has the reason as it is."""
    if language.code == "en":
        return error.reason
    return language.say(next(text for start, text in UNREADABLE if error.reason.startswith(start)))


def reason(error: PhotoError | RefusedError | UsageError, language: Language) -> str:
    """Return why something was not done, in a language."""
    if isinstance(error, RefusedError):
        return refusal(error, language)
    if isinstance(error, PhotoError):
        return unreadable(error, language)
    return language.say(str(error))


def refusal(error: RefusedError, language: Language) -> str:
    """Return why the rules refuse, in a language; the rule's own words are English."""
    if language.code == "en" and error.code != "held":
        return error.message[:1].upper() + error.message[1:] + "."
    known = {
        "role": later("Your part in this store does not allow that."),
        "own-work": later("You took part in this rebuild: somebody else has to decide."),
        "own-roles": later("Nobody takes their own role away; another supervisor does it."),
        "left": later("This person has left."),
        "wrong-pin": later("The name or the PIN is wrong."),
        "locked": later("Too many wrong PINs. Wait a little, or ask a manager for a new one."),
        "held": later("Something is still held: a manager or supervisor has to look at it first."),
        "not-done": later("Some steps are not done yet."),
        "too-early": later("Another step comes first."),
        "too-soon": later("A supervisor still has time to answer. Call one first."),
        "state": later("That does not fit where the rebuild stands now."),
        "released": later("The machine is released; to change this step it has to be sent back."),
        "not-released": later("Start-up begins after the machine was released."),
        "going-on": later("Another rebuild of this machine is going on."),
        "cautions": later("Cautions have to be acknowledged first."),
        "over": later("This deputy's time is over already."),
        "cleared": later("Somebody has looked at this before you."),
    }
    text = known.get(error.code)
    return language.say(text) if text else error.message


def install(app: FastAPI) -> None:
    """Let one handler answer for every kind of error; faults come to it through ``Faults``."""
    kinds: list[type[Exception] | int] = [VerifyError, RequestValidationError, HTTPException]
    for kind in kinds:
        app.add_exception_handler(kind, handle)


def handle(request: Request, error: Exception) -> Response:
    """Answer with what went wrong and the way out."""
    from verify.web.pages import language_of, trouble_page

    trouble = trouble_of(error, language_of(request))
    if trouble.status >= 500:
        log.error("%s %s: %s", request.method, request.url.path, error, exc_info=error)
    headers = {"Cache-Control": "no-store"}
    if trouble.retry_after:
        headers["Retry-After"] = str(trouble.retry_after)
    if wants_json(request):
        plain = {"error": trouble.code, "message": trouble.message}
        return JSONResponse(plain, trouble.status, headers)
    page = trouble_page(request, trouble)
    page.headers.update(headers)
    return page


def wants_json(request: Request) -> bool:
    """True for a script of ours; a browser that goes to a page accepts HTML."""
    return request.headers.get("accept", "") == "application/json"
