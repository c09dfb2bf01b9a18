"""The page in headless Chromium, shown views of every kind."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import replace

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image, ImageStat
from playwright.sync_api import Browser, Page, Route, expect

from controller.cameras.clock import VirtualClock
from controller.engine import messages as m
from controller.engine.view import RunState, RunView
from controller.operator.wording import CAUTION, CAUTION_SHORT, NO_NEWS, ask_sentence, nothing_asked
from controller.units import FilterState, seconds_to_ns
from tests.page.browsing import (
    CHROMIUM,
    LAPTOP,
    NARROW,
    ON_ITS_SIDE,
    PHONE,
    WITHOUT,
    Shown,
    asking,
    calm,
    chromium,
    day_of,
    faulty,
    hold,
    opened,
    pair,
)
from tests.page.serving import Served, loose, serving

pytestmark = pytest.mark.skipif(not CHROMIUM.exists(), reason=WITHOUT)
ON, OFF = FilterState.ON, FilterState.OFF

_drawn = io.BytesIO()
Image.new("RGB", (4, 3), "white").save(_drawn, "JPEG")
JPEG = _drawn.getvalue()
"""A made-up picture of four pixels by three."""

VIEWS: dict[str, RunView] = {
    "calm": calm(2),
    "asking": asking(calm(2), OFF),
    "faulty": faulty(calm(2)),
}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests here."""
    with chromium() as one:
        yield one


@pytest.fixture(scope="module")
def served_by_rigs() -> Iterator[dict[int, tuple[Served, Shown]]]:
    """A served page of a day with two rigs and one with eight."""
    with serving(loose(), day=day_of(2)) as two, serving(loose(), day=day_of(8)) as eight:
        both = {2: (two, Shown(two)), 8: (eight, Shown(eight))}
        yield both
        for _, shown in both.values():
            shown.close()


@pytest.fixture
def served(served_by_rigs: dict[int, tuple[Served, Shown]]) -> Served:
    """The page of two rigs; nothing has been said to it."""
    served_by_rigs[2][1].show(calm(2))
    served_by_rigs[2][0].said()
    return served_by_rigs[2][0]


@pytest.fixture
def shown(served_by_rigs: dict[int, tuple[Served, Shown]]) -> Shown:
    """What shows views to it."""
    return served_by_rigs[2][1]


# --- pairing ------------------------------------------------------------------------------------


def test_a_stranger_sees_the_form_alone_and_a_wrong_code_is_refused_plainly(
    browser: Browser, served: Served
) -> None:
    """HF-S27: without a session neither the day nor a button of the run is there; a wrong code says why."""
    with opened(browser, served.origin) as page:
        expect(page.get_by_role("button", name="Pair")).to_be_visible()
        for name in ("Pause", "Stop", "Filter IS ON", "Filter IS OFF"):
            expect(page.get_by_role("button", name=name)).to_have_count(0)
        assert "test day" not in page.content()
        page.get_by_label("Code of eight digits").fill("not it")
        page.get_by_role("button", name="Pair").click()
        expect(page.get_by_text("This is not the code that the terminal shows now.")).to_be_visible()
        refused = page.evaluate(
            "fetch('/api/words', {method: 'POST', body: '{}'}).then((answer) => answer.status)"
        )
        assert refused == 403
        pair(page, served.page.code)
        expect(page.get_by_label("Code of eight digits")).to_be_hidden()


def test_the_code_of_the_picture_pairs_at_once_and_leaves_the_address(
    browser: Browser, served: Served
) -> None:
    """HF-S28: a code behind the # pairs without typing, and does not stay in the address or the history."""
    with opened(browser, f"{served.origin}") as page:
        page.goto(f"{served.origin}/#{served.page.code}")
        expect(page.locator("#headline-figures")).not_to_be_empty()
        assert page.url == f"{served.origin}/"
        page.get_by_role("button", name="Unpair this browser").click()
        expect(page.get_by_role("button", name="Pair")).to_be_visible()


