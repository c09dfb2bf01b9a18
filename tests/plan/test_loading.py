"""Reading plan files: what cannot be a plan, where things stand, and that nothing breaks the loader."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.errors import Fault, PlanError
from controller.plan.brackets import bracket_times, take_exposures
from controller.plan.checks import rigs_of
from controller.plan.fields import Anchor
from controller.plan.loading import load_plan, load_plan_text
from controller.plan.source import LARGEST_FILE_BYTES, read_source
from controller.units import ContactName, FilterState, Wanted

BASE_PATH = Path(__file__).parent / "base.yaml"
BASE = BASE_PATH.read_text(encoding="utf-8")
FIRST_LINE = "start the file with the line holdfire_plan: 1 and write the plan below it."


def _fault(path) -> Fault:
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    assert caught.value.path == str(path)
    (fault,) = caught.value.faults
    return fault


def _written(tmp_path: Path, content: bytes) -> Path:
    path = tmp_path / "plan.yaml"
    path.write_bytes(content)
    return path


def test_a_plan_file_loads_as_written():
    """Values arrive with their units, defaults where nothing is written, and words as enumerations."""
    plan = load_plan(BASE_PATH).plan
    long, wide = plan.rigs
    assert (plan.site.latitude, plan.site.longitude, plan.site.elevation) == (25.9, 32.1, 200.0)
    assert plan.eclipse.isoformat() == "2027-08-02"
    assert (long.optics.focal_length, long.optics.aperture, long.optics.teleconverter) == (600.0, 5.6, 1.4)
    assert (long.camera.frame_gap, long.camera.release_lag, long.iso) == (0.6, None, 100)
    assert (wide.filter, wide.points_at, wide.mount) == (None, "landscape", "fixed")
    assert plan.holds.filter_off_earliest == Anchor(ContactName.C2, -20.0)
    totality = plan.phases[1]
    assert totality.filter is FilterState.OFF
    ring, corona = totality.shots
    assert (ring.wanted, ring.exposure, ring.times, ring.late_limit) == (Wanted.MUST, 0.001, 3, 0.5)
    assert corona.bracket is not None
    assert (corona.bracket.start, corona.bracket.end, corona.bracket.step) == (0.001, 0.25, 2.0)
    assert [rig.name for rig in rigs_of(plan, totality)] == ["long"]


@pytest.mark.parametrize("words", ["mean limb", "lunar limb"])
def test_a_plan_may_say_which_limb_it_is_keyed_to(words):
    """The key contacts takes two values, and means the mean limb when left out."""
    assert load_plan_text(BASE, "plan.yaml").plan.contacts == "mean limb"
    text = BASE.replace("eclipse: 2027-08-02\n", f"eclipse: 2027-08-02\ncontacts: {words}\n")
    assert load_plan_text(text, "plan.yaml").plan.contacts == words


def test_a_bracket_is_fired_coarse_to_fine():
    """The base plan's bracket is five frames, its ends first."""
    ring, corona = load_plan(BASE_PATH).plan.phases[1].shots
    assert corona.bracket is not None
    assert bracket_times(corona.bracket) == (1 / 1000, 1 / 250, 1 / 60, 1 / 15, 1 / 4)
    assert take_exposures(corona) == (1 / 1000, 1 / 4, 1 / 60, 1 / 250, 1 / 15)
    assert take_exposures(ring) == (1 / 1000,)


def test_positions_of_values_sections_and_what_is_not_there():
    """A value has its own place, a section its key's, and what is missing its nearest parent's."""
    source = load_plan(BASE_PATH).source
    assert source.position(("title",)) == (2, 8)
    assert source.position(("rigs", 1, "optics", "focal_length")) == (30, 21)
    assert source.position(("rigs", 1, "optics")) == (29, 5)
    assert source.position(("rigs", 1)) == (26, 5)
    assert source.position(("rigs",)) == (10, 1)
    assert source.position(("rigs", 0, "camera", "shutter_speeds", 1)) == (14, 32)
    assert source.position(("rigs", 1, "filter", "density")) == (26, 5)
    assert source.position(("rigs", 7, "name")) == (10, 1)
    assert source.position(("cues", 0, "say")) == (81, 10)
    assert source.position(("nothing", "there")) == (1, 1)
    assert source.position(()) == (1, 1)
    assert source.key_position(("title",)) == (2, 1)


