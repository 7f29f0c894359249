import io
import json
import os
import re
import struct
import subprocess
import sys
import zlib
from dataclasses import replace
from pathlib import Path

import plugface
import pytest
from PIL import Image
from plugface.cli.present.schemas import AnyDocument, IdentifyOut
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.unit_choice import NoSuchUnit, NoUnit, SeveralUnits, UnitIndex, choose_units
from plugface.vision import observe as eyes
from pydantic import TypeAdapter

pytestmark = pytest.mark.usefixtures("look_once")

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"

#: An engine unit whose number alone tells its two variants apart.
MARK_ONLY = ("AUK 11", "early", "front")


def test_a_front_is_answered_in_words_with_everything_a_buyer_needs(run, plain_photo, seen_as) -> None:
    seen_as(front=MARK_ONLY, back=("AUK 11", "early", "back"))
    said = run("identify", plain_photo("front.jpg"), plain_photo("back.jpg"))
    assert said.code == 0, said.err
    for word in (
        "AUK 11",
        "Family",
        "Controls    the engine",
        "Evidence",
        "Photo 1",
        "Photo 2",
        "invented demo data",
    ):
        assert word in said.out
    assert max(map(len, said.out.splitlines())) <= 80
    # The closing caution is the last thing but the catalogue's name.
    assert "licensed practice" in " ".join(said.out.split())[-200:]


def test_plugs_are_counted_the_way_round_that_fits_the_family(run, plain_photo, seen_as, monkeypatch) -> None:
    seen_as(faultless=True, front=MARK_ONLY)
    look = eyes.observe

    def upside_down(photo, **words):
        seen = look(photo, **words)
        (unit,) = seen.units
        plugs = tuple(replace(c, place=(-c.place[0], -c.place[1])) for c in reversed(unit.connectors))
        other = tuple(reversed(range(len(plugs))))
        return replace(seen, units=(replace(unit, connectors=plugs, other_order=other, texts=()),))

    monkeypatch.setattr(eyes, "observe", upside_down)
    said = json.loads(run("identify", plain_photo("front.jpg"), "--json").out)
    assert said["decision"]["families"] == ["AUK 11"]
    listed = [plug.colour for plug in load_catalogue(DEMO).by_key["AUK 11"].connectors]
    assert listed != listed[::-1]
    assert [plug["colour"] for plug in said["photos"][0]["unit"]["connectors"]] == listed


def test_cautions_come_before_the_verdict(run, plain_photo, seen_as) -> None:
    seen_as(front=("GANNET 8", "only", "front"))
    said = run("identify", plain_photo("front.jpg"))
    assert said.out.lstrip().startswith("CAUTION: high voltage")
    words = " ".join(said.out.split())
    assert "Orange marks high-voltage cables; that plugs are orange is common practice." in words
    assert "[UN Regulation No. 100; ISO 6469-3, for cables]" in words
    assert "Next photo" not in said.out  # what is to be left alone is not turned round for a photo
    seen_as(front=("PUFFIN 2", "only", "front"))
    words = " ".join(run("identify", plain_photo("front.jpg")).out.split())
    assert "A yellow plug can mark a restraint unit" in words
    assert "transport and sale of restraint parts fall under local law" in words


def test_plugs_of_a_close_up_are_named_in_terminal_and_message_and_are_in_the_document(run, close_up) -> None:
    said = run("identify", close_up)
    assert said.out.lstrip().startswith("CAUTION: high voltage")
    words = " ".join(said.out.split())
    assert "no outline of a controller found" in words
    assert "plugs on no outlined unit: GN M OG L" in words
    assert "Next photo front: A close-up of 2 plugs (GN M, OG L), perhaps not all of them." in words
    (needed,) = [line for line in run("identify", close_up, "--message").out.splitlines() if "needed" in line]
    assert needed.startswith("Photo still needed: front. A close-up of 2 plugs (GN M, OG L)")
    (photo,) = TypeAdapter(AnyDocument).validate_json(run("identify", close_up, "--json").out).photos
    assert photo.unit is None
    assert [(plug.number, plug.colour, plug.size) for plug in photo.loose] == [(1, "GN", "M"), (2, "OG", "L")]


