"""The account as a page and as Markdown: well formed, the same numbers as the JSON, nothing taken from a name."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from shutil import copytree
from typing import Any

import html5lib
import pytest
from markdown_it import MarkdownIt

from controller.account.export import to_json_dict
from controller.account.markdown import to_markdown
from controller.account.merging import MergedAccount, merge_runs
from controller.account.model import Account, FrameEnd, account_of, make_account
from controller.account.page import to_html
from controller.account.plots import error_plot, ladder_plot
from controller.account.sheet import Grid, Items, Sheet, Words, sheet_of, sheet_of_merged
from controller.cli import account as command
from controller.cli.account import Files
from controller.errors import UsageError
from controller.journal.reading import JournalReading
from controller.journal.records import Kind
from controller.timeline.model import Timeline
from controller.units import parse_utc_iso
from tests.account.conftest import Day
from tests.cli.command import as_json, holdfire
from tests.page.browsing import CHROMIUM, WITHOUT, chromium

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"
NASTY = '<b onload="x">&amp;</b>\x1b[2J\u202e</svg></style><script>alert(1)</script>'
SHOWN = '<b onload="x">&amp;</b>\\x1b[2J\\x202e</svg></style><script>alert(1)</script>'
"""The same as it has to be read on the page: control characters and turns of direction are written out."""


def parsed(page: str) -> Any:
    """The page read by an independent HTML parser that forgives nothing (html5lib, strict)."""
    return html5lib.HTMLParser(strict=True).parse(page)


def text_of(element: Any) -> str:
    """The words of an element, white space made single."""
    return " ".join("".join(element.itertext()).split())


def tables(document: Any) -> dict[str, list[list[str]]]:
    """Every table's rows, headings first, by its caption."""
    return {
        text_of(table.find(f"{HTML}caption")): [
            [text_of(cell) for cell in row] for row in table.iter(f"{HTML}tr")
        ]
        for table in document.iter(f"{HTML}table")
    }


def account(day: Day, records: list[dict[str, Any]], timeline: Timeline | None = None) -> Account:
    """The account of these records."""
    reading = JournalReading(records=records, torn=None, closed=True)
    return account_of(timeline or day.timeline, reading, Path("2027-08-02-ridge"))


def spoiled(day: Day, replaced: Callable[..., list[dict[str, Any]]]) -> Account:
    """A day on which one must frame was missed, one failed, and there was cloud."""
    records = replaced(day.good(), Kind.FRAME_INTENT, "long/0004", None)
    missed = {**day.missed("long/0004", 151), "detail": ""}
    records = replaced(records, Kind.FRAME_FIRED, "long/0004", missed)
    records = [
        *records,
        day.record(Kind.NOTE, 110, text="cloud", by="terminal"),
        day.record(Kind.NOTE, 130, text="clear", by="terminal"),
        day.record(Kind.NOTE, 140, text="the screen failed"),
    ]
    ended = next(one for one in records if one["kind"] == Kind.RUN_ENDED)
    records.remove(ended)
    last = day.ended(fired=7, missed=1)
    return account(day, [*Day.numbered(records), {**last, "seq": len(records) + 1}])


