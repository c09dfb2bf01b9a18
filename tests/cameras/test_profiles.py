"""Makers' profiles against real bodies' widgets.

Source of the listings: libgphoto2, camlibs/ptp2/cameras listings (LGPL source tree).
"""

from __future__ import annotations

import pytest

from controller.cameras.profiles import (
    CANON,
    FUJIFILM,
    GENERIC,
    NIKON,
    SONY,
    VIRTUAL,
    Profile,
    card_choice,
    means,
    profile_for,
)
from tests.cameras.bench import listing


@pytest.mark.parametrize(
    ("model", "profile"),
    [
        ("Canon EOS R6", CANON),
        ("Nikon DSC D750", NIKON),
        ("Nikon Z6_2", NIKON),
        ("Sony Alpha-A7 C (Control)", SONY),
        ("Fuji Fujifilm X-T4", FUJIFILM),
        ("Some other camera", GENERIC),
    ],
)
def test_a_profile_is_chosen_by_the_makers_name(model: str, profile: Profile) -> None:
    """The maker is in the model name that libgphoto2 gives; an unknown one gets the generic profile."""
    assert profile_for(model) is profile


def test_the_virtual_camera_has_a_profile_of_its_own() -> None:
    """It names itself as a real Nikon, but takes 26 frames per session and no time to expose."""
    assert profile_for("Nikon DSC D750", virtual=True) is VIRTUAL
    assert VIRTUAL.captures_per_session == 26
    assert NIKON.captures_per_session is None


@pytest.mark.parametrize(
    ("body", "profile", "word"),
    [
        ("canon-eos-r6", CANON, "Memory card"),
        ("canon-eos-r8", CANON, "Memory card"),
        ("nikon-d750", NIKON, "Speicherkarte"),
        ("nikon-z6-2", NIKON, "Memory card"),
        ("sony-a7c", SONY, "card"),
        ("sony-a7m4", SONY, "card"),
    ],
)
def test_the_card_is_found_among_the_targets(body: str, profile: Profile, word: str) -> None:
    """The capture target that means the card is known on every body that has one."""
    assert card_choice(profile, listing(body)["capturetarget"]["choices"]) == word


def test_an_unknown_language_is_decided_by_place_and_only_where_that_is_known() -> None:
    """Of two unknown words the second is the card on a Nikon; elsewhere nothing is guessed."""
    words = ["sisäinen muisti", "muistikortti"]
    assert card_choice(NIKON, words) == "muistikortti"
    assert card_choice(SONY, words) is None
    assert card_choice(NIKON, [*words, "molemmat"]) is None


@pytest.mark.parametrize(
    ("body", "profile", "widget", "single"),
    [
        ("canon-eos-r6", CANON, "drivemode", "Single"),
        ("nikon-d750", NIKON, "capturemode", "Einzelbild"),
        ("nikon-z6-2", NIKON, "capturemode", "Single Shot"),
        ("sony-a7m4", SONY, "capturemode", "Single Shot"),
        ("fuji-xt4", FUJIFILM, "capturemode", None),
    ],
)
def test_single_frames_are_found_among_the_drive_modes(
    body: str, profile: Profile, widget: str, single: str | None
) -> None:
    """Exactly one drive mode means single frames; a body that shows no name for it has none."""
    assert widget in profile.drive
    found = [word for word in listing(body)[widget]["choices"] if means(profile.single_words, word)]
    assert found == ([single] if single else [])