def test_a_harmless_yellow_plug_is_cautioned_too_in_words_that_fit_it(run, plain_photo, seen_as) -> None:
    """SANDERLING 9 is an engine unit with a yellow plug; that it is harmless is for a person to say."""
    seen_as(faultless=True, front=("SANDERLING 9", "early", "front"), back=("SANDERLING 9", "early", "back"))
    front, back = plain_photo("front.jpg"), plain_photo("back.jpg")
    open_yet = json.loads(run("identify", front, "--json").out)["decision"]
    assert set(open_yet["families"]) == {"SANDERLING 9", "SANDERLING 9 marine"}
    assert open_yet["next_photo"]["view"] in {"back", "label close-up"}  # the label alone tells them apart
    said = run("identify", front, back).out
    assert said.lstrip().startswith("CAUTION: restraint")
    words = " ".join(said.split())
    assert "A yellow plug can mark a restraint unit" in words
    assert "until someone qualified has said that it is harmless, as many with a yellow plug are" in words
    assert " IDENTIFIED SANDERLING 9, variant early" in words
    assert "Its yellow plug is no restraint plug" in words
    # The number of the other one is quoted as its label prints it.
    assert re.search(r"close to K72\d{3}/67\d of SANDERLING 9 marine but not the same", words)
    settled = json.loads(run("identify", front, back, "--json").out)["decision"]
    assert settled["candidates"][0]["hazard"] == "none"


@pytest.mark.parametrize("family", ["GANNET 8", "PUFFIN 2"])
def test_a_hazard_is_left_alone_and_never_turned_round_for_a_photo(
    run, own, plain_photo, seen_as, family
) -> None:
    path = own / f"{family.lower().replace(' ', '_')}.toml"
    text = path.read_text()
    (number,) = re.findall(r'service_numbers = \["(.*)"\]', text)
    variant = (
        text[text.index("[[variants]]") :].replace('"only"', '"later"').replace(number, number[:-1] + "9")
    )
    path.write_text(f"{text}\n{variant}")  # two variants, so that a photo of the label would tell more
    seen_as(faultless=True, front=(family, "only", "front"))
    photo = plain_photo("front.jpg")
    decision = json.loads(run("identify", photo, "--catalogue", own, "--json").out)["decision"]
    assert (decision["families"], decision["variants"]) == ([family], ["only", "later"])
    assert decision["next_photo"] is None
    words = " ".join(run("identify", photo).out.split())
    for word in ("Do not open, probe,", "unplug", "drop"):
        assert word in words


def test_the_closing_caution_is_said_once(run, plain_photo, seen_as) -> None:
    seen_as(front=MARK_ONLY)
    for words in (("identify", plain_photo("front.jpg")), ("needs", "--throttle", "cable")):
        said = " ".join(run(*words).out.split())
        for part in ("number on the label before buying", "anti-theft law", "follow local codes"):
            assert said.count(part) == 1, (words, part)


def test_json_is_what_the_schema_says(run, plain_photo, seen_as) -> None:
    seen_as(front=MARK_ONLY, back=("AUK 11", "early", "back"))
    said = run(
        "identify", plain_photo("front.jpg"), plain_photo("back.jpg"), "--json", "--throttle", "electronic"
    )
    document = TypeAdapter(AnyDocument).validate_json(said.out)
    assert isinstance(document, IdentifyOut)
    assert document.version == 2
    assert [photo.path.rpartition("/")[2] for photo in document.photos] == ["front.jpg", "back.jpg"]
    assert document.decision.candidates[0].family == "AUK 11"
    assert document.decision.fit is not None
    numbers = [connector.number for connector in document.photos[0].unit.connectors]
    assert numbers == list(range(1, len(numbers) + 1))
    total = sum(c.probability for c in document.decision.candidates) + document.decision.unknown_probability
    assert total <= 1 + 1e-3


