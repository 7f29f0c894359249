from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from plugface.cli.present.message import message_text
from plugface.cli.present.picture import (
    LEAST_PANEL_PX,
    VERDICT_RGB,
    Sheet,
    _bounds,
    _free_place,
    _overlap,
    _panel,
    _panel_sizes,
    _strip_lines,
    _title,
    _wrap,
)
from plugface.cli.present.picture_font import load_font
from plugface.cli.present.swatches import SWATCHES, ink_on
from plugface.cli.present.terminal import fit_line
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.answers import Candidate, Decision, NextPhoto, SwapFit
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.observations import Connector, Observations, Quality, Text, Unit, WhiteBalance


def test_the_picture_shows_the_photo_outlines_and_a_verdict_strip(
    run, plain_photo, seen_as, tmp_path
) -> None:
    seen_as(seed=1, front=("AUK 11", "early", "front"))
    out = tmp_path / "out.png"
    said = run("identify", plain_photo("front.jpg"), "--picture", out)
    assert said.code == 0, said.err
    drawn = np.asarray(Image.open(out).convert("RGB")).astype(int)
    assert drawn.shape[0] > 960  # the photo's 960 rows and the strip below them
    top = drawn[:960, :1280]
    beside = drawn[:960, 1288:]  # what AUK 11 should look like, by the catalogue
    assert beside.shape[1] > 300
    assert (np.abs(beside - np.array(SWATCHES["BN"][1])).sum(axis=2) < 30).sum() > 1000
    brown = np.array(SWATCHES["BN"][1])
    assert (np.abs(top - brown).sum(axis=2) < 12).sum() > 200  # AUK 11 has two brown plugs: lines and tags


@pytest.mark.parametrize("asked", [False, True])
def test_a_donors_number_is_in_the_picture_only_when_asked_for(
    run, plain_photo, seen_as, request, tmp_path, monkeypatch, asked: bool
) -> None:
    seen_as(front=("AUK 11", "early", "front"))
    number, out, written = request.getfixturevalue("type_plate"), tmp_path / "out.png", []
    words = Sheet.words

    def watched(self, at, text, *rest, **more):
        written.append(text)
        words(self, at, text, *rest, **more)

    monkeypatch.setattr(Sheet, "words", watched)
    more = ["--donor-numbers"] if asked else []
    said = run("identify", plain_photo("front.jpg"), "--picture", out, *more)
    assert said.code == 0, said.err
    assert ((number in written), ("hidden" in written)) == (asked, not asked)
    place = np.asarray(Image.open(out).convert("RGB"))[60:420, 60:620]  # tags may stand on it
    assert (np.median(place) < 8) == (not asked)


def test_the_plugs_of_a_close_up_are_drawn(run, close_up, tmp_path) -> None:
    out = tmp_path / "out.png"
    assert run("identify", close_up, "--picture", out).code == 0
    drawn = np.asarray(Image.open(out).convert("RGB")).astype(int)[:960]
    for code in ("GN", "OG"):
        assert (np.abs(drawn - np.array(SWATCHES[code][1])).sum(axis=2) < 12).sum() > 200  # line and tag


def test_a_unit_that_does_not_serve_the_swap_is_not_green(run, plain_photo, seen_as, tmp_path) -> None:
    seen_as(faultless=True, front=("KNOT 40", "E", "front"), back=("KNOT 40", "E", "back"))
    photos = [plain_photo(name) for name in ("front.jpg", "back.jpg")]
    edges, strips = [], []
    for words in ((), ("--year", 2099)):
        said = run("identify", *photos, "--picture", tmp_path / "out.png", *words)
        assert said.code == 0
        assert ("IDENTIFIED, DOES NOT SERVE" in said.out) == bool(words)
        drawn = Image.open(tmp_path / "out.png").convert("RGB")
        edges.append(drawn.getpixel((2, drawn.height - 20)))
        strips.append(drawn.height)
    assert edges == [VERDICT_RGB["identified"], VERDICT_RGB["unreadable"]]
    assert strips[1] > strips[0]  # the line that says so