def test_positions_by_attribute_names():
    """The model's attribute names lead to the same places as the file's keys."""
    source = load_plan(BASE_PATH).source
    bracket = ("phases", 1, "shots", 1, "bracket")
    assert source.position(("phases", 0, "starts")) == source.position(("phases", 0, "from")) == (39, 11)
    assert source.position((*bracket, "start")) == source.position((*bracket, "from")) == (63, 17)
    assert source.position((*bracket, "end")) == source.position((*bracket, "to")) == (64, 15)


def test_a_fault_is_made_at_a_position():
    """PlanSource.fault gives the place of its loc and keeps words and severity."""
    fault = load_plan(BASE_PATH).source.fault(
        ("phases", 0, "until"), "Too late.", "write less.", severity="warning"
    )
    assert fault == Fault(40, 12, "Too late.", "write less.", "warning")


def test_filter_words_of_older_yaml_are_understood():
    """true and false for on and off, as older YAML readers write them back, mean the same."""
    loaded = load_plan_text(
        BASE.replace("filter: on", "filter: true").replace("filter: off", "filter: false"), "p"
    )
    assert [phase.filter for phase in loaded.plan.phases[:2]] == [FilterState.ON, FilterState.OFF]


@pytest.mark.parametrize(
    "content", [BASE.replace("\n", "\r\n"), "\ufeff" + BASE, "---\n" + BASE, "# words\n\n" + BASE]
)
def test_harmless_ways_of_saving_a_file_load(tmp_path, content):
    """Windows line ends, a byte order mark, a document start and comments change nothing."""
    path = _written(tmp_path, content.encode())
    assert load_plan(path).plan == load_plan(BASE_PATH).plan


def test_a_missing_file(tmp_path):
    """A name that leads nowhere, by file or by folder, is one fault."""
    for path in (tmp_path / "none.yaml", BASE_PATH / "none.yaml"):
        assert _fault(path) == Fault(1, 1, "There is no such file.", "check the name and the folder.")


def test_a_folder(tmp_path):
    """A folder is no plan file."""
    assert _fault(tmp_path).what == "This is a folder, not a plan file."


def test_something_that_is_no_file(tmp_path):
    """A pipe is refused before anything is read from it."""
    path = tmp_path / "pipe"
    os.mkfifo(path)
    assert _fault(path).what == "This is not a regular file."


def test_a_name_that_cannot_be():
    """A name with a NUL in it, or far too long, is one fault and no traceback."""
    assert _fault("a\0b").what == "The file cannot be read: the name cannot be used."
    assert _fault("x" * 5000).what.startswith("The file cannot be read: ")


def test_an_unreadable_file(tmp_path, monkeypatch):
    """A file without permission to read it says so."""

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    path = _written(tmp_path, BASE.encode())
    monkeypatch.setattr(Path, "read_bytes", refuse)
    fault = _fault(path)
    assert fault.what == "The file cannot be read: Permission denied."


@pytest.mark.parametrize("content", [b"", b"\n\n", b"# only words\n", b"---\n...\n", b"~\n"])
def test_an_empty_file(tmp_path, content):
    """A file with nothing in it but blanks and comments is empty."""
    assert _fault(_written(tmp_path, content)) == Fault(1, 1, "The file is empty.", FIRST_LINE)


@pytest.mark.parametrize("content", [b"just words\n", b"- a\n- b\n", b"[1, 2]\n", b"'quoted'\n"])
def test_yaml_that_is_no_plan(tmp_path, content):
    """A list or a bare sentence is no plan."""
    assert _fault(_written(tmp_path, content)).what == "This is no plan: a plan is made of keys."


def test_a_binary_file(tmp_path):
    """A file with NUL bytes is binary."""
    assert _fault(_written(tmp_path, b"\x89PNG\r\n\x1a\n\0\0")).what == "This is a binary file, not text."
    assert _fault(_written(tmp_path, BASE.encode("utf-16"))).what == "This is a binary file, not text."


def test_a_file_in_another_encoding(tmp_path):
    """Latin-1 is refused at the first byte that is not UTF-8."""
    fault = _fault(_written(tmp_path, BASE.replace("Sheepfold", "Schäferei").encode("latin-1")))
    assert (fault.line, fault.column, fault.what) == (4, 12, "The file is not UTF-8 text from here on.")


def test_a_huge_file(tmp_path):
    """A file over a megabyte is refused by its size."""
    fault = _fault(_written(tmp_path, b"#" * (LARGEST_FILE_BYTES + 1)))
    assert fault.what == "The file has 1000001 bytes; a plan has at most 1000000."