def test_without_needs_there_is_no_fit(run, plain_photo, seen_as) -> None:
    seen_as(front=MARK_ONLY)
    assert json.loads(run("identify", plain_photo("front.jpg"), "--json").out)["decision"]["fit"] is None


def test_a_photo_without_a_unit_is_an_answer_and_names_no_family(run, plain_photo, seen_as) -> None:
    seen_as(front=MARK_ONLY)
    said = run("identify", plain_photo("street.jpg"), "--json")
    assert said.code == 0
    decision = json.loads(said.out)["decision"]
    assert decision["family"] is None
    assert decision["verdict"] in {"unreadable", "not_in_catalogue", "ambiguous"}
    assert "no controller found" in run("identify", plain_photo("street.jpg")).out


def test_several_units_in_one_photo_are_asked_about(run, plain_photo, monkeypatch, seen_as) -> None:
    from dataclasses import replace

    from plugface.vision import observe as eyes

    seen_as(front=MARK_ONLY, back=MARK_ONLY)
    single = eyes.observe

    def twice(photo, **_):
        seen = single(photo)
        moved = tuple((x + 400, y) for x, y in seen.units[0].polygon)
        return replace(seen, units=(seen.units[0], replace(seen.units[0], polygon=moved)))

    monkeypatch.setattr(eyes, "observe", twice)
    photo = plain_photo("front.jpg")
    said = run("identify", photo)
    assert said.code == 2
    assert "shows 2 units" in said.err
    assert "--unit N" in said.err
    assert run("identify", photo, "--unit", 2).code == 0
    assert "has no unit 3: 2 units were found there" in run("identify", photo, "--unit", 3).err
    said = run("identify", photo, plain_photo("back.jpg"), "--unit", 2)
    assert said.code == 2
    assert "number 2 of one need not be number 2 of another" in said.err


def test_an_unknown_partner_is_refused_with_the_nearest(run, plain_photo) -> None:
    said = run("identify", plain_photo("front.jpg"), "--partner", "PLOVER 9")
    assert said.code == 2
    assert "PLOVER 7" in said.err.partition("it has")[2]
    assert len(said.err.splitlines()) == 1
    document = json.loads(run("identify", plain_photo("front.jpg"), "--partner", "PLOVER 9", "--json").out)
    assert (document["kind"], document["facts"]["typed"]) == ("error", "PLOVER 9")


def test_a_partner_is_known_in_any_case(run, plain_photo, seen_as) -> None:
    seen_as(faultless=True, front=("KNOT 40", "E", "front"))
    fits = [
        json.loads(run("identify", plain_photo("front.jpg"), "--json", "--partner", typed).out)["decision"][
            "fit"
        ]
        for typed in ("KNOT 41", " knot 41")
    ]
    assert fits[0] == fits[1]
    assert "the KNOT 41 in hand" in " ".join(fits[1]["reasons"])


def png_header(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds next to nothing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0"))
        + chunk(b"IEND", b"")
    )


@pytest.fixture
def bad_file(tmp_path, plain_photo):
    whole = plain_photo("whole.jpg").read_bytes()
    contents = {
        "empty.jpg": b"",
        "text.jpg": b"these are words, not a picture\n" * 40,
        "cut.jpg": whole[: len(whole) // 2],
        "dot.png": png_header(1, 1),
        "huge.png": png_header(40_000, 40_000),
    }
    for name, data in contents.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "folder.jpg").mkdir()
    return lambda name: tmp_path / name