def test_a_code_counts_while_the_page_is_still_asking(browser: Browser, served: Served) -> None:
    """A code that comes into the address before the run has answered pairs once it has."""
    with opened(browser, served.origin) as page:
        page.add_init_script(
            """const fetched = window.fetch;
            window.fetch = async (...all) => {
              await new Promise((go) => setTimeout(go, 300));
              return fetched(...all);
            };"""
        )
        page.reload(wait_until="load")
        page.evaluate("(code) => { location.hash = code; }", served.page.code)
        expect(page.locator("#headline-figures")).not_to_be_empty()


# --- what is shown ------------------------------------------------------------------------------


@pytest.mark.parametrize(("state", "rigs"), [(OFF, 2), (ON, 2), (OFF, 8)])
def test_every_asking_page_carries_the_caution(
    browser: Browser, served_by_rigs: dict[int, tuple[Served, Shown]], state: FilterState, rigs: int
) -> None:
    """HF-S15: whoever is asked for a filter change reads the caution in full, in the terminal's words."""
    served, shown = served_by_rigs[rigs]
    view = asking(calm(rigs), state)
    shown.show(view)
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        for size in (PHONE, LAPTOP, NARROW, ON_ITS_SIDE):
            page.set_viewport_size({"width": size[0], "height": size[1]})
            expect(page.locator("#headline")).to_have_text(f"FILTER {state.value.upper()}")
            expect(page.locator("#sentence")).to_have_text(ask_sentence(view, state))
            caution = page.get_by_text(f"Caution: {CAUTION}")
            expect(caution).to_be_visible()
            expect(caution).to_be_in_viewport(ratio=1)
            expect(page.get_by_role("button", name="Hold here when")).to_be_in_viewport(ratio=1)


def test_the_biggest_thing_is_what_to_do_or_how_long_until_the_next(
    browser: Browser, served: Served, shown: Shown
) -> None:
    """The figures are larger than any other text; with nothing asked they count down to the next contact."""
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        long, wide = calm(2).rigs
        bare = replace(long, doubt="said on, but the picture is clipped: put the filter on")
        dark = replace(long, filter_said=OFF, doubt="said off, but the picture is black: check the lens")
        for view, top in (
            (calm(2), "C2 in"),
            (asking(calm(2), OFF), "FILTER"),
            (faulty(calm(2)), "! C2 in"),
            (replace(calm(2), rigs=(bare, wide), alarm=f"filter of long {bare.doubt}"), "! FILTER"),
            (replace(calm(2), rigs=(dark, wide), alarm=f"filter of long {dark.doubt}"), "! C2 in"),
        ):
            shown.show(view)
            expect(page.locator("#headline-top")).to_have_text(top)
            figures, other = page.evaluate(
                """() => {
                  const size = (one) => parseFloat(getComputedStyle(one).fontSize);
                  const shown = [...document.querySelectorAll("body *")].filter((one) => one.textContent);
                  const figures = document.querySelector("#headline-figures");
                  return [size(figures), Math.max(...shown.filter((one) => one !== figures).map(size))];
                }"""
            )
            assert figures > 2 * other
        shown.show(calm(2))
        expect(page.locator("#sentence")).to_have_text(nothing_asked(calm(2)))
        expect(page.locator("#caution")).to_have_text(f"Caution: {CAUTION_SHORT}")
        seen = set()
        for seconds in (18, 17, 16):
            expect(page.locator("#headline-figures")).to_have_text(f"0:{seconds}")
            seen.add(seconds)
        assert len(seen) == 3