def test_whether_it_serves_the_swap_stands_in_the_strip() -> None:
    decision = Decision("ambiguous", "Not sure yet.", (), fit=SwapFit("unknown", (), ("which it is",)))
    lines = [words for words, _ in _strip_lines(SimpleNamespace(decision=decision))]
    assert lines == ["Not sure yet.", fit_line(decision.fit)]


@pytest.mark.parametrize("name", ["out.txt", "no_such_folder/out.jpg"])
def test_a_picture_that_cannot_be_written_is_one_line(run, plain_photo, seen_as, tmp_path, name: str) -> None:
    seen_as(front=("AUK 11", "early", "front"))
    said = run("identify", plain_photo("front.jpg"), "--picture", tmp_path / name)
    assert said.code == 2
    assert len(said.err.strip().splitlines()) == 1
    assert "file in a folder you may write to" in said.err


def test_tags_keep_off_what_is_already_there() -> None:
    sheet = Sheet(400, 300)
    outline = [(180.0, 130.0), (220.0, 130.0), (220.0, 160.0), (180.0, 160.0)]
    sheet.taken.append((180.0, 130.0, 220.0, 160.0))
    for _ in range(4):
        box = _free_place(sheet, outline, (50.0, 20.0), (200.0, 200.0), gap=5.0)
        assert all(_overlap(box, other) == 0 for other in sheet.taken)
        assert _overlap(box, (0, 0, 400, 300)) == pytest.approx(1.0)
        sheet.taken.append(box)


def test_every_colour_code_has_a_shade_and_an_ink_of_enough_contrast() -> None:
    assert set(SWATCHES) == set(COLOUR_CODES)

    def luminance(rgb):  # WCAG 2.2
        linear = [c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in rgb]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for _, shade in SWATCHES.values():
        low, high = sorted((luminance(shade), luminance(ink_on(shade))))
        # sqrt(21) = 4.58 is the least that the better of black and white can give.
        assert (high + 0.05) / (low + 0.05) >= 4.5


def square(x: float, y: float, width: float, height: float):
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def one_plug_beside_a_text() -> Observations:
    """A plug right of its unit's middle, and a text where the plug's tag would go were there none."""
    plug = Connector(square(700, 440, 100, 80), {"GY": 1.0}, {"M": 1.0}, None, 0.9)
    text = Text(square(815, 455, 90, 50), "K58214/302", 0.9, "printed", 30.0)
    unit = Unit(square(200, 200, 880, 560), 0.9, {"front": 1.0, "back": 0.0}, (plug,), texts=(text,))
    plain = WhiteBalance((1, 1, 1), "none", 0.0)
    return Observations("a" * 64, Quality(1280, 960, 0.5, 0.0, 1.0), plain, (unit,))


def test_no_outline_runs_through_what_is_written(plain_photo, monkeypatch) -> None:
    done, sheets = [], []
    monkeypatch.setattr(Sheet, "words", lambda self, *_, **__: done.append("words"))
    line, onto = Sheet.line, Sheet.onto

    def watched(self, *words, closed=False):
        done.extend(["outline"] if closed else [])
        line(self, *words, closed=closed)

    monkeypatch.setattr(Sheet, "line", watched)
    monkeypatch.setattr(Sheet, "onto", lambda self, picture: sheets.append(self) or onto(self, picture))
    seen = one_plug_beside_a_text()
    _panel(plain_photo("a.jpg"), seen, seen.units[0], (1280, 960), "photo 1")
    assert "outline" not in done[done.index("words") :]
    assert done.count("words") == 3  # the caption, the tag, what was read
    (sheet,) = sheets
    outlines = [_bounds(list(one.polygon)) for one in (*seen.units[0].connectors, *seen.units[0].texts)]
    written = [box for box in sheet.taken if box not in outlines]
    assert len(written) == 3
    for box in written:
        assert all(_overlap(box, other) == 0 for other in (*written, *outlines) if other != box)