BAD = {
    "missing.jpg": "there is no such file",
    "empty.jpg": "the file is empty",
    "text.jpg": "it is not a picture",
    "cut.jpg": "cut short or damaged",
    "dot.png": "too small to show anything",
    "huge.png": "million pixels",
    "folder.jpg": "it is a folder",
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_gives_one_line_and_exit_code_2(run, bad_file, name: str) -> None:
    said = run("identify", bad_file(name))
    assert said.code == 2
    assert said.out == ""
    assert len(said.err.strip().splitlines()) == 1
    assert BAD[name] in said.err
    assert name in said.err


def test_bad_input_with_json_gives_an_error_document(run, bad_file) -> None:
    said = run("identify", bad_file("empty.jpg"), "--json")
    document = TypeAdapter(AnyDocument).validate_json(said.out)
    assert document.kind == "error"
    assert "empty" in document.error
    assert document.hint


def test_bad_input_never_shows_a_traceback_from_outside(bad_file) -> None:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    words = [
        sys.executable,
        "-c",
        "import plugface.cli.main as m; m.main()",
        "identify",
        str(bad_file("text.jpg")),
    ]
    done = subprocess.run(words, capture_output=True, text=True, env=environment, timeout=300, check=False)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr + done.stdout


def test_a_missing_catalogue_is_named(run, plain_photo, tmp_path) -> None:
    said = run("identify", plain_photo("front.jpg"), "--catalogue", tmp_path / "none")
    assert said.code == 2
    assert "catalogue.toml" in said.err


def test_a_number_is_for_the_photo_that_shows_several(plain_photo, monkeypatch, seen_as) -> None:
    from dataclasses import replace

    seen_as(front=MARK_ONLY, back=MARK_ONLY)
    front, back = (plugface.observe(plain_photo(f"{n}.jpg")) for n in ("front", "back"))
    moved = tuple((x + 400, y) for x, y in front.units[0].polygon)
    crowded = replace(front, units=(front.units[0], replace(front.units[0], polygon=moved)))
    names = [Path("single.jpg"), Path("crowded.jpg")]
    assert choose_units(names, [back, crowded], 2) == (UnitIndex(0), UnitIndex(1))
    assert choose_units(names, [back, crowded], 1) == (UnitIndex(0), UnitIndex(0))
    assert choose_units(names, [back, replace(back, units=())], 1) == (UnitIndex(0), NoUnit())
    with pytest.raises(NoSuchUnit, match=r"single\.jpg has no unit 2: one unit was found there"):
        choose_units(names, [back, back], 2)
    with pytest.raises(SeveralUnits, match=r"crowded\.jpg shows 2 units"):
        choose_units(names, [back, crowded])


def grey_copy(photo: Path, folder: Path, tint: tuple[float, float, float] = (1, 1, 1)) -> Path:
    """The photo as a messenger's filter or a copier leaves it: brightness alone, or that in one tint."""
    import numpy as np

    with Image.open(photo) as picture:
        grey = np.asarray(picture.convert("L"), float)[..., None] * np.array(tint)
    path = folder / f"grey_{photo.name}"
    Image.fromarray(grey.clip(0, 255).astype(np.uint8)).save(path, quality=85)
    return path


def test_a_photo_without_colours_is_never_sure_of_them(run, tmp_path, choose_photos, look_once, some) -> None:
    """A restraint unit of the calibration split; on its grey copy the plugs were once called white."""
    (photo,) = choose_photos(family="PUFFIN 2")
    coloured = json.loads(run("identify", photo, "--json").out)
    assert {plug["colour"] for plug in coloured["photos"][0]["unit"]["connectors"]} == {"YE"}
    for tint in some([(1, 0.87, 0.68), (1, 1, 1)], 1):
        copy = grey_copy(photo, tmp_path, tint)
        said = json.loads(run("identify", copy, "--json").out)
        plugs = said["photos"][0]["unit"]["connectors"]
        assert plugs
        assert {plug["colour"] for plug in plugs} == {""}
        assert max(share for plug in plugs for share in plug["colours"].values()) < 0.1
        assert "colourless" in {fault["name"] for fault in said["photos"][0]["faults"]}
        assert "colours unknown" in {c["name"] for c in said["decision"]["cautions"]}
        words = " ".join(run("identify", copy).out.split())
        assert "the colours of the plugs are not known" in words
        assert "plugs: 1 ? " in words


def test_cautions_that_hang_on_colour_say_that_they_could_not_be_judged(
    run, plain_photo, seen_as, monkeypatch
):
    from dataclasses import replace

    from plugface.vision import observe as eyes
    from plugface.vision.colour_table import COLOUR_CODES

    seen_as(front=MARK_ONLY)
    coloured = eyes.observe

    def grey(photo, **_):
        seen = coloured(photo)
        alike = dict.fromkeys(COLOUR_CODES, 1 / len(COLOUR_CODES))
        plugs = tuple(replace(c, colour=alike) for c in seen.units[0].connectors)
        return replace(seen, units=(replace(seen.units[0], connectors=plugs),))

    photo = plain_photo("front.jpg")
    assert "could not be judged" not in run("identify", photo).out
    monkeypatch.setattr(eyes, "observe", grey)
    said = run("identify", photo)
    assert said.out.lstrip().startswith("CAUTION: colours unknown")
    assert "could not be judged" in " ".join(said.out.split())


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        ((("KNOT 40", "E", "front"),), "FAMILY IDENTIFIED, VARIANT OPEN"),  # one of its four is locked
        ((("KNOT 40", "E", "front"), ("KNOT 40", "E", "back")), " IDENTIFIED "),
        ((("KNOT 40", "F", "front"), ("KNOT 40", "F", "back")), "IDENTIFIED, LOCKED"),
    ],
)
def test_green_is_for_what_can_be_taken_as_it_is(run, plain_photo, seen_as, shown, words) -> None:
    names = ("front", "back")
    seen_as(faultless=True, **dict(zip(names, shown, strict=False)))
    photos = [plain_photo(f"{name}.jpg") for name in names[: len(shown)]]
    said = run("identify", *photos)
    assert words in said.out, said.out
    standing = json.loads(run("identify", *photos, "--json").out)["decision"]["standing"]
    assert standing == {" IDENTIFIED ": "plain", "IDENTIFIED, LOCKED": "locked"}.get(words, "variant open")