def test_each_rig_has_its_facts(browser: Browser, served: Served, shown: Shown) -> None:
    """Filter asked and said, frames fired and missed, card, battery and fault stand in a rig's row."""
    view = asking(calm(2), OFF)
    shown.show(faulty(view))
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        rows = page.get_by_role("listitem").filter(has=page.get_by_role("button"))
        for fact in ("filter ON", "asked OFF in 8 s", "fired 19/85", "0 missed", "card 812", "batt. 83%"):
            expect(rows.nth(0)).to_contain_text(fact)
        for fact in ("7 missed", "card ?", "batt. ?", "! CAMERA NOT READY; 1 unknown; last error: no answer"):
            expect(rows.nth(1)).to_contain_text(fact)
        expect(page.locator("#wrong")).to_contain_text("camera of wide lost: no answer in 5 s")


def test_a_rigs_last_picture_is_shown(browser: Browser, served: Served, shown: Shown) -> None:
    """Where the view says that there is a picture, it stands in the rig's row; elsewhere there is none."""
    served.page.picture("long", 1, JPEG)
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        picture = page.get_by_alt_text("Last picture of long")
        expect(picture).to_be_visible()
        page.wait_for_function("(one) => one.naturalWidth === 4", arg=picture.element_handle())
        expect(page.get_by_alt_text("Last picture of wide")).to_be_hidden()


@pytest.mark.parametrize("size", [(320, 640), (360, 740), (320, 256), PHONE, LAPTOP])
def test_eight_rigs_fit_without_scrolling_sideways_and_buttons_are_large(
    browser: Browser, served_by_rigs: dict[int, tuple[Served, Shown]], size: tuple[int, int]
) -> None:
    """From a phone's 320 pixels (WCAG 2.2, 1.4.10) to a laptop; each target at least 44 pixels a side (2.5.5)."""
    served, shown = served_by_rigs[8]
    shown.show(faulty(asking(calm(8), OFF)))
    with opened(browser, served.origin, size=size) as page:
        pair(page, served.page.code)
        expect(page.locator("#rigs > li")).to_have_count(8)
        wide, small, cut = page.evaluate(
            """() => {
              const all = [...document.querySelectorAll("body *")].filter((one) => one.checkVisibility());
              const main = document.querySelector("main");
              const name = (one) => `${one.tagName} ${one.id} ${one.textContent.slice(0, 30)}`;
              const buttons = all.filter((one) => one.matches("button, summary, input"));
              const seen = all.filter((one) => !one.closest(".unseen"));
              return [
                Math.max(document.documentElement.scrollWidth - innerWidth, main.scrollWidth - main.clientWidth),
                buttons.filter((one) => {
                  const box = one.getBoundingClientRect();
                  return box.width < 44 || box.height < 44;
                }).map(name),
                seen.filter((one) => one.getBoundingClientRect().right > innerWidth + 0.5).map(name),
              ];
            }"""
        )
        assert (wide, small, cut) == (0, [], [])
        for name in ("long", "land"):
            page.get_by_role("button", name=name, exact=True).scroll_into_view_if_needed()
            expect(page.get_by_role("button", name=name, exact=True)).to_be_in_viewport(ratio=1)


@pytest.mark.parametrize("palette", ["night", "day"])
def test_axe_finds_nothing(browser: Browser, served: Served, shown: Shown, palette: str) -> None:
    """In both palettes, on the form and asking, calm, with a fault, a question and a lost link (axe-core, WCAG 2.2)."""
    found: dict[str, list[str]] = {}

    def look(name: str, page: Page) -> None:
        rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
        result = Axe().run(page, options=rules).response
        assert result["passes"]
        found[name] = [
            f"{one['id']}: {[node['target'] for node in one['nodes']]}" for one in result["violations"]
        ]

    with opened(browser, served.origin, palette=palette) as page:
        look("pairing", page)
        assert page.evaluate("document.documentElement.dataset.palette") == palette
        pair(page, served.page.code)
        for name, view in VIEWS.items():
            shown.show(view)
            expect(page.locator("#sentence")).to_contain_text(
                {"calm": "Nothing", "asking": "starts", "faulty": "Look"}[name]
            )
            look(name, page)
        page.get_by_role("button", name="Stop").click()
        expect(page.locator("#question")).to_be_visible()
        look("question", page)
        shown.show(None)
        expect(page.locator("body.lost")).to_be_visible()
        look("lost", page)
    assert {name: what for name, what in found.items() if what} == {}
    assert len(found) == 6


