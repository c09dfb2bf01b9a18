"""The limb that is kept: the same after writing and reading, refused when damaged."""

from __future__ import annotations

import numpy as np
import pytest

from controller.errors import SkyError
from controller.sky.limb import terrain as module
from controller.sky.limb.profile import limb_profile
from controller.sky.limb.terrain import CACHE_NAME, default_terrain, load_cache, read_terrain, save_cache
from controller.units import ContactName
from tests.sky.limb.synthetic import TOTAL, Looker, moon_of, seen
from tests.sky.limb.test_contacts import rough
from tests.sky.limb.test_grids import write_pds


@pytest.fixture(autouse=True)
def own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv("HOLDFIRE_MOON", raising=False)


def test_a_kept_limb_is_the_same_limb(tmp_path):
    """What is read back gives the same profile to the last bit, and knows where it came from."""
    terrain = moon_of(rough)
    path = save_cache(terrain, tmp_path / "deep" / "folder")
    assert [file.name for file in path.parent.iterdir()] == [CACHE_NAME]
    back = load_cache(path)
    assert back.info == terrain.info
    aspect = Looker(TOTAL).aspect(seen(TOTAL).contact(ContactName.C2).tt_ns)
    assert (limb_profile(back, aspect).height_km == limb_profile(terrain, aspect).height_km).all()


def test_a_kept_limb_is_smaller_than_its_grid(tmp_path):
    """Only the tiles near the limb are kept, compressed: less than half of the grid."""
    terrain = moon_of(rough)
    assert terrain.tiles.nbytes < 0.55 * 180 * 360 * 8 * 8 * 2
    assert save_cache(terrain, tmp_path).stat().st_size < terrain.tiles.nbytes


def test_the_kept_limb_is_used_by_itself(tmp_path, monkeypatch):
    """None at first; then the one that was kept; then the one the variable names; "none" for none."""
    assert default_terrain() is None
    label = write_pds(tmp_path)
    kept = save_cache(read_terrain(label), module.cache_folder())
    assert kept == tmp_path / "cache" / "holdfire" / CACHE_NAME
    assert default_terrain().info.what == "PDS3 image, MADE_UP_4"
    monkeypatch.setenv("HOLDFIRE_MOON", str(save_cache(moon_of(rough, 4), tmp_path)))
    assert default_terrain().info.what == "made up for a test"
    monkeypatch.setenv("HOLDFIRE_MOON", str(label))
    assert default_terrain().info.name == "MOON.IMG"
    monkeypatch.setenv("HOLDFIRE_MOON", "none")
    assert default_terrain() is None


def test_the_cache_folder_follows_the_platform(monkeypatch, tmp_path):
    """Without XDG_CACHE_HOME it is .cache in the home folder."""
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setattr(module.Path, "home", lambda: tmp_path)
    assert module.cache_folder() == tmp_path / ".cache" / "holdfire"


def cut(path):
    path.write_bytes(path.read_bytes()[:5000])


def scribble(path):
    path.write_bytes(b"not a limb at all")


def age(path):
    with np.load(path) as data:
        parts = dict(data)
    facts = parts["facts"].tobytes().replace(b'"format": 1', b'"format": 7')
    np.savez_compressed(path, **{**parts, "facts": np.frombuffer(facts, np.uint8)})


def strip(path):
    with np.load(path) as data:
        parts = {name: data[name] for name in data.files if name != "tiles"}
    np.savez_compressed(path, **parts)


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (cut, "cannot be read"),
        (scribble, "cannot be read"),
        (strip, "cannot be read"),
        (age, r"is of another version \(7\)"),
        (lambda path: path.unlink(), "cannot be found"),
    ],
)
def test_a_damaged_limb_is_refused(tmp_path, damage, said):
    """One line says what is wrong and how to make it again."""
    path = save_cache(moon_of(rough, 4), tmp_path)
    damage(path)
    with pytest.raises(SkyError, match=said) as caught:
        read_terrain(path)
    assert "Mend: make it again from the published grid with holdfire moon FILE." in str(caught.value)


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    """A file where the folder should be is told in one line."""
    (tmp_path / "taken").write_text("")
    with pytest.raises(SkyError, match=r"The limb cannot be kept in .* Mend: give another folder"):
        save_cache(moon_of(rough, 4), tmp_path / "taken")
