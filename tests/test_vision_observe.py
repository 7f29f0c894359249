"""Everything seen in one photo, on the demo photos and on photos of nothing."""

import io
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import plugface.demo
import pytest
from PIL import Image
from plugface.vision import observe as looking
from plugface.vision.detection import segmenter
from plugface.vision.detection.segmenter import WEIGHTS, NetworkSegmenter
from plugface.vision.geometry import overlap
from plugface.vision.observations import Character, Code, Text
from plugface.vision.observe import NO_SEGMENTER, observe
from plugface.vision.ocr.readers import Reading
from plugface.vision.ocr.text_boxes import TextBox
from plugface.vision.ocr.unit_texts import Readers
from plugface.vision.photo import decode_photo, photo_from_array
from plugface.vision.vision_models import VisionModels, default_models

needs_weights = pytest.mark.skipif(
    not WEIGHTS.is_file(), reason="the segmenter's weights are not in this checkout"
)

DEMO = Path(plugface.demo.__file__).parent
PLAIN_FRONTS = 10  # 7 of them, or 5 where not all is tried


def _observe(path: Path, **options):
    return observe(decode_photo(path.read_bytes(), name=path.name), **options)


def _rows():
    return [json.loads(line) for line in (DEMO / "truth.jsonl").read_text().splitlines()]


@pytest.fixture(scope="module")
def fronts(some):
    """Of the first plain fronts that were not trained on, with what was seen in them."""
    rows = [
        row
        for row in _rows()
        if row["split"] != "train"
        and row["view"] == "front"
        and len(row["units"]) == 1
        and all(c["visible"] > 0.9 and not c["missing"] for c in row["units"][0]["connectors"])
    ][:PLAIN_FRONTS]
    assert len(rows) == PLAIN_FRONTS
    return [(row, _observe(DEMO / row["photo"], read_text=False)) for row in some(rows, 5, 7)]


def _colours(unit):
    return [max(c.colour, key=c.colour.get) for c in unit.connectors]


def _bags(seen):
    """Colours of each unit's plugs, in no order."""
    return sorted(sorted(_colours(unit)) for unit in seen.units)


@needs_weights
def test_places_and_frame_come_with_the_connectors(fronts):
    for _, seen in fronts:
        for unit in seen.units:
            assert unit.up_deg is not None
            assert all(c.place is not None and abs(c.place[0]) <= 0.5 for c in unit.connectors)


@needs_weights
def test_a_turned_photo_mostly_shows_the_same_plugs(fronts):
    same = 0
    for row, seen in fronts:
        with Image.open(DEMO / row["photo"]) as photo:
            data = io.BytesIO()
            photo.transpose(Image.Transpose.ROTATE_90).convert("RGB").save(data, "PNG")
        turned = observe(decode_photo(data.getvalue()), read_text=False)
        same += _bags(turned) == _bags(seen)
    # The shipped weights get 7 of 10: where the network is unsure of a plug, a turn can change its mind.
    assert same >= 0.6 * len(fronts)