def renamed(day: Timeline, text: str) -> Timeline:
    """The day with every name that a plan can give replaced."""
    return replace(
        day,
        title=f"{text} day", site_name=f"{text} site",
        rigs=tuple(replace(one, name=f"{text}{one.name}") for one in day.rigs),
        phases=tuple(replace(one, rig=f"{text}{one.rig}", name=f"{text}{one.name}") for one in day.phases),
        holds=tuple(replace(one, rig=f"{text}{one.rig}") for one in day.holds),
        frames=tuple(
            replace(one, rig=f"{text}{one.rig}", phase=f"{text}{one.phase}", shot=f"{text}{one.shot}")
            for one in day.frames
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole rehearsed day of the sample plan with a late operator and a full card, and its account in all forms."""
    base = tmp_path_factory.mktemp("page")
    plan = Path(__file__).parents[2] / "sample_plans" / "total_2027.yaml"
    holdfire(
        "rehearse",
        str(plan),
        "--fast",
        "--operator",
        "late 40 s",
        "--fault",
        "card full mid for 9 s",
        cwd=base,
    )
    (run,) = (base / "runs").iterdir()
    done = holdfire("account", str(run), "--html", "a.html", "--markdown", "a.md", "--json", cwd=base)
    assert done.returncode == 0, done.stderr
    (base / "a.json").write_text(done.stdout, encoding="utf-8")
    return base


def test_numbers_are_those_of_the_json(rehearsed: Path) -> None:
    """Totals, shots by phase, release errors and contacts on the page are the ones that --json gives."""
    data = json.loads((rehearsed / "a.json").read_text(encoding="utf-8"))
    found = tables(parsed((rehearsed / "a.html").read_text(encoding="utf-8")))
    totals = dict(zip(*found["Frames in all"], strict=True))
    assert {key.replace(" ", "_"): int(count) for key, count in totals.items()} == data["totals"]
    assert data["totals"]["missed"] > 0
    shown = {
        (caption.partition(":")[0], row[0]): dict(zip(rows[0], row, strict=True))
        for caption, rows in found.items()
        if rows[0][:2] == ["shot", "wanted"]
        for row in rows[1:-1]
    }
    assert len(shown) == len(data["shots"]) > 10
    for shot in data["shots"]:
        row = shown[shot["phase"], shot["shot"]]
        assert (row["wanted"], int(row["planned"]), int(row["fired"]), int(row["missed"])) == (
            shot["wanted"], shot["planned"], shot["fired"], shot["missed"],
        )  # fmt: skip
    (timing,) = data["timing"]
    assert found["Release errors"][1] == [
        timing["rig"], str(timing["frames"]), f"{timing['mean_ms']:+.1f}", f"{timing['rms_ms']:.1f}",
        f"{timing['worst_ms']:+.1f}", timing["worst_frame_id"],
    ]  # fmt: skip
    contacts = {row[0]: row[1] for row in found["Total eclipse at Kestrel Hill"][1:]}
    assert list(contacts) == list(data["contacts_utc"])
    for name, at in contacts.items():  # the page gives tenths of a second
        assert abs(parse_utc_iso(at) - parse_utc_iso(data["contacts_utc"][name])) <= 50_000_000
    lost = sum(int(row[3].split()[0]) for row in found["What was not got, and why"][1:])
    assert lost == data["totals"]["planned"] - data["totals"]["fired"]
    assert [row[3] for row in found["What went wrong, in order"][1:]] != []
    assert len(found["What went wrong, in order"]) - 1 == len(data["troubles"])


def test_drawings_show_every_frame_once(rehearsed: Path) -> None:
    """The drawing of the day has a stroke for each planned, fired and lost frame, and for no other."""
    document = parsed((rehearsed / "a.html").read_text(encoding="utf-8"))
    totals = dict(zip(*tables(document)["Frames in all"], strict=True))
    day = next(
        one for one in document.iter(f"{SVG}svg") if (one.findtext(f"{SVG}title") or "") == "The whole day"
    )
    strokes = {
        kind: sum(
            path.get("d", "").count("M") for path in day.iter(f"{SVG}path") if path.get("class") == kind
        )
        for kind in ("planned", "fired", "lost")
    }
    holds_said = len(tables(document)["Holds"]) - 1
    assert strokes == {
        "planned": int(totals["planned"]),
        "fired": int(totals["fired"]) + holds_said,
        "lost": int(totals["missed"]),
    }


def test_every_drawing_is_told_in_words(rehearsed: Path) -> None:
    """A drawing has a title and a description that its own label points to, and no id stands twice."""
    document = parsed((rehearsed / "a.html").read_text(encoding="utf-8"))
    ids = [one.get("id") for one in document.iter() if one.get("id")]
    assert len(ids) == len(set(ids))
    drawings = [one for one in document.iter(f"{SVG}svg") if one.get("role") == "img"]
    assert len(drawings) == 4  # the day, around totality, the exposures, the release errors
    for one in drawings:
        told = {part.get("id"): text_of(part) for part in (one.find(f"{SVG}title"), one.find(f"{SVG}desc"))}
        assert set(one.get("aria-labelledby").split()) == set(told)
        assert all(told.values())


def test_page_asks_for_nothing_and_runs_nothing(rehearsed: Path) -> None:
    """No script, no address but fragments of the page itself, and a policy that would refuse both."""
    page = (rehearsed / "a.html").read_text(encoding="utf-8")
    document = parsed(page)
    assert not list(document.iter(f"{HTML}script"))
    for one in document.iter():
        for name, value in one.attrib.items():
            assert not name.startswith("on")
            if name in ("href", "src", "data", "action"):
                assert value.startswith(("#", "data:,")), value
    assert "http" not in re.sub(r'http-equiv|href\^="http"', "", page)
    (policy,) = [m.get("content") for m in document.iter(f"{HTML}meta") if m.get("http-equiv")]
    assert policy.startswith("default-src 'none'")


def test_style_is_for_light_dark_and_paper(rehearsed: Path) -> None:
    """The one style sheet stands in the page, turns dark when asked, and turns black on white for paper."""
    document = parsed((rehearsed / "a.html").read_text(encoding="utf-8"))
    (style,) = [one.text for one in document.iter(f"{HTML}style")]
    assert "@media (prefers-color-scheme: dark)" in style
    paper = style[style.index("@media print") :]
    assert "--paper: #fff; --ink: #000" in paper
    assert re.search(r"p, table, tr, figure,[^{]*\{ break-inside: avoid; \}", paper)
    assert "attr(href)" in paper


@pytest.mark.parametrize("form", [to_html, to_markdown])
def test_same_run_gives_same_bytes(rehearsed: Path, form: Callable[[Sheet], str]) -> None:
    """Nothing in the page or the Markdown depends on when or where it is made."""
    (run,) = (rehearsed / "runs").iterdir()
    name = "a.html" if form is to_html else "a.md"
    assert form(sheet_of(make_account(run))) == (rehearsed / name).read_text(encoding="utf-8")


def test_names_are_shown_and_never_obeyed(day: Day) -> None:
    """Markup, control characters and quotes in titles, sites, rigs, phases and shots are read as they were written."""
    timeline = renamed(day.timeline, NASTY)
    records = [{**one, "rig": f"{NASTY}{one['rig']}"} if one.get("rig") else one for one in day.good()]
    records[0] = {**records[0], "cameras": {f"{NASTY}long": f"{NASTY}body"}, "versions": {NASTY: NASTY}}
    made = account(day, records, timeline)
    document = parsed(to_html(sheet_of(made)))
    assert not list(document.iter(f"{HTML}script"))
    assert not list(document.iter(f"{HTML}b"))
    assert text_of(document.find(f".//{HTML}h1")) == f"{SHOWN} day"
    assert text_of(document.find(f".//{HTML}title")) == f"{SHOWN} day – account"
    words = [text_of(one) for one in document.iter(f"{SVG}text")]
    assert any(SHOWN[:12] in one for one in words)
    assert f"Camera of {SHOWN}long: {SHOWN}body." in [text_of(one) for one in document.iter(f"{HTML}li")]
    assert {row[0] for row in tables(document)["Release errors"][1:]} == {f"{SHOWN}long", f"{SHOWN}wide"}


def markdown_text(source: str) -> tuple[set[str], list[str]]:
    """The kinds of token and the words that an independent reader of Markdown finds (markdown-it)."""
    tokens = MarkdownIt("commonmark", {"html": True}).enable("table").parse(source)
    kinds, words = {one.type for one in tokens}, []
    for token in tokens:
        if token.children is not None:
            kinds |= {one.type for one in token.children}
            words.append("".join(one.content for one in token.children))
    return kinds, words


def test_markdown_says_what_the_sheet_says(day: Day) -> None:
    """Read by an independent reader, every heading, sentence, item and cell of the document is there, in order."""
    sheet = sheet_of(account(day, day.good(), renamed(day.timeline, f"- 1. *a* | b_c `d` # {NASTY}")))
    kinds, words = markdown_text(to_markdown(sheet))
    assert kinds.isdisjoint({"html_block", "html_inline", "code_inline", "link_open", "image", "em_open"})
    expected = [sheet.title, sheet.about, *(one.text for one in sheet.verdict)]
    for section in sheet.sections:
        expected.append(section.title)
        for block in section.blocks:
            match block:
                case Words():
                    expected.append(block.text)
                case Items():
                    expected += block.items
                case Grid():
                    rows = [block.headings, *block.rows, *([block.total] if block.total else [])]
                    expected += [block.name, *(cell for row in rows for cell in row)]
                case _:
                    expected.append(f"{block.title}: {block.description}")
    shown = NASTY.replace(NASTY, SHOWN)
    assert words == [" ".join(one.replace(NASTY, shown).split()) for one in expected]


def test_clouds_are_told_and_drawn(day: Day, replaced: Callable[..., list[dict[str, Any]]]) -> None:
    """What the operator said of clouds is a stretch of time, in the JSON too; other notes and silence are none."""
    made = spoiled(day, replaced)
    (span,) = made.clouds
    assert (span.from_utc_ns, span.until_utc_ns) == (day.at(110), day.at(130))
    assert to_json_dict(made)["clouds"] == [
        {"from_utc": "2027-08-02T08:01:50.000000Z", "until_utc": "2027-08-02T08:02:10.000000Z"}
    ]
    assert [one.what for one in made.troubles if one.what in ("cloud", "clear", "the screen failed")] == [
        "the screen failed"
    ]
    page = to_html(sheet_of(made))
    assert "Cloud before the Sun, as the operator said: from 11:01:50.0 to 11:02:10.0." in page
    drawn = [one for one in parsed(page).iter(f"{SVG}rect") if one.get("class") == "cloud"]
    assert len(drawn) == 2  # on the day, and around totality
    assert "Nobody said anything of clouds." in to_html(sheet_of(account(day, day.good())))


def test_cloud_that_nobody_ended_goes_on(day: Day) -> None:
    """Cloud said twice is one stretch; without a word that it is clear its end is unknown."""
    said = [day.record(Kind.NOTE, second, text="cloud", by="terminal") for second in (110, 120)]
    records = day.good()
    made = account(day, [*Day.numbered([*records[:-1], *said]), {**records[-1], "seq": len(records) + 2}])
    assert [(one.from_utc_ns, one.until_utc_ns) for one in made.clouds] == [(day.at(110), None)]
    assert "from 11:01:50.0 on." in to_markdown(sheet_of(made))


def test_a_hold_is_drawn_from_its_asking_to_its_end(day: Day) -> None:
    """White from the asking until it is due, black from then on, and over when the word comes or the phase ends."""
    kept = [one for one in day.good() if (one["kind"], one.get("hold_id")) != (Kind.HOLD_PASSED, "long/dark")]
    never = day.record(Kind.HOLD_EXPIRED, 235, hold_id="long/dark", rig="long", needs="off")
    made = account(day, [*Day.numbered([*kept[:-1], never]), {**kept[-1], "seq": len(kept) + 1}])
    document = parsed(to_html(sheet_of(made)))
    day_drawn = next(
        one for one in document.iter(f"{SVG}svg") if one.findtext(f"{SVG}title") == "The whole day"
    )
    spans = {
        kind: [
            (float(box.get("x")), float(box.get("x")) + float(box.get("width")))
            for box in day_drawn.iter(f"{SVG}rect")
            if box.get("class") == kind
        ]
        for kind in ("asked", "late")
    }
    # asked at -30, 80 and 235 s; due at 0, 85 and 245 s; said at -20 s, never (the phase ends at 235 s), 238 s
    first, dark, last = spans["asked"]
    (late,) = spans["late"]
    per_second = (dark[1] - dark[0]) / (235 - 80)
    assert late == pytest.approx((dark[0] + 5 * per_second, dark[1]), abs=0.2)
    assert first[1] - first[0] == pytest.approx(10 * per_second, abs=0.2)
    assert last[0] == pytest.approx(dark[1], abs=0.2)
    assert last[1] - last[0] == pytest.approx(3 * per_second, abs=0.2)


def test_what_must_not_be_overlooked_is_marked(
    day: Day, replaced: Callable[..., list[dict[str, Any]]]
) -> None:
    """A must shot that is not whole, a torn and an altered journal are marked in the verdict; a good day is not."""

    def marked(made: Account) -> list[str]:
        verdict = parsed(to_html(sheet_of(made))).findall(
            f".//{HTML}div[@class='verdict']/{HTML}p[@class='alarm']"
        )
        return [text_of(one) for one in verdict]

    assert marked(account(day, day.good())) == []
    (must,) = marked(spoiled(day, replaced))
    assert "MUST SHOTS NOT WHOLE" in must
    torn = JournalReading(records=day.good()[:-1], torn=b'{"kin', closed=False)
    (first,) = marked(account_of(day.timeline, torn, Path("run")))
    assert first.startswith("Journal torn")
    altered = JournalReading(records=day.good(), torn=None, closed=False, problems=["line 3 was changed."])
    assert marked(account_of(day.timeline, altered, Path("run")))[0].startswith("DO NOT TRUST THIS ACCOUNT")


def test_release_errors_are_all_counted() -> None:
    """The bars hold every release, those far off in a bin of their own at the end."""
    errors = [-0.3, *(0.1 * n for n in range(40)), 150.0]
    plot = error_plot("errors", errors)
    bars = plot.body.count('class="bar"') + plot.body.count('class="beyond"')
    heights = re.findall(r'class="(bar|beyond)"[^>]*></rect><text[^>]*>(\d+)<', plot.body)
    assert len(heights) == bars
    assert sum(int(count) for _, count in heights) == len(errors)
    assert dict(heights)["beyond"] == "1"
    assert "from -0.3 ms to +150.0 ms" in plot.description


def test_ladder_tells_got_from_lost(day: Day, replaced: Callable[..., list[dict[str, Any]]]) -> None:
    """Each exposure of each shot has its mark: full when all were got, a crossed ring when none was."""
    made = spoiled(day, replaced)
    long = [one for one in made.frames if one.frame.rig == "long"]
    plot = ladder_plot("exposures", long)
    counts = re.findall(r'class="small">([\d/]+)</text>', plot.body)
    # crescent disk 1/500 twice; ring 1/1000; corona 1/8, 1 s (missed) and 4 s; crescent disk again
    assert sorted(counts) == sorted(["2", "1", "1", "0/1", "1", "1"])
    assert plot.body.count('class="lost"') == 1
    assert plot.description == f"{len(long) - 1} of {len(long)} planned exposures were got."
    # one of the two exposures of 1/500 s at the start: half, with the numbers
    records = replaced(day.good(), Kind.FRAME_INTENT, "long/0001", None)
    records = replaced(records, Kind.FRAME_FIRED, "long/0001", {**day.missed("long/0001", 11), "seq": 0})
    first = [one for one in account(day, records).frames if one.frame.phase == "crescent"]
    half = ladder_plot("exposures", first).body
    assert re.findall(r'class="small">([\d/]+)</text>', half) == ["1/2"]
    assert 'class="ring"' in half
    assert 'class="lost"' not in half
    # every second stop from 1/1000 s to 4 s, by the names that cameras give them
    labels = re.findall(r'text-anchor="middle">([\d/.]+)</text>', plot.body)
    assert labels == ["1/1000", "1/250", "1/60", "1/15", "1/4", "1", "4"]


def test_joint_page_has_each_run_and_the_sums(rehearsed: Path, day: Day, tmp_path: Path) -> None:
    """The page of several runs sums their frames, and each run's own account stands on it whole."""
    (one,) = (rehearsed / "runs").iterdir()
    other = day.write(tmp_path, day.good())
    merged: MergedAccount = merge_runs([one, other])
    done = holdfire(
        "merge", str(one), str(other), "--html", "m.html", "--markdown", "m.md", "--json", cwd=tmp_path
    )
    data = as_json(done)
    page = (tmp_path / "m.html").read_text(encoding="utf-8")
    assert page == to_html(sheet_of_merged(merged))
    document = parsed(page)
    total = next(iter(document.iter(f"{HTML}table")))
    rows = [[text_of(cell) for cell in row] for row in total.iter(f"{HTML}tr")]
    assert dict(zip(*rows, strict=True))["fired"] == str(data["totals"]["fired"])
    assert int(data["totals"]["fired"]) == sum(run.account.ends[FrameEnd.FIRED] for run in merged.runs)
    ids = [element.get("id") for element in document.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    titles = [text_of(title) for title in document.iter(f"{HTML}h2")]
    assert [title for title in titles if title.startswith("Run ")] == [f"Run {one.name}", f"Run {other.name}"]
    assert sum(text_of(title) == "Contacts" for title in document.iter(f"{HTML}h3")) == 2
    kinds, words = markdown_text((tmp_path / "m.md").read_text(encoding="utf-8"))
    assert "html_inline" not in kinds
    assert f"Run {one.name}" in words


def test_a_file_that_cannot_be_written_is_told_in_one_line(rehearsed: Path) -> None:
    """A folder that is not there ends in one line with the way out, and nothing is printed as if all were well."""
    (run,) = (rehearsed / "runs").iterdir()
    for option, what in (("--html", "page"), ("--markdown", "Markdown")):
        done = holdfire("account", str(run), option, "no/such/file", cwd=rehearsed)
        assert done.returncode == 6
        assert f"no/such/file: the {what} cannot be written" in done.stderr
        assert "Mend: " in done.stderr
        assert done.stdout == ""


@pytest.mark.parametrize("what", ["html", "markdown", "csv"])
def test_a_journal_is_never_written_over(rehearsed: Path, tmp_path: Path, what: str) -> None:
    """A run's own file named for a page or table ends in one line, and every file of the run stays as it is."""
    (run,) = (rehearsed / "runs").iterdir()
    one, other = tmp_path / "one", tmp_path / "other"
    for copy in (one, other):
        copytree(run, copy)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    (tmp_path / "page.html").symlink_to("one/journal.jsonl")
    for name in ("one/journal.jsonl", "one/timeline.json", "other/plan.yaml", "page.html"):
        files = Files(**{"html": None, "markdown": None, "csv": None, what: tmp_path / name})
        told = f"--{what} {tmp_path / name}: there is a file of this name, and it is not overwritten. Mend: "
        with pytest.raises(UsageError, match=re.escape(told)):
            command.account(one, files, as_json=False)
        with pytest.raises(UsageError, match=re.escape(told)):
            command.merge([one, other], files, as_json=False)
    assert {path: path.read_bytes() for path in before} == before


@pytest.fixture(scope="module")
def joint(rehearsed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of two runs of different days."""
    base = tmp_path_factory.mktemp("joint")
    day = Day()
    merged = merge_runs([*(rehearsed / "runs").iterdir(), day.write(base, day.good())])
    page = base / "joint.html"
    page.write_text(to_html(sheet_of_merged(merged)), encoding="utf-8")
    return page


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A browser, where there is one."""
    if not CHROMIUM.exists():
        pytest.skip(WITHOUT)
    with chromium() as one:
        yield one


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("page", ["a.html", "joint.html"])
def test_a_browser_asks_for_nothing_and_axe_finds_nothing(
    rehearsed: Path, joint: Path, browser: Any, page: str, scheme: str
) -> None:
    """Opened in Chromium a page asks for no address but its own, and axe-core finds no fault (WCAG 2.2 AA)."""
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(color_scheme=scheme)
    asked: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    tab = context.new_page()
    said: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    address = {"a.html": rehearsed / "a.html", "joint.html": joint}[page].as_uri()
    tab.goto(address)
    ground = tab.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ground == {"light": "rgb(255, 255, 255)", "dark": "rgb(20, 22, 26)"}[scheme]
    assert [url for url in asked if url not in (address, "data:,")] == []
    assert said == []
    found = Axe().run(tab).response["violations"]
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found] == []
    context.close()


def test_paper_is_black_on_white(rehearsed: Path, browser: Any) -> None:
    """Printed from a dark browser, ground and ink are white and black, and no box is cut off at its side."""
    context = browser.new_context(color_scheme="dark", viewport={"width": 680, "height": 900})
    tab = context.new_page()
    tab.goto((rehearsed / "a.html").as_uri())
    tab.emulate_media(media="print", color_scheme="dark")
    style = tab.evaluate("(s => [s.backgroundColor, s.color])(getComputedStyle(document.body))")
    assert style == ["rgb(255, 255, 255)", "rgb(0, 0, 0)"]
    ink = tab.evaluate("getComputedStyle(document.querySelector('figure svg .fired')).fill")
    assert ink == "rgb(0, 0, 0)"
    wide = tab.evaluate(
        "[...document.querySelectorAll('table, svg')].filter(e => e.getBoundingClientRect().right > 681).length"
    )
    assert wide == 0
    assert tab.evaluate("getComputedStyle(document.querySelector('nav')).display") == "none"
    assert tab.pdf(format="A4")[:5] == b"%PDF-"
    context.close()