def test_the_palette_is_chosen_and_remembered(browser: Browser, served: Served) -> None:
    """The system's wish counts until the button is pressed; then that, after loading again, too."""
    with opened(browser, served.origin, palette="day") as page:
        ground = "getComputedStyle(document.body).backgroundColor"
        assert page.evaluate(ground) == "rgb(255, 255, 255)"
        page.get_by_role("button", name="Night colours").click()
        assert page.evaluate(ground) == "rgb(0, 0, 0)"
        page.reload()
        expect(page.get_by_role("button", name="Day colours")).to_be_visible()
        assert page.evaluate(ground) == "rgb(0, 0, 0)"


def test_no_large_bright_area_at_night(browser: Browser, served: Served, shown: Shown) -> None:
    """On the asking page at night hardly any blue or green shines, and little in all; by day it is bright."""
    shown.show(asking(calm(2), OFF))
    means = {}
    for palette in ("night", "day"):
        with opened(browser, served.origin, palette=palette) as page:
            pair(page, served.page.code)
            expect(page.locator("#headline")).to_have_text("FILTER OFF")
            with Image.open(io.BytesIO(page.screenshot())) as picture:
                means[palette] = ImageStat.Stat(picture.convert("RGB")).mean
    red, green, blue = means["night"]
    assert red < 50
    assert green < 20
    assert blue < 12
    assert min(means["day"]) > 180


def test_the_day_is_told_as_a_picture_and_in_words(browser: Browser, served: Served) -> None:
    """A picture with a name, now within it, and the same instants as text."""
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        picture = page.get_by_role("img", name="A picture of the whole day")
        expect(picture).to_be_visible()
        expect(picture.locator(".now-mark")).to_have_attribute("visibility", "visible")
        assert picture.locator(".bare").count() == 2
        page.get_by_text("The day in words").click()
        words = page.locator("#day-words")
        expect(words).to_contain_text("C2 at 02:15:10")  # the day's zone is UTC: 1 817 000 110 s is 02:15:10
        expect(words).to_contain_text("long, totality: 02:15:00 to 02:15:30, filter OFF, 54 frames")


def test_what_is_asked_is_announced_once_and_not_each_second(
    browser: Browser, served: Served, shown: Shown
) -> None:
    """A screen reader is interrupted by an ask, once; a countdown never reads itself out."""
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        page.evaluate(
            """() => {
              window.told = [];
              const look = (kind) => new MutationObserver(() =>
                window.told.push([kind, document.getElementById(kind).textContent])
              ).observe(document.getElementById(kind), { childList: true, characterData: true, subtree: true });
              look("assertive");
              look("polite");
            }"""
        )
        shown.show(asking(calm(2), OFF))
        expect(page.locator("#headline-top")).to_have_text("FILTER")
        expect(page.locator("#coming")).to_contain_text("0:17")
        told = page.evaluate("window.told")
        assert [kind for kind, _ in told] == ["assertive"]
        assert told[0][1].startswith("FILTER OFF. long, wide")
        assert told[0][1].endswith(CAUTION_SHORT)
        silent = page.locator("#headline, #sentence, #coming, #cue")
        assert (
            silent.evaluate_all("all => all.map((one) => one.closest('[aria-live], [role=alert]'))")
            == [None] * 4
        )


def test_what_is_asked_no_more_cannot_be_read_on_from(browser: Browser, served: Served, shown: Shown) -> None:
    """A screen reader that walks through the page finds no ask and no fault that is over, unseen as they are."""
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        unseen = page.locator("#assertive")
        for wrong, words in ((asking(calm(2), OFF), "FILTER OFF"), (faulty(calm(2)), "no answer in 5 s")):
            shown.show(wrong)
            expect(unseen).to_contain_text(words)
            shown.show(calm(2))
            expect(unseen).to_be_empty()


