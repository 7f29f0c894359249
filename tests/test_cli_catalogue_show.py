"""`plugface catalogue show`: an entry in words and drawn; the same drawing beside answers."""

import re
import shutil
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from plugface.cli.present.face_drawing import PX_PER_MM, Box, Words, draw_face
from plugface.cli.present.swatches import SWATCHES
from plugface.models.catalogue.entries import Family, load_catalogue

SVG = "{http://www.w3.org/2000/svg}"

DEMO = Path(__file__).parents[1] / "training_data_demo"


def texts_of(path):
    return [one.text for one in ElementTree.parse(path).iter(f"{SVG}text")]


def test_partners_stand_with_their_donor_and_why(run):
    said = " ".join(run("catalogue", "show", "AUK 11").out.split())
    assert "partners: Use it with PLOVER 7, from the same donor. The injector driver answers only to" in said
    assert "both must come from one donor. Or: Use it with DUNLIN 1" in said


def test_an_entry_in_words(run):
    said = run("catalogue", "show", "dunlin 1")
    assert said.code == 0, said.err
    for words in (
        "DUNLIN 1 (Marrow & Finch)",
        "1 VT-M 3x9, 2 WH-M 3x9",
        "K44102/203",
        "AUK 11 or SANDERLING 9",
    ):
        assert words in said.out


def test_no_colour_of_a_body_is_said_where_the_entry_says_none(run, own):
    asked = ("catalogue", "show", "DUNLIN 1", "--catalogue", own)
    assert "196 x 148 x 44 mm, cast aluminium, GY" in run(*asked).out
    file = own / "dunlin_1.toml"
    file.write_text(file.read_text(encoding="utf-8").replace('colour = "GY"\ncorners', "corners"), "utf-8")
    assert "196 x 148 x 44 mm, cast aluminium\n" in run(*asked).out


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_the_face_is_drawn_with_every_plug_in_place(run, tmp_path, ending):
    out = tmp_path / f"face.{ending}"
    assert run("catalogue", "show", "KNOT 40", "--picture", out).code == 0
    if ending == "svg":
        assert {"1 WH", "2 BK", "3 TQ", "4 WH", "5 GY", "6 GN", "KNOT 40"} <= set(texts_of(out))
        return
    pixels = np.asarray(Image.open(out).convert("RGB")).astype(int)
    family = load_catalogue(DEMO / "marrow_finch").by_key["KNOT 40"]
    drawing = draw_face(family)
    tag = next(shape for shape in drawing.shapes if isinstance(shape, Words) and shape.text == "3 TQ")
    # Beside its tag, within 15 mm of its middle, the third plug shows its turquoise and no other colour.
    x, y = round((tag.x + 15) * PX_PER_MM), round(tag.y * PX_PER_MM)
    patch = np.median(pixels[y - 12 : y + 12, x - 20 : x + 20].reshape(-1, 3), axis=0)
    assert np.abs(patch - SWATCHES["TQ"][1]).max() < 40


@pytest.mark.parametrize(
    "key", ["KNOT 40", "AUK 11", "REDSHANK 2"]
)  # on the face; along an edge; round a corner
def test_places_are_to_scale_with_the_mark_upright(key):
    family = load_catalogue(DEMO / "marrow_finch").by_key[key]
    width, height, _ = family.body.size_mm
    drawing = draw_face(family)
    body = next(s for s in drawing.shapes if isinstance(s, Box) and (s.width, s.height) == (width, height))
    for number, plug in enumerate(family.connectors, start=1):
        tag = next(s for s in drawing.shapes if isinstance(s, Words) and s.text == f"{number} {plug.colour}")
        assert tag.x - (body.x + width / 2) == pytest.approx(plug.at_mm[0])
        assert (body.y + height / 2) - tag.y == pytest.approx(plug.at_mm[1])  # y runs up in the entry


