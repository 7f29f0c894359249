"""Labels, marker writing and footprints of the demo studio: what is said to be printed is there."""

import json
import random

import numpy as np
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from plugface.demo.studio.footprint import connector_size_mm
from plugface.models.catalogue.entries import Family

pytest.importorskip("barcode", reason="the studio's libraries are an extra of their own")
pytest.importorskip("ppf.datamatrix", reason="the studio's libraries are an extra of their own")

from plugface.demo.studio import labels
from plugface.demo.studio.labels import draw_label, group_number, write_textures
from plugface.demo.studio.scrawl import draw_scrawl
from plugface.demo.studio.shades import draw_shade, to_linear
from plugface.demo.studio.units import UnitSpec

ZXING_NAMES = {"Code 128": "Code128", "Code 39": "Code39", "Data Matrix": "DataMatrix", "QR": "QRCode"}
PATTERN = r"(?P<range>K27)(?P<family>\d{3})/(?P<version>\d{3})"


def make_family(
    maker="Marrow & Finch", barcode="Code 128", caption="REV", payload="number", size=(220, 150, 40)
):
    return Family.model_validate(
        {
            "key": "WREN 9",
            "maker": maker,
            "controls": "engine",
            "body": {"size_mm": size, "material": "cast aluminium"},
            "connectors": [{"colour": "GY", "size": "L", "pins": (3, 12), "at_mm": (0, 20)}],
            "marks": [{"text": "WREN 9", "at_mm": (0, -30)}],
            "label": {
                "service_number": PATTERN,
                "suffix": "[A-F]",
                "suffix_caption": caption,
                "barcode": barcode,
                "barcode_payload": payload,
            },
            "variants": [
                {"key": "a", "service_numbers": ["K27204/118"], "suffixes": ["C"], "years": (1998, 2001)}
            ],
            "source": "invented",
        }
    )


def make_spec(seed=1, label="clean", scrawl="", **family):
    family = make_family(**family)
    return UnitSpec(
        family=family,
        variant=family.variants[0],
        service_number="K27204/118",
        suffix="C",
        serial="0045511",
        unit_id="unit",
        seed=seed,
        label=label,
        scrawl=scrawl,
    )


def on_white(picture):
    """Over white paper, as RGB."""
    alpha = picture[..., 3:].astype(float) / 255
    return (picture[..., :3] * alpha + 255 * (1 - alpha)).astype(np.uint8)


SMALL = (120, 70, 30)  # millimetres; to wear a label takes time by its area


@pytest.fixture
def unworn(monkeypatch):
    """Labels as they are printed: to wear them takes most of the time, and moves nothing."""
    monkeypatch.setattr(labels, "wear_label", lambda picture, *_: picture)


MAKERS = ("Marrow & Finch", "Pell Works", "Someone else")
PAYLOADS = ("number", "number and suffix")


# Each kind of code with each maker and with each payload, and each maker with each payload.
@pytest.mark.parametrize(
    ("maker", "barcode", "payload"),
    [
        (maker, barcode, PAYLOADS[(i + k) % 2])
        for k, barcode in enumerate(ZXING_NAMES)
        for i, maker in enumerate(MAKERS)
    ],
)
def test_a_clean_label_carries_a_readable_code_where_it_says(maker, barcode, payload):
    label = draw_label(make_spec(maker=maker, barcode=barcode, payload=payload))
    expected = "K27204/118" + ("C" if payload == "number and suffix" else "")
    (code,) = [code for code in label.codes if code.symbology == barcode and code.payload == expected]
    read = [r for r in zxingcpp.read_barcodes(on_white(label.picture)) if r.text == expected]
    assert [str(r.format).replace(" ", "").split(".")[-1] for r in read] == [ZXING_NAMES[barcode]]
    corners = [
        getattr(read[0].position, name) for name in ("top_left", "top_right", "bottom_right", "bottom_left")
    ]
    found = np.array([(corner.x, corner.y) for corner in corners])
    x0, y0, x1, y1 = code.box
    # The reader takes a linear code's ends for its corners, and a square code's corners to two modules.
    assert found[:, 0].min() == pytest.approx(x0, abs=2 * code.module_px)
    assert found[:, 0].max() == pytest.approx(x1, abs=2 * code.module_px)
    assert y0 - 2 * code.module_px <= found[:, 1].min() <= found[:, 1].max() <= y1 + 2 * code.module_px


@pytest.mark.parametrize("maker", MAKERS)
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("size", [(220, 150, 40), SMALL])
def test_text_boxes_hold_their_ink_and_stay_on_the_label(unworn, maker, seed, size):
    label = draw_label(make_spec(seed=seed, maker=maker, size=size))
    grey = on_white(label.picture).mean(axis=2)
    height, width = grey.shape
    assert {"mark", "service number", "suffix", "maker"} <= {text.role for text in label.texts}
    for text in label.texts:
        x0, y0, x1, y1 = text.box
        assert 0 <= x0 < x1 <= width, text
        assert 0 <= y0 < y1 <= height, text
        # Ink and paper differ by far more than the grain of a label's wear (1.6 levels).
        assert np.ptp(grey[y0:y1, x0:x1]) > 30, text


@pytest.mark.parametrize("maker", ["Marrow & Finch", "Pell Works"])
def test_no_two_printed_things_overlap(unworn, maker):
    for seed in range(5):
        label = draw_label(make_spec(seed=seed, maker=maker))
        boxes = [thing.box for thing in (*label.texts, *label.codes)]
        for i, a in enumerate(boxes):
            for b in boxes[i + 1 :]:
                apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
                assert apart, (seed, a, b)


