"""A picture is written over where plugface drew it, and nowhere else."""

from pathlib import Path

import pytest
from PIL import Image
from plugface.cli.present.drawn_file import PIXELS, PictureError, check_place, save_pixels, save_svg

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"


@pytest.mark.parametrize("ending", PIXELS)
def test_a_picture_of_ones_own_is_left_alone_and_a_drawn_one_is_drawn_anew(tmp_path, ending) -> None:
    path = tmp_path / f"front{ending}"
    picture = Image.new("RGB", (40, 30), "green")
    picture.save(path)
    before = path.read_bytes()
    with pytest.raises(PictureError, match=f"front{ending}: there is such a file already, and plugface did"):
        save_pixels(picture, path)
    assert path.read_bytes() == before
    path.unlink()
    save_pixels(picture, path)
    save_pixels(Image.new("RGB", (50, 30), "green"), path)
    with Image.open(path) as drawn:
        assert drawn.size == (50, 30)


def test_a_drawing_of_ones_own_is_left_alone(tmp_path) -> None:
    path = tmp_path / "wall.svg"
    path.write_text("<svg/>")
    with pytest.raises(PictureError, match=r"wall\.svg: there is such a file"):
        save_svg("<svg></svg>", path)
    assert path.read_text() == "<svg/>"
    path.unlink()
    save_svg("<svg></svg>", path)
    save_svg("<svg>2</svg>", path)
    assert path.read_text().startswith("<svg>2</svg>")


def test_the_endings_that_can_be_written_are_said(tmp_path) -> None:
    with pytest.raises(PictureError, match=r'as "\.txt"\. Name a \.jpg, \.png or \.webp file in a folder'):
        check_place(tmp_path / "face.txt")
    with pytest.raises(PictureError, match=r'as "\.txt"\. Name a \.png or \.svg file in a folder'):
        check_place(tmp_path / "face.txt", (".png", ".svg"))


def test_what_cannot_be_written_leaves_the_picture_before_it(tmp_path, monkeypatch) -> None:
    path = tmp_path / "face.png"
    save_pixels(Image.new("RGB", (40, 30)), path)
    before = path.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(PictureError, match="no space left on device"):
        save_pixels(Image.new("RGB", (50, 30)), path)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["face.png"]


def test_a_photo_named_for_the_picture_is_refused_before_anything_is_looked_at(
    run, plain_photo, monkeypatch
) -> None:
    monkeypatch.setattr("plugface.analysis.analyse", lambda *_, **__: pytest.fail("looked at"))
    front, back = plain_photo("front.jpg"), plain_photo("back.jpg")
    before = back.read_bytes()
    for other in (front, back):
        said = run("identify", front, "--picture", other)
        assert said.code == 2
        assert f"error: {other}: there is such a file already, and plugface did not draw it" in said.err
    assert back.read_bytes() == before


def test_a_photo_is_no_place_for_a_face_or_a_heat_map(run, plain_photo, tmp_path) -> None:
    photo = plain_photo("front.jpg")
    said = run("catalogue", "show", "KNOT 40", "--picture", photo)
    assert (said.code, said.out) == (2, "")
    heat = tmp_path / "heat.png"
    heat.write_bytes(b"mine")
    said = run("catalogue", "separability", DEMO, "--draws", 1, "--picture", heat)
    assert (said.code, heat.read_bytes()) == (2, b"mine")
    assert "heat.png: there is such a file already" in said.err
