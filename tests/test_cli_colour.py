"""`plugface catalogue colour`: shades by example and by pointing at a photo."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.shades import name_shades
from plugface.vision import observe as eyes

pytestmark = pytest.mark.usefixtures("look_once")

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"


@pytest.fixture
def teal_photo(tmp_path):
    """A grey photo with a teal housing, its cavity dark, at x 400..700, y 300..420."""
    pixels = np.full((960, 1280, 3), 128, np.uint8)
    pixels[300:420, 400:700] = (70, 105, 120)
    pixels[330:390, 460:640] = 15
    path = tmp_path / "teal.png"
    Image.fromarray(pixels).save(path)
    return path


def test_examples_by_hand_are_kept_and_averaged(run, own):
    before = (own / "catalogue.toml").read_text()
    said = run("catalogue", "colour", own, "--name", "slate", "--code", "tq", "--lab", "40,0,-20")
    assert said.code == 0, said.err
    said = run("catalogue", "colour", own, "--name", "slate", "--code", "TQ", "--lab", "44,-4,-16")
    assert "slate" in said.out
    assert (own / "catalogue.toml").read_text().startswith(before.rstrip("\n"))
    code, lab = name_shades(load_catalogue(own))["slate"]
    assert (code, lab) == ("TQ", pytest.approx((42, -2, -18)))


def test_a_plug_on_a_photo_is_measured_by_its_rim(run, own, teal_photo):
    words = ("--name", "our teal", "--code", "TQ", "--photo", teal_photo, "--box", "400,300,700,420")
    said = run("catalogue", "colour", own, *words)
    assert said.code == 0, said.err
    _, lab = name_shades(load_catalogue(own))["our teal"]
    # sRGB (70, 105, 120) is L*a*b* (42.6, -9.2, -12.4) by colour-science 0.4; the white balance by statistics
    # of a grey picture with a teal spot moves it a little.
    assert lab == pytest.approx((42.6, -9.2, -12.4), abs=4)
    assert 'source = "measured on teal.png' in (own / "catalogue.toml").read_text()


def test_light_that_statistics_alone_judged_is_said(run, own, teal_photo, monkeypatch):
    look = eyes.observe

    def by_statistics(photo, **words):
        seen = look(photo, **words)
        light = replace(seen.white_balance, method="statistics", confidence=0.2)
        return replace(seen, white_balance=light)

    monkeypatch.setattr(eyes, "observe", by_statistics)
    words = ("--name", "our teal", "--code", "TQ", "--photo", teal_photo, "--box", "400,300,700,420")
    assert "judged by statistics alone" in run("catalogue", "colour", own, *words).err


def test_a_plug_that_was_seen_is_named_by_its_number(run, own, teal_photo, seen_as, monkeypatch):
    seen_as(teal=("KNOT 40", "E", "front"))
    look = eyes.observe
    square = ((400.0, 300.0), (700.0, 300.0), (700.0, 420.0), (400.0, 420.0))

    def placed(photo, **words):
        seen = look(photo, **words)
        unit = seen.units[0]
        plugs = tuple(replace(plug, polygon=square) for plug in unit.connectors)
        return replace(seen, units=(replace(unit, connectors=plugs, other_order=None),))

    monkeypatch.setattr(eyes, "observe", placed)
    words = ("--name", "our teal", "--code", "TQ", "--photo", teal_photo)
    assert run("catalogue", "colour", own, *words, "--connector", 1).code == 0
    assert "our teal" in name_shades(load_catalogue(own))
    refused = run("catalogue", "colour", own, *words, "--connector", 9)
    assert refused.code == 2
    assert "has no plug 9" in refused.err


def test_plugs_are_counted_as_in_the_answer(run, own, teal_photo, seen_as, monkeypatch):
    seen_as(faultless=True, teal=("AUK 11", "early", "front"))
    look = eyes.observe
    square = ((400.0, 300.0), (700.0, 300.0), (700.0, 420.0), (400.0, 420.0))
    nowhere = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))

    def upside_down(photo, **words):
        seen = look(photo, **words)
        (unit,) = seen.units
        plugs = [replace(c, place=(-c.place[0], -c.place[1]), polygon=nowhere) for c in unit.connectors[::-1]]
        plugs[-1] = replace(plugs[-1], polygon=square)  # the family's first
        other = tuple(reversed(range(len(plugs))))
        unit = replace(unit, connectors=tuple(plugs), other_order=other, texts=())
        return replace(seen, units=(unit,))

    monkeypatch.setattr(eyes, "observe", upside_down)
    words = ("--name", "our teal", "--code", "TQ", "--photo", teal_photo)
    said = run("catalogue", "colour", own, *words, "--connector", 1)
    assert said.code == 0, said.err


def test_what_the_catalogue_names_is_passed_to_vision(run, own, teal_photo, seen_as, monkeypatch):
    seen_as(teal=("KNOT 40", "E", "front"))
    run("catalogue", "colour", own, "--name", "slate", "--code", "TQ", "--lab", "40,0,-20")
    given = []
    look = eyes.observe
    monkeypatch.setattr(eyes, "observe", lambda photo, **w: given.append(w["shades"]) or look(photo, **w))
    assert run("identify", teal_photo, "--catalogue", own).code == 0
    ((shade,),) = given
    assert (shade.code, shade.lab) == ("TQ", pytest.approx((40, 0, -20)))


def test_a_shade_that_hides_a_warning_is_named(run, own):
    said = run("catalogue", "colour", own, "--name", "rust", "--code", "BN", "--srgb", "230,110,30")
    assert said.code == 0
    assert "looks like OG" in said.err
    assert "high voltage" in said.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--lab", "40,0,0"), "a shade needs a name"),
        (("--name", "x", "--lab", "40,0,0"), "add --code"),
        (("--name", "x", "--code", "TEAL", "--lab", "40,0,0"), '"TEAL" is none of BK'),
        (("--name", "x", "--code", "TQ"), "a shade needs an example"),
        (("--name", "x", "--code", "TQ", "--lab", "40,0"), "takes 3 numbers"),
        (("--name", "x", "--code", "TQ", "--srgb", "1,2,300"), "got 300"),
        (("--name", "x", "--code", "TQ", "--box", "1,2,3,4"), "add --photo"),
        (("--name", "x", "--code", "TQ", "--photo", "PHOTO"), "point at one plug"),
        (("--name", "x", "--code", "TQ", "--photo", "PHOTO", "--box", "1,2,9999,4"), "does not lie within"),
        (("--name", "x", "--code", "TQ", "--photo", "PHOTO", "--connector", "40"), "has no plug 40"),
        (("--name", "x", "--code", "TQ", "--photo", "nowhere.jpg", "--box", "1,2,3,4"), "no such file"),
    ],
)
def test_what_cannot_be_a_shade_is_refused_and_nothing_is_written(run, own, teal_photo, words, said):
    before = (own / "catalogue.toml").read_bytes()
    answer = run("catalogue", "colour", own, *(teal_photo if word == "PHOTO" else word for word in words))
    assert answer.code == 2
    assert said in " ".join(answer.err.replace("│", " ").split())
    assert (own / "catalogue.toml").read_bytes() == before


def test_a_name_keeps_its_code(run, own):
    run("catalogue", "colour", own, "--name", "slate", "--code", "TQ", "--lab", "40,0,-20")
    answer = run("catalogue", "colour", own, "--name", "slate", "--code", "BU", "--lab", "40,0,-20")
    assert answer.code == 2
    assert "coded TQ" in answer.err


def test_a_plug_on_a_large_photo_is_measured_where_it_is(tmp_path):
    """Outlines are pixels of the photo, and colours are measured on a smaller copy of it."""
    import numpy as np
    from PIL import Image
    from plugface.analysis import measure_colour
    from plugface.vision.observations import Observations, Quality, WhiteBalance

    pixels = np.full((3000, 4000, 3), 128, np.uint8)
    pixels[2000:2400, 3000:3600] = (20, 40, 200)
    Image.fromarray(pixels).save(tmp_path / "large.png")
    quality = Quality(4000, 3000, median_luma=0.5, burnt_share=0.0, blur_px=1.0)
    seen = Observations("a" * 64, quality, WhiteBalance((1.0, 1.0, 1.0), "none", 0.0))
    outline = ((3000.0, 2000.0), (3600.0, 2000.0), (3600.0, 2400.0), (3000.0, 2400.0))
    measured = measure_colour(tmp_path / "large.png", outline, seen)
    assert measured.lab[2] < -40  # blue; the grey around it has b* 0