def test_one_of_two_that_look_the_same_is_no_mere_doubt(run, plain_photo, seen_as) -> None:
    seen_as(faultless=True, front=("SANDERLING 9", "early", "front"))
    said = run("identify", plain_photo("front.jpg"))
    assert " ONE OF THESE " in said.out
    assert "NOT SURE YET" not in said.out
    decision = json.loads(run("identify", plain_photo("front.jpg"), "--json").out)["decision"]
    assert (decision["verdict"], decision["standing"]) == ("ambiguous", "one of few")
    assert set(decision["families"]) == {"SANDERLING 9", "SANDERLING 9 marine"}
    assert decision["together"] == pytest.approx(
        sum(c["probability"] for c in decision["candidates"][:2]), abs=1e-3
    )
    assert decision["together"] >= 0.995 > decision["probability"]
    assert decision["message"].startswith("One of these: SANDERLING 9")


def avif_picture() -> bytes:
    """A whole AVIF file, or how one begins where Pillow writes none (before 11.3)."""
    Image.init()
    if "AVIF" not in Image.SAVE:
        return b"\0\0\0\x20ftypavif" + bytes(60)
    file = io.BytesIO()
    Image.new("RGB", (200, 160), (90, 40, 10)).save(file, "AVIF")
    return file.getvalue()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"GIF89a" + bytes(60), "it is a GIF picture, which is not read"),
        (b"%PDF-1.7\n" + bytes(60), "it is a PDF document, which is not read"),
        (avif_picture(), "it is an AVIF picture, which is not read"),
        (b"\0\0\0\x0cJXL \r\n\x87\n" + bytes(60), "it is a JPEG XL picture, which is not read"),
    ],
)
def test_a_picture_of_another_kind_is_called_what_it_is(run, tmp_path, data, words) -> None:
    (tmp_path / "photo.jpg").write_bytes(data)
    said = run("identify", tmp_path / "photo.jpg")
    assert said.code == 2
    assert words in said.err
    assert "JPEG, PNG, WebP, TIFF and HEIC" in said.err


