"""Who sees badly or taps with wet fingers: axe-core on every screen, targets of 44 pixels.

axe-core looks for breaches of WCAG 2.2 A and AA that a program can tell; its version, licence and
digest stand in ``axe/README.md``. The size is the project's own promise: WCAG 2.2 asks for 24 px
(2.5.8, AA) and 44 px (2.5.5, AAA), targets within a sentence left out.
"""

from __future__ import annotations

import hashlib
from datetime import timedelta
from pathlib import Path

import pytest

from tests.store.make import PINS, up_to_hand_in, whole_night
from tests.web.browsing import CUT_OFF, DESK, PHONE, Open, Window
from tests.web.conftest import OTHER_STORE, House
from tests.web.test_setup import begin, jpeg, send, tried

AXE = Path(__file__).parent / "axe"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
LEAST = 44.0
TARGETS = "a[href], button, select, textarea, summary, input:not([type=hidden])"

pytestmark = [pytest.mark.slow, *CUT_OFF]


def breaches(window: Window) -> list[str]:
    """Return what axe-core finds on the page that is shown."""
    if not window.js("return Boolean(window.axe)"):
        window.js((AXE / "axe.min.js").read_text(encoding="utf-8"))
    found = window.driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: arguments[0]}).then(r => done(r.violations))",
        RULES,
    )
    return [f"{v['id']}: {n['html'][:160]}" for v in found for n in v["nodes"]]


def small_targets(window: Window) -> list[str]:
    """Return what is smaller than a finger; links within a sentence may be."""
    return list(
        window.js(
            """
            const small = [];
            for (const one of document.querySelectorAll(arguments[0])) {
              const style = getComputedStyle(one);
              const tick = ["radio", "checkbox"].includes(one.type) && one.closest("label");
              const box = (tick || one).getBoundingClientRect();
              if (!box.width || style.visibility === "hidden" || style.opacity === "0") continue;
              if (one.closest("[hidden]") || one.classList.contains("skip")) continue;
              if (style.display === "inline" && one.tagName === "A") continue;
              if (box.height < arguments[1] || box.width < arguments[1])
                small.push(`${one.outerHTML.slice(0, 90)} ${box.width}x${box.height}`);
            }
            return small;
            """,
            TARGETS,
            LEAST,
        )
    )


def cut_off(window: Window) -> list[str]:
    """Return buttons whose words are wider than they are."""
    return list(
        window.js(
            """
            const cut = [];
            for (const one of document.querySelectorAll("button, .button, .chip")) {
              const box = one.getBoundingClientRect();
              const range = document.createRange();
              const words = document.createTreeWalker(one, NodeFilter.SHOW_TEXT);
              let wide = false;
              while (words.nextNode()) {
                if (words.currentNode.parentElement.closest(".unseen")) continue;
                range.selectNodeContents(words.currentNode);
                wide ||= [...range.getClientRects()].some((r) => r.width
                  && (r.left < box.left - 0.5 || r.right > box.right + 0.5));
              }
              if (box.width > 1 && wide) cut.push(`cut off: ${one.outerHTML.slice(0, 90)}`);
            }
            return cut;
            """
        )
    )


def test_the_checker_is_the_one_that_is_named() -> None:
    digest = hashlib.sha256((AXE / "axe.min.js").read_bytes()).hexdigest()
    readme = (AXE / "README.md").read_text(encoding="utf-8")
    assert digest in readme
    assert "MPL-2.0" in readme


def test_the_checks_can_fail(window: Open) -> None:
    phone = window()
    phone.go("/sign-in")
    phone.js("document.querySelector('label').remove()")
    phone.js("document.querySelector('button').style.minHeight = '20px'")
    phone.js("document.querySelector('button').style.padding = '0'")
    assert any("label" in line for line in breaches(phone))
    phone.js("const b = document.querySelector('button'); b.style.height = '20px'")
    assert small_targets(phone)
    assert cut_off(phone) == []
    phone.js("const b = document.querySelector('button'); b.style.width = '20px'")
    phone.js("document.querySelector('button').style.whiteSpace = 'nowrap'")
    assert cut_off(phone)


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_screen(house: House, window: Open, size: tuple[int, int], language: str) -> None:
    released = whole_night(house.home, house.folder).id
    waiting = up_to_hand_in(house.home, house.folder, seed=5, first="wrong")
    photo = next(s.entry for s in waiting.steps if s.step.id == "lid")
    noor = house.as_("noor")
    change = noor.post("/machine/harbour-2/change").headers["location"]
    fields = {"store": OTHER_STORE, "title": "Twin"}
    copied = noor.post("/machine/harbour-2/copy", **fields).headers["location"]
    send(noor, f"{copied}/view/lid/photo", jpeg(3))
    begun = begin(noor)
    tried(noor, change)
    now = house.clock()
    house.home.deputies.name("piet", "harbour-steps", now, now + timedelta(hours=9), by="noor")
    browser = window(size)
    if language == "es":
        browser.go("/offline")
        browser.press(".foot button", "Español")
        browser.seen("html[lang=es] h1")
    problems: dict[str, list[str]] = {}

    def look(*paths: str) -> None:
        for path in paths:
            browser.go(path)
            browser.js("for (const d of document.querySelectorAll('details')) d.open = true")
            wide = browser.js("return document.documentElement.scrollWidth") > size[0]
            found = [*breaches(browser), *small_targets(browser), *cut_off(browser)]
            found += ["too wide"] if wide else []
            if found:
                problems[path] = found

    look("/sign-in", "/trust", "/offline", "/nothing-here")
    browser.sign_in("noor", PINS["noor"])
    part = f"/rebuild/{waiting.id}/photo/{photo}/part/left-clip/teach"
    look("/waiting", f"/rebuild/{waiting.id}/evidence", f"/rebuild/{released}/evidence")
    look("/flagged", part, "/trends", "/people", "/people/ines", "/me", "/board/harbour-2")
    look(
        "/machines",
        "/machine/harbour-2/spares",
        "/machine/harbour-2/sticker",
        change,
        f"{change}/advice",
    )
    look(f"{change}/view/lid", f"{change}/view/lid/shots", f"{change}/view/lid/part/left-clip")
    look(f"{change}/view/lid?numbers=left-clip")
    look(begun, copied, f"{copied}/view/lid", f"{copied}/view/spout", f"{copied}/view/lid/shots")
    noor.post("/machine/harbour-2/sticker")
    look("/machine/harbour-2/sticker")
    house.home.rebuilds.send_back(waiting.id, ["counted", "strength", "lid"], "again", by="noor")
    browser.go("/")
    browser.press(".foot button")
    browser.at("/sign-in")
    browser.sign_in("ines", PINS["ines"])
    look("/", f"/rebuild/{waiting.id}", f"/rebuild/{released}")
    look(*(f"/rebuild/{waiting.id}/step/{s.step.id}" for s in waiting.steps))
    assert problems == {}