def test_small_writing_is_left_out_where_the_drawing_is_small_and_the_name_and_caution_stay():
    family = load_catalogue(DEMO / "marrow_finch").by_key["GANNET 8"]
    said = [
        [(shape.text, shape.height) for shape in draw_face(family, facts_mm=mm).shapes if not_on_face(shape)]
        for mm in (None, 8.0)
    ]
    assert [text for text, _ in said[0]] == ["GANNET 8", "CAUTION: high voltage"]
    assert said[1][:2] == said[0]
    assert {height for _, height in said[1][2:]} == {8.0}


def not_on_face(shape) -> bool:
    return isinstance(shape, Words) and not shape.middle


@pytest.mark.parametrize("maker", ["marrow_finch", "pell_works/catalogue"])
def test_nothing_reaches_past_the_sheet(maker):
    for family in load_catalogue(DEMO / maker).families:
        drawing = draw_face(family)
        for shape in drawing.shapes:
            if isinstance(shape, Box):
                assert 0 <= shape.x <= shape.x + shape.width <= drawing.width, family.key
                assert 0 <= shape.y <= shape.y + shape.height <= drawing.height, family.key


@pytest.mark.parametrize(
    ("side", "words"), [("back", "on the back"), ("left", "at the left edge"), ("face", "on this face")]
)
def test_the_side_of_the_label_is_told(run, own, tmp_path, side, words):
    path = own / "curlew_3.toml"
    path.write_text(path.read_text().replace("[label]", f'[label]\nside = "{side}"'))
    out = tmp_path / "face.svg"
    assert run("catalogue", "show", "CURLEW 3", "--catalogue", own, "--picture", out).code == 0
    assert any(words in text for text in texts_of(out))


def test_all_families_stand_on_one_sheet(run, tmp_path):
    out = tmp_path / "wall.svg"
    assert run("catalogue", "show", "--all", "--picture", out).code == 0
    assert set(load_catalogue(DEMO / "marrow_finch").by_key) <= set(texts_of(out))
    assert run("catalogue", "show", "--all", "--picture", tmp_path / "wall.png").code == 0


def test_a_reference_photo_stands_in_its_place(run, own, tmp_path):
    (own / "photos").mkdir()
    Image.new("RGB", (640, 480), (10, 200, 30)).save(own / "photos" / "face.jpg")
    path = own / "curlew_3.toml"
    path.write_text('photos = ["photos/face.jpg"]\n' + path.read_text())
    out = tmp_path / "face.svg"
    assert run("catalogue", "show", "CURLEW 3", "--catalogue", own, "--picture", out).code == 0
    assert "data:image/jpeg;base64," in out.read_text()
    assert run("catalogue", "show", "CURLEW 3", "--catalogue", own, "--picture", out, "--drawn").code == 0
    assert "data:image/jpeg" not in out.read_text()
    (own / "photos" / "face.jpg").write_bytes(b"no photo")
    assert run("catalogue", "show", "CURLEW 3", "--catalogue", own, "--picture", out).code == 0
    assert "1 GY" in texts_of(out)
    (own / "photos" / "face.jpg").unlink()
    said = run("catalogue", "check", own)
    assert '"photos/face.jpg" is not there' in said.out


def test_drafts_that_wait_are_mentioned(run, own):
    (own / "gull_3.toml.draft").write_text("# half an entry")
    said = run("catalogue", "check", own)
    assert said.code == 0
    assert "gull_3.toml.draft" in said.out
    assert "rename it to gull_3.toml" in said.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("AUK 111",), "it has AUK 11"),
        ((), "name one family"),
        (("--all",), "add --picture"),
        (("AUK 11", "--picture", "face.bmp"), "cannot be written"),
    ],
)
def test_what_cannot_be_shown_is_refused(run, words, said):
    answer = run("catalogue", "show", *words)
    assert answer.code == 2
    assert said in " ".join(answer.err.replace("│", " ").split())


def test_names_with_signs_of_markup_are_no_markup(run, own, tmp_path):
    path = own / "curlew_3.toml"
    path.write_text(path.read_text().replace('text = "CURLEW 3"', 'text = "<b>&\\u0007x"'))
    out = tmp_path / "face.svg"
    assert run("catalogue", "show", "CURLEW 3", "--catalogue", own, "--picture", out).code == 0
    assert "<b>& x" in texts_of(out)