def test_spoken_sentences_are_read_out_in_their_language(browser: Browser) -> None:
    """What is said in Spanish is marked as Spanish for a screen reader; the page around it is English."""
    spanish = replace(calm(2), next_cue="Segundo contacto: totalidad", last_said="El filtro sigue puesto")
    with serving(loose(), language="es") as served, opened(browser, served.origin) as page:
        shown = Shown(served)
        shown.show(spanish)
        pair(page, served.page.code)
        expect(page.locator("[lang=es]", has_text="“Segundo contacto: totalidad”")).to_be_visible()
        expect(page.locator("#polite[lang=es]")).to_have_text("El filtro sigue puesto")
        expect(page.locator("html")).to_have_attribute("lang", "en")
        shown.close()


@pytest.mark.parametrize("size", [PHONE, (640, 360)])
def test_an_ask_is_seen_wherever_somebody_has_scrolled_to(
    browser: Browser, served_by_rigs: dict[int, tuple[Served, Shown]], size: tuple[int, int]
) -> None:
    """What is asked comes into sight at once on a page that was scrolled to its end."""
    served, shown = served_by_rigs[8]
    shown.show(calm(8))
    with opened(browser, served.origin, size=size) as page:
        pair(page, served.page.code)
        page.get_by_role("button", name="Unpair this browser").scroll_into_view_if_needed()
        expect(page.locator("#headline-figures")).not_to_be_in_viewport()
        shown.show(asking(calm(8), OFF))
        expect(page.locator("#headline-figures")).to_have_text("OFF")
        expect(page.locator("#headline-figures")).to_be_in_viewport()


def test_less_motion_where_it_is_wished(browser: Browser, served: Served) -> None:
    """With reduced motion the filling bar does not move: it is there at once."""
    for wish, moves in (("reduce", "0s"), ("no-preference", "0.8s")):
        with opened(browser, served.origin, reduced_motion=wish) as page:
            pair(page, served.page.code)
            button = page.get_by_role("button", name="Filter IS ON")
            button.hover()
            page.mouse.down()
            took = button.evaluate("(one) => getComputedStyle(one, '::before').transitionDuration")
            page.mouse.up()
            assert took == moves


def test_the_screen_is_kept_on_where_the_browser_can(browser: Browser, served: Served) -> None:
    """A wake lock is asked for; where there is none, as without HTTPS on a phone, the page says what to do instead."""
    lock = "window.locks = []; const wakeLock = { request: async (kind) => { window.locks.push(kind); return {}; } };"
    for value, locks, note in (
        ("wakeLock", ["screen"], ""),
        ("undefined", [], "set the phone itself to do so"),
    ):
        with opened(browser, served.origin) as page:
            page.add_init_script(
                f"{lock} Object.defineProperty(navigator, 'wakeLock', {{ value: {value} }});"
            )
            page.reload()
            pair(page, served.page.code)
            assert page.evaluate("window.locks") == locks
            expect(page.locator("#screen-note")).to_contain_text(note)


# --- what is said -------------------------------------------------------------------------------


def filter_words(served: Served) -> list[tuple[str | None, FilterState]]:
    """The words about the filter that came since it was last asked."""
    return [(one.rig, one.state) for one in served.said() if isinstance(one, m.FilterSaid)]


def fades_soon(route: Route) -> None:
    """Have what was heard stand there for a moment instead of seconds."""
    answer = route.fetch()
    assert "SHOWN_MS = 6000" in answer.text()
    route.fulfill(response=answer, body=answer.text().replace("SHOWN_MS = 6000", "SHOWN_MS = 600"))