@needs_weights
def test_a_pallet_gives_about_as_many_units_as_it_holds():
    row = next(row for row in _rows() if row["view"] == "pallet" and row["split"] == "test")
    seen = _observe(DEMO / row["photo"], read_text=False)
    plain = sum(unit["visible"] > 0.5 for unit in row["units"])
    assert abs(len(seen.units) - plain) <= max(1, plain // 5)


def _leaves_room(row) -> bool:
    """A photo of the calibration split with one plain front, less than half as long as the photo."""
    if row["split"] != "calibration" or row["view"] != "front" or len(row["units"]) != 1:
        return False
    (unit,) = row["units"]
    long = np.ptp(np.array(unit["polygon"]), axis=0).max() / max(row["width"], row["height"])
    return 0.3 < long < 0.45 and all(p["visible"] > 0.9 and not p["missing"] for p in unit["connectors"])


@needs_weights
def test_half_of_the_looks_find_a_unit_that_is_looked_at_again(monkeypatch):
    path = DEMO / next(row["photo"] for row in _rows() if _leaves_room(row))
    ways, plain_look = [], segmenter._look

    def note(picture, way, session):
        ways.append(way)
        return plain_look(picture, way, session)

    monkeypatch.setattr("plugface.vision.detection.segmenter._look", note)
    models = replace(default_models(), segmenter=NetworkSegmenter(augmentations=4))
    (few,) = _observe(path, read_text=False, models=models).units
    assert len(ways) == 2 + 4 + 1  # and the larger picture of the photo in one way
    monkeypatch.setattr("plugface.vision.detection.segmenter.N_FIRST_AUGMENTATIONS", 4)
    (many,) = _observe(path, read_text=False, models=models).units
    assert overlap(few.polygon, many.polygon) > 0.95
    assert _colours(few) == _colours(many)


@pytest.mark.parametrize("shade", [0, 90, 255])
def test_a_photo_of_nothing_has_no_units(shade):
    data = io.BytesIO()
    Image.fromarray(np.full((300, 400, 3), shade, np.uint8)).save(data, "PNG")
    seen = observe(decode_photo(data.getvalue()), read_text=False)
    assert seen.units == ()
    assert seen.quality.width_px == 400


def test_a_thin_strip_is_looked_at_without_complaint():
    data = io.BytesIO()
    Image.fromarray(np.full((40, 780, 3), 120, np.uint8)).save(data, "PNG")
    assert observe(decode_photo(data.getvalue()), read_text=False).units == ()


def test_without_weights_what_is_written_is_read_and_the_rest_said():
    without = replace(default_models(), segmenter=None)
    row = next(row for row in _rows() if row["view"] == "label" and row["split"] == "calibration")
    seen = _observe(DEMO / row["photo"], models=without)
    assert NO_SEGMENTER in seen.notes
    assert all(unit.connectors == () and unit.face["front"] == 0.5 for unit in seen.units)
    said = "".join(text.value for unit in seen.units for text in unit.texts).replace(" ", "")
    assert any(ch.isdigit() for ch in said)
    assert _observe(DEMO / row["photo"], read_text=False, models=without).units == ()


def test_networks_that_were_begun_to_load_are_loaded_once(monkeypatch):
    from concurrent.futures import ThreadPoolExecutor

    from plugface.vision import onnx
    from plugface.vision.ocr import text_boxes

    opened = []
    monkeypatch.setattr(onnx, "_open_network", lru_cache(lambda path, threads: opened.append(path) or path))
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: text_boxes.load_detector(), range(8)))
    assert len(opened) == 1


def test_several_threads_may_wait_for_the_networks_at_once(monkeypatch):
    monkeypatch.setattr(looking, "_LOADERS", [])
    for name in ("load_segmenter", "load_verifier", "load_detector", "load_recogniser", "load_readers"):
        monkeypatch.setattr(looking, name, lambda: None)

    def wait(_):
        for _ in range(100):
            looking.start_loading()
            looking.finish_loading()

    with ThreadPoolExecutor(4) as threads:
        list(threads.map(wait, range(4)))


def test_a_network_that_cannot_be_loaded_is_said_when_it_is_needed_not_before(monkeypatch):
    from plugface.vision import observe as module

    def refuse():
        raise FileNotFoundError("no such network")

    for name in ("load_segmenter", "load_detector", "load_recogniser"):
        monkeypatch.setattr(module, name, refuse)
    module.start_loading()


def test_plugs_that_fill_the_frame_are_a_close_up_and_said_so():
    """The plug face of a demo unit cut out so that nothing of its outline is in view."""
    from plugface.vision.observe import _say_close_up

    row = next(r for r in _rows() if r["split"] == "calibration" and r["view"] == "front" and r["units"])
    with Image.open(DEMO / row["photo"]) as picture:
        corners = [xy for plug in row["units"][0]["connectors"] for xy in plug["polygon"]]
        xs, ys = [x for x, _ in corners], [y for _, y in corners]
        cut = picture.crop((round(min(xs)), round(min(ys)), round(max(xs)), round(max(ys))))
        data = io.BytesIO()
        cut.save(data, "PNG")
    seen = observe(decode_photo(data.getvalue(), name="cut.png"), read_text=False)
    # Whether the network outlines a unit in such a picture is its own affair; what is said must fit.
    assert bool(seen.notes) == (not seen.units and bool(seen.loose))
    plug = replace_connector(seen)
    assert _say_close_up((), ()) == ()
    assert _say_close_up(seen.units or (object(),), (plug,)) == ()
    (said,) = _say_close_up((), (plug, plug))
    assert said.startswith("No unit's outline is in view, but 2 plugs: a close-up")


def replace_connector(seen):
    """Any connector that was seen, or one made up where none was."""
    from plugface.vision.colour_table import COLOUR_CODES
    from plugface.vision.observations import SIZE_CLASSES, Connector

    found = [*seen.loose, *(c for unit in seen.units for c in unit.connectors)]
    even = {code: 1 / len(COLOUR_CODES) for code in COLOUR_CODES}
    sizes = {size: 1 / len(SIZE_CLASSES) for size in SIZE_CLASSES}
    return found[0] if found else Connector(((0, 0), (9, 0), (9, 9), (0, 9)), even, sizes, None, 0.9)