def test_a_file_full_of_keys(tmp_path):
    """A file under a megabyte with more values than any plan is refused before it is built."""
    fault = _fault(
        _written(tmp_path, b"holdfire_plan: 1\n" + b"".join(b"k%d: 1\n" % n for n in range(60_000)))
    )
    assert fault.what == "The file has more in it than any plan."


def test_a_yaml_bomb(tmp_path):
    """Entities that double at each line are refused at the first anchor."""
    lines = ["a0: &a0 [x, x]", *(f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]" for n in range(1, 40))]
    fault = _fault(_written(tmp_path, "\n".join(lines).encode()))
    assert (fault.line, fault.column, fault.what) == (1, 5, "A plan has no YAML anchors such as &a0.")


@pytest.mark.parametrize("bracket", ["[", "{a: ", "- ", "? "])
def test_bottomless_nesting(tmp_path, bracket):
    """A hundred thousand opened brackets end in one fault, not in a full stack."""
    with pytest.raises(PlanError):
        load_plan(_written(tmp_path, b"a: " + bracket.encode() * 100_000))
    with pytest.raises(PlanError):
        load_plan(_written(tmp_path, bracket.encode() * 100_000))


def test_a_recursive_alias(tmp_path):
    """A list that contains itself is refused."""
    assert _fault(_written(tmp_path, b"holdfire_plan: &a [*a]\n")).what.startswith(
        "A plan has no YAML anchors"
    )


def test_the_source_keeps_the_text():
    """The text as read is kept, for the journal of a run."""
    _, source = read_source(BASE_PATH)
    assert (source.text, source.path) == (BASE, str(BASE_PATH))


# --- nothing breaks it -----------------------------------------------------------------------------


def _loads_or_refuses(text: str) -> None:
    try:
        load_plan_text(text, "plan.yaml")
    except PlanError as error:
        faults, lines = error.faults, str(error).split("\n")
    else:
        return
    assert len(lines) == len(faults) > 0
    assert all(line.startswith("plan.yaml:") and " Mend: " in line for line in lines)
    assert all(fault.line >= 1 and fault.column >= 1 for fault in faults)


YAML_PIECES = ["holdfire_plan: 1\n", "site:", "rigs:", "- ", "  ", "\n", ": ", "[", "]", "{", "}", "&a", "*a", "!!t ",
               "'", '"', "|", ">", "#", "%YAML 1.2", "---", "...", "? ", "\t", "\\", "~", "<<", "@", "`", "1/1000",
               "C2", "20 s before C2", "0x1F", "1_000", ".nan", "\u2028", "\x85", "é", "\U0001f311", "\r", "\x00",
               "\\U99999999", "!<", "!a!b", "%TAG ! x\n"]  # fmt: skip


@given(st.text(max_size=200))
def test_any_text_loads_or_is_refused(text):
    """Any text gives a plan or a PlanError of one-line faults, and nothing else."""
    _loads_or_refuses(text)


@settings(max_examples=150)
@given(st.lists(st.sampled_from(YAML_PIECES), max_size=40).map("".join))
def test_any_mixture_of_yaml_loads_or_is_refused(text):
    """Text made of YAML's own signs gives a plan or a PlanError, and nothing else."""
    _loads_or_refuses(text)


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_damage_to_a_good_plan_loads_or_is_refused(data):
    """A good plan with pieces cut out or put in anywhere gives a plan or a PlanError, and nothing else."""
    text = BASE
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(len(text), start + 30)))
        text = (
            text[:start] + data.draw(st.sampled_from(["", *YAML_PIECES]) | st.text(max_size=5)) + text[end:]
        )
    _loads_or_refuses(text)


SCALARS = st.sampled_from(
    [
        "",
        "~",
        "[]",
        "{}",
        "[1, [2]]",
        "{a: b}",
        "-1",
        "0",
        "1e999",
        "'x'",
        "on",
        "C2",
        "1 s",
        "1/3",
        "9" * 30,
        "|",
    ]
)


@settings(max_examples=100)
@given(st.data())
def test_any_value_in_any_place_loads_or_is_refused(data):
    """Any kind of value in place of any value of a good plan gives a plan or a PlanError, and nothing else."""
    lines = BASE.split("\n")
    places = [number for number, line in enumerate(lines) if ": " in line]
    for number in data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=3)):
        key, _, _ = lines[number].partition(": ")
        lines[number] = f"{key}: {data.draw(SCALARS)}"
    _loads_or_refuses("\n".join(lines))