def test_a_phone_of_200_megapixels_is_taken(run, tmp_path, seen_as) -> None:
    """Looked at in half its width and height; a PNG of that size is still refused by its header."""
    import numpy as np
    from plugface.vision.photo import decode_photo

    picture = Image.new("L", (16_320, 12_240), 200)  # 200 million, as the largest phone sensors have
    picture.paste(20, (0, 0, 8_160, 6_120))
    picture.save(tmp_path / "front.jpg", quality=60)
    photo = decode_photo((tmp_path / "front.jpg").read_bytes(), name="front.jpg")
    assert (photo.width_px, photo.height_px) == (8_160, 6_120)
    small = photo.reduced(2016)
    assert max(small.shape) <= 2040
    for pixels in (small[..., 0], photo.grey):
        h, w = pixels.shape
        assert pixels[h // 4, w // 4] < 40 < 180 < pixels[3 * h // 4, 3 * w // 4]
        assert np.isclose(w / h, 4 / 3, atol=0.01)
    seen_as(front=MARK_ONLY)
    said = run("identify", tmp_path / "front.jpg")
    assert said.code == 0, said.err
    (tmp_path / "huge.png").write_bytes(png_header(16_320, 12_240))
    assert "at most 120 million pixels" in run("identify", tmp_path / "huge.png").err


def test_where_no_controller_is_seen_no_close_up_is_asked_for(run, plain_photo, seen_as) -> None:
    seen_as(front=MARK_ONLY)
    said = " ".join(run("identify", plain_photo("street.jpg")).out.split())
    assert "No controller seen:" in said
    assert "Next photo front: Take a photo of the unit alone and whole" in said


def test_what_was_given_is_not_asked_for_again(run, plain_photo, seen_as, monkeypatch) -> None:
    """A back on which nothing could be read wants its label close up, not the back once more."""
    from dataclasses import replace

    from plugface.vision import observe as eyes

    asked = []
    for seed in range(6):
        seen_as(seed=seed, front=("KNOT 40", "E", "front"), back=("KNOT 40", "E", "back"))
        whole = eyes.observe

        def unread(photo, whole=whole, **_):
            seen = whole(photo)
            units = tuple(replace(u, texts=(), codes=()) if u.face["front"] < 0.5 else u for u in seen.units)
            return replace(seen, units=units)

        monkeypatch.setattr(eyes, "observe", unread)
        photos = plain_photo("front.jpg"), plain_photo("back.jpg")
        advice = json.loads(run("identify", *photos, "--json").out)["decision"]["next_photo"]
        asked.append(advice and advice["view"])
    assert not {"front", "back"} & set(asked)
    assert "label close-up" in asked


def test_two_fronts_of_two_units_are_said_to_be_two(run, plain_photo, seen_as) -> None:
    seen_as(faultless=True, one=("CURLEW 3", "early", "front"), other=("DUNLIN 1", "five-speed", "front"))
    said = " ".join(run("identify", plain_photo("one.jpg"), plain_photo("other.jpg")).out.split())
    assert "Two different units were given as one." in said
    assert "ask for each unit by itself" in said
    assert "Next photo" not in said


def test_an_unknown_partner_is_refused_with_all_there_are(run, plain_photo) -> None:
    from plugface.cli.settings import demo_folder
    from plugface.models.catalogue.entries import load_catalogue

    said = " ".join(run("identify", plain_photo("front.jpg"), "--partner", "GANNET").err.split())
    listed = said.partition("it has")[2]
    assert listed.strip().startswith("GANNET 8")
    assert all(key in listed for key in load_catalogue(demo_folder() / "marrow_finch").by_key)


def test_a_white_plug_without_paper_beside_it_is_never_sure(choose_photos) -> None:
    """Fronts of the calibration split; white and grey differ in lightness alone, and metal may be either."""
    white = []
    for path in [*choose_photos(2, family="KNOT 40"), *choose_photos(2, family="DUNLIN 1")]:
        seen = plugface.observe(path, read_text=False)
        if seen.white_balance.method == "neutral metal":
            colours = [plug.colour for unit in seen.units for plug in unit.connectors]
            white += [one for one in colours if max(one, key=one.get) == "WH"]
    assert white
    assert all(colours["WH"] <= 0.9 and colours["GY"] >= 0.09 for colours in white)