class _ToySegmenter:
    """One unit with two housings in the middle of every picture, whatever it shows."""

    def __init__(self, draw_maps):
        self.draw_maps, self.asked = draw_maps, 0

    def segment(self, pictures, to_photo, *, enough=None, once=False):
        self.asked += len(pictures)
        maps = self.draw_maps([(320, 240, 400, 240, 0)], [(240, 180, 100, 36, 0), (400, 180, 100, 36, 0)])
        return [replace(maps, to_photo=np.array([[1.0, 0, 0], [0, 1.0, 0]])) for _ in pictures]


def test_in_a_large_photo_colours_are_measured_where_the_plugs_are(draw_maps):
    """Orange housings, on a photo that is reduced, by a segmenter that says nothing of colours."""
    toy = _ToySegmenter(draw_maps)
    photo = np.full((1920, 2560, 3), 120, np.uint8)
    photo[4 * 162 : 4 * 198, 4 * 190 : 4 * 290] = photo[4 * 162 : 4 * 198, 4 * 350 : 4 * 450] = (230, 115, 30)

    class Colourless:
        def segment(self, pictures, to_photo, *, enough=None, once=False):
            even = np.full((12, 120, 160), np.log(1 / 12), np.float32)
            larger = np.array([[4.0, 0, 0], [0, 4.0, 0]])
            return [replace(m, colour=even, to_photo=larger) for m in toy.segment(pictures, to_photo)]

    seen = observe(
        photo_from_array(photo),
        read_text=False,
        models=replace(default_models(), segmenter=Colourless(), verifier=None),
    )
    (unit,) = seen.units
    assert [max(c.colour, key=c.colour.get) for c in unit.connectors] == ["OG", "OG"]


class _ToyReader:
    """Reads every strip as the same word."""

    method = "toy"

    def read_strips(self, strips):
        return [Reading.of([Character(((c, 0.99),)) for c in "TOY"], self.method) for _ in strips]


def test_a_segmenter_readers_and_decoder_of_ones_own_are_used_alone(draw_maps, monkeypatch):
    import plugface
    from plugface.vision import onnx

    def refuse(*_, **__):
        raise AssertionError("a network that comes along was asked")

    monkeypatch.setattr(onnx, "_open_network", refuse)
    reader, segmenter = _ToyReader(), _ToySegmenter(draw_maps)
    box = np.float32([(10, 10), (90, 10), (90, 30), (10, 30)])
    code = Code(((0, 0), (9, 0), (9, 9)), "QR code", "TOY CODE", "verified")
    models = VisionModels(
        segmenter,
        Readers(
            reader, None, (reader,), ("a toy",), find_text=lambda picture, max_side: (TextBox(box, 0.9),)
        ),
        lambda picture, regions=(), *, whole=True, avoid=(): (code,) if whole else (),
    )
    seen = plugface.observe(np.full((480, 640, 3), 120, np.uint8), models=models)
    assert segmenter.asked >= 1
    (unit,) = seen.units
    assert len(unit.connectors) == 2
    assert [c.place is not None for c in unit.connectors] == [True, True]
    assert {text.value for text in (*seen.texts, *unit.texts)} == {"TOY"}
    assert [c.payload for c in seen.codes] == ["TOY CODE"]
    assert "a toy" in seen.notes


@pytest.mark.parametrize(("at", "on_unit"), [((0.5, 0.5), True), ((0.02, 0.02), False)])
def test_what_lies_in_a_corner_of_the_rectangle_round_a_unit_is_beside_it(
    draw_maps, at, on_unit, monkeypatch
):
    slanting = ((200.0, 40.0), (360.0, 200.0), (200.0, 360.0), (40.0, 200.0))
    monkeypatch.setattr(looking, "_text_regions", lambda sighting: ())
    x, y = 40 + at[0] * 320, 40 + at[1] * 320
    box = ((x, y), (x + 30, y), (x + 30, y + 8), (x, y + 8))
    text = Text(box, "K44102/203", 0.99, "printed", 8.0)
    code = Code(box, "QR code", "TOY CODE", "verified")
    monkeypatch.setattr(looking, "read_unit_texts", lambda *_, **__: ((text,), (code,), ()))
    monkeypatch.setattr(looking, "read_photo_texts", lambda *_, **__: ((), (), (), None))
    monkeypatch.setattr(looking, "read_closer", lambda *_, **__: ())
    monkeypatch.setattr(looking, "find_mirroring", lambda *_, **__: None)
    sighting = SimpleNamespace(unit=SimpleNamespace(polygon=slanting))
    scene = SimpleNamespace(sightings=(sighting,))
    written = looking._read(photo_from_array(two_tones()), scene, default_models())
    ((texts, codes),) = written.of_units
    assert (texts, codes) == (((text,), (code,)) if on_unit else ((), ()))
    assert (written.texts, written.codes) == (((), ()) if on_unit else ((text,), (code,)))