def test_a_word_is_held_down_and_is_heard_only_by_the_engine(
    browser: Browser, served: Served, shown: Shown
) -> None:
    """HF-S29: held down it is sent; HEARD stands there once the id is in a view; without that it says NOT HEARD."""
    shown.show(asking(calm(2), OFF))
    with opened(browser, served.origin) as page:
        page.route("**/static/words.js", fades_soon)
        page.reload()
        pair(page, served.page.code)
        hold(page, "Hold here when they ALL are OFF")
        expect(page.get_by_text("Sent, not heard yet: filter is OFF (all rigs)")).to_be_visible()
        expect(page.get_by_role("status")).to_contain_text(
            "NOT HEARD: filter is OFF (all rigs). Say it again"
        )
        (said,) = (one for one in served.said() if isinstance(one, m.FilterSaid))
        assert (said.rig, said.state, said.by) == (None, OFF, "page")
        shown.change(lambda view: replace(view, heard=("another", str(said.word_id))))
        expect(page.get_by_role("status")).to_have_text("HEARD: filter is OFF (all rigs)")
        expect(page.get_by_role("status")).to_be_empty()
        page.wait_for_timeout(500)
        expect(page.get_by_role("status")).to_be_empty()  # it is told once


def test_too_short_a_touch_says_nothing_and_asks(browser: Browser, served: Served, shown: Shown) -> None:
    """HF-S29: a tap is no word; it offers a second act, with the caution, and No sends nothing."""
    shown.show(asking(calm(2), OFF))
    with opened(browser, served.origin, has_touch=True) as page:
        pair(page, served.page.code)
        button = page.get_by_role("button", name="Hold here")
        for tap in (
            button.tap,
            lambda: button.press("Enter"),
            lambda: button.evaluate("(one) => one.click()"),
        ):
            tap()
            question = page.get_by_role("group", name="Held too briefly. Is it so: filter is OFF (all rigs)?")
            expect(question).to_be_visible()
            expect(page.get_by_text(f"Caution: {CAUTION}")).to_be_visible()
            question.get_by_role("button", name="No").click()
            expect(question).to_be_hidden()
        assert filter_words(served) == []
        button.evaluate("(one) => one.click()")  # as a screen reader or a switch does
        page.wait_for_timeout(400)
        page.get_by_role("button", name="Yes: filter is OFF (all rigs)").click()
        expect(page.get_by_text("Sent, not heard yet")).to_be_visible()
        assert filter_words(served) == [(None, OFF)]


def test_the_keyboard_is_back_where_it_was_after_a_question(
    browser: Browser, served: Served, shown: Shown
) -> None:
    """Whoever answers by keys goes on from the button that raised the question, whichever the answer."""
    shown.show(asking(calm(2), OFF))
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        button = page.get_by_role("button", name="Hold here when they ALL are OFF")
        for answer in ("No", "Yes: filter is OFF (all rigs)"):
            button.press("Enter")
            page.wait_for_timeout(400)
            page.locator("#question").get_by_role("button", name=answer).press("Enter")
            expect(button).to_be_focused()


def test_a_key_held_down_is_a_word_too(browser: Browser, served: Served, shown: Shown) -> None:
    """Enter and the space bar, held, say it; a finger that slips away says nothing."""
    shown.show(asking(calm(2), ON))
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        button = page.get_by_role("button", name="Hold here when they ALL are ON")
        for key in ("Enter", " "):
            button.focus()
            page.keyboard.down(key)
            page.locator(".holding").wait_for()
            page.locator(".holding").wait_for(state="detached")
            page.keyboard.up(key)
            expect(page.get_by_text("Sent, not heard yet")).to_be_visible()
        assert filter_words(served) == [(None, ON)] * 2
        button.hover()
        page.mouse.down()
        page.locator(".holding").wait_for()
        page.mouse.move(200, 10)
        page.locator(".holding").wait_for(state="detached")
        page.mouse.up()
        expect(page.locator("#question")).to_be_hidden()
        assert filter_words(served) == []