def test_a_small_photo_is_enlarged_and_a_large_one_reduced() -> None:
    assert _panel_sizes([(480, 360)]) == [(LEAST_PANEL_PX, 675)]
    assert _panel_sizes([(1280, 960)]) == [(1280, 960)]
    assert _panel_sizes([(3000, 4000)]) == [(1200, 1600)]
    # 600 x 800 and 480 x 360 are enlarged to 900 on the long side; the lowest of the three is 675 high.
    mixed = _panel_sizes([(600, 800), (480, 360), (4000, 3000)])
    assert mixed == [(506, 675), (900, 675), (900, 675)]
    # At 1200 px on the long side the panorama were 300 high, and the photo beside it 225 px wide.
    assert _panel_sizes([(4000, 1000), (600, 800)]) == [(2400, 600), (450, 600)]
    # One of 40 to 1 were 24,000 wide: it is held to four long sides.
    assert _panel_sizes([(40000, 1000), (600, 800)]) == [(4800, 120), (90, 120)]
    assert _panel_sizes([(9000, 2)]) == [(1600, 1)]


def test_the_photos_are_numbered_as_the_reasons_number_them(run, plain_photo, seen_as, monkeypatch) -> None:
    seen_as(faultless=True, front=("KNOT 40", "E", "front"), back=("KNOT 40", "E", "back"))
    photos, written = [plain_photo(name) for name in ("front.jpg", "back.jpg")], []
    words = Sheet.words
    monkeypatch.setattr(
        Sheet, "words", lambda self, at, text, *w, **k: written.append(text) or words(self, at, text, *w, **k)
    )
    for count, captions in ((1, []), (2, ["photo 1", "photo 2"])):
        written.clear()
        assert run("identify", *photos[:count], "--picture", photos[0].with_name("out.png")).code == 0
        assert [text for text in written if text.startswith("photo")] == captions


def test_variants_that_remain_are_named_before_what_is_said_of_them() -> None:
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    candidate = Candidate("KNOT 40", 9.0, 0.999)
    decision = Decision(
        "identified",
        "KNOT 40.",
        (candidate,),
        families=("KNOT 40",),
        variants=("E", "F"),
        variant_message="The label does not tell them apart.",
    )
    lines = [words for words, _ in _strip_lines(SimpleNamespace(decision=decision, catalogue=catalogue))]
    assert lines[-1] == "Variant E or F: The label does not tell them apart."
    assert lines[-1] in message_text(decision, catalogue).splitlines()


def test_the_strip_says_how_the_next_photo_is_to_be_taken() -> None:
    wanted = NextPhoto("front", 1.0, "Take a photo of the unit alone and whole.")
    decision = Decision("unreadable", "No answer.", (), next_photo=wanted)
    (_, last) = (words for words, _ in _strip_lines(SimpleNamespace(decision=decision)))
    assert last == "Next photo: front. Take a photo of the unit alone and whole."


def test_a_headline_of_many_families_is_counted_and_not_made_tiny() -> None:
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    keys = tuple(catalogue.by_key)

    def titled(families, beside):
        decision = Decision("ambiguous", "", (), families=families)
        return _title(SimpleNamespace(decision=decision, catalogue=catalogue), 30.0, beside, 800.0)

    assert titled(keys[:1], 600.0) == (keys[0], 30.0, False)
    words, size, below = titled(keys, 600.0)
    assert below
    assert size >= 24.0
    assert load_font(round(size), True).getlength(words) <= 800.0 * 1.02  # a font has whole pixels
    named, more = words.rsplit(" or ", 1)
    assert more == f"{len(keys) - named.count(' or ') - 1} more"


def test_a_word_longer_than_the_strip_is_broken() -> None:
    lines = _wrap(f"reads {'K5821' * 60} here", 300.0, 16)
    assert max(load_font(16, False).getlength(line) for line in lines) <= 300.0
    assert "".join(lines).replace(" ", "") == f"reads{'K5821' * 60}here"