def test_a_label_in_the_corner_of_a_neighbours_rectangle_counts_once(monkeypatch):
    slanting = ((200.0, 40.0), (360.0, 200.0), (200.0, 360.0), (40.0, 200.0))
    upright = ((320.0, 300.0), (520.0, 300.0), (520.0, 500.0), (320.0, 500.0))
    box = ((322.0, 310.0), (352.0, 310.0), (352.0, 318.0), (322.0, 318.0))
    text, code = Text(box, "K44102/203", 0.99, "printed", 8.0), Code(box, "QR code", "TOY CODE", "verified")
    monkeypatch.setattr(looking, "_text_regions", lambda sighting: ())
    monkeypatch.setattr(looking, "read_unit_texts", lambda *_, **__: ((text,), (code,), ()))
    monkeypatch.setattr(looking, "read_photo_texts", lambda *_, **__: ((), (), (), None))
    monkeypatch.setattr(looking, "read_closer", lambda *_, **__: ())
    monkeypatch.setattr(looking, "find_mirroring", lambda *_, **__: None)
    sightings = tuple(SimpleNamespace(unit=SimpleNamespace(polygon=p)) for p in (slanting, slanting, upright))
    scene = SimpleNamespace(sightings=sightings)
    written = looking._read(photo_from_array(two_tones()), scene, default_models())
    assert written.of_units == (((), ()), ((), ()), ((text,), (code,)))
    assert (written.texts, written.codes) == ((), ())


@pytest.mark.parametrize(("at", "on_unit"), [((0.25, 0.25), True), ((0.03, 0.03), False)])
@pytest.mark.parametrize("closer", [True, False])
def test_what_is_read_in_the_whole_photo_belongs_to_the_unit_it_lies_on(draw_maps, at, on_unit, closer):
    def find_text(picture, max_side):
        if closer is (max_side < 1000) or max_side == 960:  # the unit by itself shows nothing
            return ()
        x, y = at[0] * picture.shape[1], at[1] * picture.shape[0]
        return (TextBox(np.float32([(x - 9, y - 4), (x + 9, y - 4), (x + 9, y + 4), (x - 9, y + 4)]), 0.9),)

    large = np.kron(two_tones(), np.ones((2, 2, 1), np.uint8))  # a closer look shows it so much larger
    x, y = at[0] * large.shape[1], at[1] * large.shape[0]
    code = Code(((x, y), (x + 9, y), (x + 9, y + 9)), "QR code", "TOY CODE", "verified")
    models = VisionModels(
        _ToySegmenter(draw_maps),
        Readers(_ToyReader(), None, (), find_text=find_text),
        lambda picture, regions=(), *, whole=True, avoid=(): (code,) if whole and not closer else (),
    )
    seen = observe(photo_from_array(large), models=models)
    (unit,) = seen.units
    owner, other = (unit, seen) if on_unit else (seen, unit)
    assert ([text.value for text in owner.texts], len(other.texts)) == (["TOY"], 0)
    if not closer:
        assert ([found.payload for found in owner.codes], len(other.codes)) == (["TOY CODE"], 0)


def two_tones() -> np.ndarray:
    """A picture in which any cut is two flat tones, as print is."""
    stripes = np.where(np.arange(640) // 2 % 2, 230, 20).astype(np.uint8)
    return np.repeat(np.tile(stripes, (480, 1))[:, :, None], 3, axis=2)


def test_observing_leaves_no_thread_behind_where_the_segmenter_fails():
    import threading

    class Broken:
        def segment(self, pictures, to_photo, *, enough=None, once=False):
            raise RuntimeError("a toy that broke")

    before = set(threading.enumerate())
    with pytest.raises(RuntimeError, match="toy"):
        _observe(DEMO / _rows()[0]["photo"], models=replace(default_models(), segmenter=Broken()))
    assert set(threading.enumerate()) <= before
