from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from plugface.cli.present.picture import VERDICT_RGB, Sheet, _free_place, _overlap, _strip_lines
from plugface.cli.present.swatches import SWATCHES, ink_on
from plugface.cli.present.terminal import fit_line
from plugface.models.decision.answers import Decision, SwapFit
from plugface.vision.colour_table import COLOUR_CODES


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
    assert ".jpg, .png or .webp" in said.err


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