def test_the_report_shows_each_family_once_and_beside_its_units(run, tmp_path, plain_photo, seen_as):
    seen_as(faultless=True, one=("AUK 12", "home", "front"), other=("AUK 12", "home", "front"))
    for name in ("one", "other"):
        (tmp_path / "in" / name).mkdir(parents=True)
        plain_photo(f"in/{name}/{name}.jpg")
    said = run("sort", tmp_path / "in", "--out", tmp_path / "run", "--no-pdf", "--workers", 1)
    assert said.code == 0, said.err
    page = (tmp_path / "run" / "report.html").read_text()
    faces = re.findall(r'<g id="(face-\d+)">', page)
    assert len(faces) == 1
    assert page.count(f'href="#{faces[0]}"') == 2
    assert "AUK 12: plugs in order BK-L BN-M GY-S BN-M BK-M" in page


def test_the_picture_of_an_answer_shows_the_entrys_photo(run, own, plain_photo, seen_as, tmp_path):
    (own / "photos").mkdir()
    Image.new("RGB", (640, 480), (10, 200, 30)).save(own / "photos" / "face.jpg")
    path = own / "auk_11.toml"
    path.write_text('photos = ["photos/face.jpg"]\n' + path.read_text())
    seen_as(seed=1, front=("AUK 11", "early", "front"))
    out = tmp_path / "out.png"
    said = run("identify", plain_photo("front.jpg"), "--catalogue", own, "--picture", out)
    assert said.code == 0, said.err
    beside = np.asarray(Image.open(out).convert("RGB")).astype(int)[:960, 1288:]
    assert (np.abs(beside - np.array((10, 200, 30))).sum(axis=2) < 30).sum() > 10_000


def test_the_report_of_a_run_keeps_the_entrys_photo(run, own, tmp_path, choose_photos, a_worker_decides):
    """The photo is looked at and decided in a worker of its own, from the catalogue that the run keeps."""
    (own / "photos").mkdir()
    Image.new("RGB", (640, 480), (10, 200, 30)).save(own / "photos" / "face.jpg")
    path = own / "auk_12.toml"
    path.write_text('photos = ["photos/face.jpg"]\n' + path.read_text())
    (tmp_path / "in").mkdir()
    shutil.copy(*choose_photos(family="AUK 12"), tmp_path / "in")
    words = ("--catalogue", own, "--out", tmp_path / "run", "--no-pdf", "--workers", 1)
    said = run("sort", tmp_path / "in", *words)
    assert said.code == 0, said.err
    assert (tmp_path / "run" / "catalogue" / "photos" / "face.jpg").is_file()
    page = (tmp_path / "run" / "report.html").read_text()
    assert '<image x="' in page[page.index('<g id="face-0">') : page.index("</g>")]


@pytest.mark.parametrize(
    ("family", "edges"),
    [("SANDERLING 9", ["bottom"] * 3), ("REDSHANK 2", ["top", "right"]), ("KNOT 40", ["face"] * 6)],
)
def test_plugs_that_look_out_of_an_edge_are_drafted_there(run, own, plain_photo, seen_as, family, edges):
    old = load_catalogue(DEMO / "marrow_finch").by_key[family]
    seen_as(
        faultless=True,
        front=(family, old.variants[0].key, "front"),
        back=(family, old.variants[0].key, "back"),
    )
    size = "x".join(f"{side:g}" for side in old.body.size_mm)
    words = ("--key", "GULL 5", "--maker", "Marrow & Finch", "--controls", "engine", "--years", "2000-2003")
    photos = plain_photo("front.jpg"), plain_photo("back.jpg")
    run("catalogue", "propose", *photos, *words, "--size", size, "--guess", "--into", own)
    (draft,) = own.glob("gull_5.toml*")
    drafted = tomllib.loads(draft.read_text())
    assert [plug.get("edge", "face") for plug in drafted["connectors"]] == edges
    assert not [
        plug for plug in drafted["connectors"] if ("opens" in plug) != (plug.get("edge", "face") != "face")
    ]
    assert Family.model_validate(drafted | {"hazard": "none"})