def test_a_suffix_without_a_field_follows_the_number(unworn):
    texts = {text.role: text for text in draw_label(make_spec(caption="")).texts}
    number, suffix = texts["service number"], texts["suffix"]
    assert number.value == "K27204/118"
    assert suffix.value == "C"
    assert number.box[2] < suffix.box[0]
    assert number.box[1] < suffix.box[3]
    assert suffix.box[1] < number.box[3]


@pytest.fixture(scope="module")
def clean():
    return draw_label(make_spec(size=SMALL))


@pytest.mark.parametrize(("state", "least", "most"), [("torn", 0.05, 0.3), ("partly missing", 0.2, 0.65)])
def test_torn_labels_lose_paper(clean, state, least, most):
    whole = clean.picture[..., 3] > 0
    torn = draw_label(make_spec(label=state, size=SMALL)).picture[..., 3] > 0
    assert least < 1 - torn.sum() / whole.sum() < most


def test_a_scuffed_label_loses_ink_but_no_paper(clean):
    scuffed = draw_label(make_spec(label="scuffed", size=SMALL))
    assert np.array_equal(clean.picture[..., 3], scuffed.picture[..., 3])
    assert clean.texts == scuffed.texts
    changed = np.abs(clean.picture[..., :3].astype(int) - scuffed.picture[..., :3]).max(axis=2) > 40
    assert changed.mean() > 0.005


def test_the_same_seed_gives_the_same_label_and_another_gives_another():
    first, again, other = (draw_label(make_spec(seed, size=SMALL)) for seed in (3, 3, 4))
    assert np.array_equal(first.picture, again.picture)
    assert not np.array_equal(first.picture, other.picture)


def test_numbers_are_grouped_by_the_pattern_and_otherwise_in_threes():
    assert group_number("46D20711", r"(?P<a>46D)(?P<b>20711)") == ["46D", "20711"]
    assert group_number("46D20711", r"\w{8}") == ["46", "D20", "711"]
    assert group_number("1234567", r"\d+") == ["1", "234", "567"]


@pytest.mark.parametrize("number", ["K27204/118", "PK6203/55", "62-6630-1", "4120 KLM 38"])
def test_a_number_with_signs_of_its_own_is_grouped_already(number):
    assert group_number(number, PATTERN) == [number]


def test_textures_are_written_with_their_boxes(tmp_path):
    write_textures(make_spec(scrawl="L42"), tmp_path)
    sheet = json.loads((tmp_path / "unit.json").read_text())
    assert (tmp_path / "unit-label.png").is_file()
    assert (tmp_path / "unit-scrawl.png").is_file()
    assert len(list((tmp_path / "fonts").glob("*.ttf"))) >= 4
    assert any(text["value"] == "K27204/118" for text in sheet["label"]["texts"])


def test_an_absent_label_is_no_label(tmp_path):
    write_textures(make_spec(label="absent"), tmp_path)
    assert json.loads((tmp_path / "unit.json").read_text()) == {"label": None, "scrawl": None}
    assert not (tmp_path / "unit-label.png").exists()


def test_marker_writing_stays_in_its_box_and_refuses_what_it_cannot_write():
    picture, (x0, y0, x1, y1), _ = draw_scrawl("K7/3", random.Random(2))
    paint = picture[..., 3] > 80
    assert paint[y0:y1, x0:x1].sum() == paint.sum() > 500
    with pytest.raises(ValueError, match="cannot write"):
        draw_scrawl("Ä", random.Random(2))


@given(
    size=st.sampled_from("SML"),
    rows=st.integers(1, 200),
    columns=st.integers(1, 200),
    turn=st.sampled_from([0, 90]),
)
def test_footprints_keep_the_size_classes_apart(size, rows, columns, turn):
    family = make_family()
    connector = family.connectors[0].model_copy(
        update={"size": size, "pins": (rows, columns), "turn_deg": turn}
    )
    long, wide, tall = connector_size_mm(connector)
    least, most = {"S": (18, 30), "M": (35, 50), "L": (55, 80)}[size]
    assert least <= long <= most
    assert 16 <= wide <= min(long, 30)
    assert 14 <= tall <= 25
    turned = connector.model_copy(update={"pins": (columns, rows)})
    assert connector_size_mm(turned) == (long, wide, tall)


@pytest.mark.parametrize("code", ["BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ"])
def test_shades_vary_and_keep_to_their_colour(code):
    shades = np.array([draw_shade(code, random.Random(seed)) for seed in range(60)])
    assert shades.std(axis=0).max() > 0.001
    luminance = shades @ (0.2126, 0.7152, 0.0722)  # ITU-R BT.709
    if code == "BK":
        assert luminance.max() < 0.03
    elif code == "WH":
        assert luminance.min() > 0.4
    elif code == "GY":
        assert luminance.min() > 0.08
        assert luminance.max() < 0.4
    elif code in ("RD", "OG", "BN"):
        assert (shades[:, 0] > shades[:, 1]).all()
        assert (shades[:, 1] > shades[:, 2] * 0.9).all()


def test_srgb_becomes_linear_light():
    # 188 of 255 is close to half of the light: 0.5029 by IEC 61966-2-1.
    assert to_linear("bcbcbc") == pytest.approx((0.5029,) * 3, abs=1e-3)