def test_a_finger_held_down_is_a_word(browser: Browser, served: Served, shown: Shown) -> None:
    """A long touch says it, without a menu or a selection coming between; a finger that trembles is no slip."""
    shown.show(asking(calm(2), OFF))
    with opened(browser, served.origin, has_touch=True, is_mobile=True) as page:
        pair(page, served.page.code)
        box = page.get_by_role("button", name="Hold here when they ALL are OFF").bounding_box()
        assert box
        finger = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
        touches = page.context.new_cdp_session(page)
        touches.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [finger]})
        page.locator(".holding").wait_for()
        moved = {"x": finger["x"] + 9, "y": finger["y"] + 6}
        touches.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [moved]})
        page.locator(".holding").wait_for(state="detached")
        touches.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        expect(page.get_by_role("status")).to_contain_text("Sent, not heard yet: filter is OFF (all rigs)")
        expect(page.locator("#question")).to_be_hidden()
        assert filter_words(served) == [(None, OFF)]


def test_a_word_for_one_rig(browser: Browser, served: Served, shown: Shown) -> None:
    """A rig that is picked by its name has the next word to itself; the one after is for all again."""
    shown.show(asking(calm(2), ON))
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        page.get_by_role("button", name="wide").click()
        expect(page.get_by_role("button", name="wide", pressed=True)).to_be_visible()
        hold(page, "Hold here when it IS ON not before · only wide")
        hold(page, "Hold here when they ALL are ON")
        expect(page.get_by_text("(all rigs)").first).to_be_visible()
        assert filter_words(served) == [("wide", ON), (None, ON)]


def test_off_that_nobody_asked_for_and_stop_need_a_second_act(browser: Browser, served: Served) -> None:
    """HF-S29: the service's own question is put, and only Yes sends the word; Pause needs none."""
    with opened(browser, served.origin) as page:
        pair(page, served.page.code)
        hold(page, "Filter IS OFF")
        expect(page.get_by_text("Nobody asked for OFF. Say it only if it is so already")).to_be_visible()
        expect(page.get_by_text(f"Caution: {CAUTION}")).to_be_visible()
        page.keyboard.press("Escape")
        assert filter_words(served) == []
        page.get_by_role("button", name="Pause").click()
        expect(page.get_by_text("Sent, not heard yet: pause (all rigs)")).to_be_visible()
        page.get_by_role("button", name="Stop").click()
        expect(page.get_by_text("Stop the run for good?")).to_be_visible()
        page.wait_for_timeout(400)
        page.get_by_role("button", name="Yes: stop the run").click()
        expect(page.get_by_text("Sent, not heard yet: stop the run")).to_be_visible()
        assert [type(one) for one in served.said()] == [m.PauseAsked, m.StopAsked]


# --- the link -----------------------------------------------------------------------------------


def test_a_lost_link_is_told_within_two_seconds_and_heals(
    browser: Browser, served: Served, shown: Shown
) -> None:
    """HF-S15: after two seconds of its own clock without news the page says so, asks for no OFF any more, and heals."""
    shown.show(asking(calm(2), OFF))
    with opened(browser, served.origin) as page:
        page.clock.install()
        page.reload()
        pair(page, served.page.code)
        expect(page.locator("#headline")).to_have_text("FILTER OFF")
        bright = page.locator("#rest").evaluate("(one) => getComputedStyle(one).color")
        shown.show(None)
        page.wait_for_timeout(300)
        page.clock.fast_forward(2000)
        assert page.locator("body").evaluate("(one) => one.classList.contains('lost')")
        expect(page.locator("#headline-top")).to_have_text("NO NEWS")
        expect(page.locator("#headline")).not_to_contain_text("OFF")
        expect(page.locator("#sentence")).to_contain_text(NO_NEWS.split("{", maxsplit=1)[0])
        expect(page.locator("#caution")).to_have_text(f"Caution: {CAUTION}")
        assert page.locator("#rest").evaluate("(one) => getComputedStyle(one).color") != bright
        page.clock.fast_forward(10_000)
        expect(page.locator("#headline-figures")).to_have_text("12 s")
        shown.show(asking(calm(2), OFF))
        expect(page.locator("#headline")).to_have_text("FILTER OFF")


