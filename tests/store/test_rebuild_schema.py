"""What is printed of a rebuild and what its evidence holds, against ``rebuild.schema.json``."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from tests.store.make import Clock, judge, photo, up_to_hand_in, whole_night
from verify.domain import Phase, StepKind
from verify.rebuild.entries import Action, ClearedAs, Miss
from verify.rebuild.holds import HoldReason
from verify.rebuild.replay import Rebuild, Standing
from verify.rebuild.states import State
from verify.rebuild.to_json import rebuild_to_json
from verify.store.evidence.archive import rebuild_zip
from verify.store.home import Home

SHARED = Path(__file__).resolve().parents[2] / "shared"
SCHEMA = json.loads((SHARED / "rebuild.schema.json").read_text(encoding="utf-8"))
RESULT = json.loads((SHARED / "result.schema.json").read_text(encoding="utf-8"))
REGISTRY: Registry[Any] = Registry().with_resources(
    [(schema["$id"], Resource.from_contents(schema)) for schema in (SCHEMA, RESULT)]
)


def validator(part: str | None = None) -> Draft202012Validator:
    """Return what checks a rebuild, or one of the things in ``$defs``."""
    schema = SCHEMA if part is None else {"$ref": f"rebuild.schema.json#/$defs/{part}"}
    return Draft202012Validator(schema, registry=REGISTRY)


def printed(rebuild: Rebuild) -> Any:
    plain = json.loads(json.dumps(rebuild_to_json(rebuild), allow_nan=False))
    validator().validate(plain)
    return plain


def test_the_schema_itself_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_every_word_of_the_rules_is_allowed_and_no_other() -> None:
    defs = SCHEMA["$defs"]
    step, hold = defs["step"]["properties"], defs["hold"]["properties"]
    cleared = hold["cleared"]["anyOf"][1]["properties"]["as"]
    words: list[tuple[Any, Any]] = [
        (defs["state"], State), (step["standing"], Standing), (step["phase"], Phase),
        (step["kind"], StepKind), (hold["why"], HoldReason), (cleared, ClearedAs),
        (defs["leak"]["properties"]["miss"], Miss),
        (defs["entry"]["properties"]["kind"], Action),
    ]  # fmt: skip
    for described, enumeration in words:
        assert set(described["enum"]) == {word.value for word in enumeration}


def test_a_night_fits_at_every_moment(home: Home, tmp_path: Path) -> None:
    rebuilds = home.rebuilds
    name = rebuilds.start("harbour-2", by="ines").id
    printed(rebuilds.get(name))
    printed(rebuilds.answer(name, "counted", yes=False, note="one ring short", by="ines"))
    printed(rebuilds.skip(name, "strength", "no strips left", by="ines"))
    printed(rebuilds.reading(name, "strength", 100, unit="ppm", by="ines"))
    for seed, look in enumerate(("blur", "doubt", "caution", "wrong")):
        path = photo(tmp_path, seed, look)
        said = printed(rebuilds.photo(name, "lid", path, by="ines", judge=judge))
        lid = next(step for step in said["steps"] if step["id"] == "lid")
        assert lid["tries"] == seed + 1
    again = photo(tmp_path, 3, "wrong")  # the very photo of the other step
    said = printed(rebuilds.photo(name, "spout", again, by="ines", judge=judge))
    assert any(hold["why"] == "photo" for step in said["steps"] for hold in step["holds"])
    printed(rebuilds.photo(name, "spout", photo(tmp_path, 9), by="ines", judge=judge))
    handed = printed(rebuilds.hand_in(name, by="ines"))
    for hold in handed["open_holds"]:
        printed(rebuilds.clear(name, hold, ClearedAs.ACCEPTED, "seen", by="dalia"))
    printed(rebuilds.release(name, by="noor"))
    stopped = printed(rebuilds.answer(name, "dry", yes=False, by="ines"))
    assert stopped["leaks"]
    printed(rebuilds.out_of_service(name, "stud broken", by="ines"))
    printed(rebuilds.give_up(name, "no spare", by="dalia"))


def test_parts_from_the_kit_and_an_emergency_fit(home: Home, clock: Clock, tmp_path: Path) -> None:
    name = up_to_hand_in(home, tmp_path).id
    clock.wait(hours=2)
    said = printed(home.rebuilds.emergency_release(name, "nobody answers", by="dalia"))
    assert said["emergency"] is True
    (wear, *_) = home.wear.kit("harbour-2")
    item = wear.item.id
    assert printed(home.rebuilds.countersign(name, by="noor"))["countersigned"] is True
    printed(home.rebuilds.answer(name, "dry", yes=True, by="ines"))
    printed(home.rebuilds.put_in_use(name, by="ines"))
    fresh = home.rebuilds.start("harbour-2", by="ines").id
    replaced = printed(home.rebuilds.replace_part(fresh, item, "nick", by="ines"))["replaced"]
    assert [part["item"] for part in replaced] == [item]


def test_lists_checks_and_evidence_fit(home: Home, tmp_path: Path) -> None:
    name = whole_night(home, tmp_path).id
    for item in home.rebuilds.listed():
        validator("listed").validate({**asdict(item), "state": item.state.value})
    checked = home.rebuilds.check(name)
    plain = {"id": checked.chain, "entries": len(checked.entries), "head": checked.head}
    validator("checked").validate(plain)
    with zipfile.ZipFile(io.BytesIO(rebuild_zip(home, name))) as archive:
        validator().validate(json.loads(archive.read("rebuild.json")))
        entries = [n for n in archive.namelist() if n.startswith("entries/") and "json" in n]
        assert len(entries) == len(checked.entries)
        for entry in entries:
            validator("entry").validate(json.loads(archive.read(entry)))


def _without(key: str) -> Callable[[Any], None]:
    return lambda plain: plain.pop(key)


BROKEN: dict[str, Callable[[Any], None]] = {
    "no state": _without("state"),
    "no steps": _without("steps"),
    "a state that is none": lambda plain: plain.update(state="done"),
    "a time with a zone other than UTC": lambda plain: plain.update(
        started_at="2026-06-12T22:00:00.000+01:00"
    ),
    "an empty text for what is not known": lambda plain: plain.update(released_by=""),
    "a hold without its entry": lambda plain: plain.update(open_holds=["left-clip"]),
    "a step to do with data": lambda plain: plain["steps"][0].update(standing="to-do"),
    "a photo whose result is not one": lambda plain: next(
        step for step in plain["steps"] if step["kind"] == "photo"
    )["data"]["result"].update(verdict="fine"),
    "a reading that is no number": lambda plain: next(
        step for step in plain["steps"] if step["kind"] == "reading"
    )["data"].update(value="100"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_what_does_not_fit_is_refused(home: Home, tmp_path: Path, name: str) -> None:
    plain = printed(whole_night(home, tmp_path))
    BROKEN[name](plain)
    assert not validator().is_valid(plain)