def test_the_last_view_told_again_is_no_news(browser: Browser, served: Served, shown: Shown) -> None:
    """A page opened while the run is silent says so, whatever the service still has from before."""
    shown.show(asking(calm(2), OFF))
    served.paired().close()
    shown.show(None)
    with opened(browser, served.origin) as page:
        page.get_by_label("Code of eight digits").fill(served.page.code)
        page.get_by_role("button", name="Pair").click()
        expect(page.locator("#headline-top")).to_have_text("NO NEWS")
        expect(page.locator("#headline-figures")).to_have_text("4 s")


def test_two_pages_agree(browser: Browser, served: Served, shown: Shown) -> None:
    """What is asked, heard and counted stands on each of them, by the run's clock and not the browser's."""
    with (
        opened(browser, served.origin) as one,
        opened(browser, served.origin, timezone_id="Asia/Tokyo") as two,
    ):
        for page in (one, two):
            pair(page, served.page.code)
        for view in (calm(2), asking(calm(2), ON), replace(calm(2), state=RunState.PAUSED), faulty(calm(2))):
            shown.show(view)
            asked = view.rigs[0].filter_asked
            sentence = ask_sentence(view, asked) if asked else nothing_asked(view)
            for page in (one, two):
                expect(page.locator("#sentence")).to_have_text(sentence)
            for part in ("headline-top", "rigs", "wrong", "caution"):
                assert one.locator(f"#{part}").inner_text() == two.locator(f"#{part}").inner_text()
        assert one.locator("#clock").inner_text()[:5] == two.locator("#clock").inner_text()[:5] == "04:14"


# --- the voice ----------------------------------------------------------------------------------

FAKE_VOICE = """
window.spoken = [];
class Utterance { constructor(text) { this.text = text; } }
Object.defineProperty(window, "SpeechSynthesisUtterance", { value: Utterance });
const voice = { speaking: false, now: null };
voice.speak = (one) => { voice.now = one; voice.speaking = true; spoken.push([one.text, one.lang ?? ""]); };
voice.cancel = () => { if (voice.speaking) spoken.push("cut off"); voice.speaking = false; };
voice.finish = () => { voice.speaking = false; voice.now.onend?.(); };
Object.defineProperty(window, "speechSynthesis", { value: voice });
"""


def test_the_page_speaks_when_it_is_asked_to_and_never_late(
    browser: Browser, served: Served, shown: Shown
) -> None:
    """Nothing before the button; then each sentence in its language, urgent ones at once, none over 1 s late."""
    shown.show(calm(2))
    with opened(browser, served.origin) as page:
        page.add_init_script(FAKE_VOICE)
        page.reload()
        pair(page, served.page.code)

        def say(text: str, *, urgent: bool = False, late_s: float = 0.0) -> None:
            served.page.open(served.events.put, VirtualClock(shown.now_utc_ns - seconds_to_ns(late_s)))
            served.page.say(text, urgent)

        def spoken(*expected: object) -> None:
            page.wait_for_function(
                "(expected) => JSON.stringify(window.spoken) === expected",
                arg=json.dumps(list(expected), separators=(",", ":")),
            )

        say("before the button")
        page.get_by_role("button", name="Speak here").click()
        spoken(["Speaking here", "en"])
        page.evaluate("speechSynthesis.finish(); spoken.length = 0")
        say("late", late_s=1.6)
        say("one")
        spoken(["one", "en"])
        say("two")
        say("Filter off now", urgent=True)
        spoken(["one", "en"], "cut off", ["Filter off now", "en"])
        say("three")
        page.wait_for_timeout(100)
        page.evaluate("speechSynthesis.finish()")
        spoken(["one", "en"], "cut off", ["Filter off now", "en"], ["three", "en"])
