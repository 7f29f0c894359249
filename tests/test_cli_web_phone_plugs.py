"""Plugs looked for on the phone, in a real browser: the same as the server's own code makes of one look."""

import base64
import hashlib
import io
import itertools
import json
import time
from dataclasses import replace
from functools import cache, partial

import cv2
import numpy as np
import pytest
from PIL import Image
from plugface.cli.evaluation.golden import choose_rows
from plugface.cli.evaluation.measure_phone_plugs import compare, phone_plugs, see
from plugface.cli.settings import demo_folder
from plugface.cli.web import phone_plugs as limits_of_vision
from plugface.cli.web.number_index import index_numbers
from plugface.models.catalogue.entries import Shade, load_catalogue
from plugface.models.decision.cautions import COLOURS_UNKNOWN, HIGH_VOLTAGE, RESTRAINT
from plugface.vision import geometry
from plugface.vision.colour.naming import NamedShade, classical_posterior, named_share, pool_opinions
from plugface.vision.colour.white_balance import measure_white_balance
from plugface.vision.colour_table import COLOUR_CODES
from plugface.vision.detection import segmenter, verifier
from plugface.vision.detection.connectors import measure_housing
from plugface.vision.detection.segmenter import WEIGHTS
from plugface.vision.observations import WhiteBalance
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo
from plugface.vision.vision_models import default_models

#: A pallet, a front by itself, one with many plugs: of the 60 that the bench looks at.
CHOSEN = ("pac02", "mf0140", "mf0149", "dec07")

FRONT = '.shot[data-face="front"]'

#: By these one look leaves nothing open wherever a unit is seen.
LOOSELY = {"every": False, "unit": 0.5, "low": 0.5, "high": 0.5, "colour": 0.0}


def photo_bytes(name: str) -> bytes:
    return (demo_folder() / "photos" / f"{name}.jpg").read_bytes()


def until(page, words: str) -> None:
    """Wait for what the page itself may not evaluate: its policy allows no text as code."""
    ends = time.monotonic() + 300  # looking more closely takes seconds, and many on a busy machine
    while not page.evaluate(words):
        assert time.monotonic() < ends, words
        page.wait_for_timeout(150)


def until_looked(page) -> None:
    """Wait until the phone has said all that it sees, and looks no closer."""
    until(page, "document.querySelector('.plugs .told') && !document.querySelector('.plugs .closer')")


def take(page, data: bytes, kind: str = "jpeg") -> None:
    file = {"name": f"photo.{kind}", "mimeType": f"image/{kind}", "buffer": data}
    page.set_input_files(f"{FRONT} input.camera", file)


def script(made, name: str = "plugs.js") -> str:
    return f"{made.app.state.assets.path}/{name}"


def plug(code: str, share: float = 0.97, size: str = "L") -> dict:
    rest = (1 - share) / (len(COLOUR_CODES) - 1)
    return {
        "corners": [[10, 10], [90, 10], [90, 40], [10, 40]],
        "centre": [50, 25],
        "confidence": 0.98,
        "colour": [share if each == code else rest for each in COLOUR_CODES] if code != "?" else None,
        "size": [0.98 if each == size else 0.01 for each in "SML"],
    }


def seen(*units: list[dict], loose: list[dict] | None = None) -> dict:
    outline = [[0, 0], [300, 0], [300, 200], [0, 200]]
    return {
        "width": 300,
        "height": 200,
        "units": [{"outline": outline, "confidence": 0.9, "plugs": plugs} for plugs in units],
        "loose": loose or [],
    }


#: In place of the worker that looks: it says what the test lets it say.
WORKER = """self.onmessage = async ({ data: { id } }) => {
  for (const one of await (await fetch("/what-is-seen")).json()) self.postMessage({ id, ...one });
};"""


class Shown:
    """What a page says where its worker has seen this; one page for all that it is asked.

    Called with what is seen in the end, and with `first` alone, where it still looks more closely. `problem`
    is what the worker ends with instead.
    """

    def __init__(self, made, page) -> None:
        self.page, self._says = page, []
        answers = {"plugs_worker.js": (WORKER, "text/javascript"), "what-is-seen": (None, "application/json")}
        for name, (body, kind) in answers.items():
            page.route(f"**/{name}", partial(self._answer, body, kind))
        page.goto(made.url)
        page.evaluate("localStorage.setItem('plugs', '1')")  # as on a phone where it was used before

    def _answer(self, body: str | None, kind: str, route) -> None:
        route.fulfill(body=body or json.dumps(self._says), content_type=kind)

    def __call__(self, what: dict | None, first: dict | None = None, problem: str = "") -> str:
        told = (("first", first), ("seen", what), ("problem", problem))
        self._says = [{name: each} for name, each in told if each]
        self.page.evaluate(f"document.querySelector('{FRONT} .plugs')?.replaceChildren()")
        take(self.page, small_photo())
        self.page.wait_for_selector(f"{FRONT} .plugs .told")
        return self.page.inner_text(f"{FRONT} .plugs")


@pytest.fixture(scope="module")
def shown(open_script_page):
    """Such a page, for all tests of its words."""
    with open_script_page() as (made, page, faults):
        yield Shown(made, page)
        assert not faults


def small_photo() -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.random.default_rng(0).integers(60, 200, (200, 300, 3)).astype(np.uint8)).save(
        out, "JPEG"
    )
    return out.getvalue()


def test_the_phone_sees_what_the_server_sees(script_page, some, tmp_path):
    made, phone = script_page
    files = {row["photo"].split("/")[-1][:-4]: demo_folder() / row["photo"] for row in choose_rows()}
    three_units = tmp_path / "three units of the pallet.jpg"  # all six take three times as long
    Image.open(files[CHOSEN[0]]).crop((160, 144, 512, 600)).save(three_units, quality=92)
    compared = compare(phone, script(made), [files[name] for name in some(CHOSEN, 0)] or [three_units])
    for one in compared:
        assert one.first == one.once, one  # told before it looks again
        assert one.phone == one.alike, one
    assert sum(len(unit) for one in compared for unit in one.phone[0]) > 5 * len(compared)
    # Looking again is worth its time: in some of them one look sees others.
    assert any(one.first != one.phone for one in compared)


@pytest.fixture
def one_look(monkeypatch):
    """One look is enough wherever a unit is seen, for what is not about how often it is looked."""
    monkeypatch.setattr(limits_of_vision, "SETTLED", LOOSELY)


@pytest.fixture(scope="module")
def see_by_every_look(open_script_page):
    """What a phone sees that takes all looks, though the first leaves nothing open; one for three tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(limits_of_vision, "SETTLED", {**LOOSELY, "every": True})
        with open_script_page() as (made, page, faults):
            yield cache(lambda name: see(page, script(made), photo_bytes(name)))
            assert not faults


def test_where_every_look_is_asked_for_it_is_not_enough(see_by_every_look):
    told = see_by_every_look("mf0220")
    assert told["took"]["whole"] > told["took"]["first"]
    assert len(phone_plugs(told)[0]) == 1


@pytest.mark.parametrize("name", ["mf0220", "mf0001"])
def test_shares_and_outlines_are_the_servers_nearly_to_the_digit(see_by_every_look, name):
    """Not only the likeliest colour: near a limit the least difference in pixels or rim would show."""
    told = see_by_every_look(name)
    alike = replace(default_models(), verifier=None)  # the phone has none
    server = observe(decode_photo(photo_bytes(name)), read_text=False, models=alike)
    assert told["light"]["method"] == server.white_balance.method
    assert np.allclose(told["light"]["gains"], server.white_balance.gains_rgb, atol=0.01)
    (unit,), (expected,) = told["units"], server.units
    assert geometry.overlap(unit["outline"], expected.polygon) > 0.97
    assert len(unit["plugs"]) == len(expected.connectors) > 0
    for connector in expected.connectors:
        near = max(unit["plugs"], key=lambda plug: geometry.overlap(plug["corners"], connector.polygon))
        assert geometry.overlap(near["corners"], connector.polygon) > 0.9
        assert np.allclose(near["colour"], list(connector.colour.values()), atol=0.01)
        assert near["confidence"] == pytest.approx(connector.confidence, abs=0.01)


SETTLED = """async ([script, tries]) => {
  const { isSettled } = await import(script);
  const map = (side) => ({ data: new Float32Array(side * side).fill(0.9), width: side, height: side });
  const plane = () => new Float32Array(64).fill(-1);
  return tries.map(({ units, plugs }) => isSettled({
    outlined: units.map((confidence) => ({ confidence, inside: new Uint8Array(64).fill(1, 0, 32) })),
    housings: plugs.map(({ confidence, at }) => (
      { places: [at, at + 1], probability: confidence, seen: 0.5, centre: [8, 8], spread: [9, 0, 9] }
    )),
    connectorCells: map(8), connector: map(16),
    colour: Array.from({ length: 12 }, plane), size: [1, 2, 3].map(plane),
  }, () => ({ colour: plugs[0].colour })));
}"""


def test_what_is_near_a_limit_is_open(script_page):
    made, phone = script_page
    clear = [0.9, 0.1]
    plain = {"confidence": 0.95, "at": 4, "colour": clear}
    settled = [
        {"units": [0.95], "plugs": [plain]},
        {"units": [0.95], "plugs": []},
        {"units": [0.95, 0.4], "plugs": [plain]},
        {"units": [0.95], "plugs": [plain, {"confidence": 0.45, "at": 8}]},
        {"units": [0.95], "plugs": [{**plain, "colour": None}]},  # a photo without colours
    ]
    still_open = [
        {"units": [], "plugs": [plain]},
        {"units": [0.8], "plugs": [plain]},
        {"units": [0.95, 0.9], "plugs": [plain]},
        {"units": [0.95, 0.6], "plugs": [plain]},
        {"units": [0.95], "plugs": [plain, {"confidence": 0.85, "at": 8}]},
        {"units": [0.95], "plugs": [plain, {"confidence": 0.6, "at": 8}]},
        {"units": [0.95], "plugs": [plain, {"confidence": 0.95, "at": 40}]},  # beside the unit
        {"units": [0.95], "plugs": [{**plain, "colour": [0.6, 0.4]}]},
    ]
    said = phone.evaluate(SETTLED, [script(made, "plug_maps.js"), settled + still_open])
    assert said == [True] * len(settled) + [False] * len(still_open)


WHAT_IS_FED = """async ([script, size, exchanged, mirrored]) => {
  const { nameMaps } = await import(script);
  const limits = (await import(script.replace("plug_maps", "plug_limits"))).default;
  const [width, height] = size;
  const count = limits.coarse.reduce((sum, [, channels]) => sum + (channels ?? limits.codes.length), 0);
  const [wide, high] = exchanged ? [height, width] : [width, height];
  const map = (channels, step) => {
    const [w, h] = [wide / step, high / step];
    const data = Float32Array.from({ length: channels * w * h }, (_, k) => Math.sin(k * 0.7) * 3);
    return { data, width: w, height: h };
  };
  const [fine, coarse] = [map(limits.fine.length, 2), map(count, 4)];
  const maps = nameMaps([{ fine, coarse, exchanged, mirrored }], width - 5, height - 9);
  const flat = (map) => Array.from(map.data ?? map);
  return {
    fine: Array.from(fine.data), coarse: Array.from(coarse.data), unit: flat(maps.unit),
    shape: maps.connectorShape.map(flat), unit_shape: maps.unitShape.map(flat), colour: maps.colour.map(flat),
  };
}"""


@pytest.mark.parametrize("way", segmenter.AUGMENTATIONS)
def test_what_is_said_of_a_turned_picture_is_turned_back_as_the_server_does(script_page, monkeypatch, way):
    made, phone = script_page
    width, height = 96, 64
    said = phone.evaluate(WHAT_IS_FED, [script(made, "plug_maps.js"), [width, height], *way])
    w, h = (height, width) if way[0] else (width, height)

    class Says:
        def run(self, _, fed):
            assert fed["rgb"].shape == (1, 3, h, w)
            fine = np.array(said["fine"], np.float32).reshape(1, -1, h // 2, w // 2)
            return fine, np.array(said["coarse"], np.float32).reshape(1, -1, h // 4, w // 4)

    picture = np.zeros((height - 9, width - 5, 3), np.uint8)
    maps = segmenter.join([segmenter._look(picture, way, Says())], np.eye(2, 3))
    assert np.allclose(np.array(said["unit"]), maps.masks["unit"].ravel(), atol=1e-5)
    for name, expected in (("shape", maps.connector_shape), ("unit_shape", maps.unit_shape)):
        assert np.allclose(np.array(said[name]), expected.reshape(5, -1), atol=1e-3), name
    colour = np.array(said["colour"])
    colour -= np.log(np.exp(colour).sum(0))  # normalised there, and where plugs are told here
    assert np.allclose(colour, maps.colour.reshape(len(COLOUR_CODES), -1), atol=1e-4)


OVERLAP = """async ([script, pairs]) => {
  const { overlap } = await import(script);
  return pairs.map(([a, b]) => overlap(a, b));
}"""


def test_how_much_two_outlines_share_is_as_the_server_has_it(script_page):
    made, phone = script_page
    chance = np.random.default_rng(3)
    pairs = [
        [(chance.uniform(0, 100, (9, 2)) + move).tolist() for move in (0.0, chance.uniform(0, 90))]
        for _ in range(40)
    ]
    square = [[0, 0], [10, 0], [10, 10], [0, 10]]
    pairs += [[square, square], [square, [[20, 0], [30, 0], [30, 10], [20, 10]]]]
    said = phone.evaluate(OVERLAP, [script(made, "plug_outlines.js"), pairs])
    expected = [geometry.overlap(tuple(map(tuple, a)), tuple(map(tuple, b))) for a, b in pairs]
    assert np.allclose(said, expected, atol=1e-4)
    assert max(expected) == 1
    assert min(expected) == 0
    assert sum(0.1 < share < 0.9 for share in expected) > 10


DRAWN = """async ([script, masks, clouds]) => {
  const { borderOf, hull, leastRectangle, simplified } = await import(script);
  const borders = masks.map(([places, width]) => borderOf(places, width));
  return {
    borders,
    simple: borders.map((border) => simplified(border, 0.006)),
    rectangles: clouds.map((points) => leastRectangle(hull(points), 1)),
  };
}"""


def test_borders_and_rectangles_are_those_that_the_server_draws(script_page):
    made, phone = script_page
    chance = np.random.default_rng(5)
    expected, fed = [], []
    for k in range(40):
        noise = cv2.GaussianBlur(chance.normal(size=(60, 80)).astype(np.float32), (0, 0), 1 + k % 8)
        count, labels = cv2.connectedComponents((noise > 0).astype(np.uint8), connectivity=8)
        piece = max((labels == n for n in range(1, count)), key=np.sum)
        contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        expected.append(contours[0])
        fed.append([np.flatnonzero(piece).tolist(), piece.shape[1]])
    clouds = [chance.normal(0, 9, (30, 2)) @ chance.normal(size=(2, 2)) for _ in range(30)]
    said = phone.evaluate(DRAWN, [script(made, "plug_outlines.js"), fed, [c.tolist() for c in clouds]])
    for border, simple, contour in zip(said["borders"], said["simple"], expected, strict=True):
        assert border == contour[:, 0].tolist()
        fewer = cv2.approxPolyDP(contour, 0.006 * cv2.arcLength(contour, True), True)
        assert simple == fewer[:, 0].tolist()
    for corners, cloud in zip(said["rectangles"], clouds, strict=True):
        (x, y), (a, b), turn = cv2.minAreaRect(cloud.astype(np.float32))
        box = cv2.boxPoints(((x, y), (a + 1, b + 1), turn))
        apart = np.linalg.norm(np.array(corners)[:, None] - box[None], axis=2).min(axis=1)
        assert apart.max() < 0.01


NAMED = """async ([script, tries]) => {
  const { measureLight, measureRim, nameColour, rimOf } = await import(script);
  const bytes = (text) => Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
  return tries.map(({ width, height, corners, network, light, shades, ...coded }) => {
    const [picture, masks] = [bytes(coded.picture), coded.masks.map(bytes)];
    const read = (x, y, w, h) => Array.from({ length: 4 * w * h }, (_, k) => {
      const [place, c] = [k >> 2, k % 4];
      return picture[3 * ((y + Math.floor(place / w)) * width + x + (place % w)) + c];
    });
    const rim = measureRim(rimOf(corners, width, height, read), light.gains);
    return { rim, colour: nameColour(network, rim, light, shades), light: measureLight(picture, ...masks) };
  });
}"""


def test_colour_and_light_are_those_that_the_server_measures(script_page):
    made, phone = script_page
    chance = np.random.default_rng(11)
    tries, expected, seen = [], [], []
    for k in range(36):
        height, width = 70, 90
        base = chance.uniform(10, 250, 3) if k % 3 == 1 else chance.uniform(60, 230) * np.array([1.1, 1, 0.9])
        picture = np.clip(base + chance.normal(0, 5, (height, width, 3)), 0, 255).astype(np.uint8)
        middle, turn = np.array([45, 35]), chance.uniform(0, np.pi)
        axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        half = chance.uniform(2, 40, 2) if k % 6 else np.array([1.0, 1.0])
        corners = middle + (np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half) @ axes
        taught = COLOUR_CODES[:-1] if k % 5 == 4 else COLOUR_CODES  # a network that was taught one less
        network = chance.dirichlet(np.full(len(taught), 0.3))
        if k % 2:  # white or grey
            network = 0.05 * network
            network[[COLOUR_CODES.index("WH"), COLOUR_CODES.index("GY")]] += (0.9, 0.05)
        masks = [chance.random((height, width)) < share for share in ((0, 0, 0.3)[k % 3], (0, 0.3)[k % 2])]
        method = ("label paper", "neutral metal", "statistics")[k % 3]
        light = WhiteBalance(tuple(chance.uniform(0.7, 1.4, 3).tolist()), method, float(chance.random()))
        patch = measure_housing(picture, corners, light)
        near = patch[0] if patch and k % 8 == 0 else chance.uniform(20, 80, 3)
        code = COLOUR_CODES[-1] if k % 5 == 4 else "BU"
        shades = [NamedShade(code, tuple(near.tolist()))] if k % 4 == 0 else []
        tries.append(
            {
                "picture": base64.b64encode(picture).decode(),  # numbers one by one take seconds
                "width": width,
                "height": height,
                "corners": corners.tolist(),
                "network": network.tolist(),
                "light": {"gains": light.gains_rgb, "method": method, "confidence": light.confidence},
                "shades": [[shade.code, shade.lab] for shade in shades],
                "masks": [base64.b64encode(mask).decode() for mask in masks],
            }
        )
        measured = (*patch, 1 - light.confidence, shades, taught) if patch else None
        seen.append((patch, named_share(*measured) if measured else 0.0))
        expected.append(
            (
                pool_opinions(
                    dict(zip(taught, network, strict=True)),
                    classical_posterior(*measured) if measured else None,
                    seen[-1][1],
                    anchored=method == "label paper",
                ),
                measure_white_balance(picture, paper=masks[0], metal=masks[1]),
            )
        )
    said = phone.evaluate(NAMED, [script(made, "plug_colours.js"), tries])
    for one, (colour, light), (patch, _) in zip(said, expected, seen, strict=True):
        assert (one["rim"] is None) == (patch is None)
        if patch:
            assert np.allclose(one["rim"]["middle"], patch[0], atol=0.5)  # the edge of a rim by a pixel
            assert np.allclose(one["rim"]["spread"], patch[1], atol=0.5)
        assert np.allclose(one["colour"], [colour.get(code, 0) for code in COLOUR_CODES], atol=0.01)
        assert [code for code, share in zip(COLOUR_CODES, one["colour"], strict=True) if share] == list(
            colour
        )
        assert one["light"]["method"] == light.method
        assert np.allclose(one["light"]["gains"], light.gains_rgb, atol=1e-4)
        assert one["light"]["confidence"] == pytest.approx(light.confidence, abs=1e-4)
    assert {light.method for _, light in expected} == {"label paper", "neutral metal", "statistics"}
    assert any(patch is None for patch, _ in seen)
    assert any(share > 0.5 for _, share in seen)


def test_a_grey_copy_has_no_colours(script_page, see_by_every_look):
    made, phone = script_page
    out = io.BytesIO()
    Image.open(io.BytesIO(photo_bytes("mf0140"))).convert("L").save(out, "JPEG", quality=92)
    (unit,), _ = phone_plugs(see(phone, script(made), out.getvalue()))
    assert unit
    assert set(unit) == {"?"}
    assert "?" not in phone_plugs(see_by_every_look("mf0220"))[0][0]


#: Notes whether the page ever says that it looks more closely.
WATCH = """() => new MutationObserver(() => {
  if (document.querySelector(".plugs .closer")) localStorage.closer = "1";
}).observe(document.body, { childList: true, subtree: true })"""


def test_from_the_button_to_the_drawing_by_one_look_and_again_without_a_signal(one_look, serve, make_phone):
    page = make_phone(service_workers="allow")
    made = serve(phone_plugs=True)
    asked = []
    page.on("request", lambda request: asked.append(request.url))

    def kept() -> set[str]:
        return set(
            page.evaluate("""async () => {
          const found = [];
          for (const name of await caches.keys())
            for (const { url } of await (await caches.open(name)).keys())
              found.push(`${name} ${url.split("/").at(-1)}`);
          return found;
        }""")
        )

    page.goto(made.url)
    until(page, "navigator.serviceWorker.controller !== null")
    page.evaluate(WATCH)
    take(page, photo_bytes("mf0140"))
    button = page.locator(f"{FRONT} .plugs").get_by_role("button")
    button.wait_for()
    assert not [
        url for url in asked if "by-digest" in url or "onnxruntime" in url
    ]  # nothing before it is wanted
    large = {"plugface-by-digest ort-wasm-simd.wasm", "plugface-by-digest segmenter.onnx"}
    assert not kept() & large
    button.click()
    until_looked(page)
    said = page.inner_text(f"{FRONT} .plugs")
    assert "Plugs as the phone sees them" in said
    assert "not compared by the server" in said
    assert page.locator(f"{FRONT} .drawn polygon").count() >= 4
    assert len([url for url in asked if "by-digest" in url]) == 2
    page.evaluate("localStorage.removeItem('closer')")
    take(page, photo_bytes("mf0220"))  # from now on each photo is looked at
    until(
        page,
        f"document.querySelector('.plugs .told') && document.querySelector('.plugs').innerText !== {said!r}",
    )
    assert made.client.get("/api/v1/units").json()["units"] == []  # the server was asked nothing about it
    assert page.evaluate("localStorage.closer") is None  # one look left nothing open
    said = page.inner_text(f"{FRONT} .plugs .found")
    until(page, "(async () => (await (await caches.open('plugface-by-digest')).keys()).length === 2)()")
    late = [url for url in asked if "by-digest" in url or "onnxruntime" in url]
    until(page, f"Promise.all({late}.map((url) => caches.match(url))).then((all) => all.every(Boolean))")
    assert large <= kept()
    made.stop()
    page.reload()
    page.get_by_role("heading", name="No signal").wait_for()
    until_looked(page)  # the photo is still in its place, and looked at again
    assert page.inner_text(f"{FRONT} .plugs .found") == said


def test_where_it_is_switched_off_there_is_nothing_of_it(serve, phone):
    made = serve()
    phone.goto(made.url)
    take(phone, photo_bytes("mf0140"))
    phone.wait_for_selector(f"{FRONT} .taken")
    assert phone.locator(".plugs").count() == 0
    assert made.client.get(script(made, "plug_limits.js")).text == "export default null;\n"
    digest = hashlib.sha256(WEIGHTS.read_bytes()).hexdigest()
    assert made.client.get(f"/static/by-digest/{digest}/segmenter.onnx").status_code == 404
    kept = json.loads(
        made.client.get("/service-worker.js").text.splitlines()[0].removeprefix("const KEPT = ").rstrip(";")
    )
    assert kept["late"] == kept["lasting"] == []


def test_the_files_are_served_under_their_digest_and_for_long(make_yard):
    made = make_yard(phone_plugs=True)
    with made.client as client:
        lasting = made.app.state.assets.lasting
        assert {path.name for path in lasting.values()} == {"ort-wasm-simd.wasm", "segmenter.onnx"}
        for address in lasting:
            whole = client.get(f"/static/{address}", headers={"accept-encoding": "identity"})
            assert hashlib.sha256(whole.content).hexdigest() == address.split("/")[1]
            assert "immutable" in whole.headers["cache-control"]
            short = client.get(f"/static/{address}", headers={"accept-encoding": "gzip"})
            assert short.content == whole.content
            assert ("content-encoding" in short.headers) == address.endswith(".wasm")
        wrong = address.replace(address.split("/")[1], "0" * 64)
        assert client.get(f"/static/{wrong}").status_code == 404


def test_a_changed_network_is_not_run(serve, phone, tmp_path):
    made = serve(phone_plugs=True)
    data = bytearray(WEIGHTS.read_bytes())
    data[5_000_000] ^= 1
    (tmp_path / "changed.onnx").write_bytes(data)
    lasting = made.app.state.assets.lasting
    (address,) = (address for address in lasting if address.endswith("segmenter.onnx"))
    lasting[address] = tmp_path / "changed.onnx"
    phone.goto(made.url)
    take(phone, photo_bytes("mf0140"))
    phone.locator(f"{FRONT} .plugs").get_by_role("button").click()
    phone.get_by_text("What looks for plugs is not on this phone yet").wait_for()


def test_it_is_loaded_while_the_camera_opens_where_it_was_used_before_and_never_by_a_visit(serve, phone):
    made = serve(phone_plugs=True)
    asked = []
    phone.on("request", lambda request: asked.append(request.url.rsplit("/", 1)[-1]))
    for used in (False, True):
        if used:
            phone.evaluate("localStorage.setItem('plugs', '1')")
        asked.clear()
        phone.goto(made.url)
        phone.wait_for_load_state("networkidle")
        assert "plug_limits.js" in asked
        assert not {"plugs.js", "plug_maps.js", "plugs_worker.js", "ort.wasm-core.min.js"} & set(asked)
        with phone.expect_file_chooser():
            phone.locator(f"{FRONT} input.camera").click()
        if used:
            ends = time.monotonic() + 60
            while "segmenter.onnx" not in asked and time.monotonic() < ends:
                phone.wait_for_timeout(50)
        else:
            phone.wait_for_timeout(500)
        assert ("segmenter.onnx" in asked) == used


def test_the_cautions_come_first_also_of_a_plug_on_no_unit(shown):
    said = shown(seen([plug("GY"), plug("BK")], loose=[plug("OG")]))
    assert said.startswith("⚠ Caution: high voltage")
    assert HIGH_VOLTAGE.message in said
    said = shown(seen([plug("GY"), plug("YE", share=0.5)]))  # the server warns from 0.48 on
    assert said.startswith("⚠ Caution: restraint")
    assert RESTRAINT.message in said
    said = shown(seen([plug("?"), plug("?")]))
    assert COLOURS_UNKNOWN.message in said
    assert said.startswith("⚠")
    assert not shown(seen([plug("GY"), plug("YE", share=0.4)])).startswith("⚠")


def test_what_it_says_of_units_and_of_none(shown):
    said = shown(seen([plug("GY"), plug("BK", size="S"), plug("GN", share=0.6)]))
    assert "3 plugs: GY L, BK S, GN? L" in said
    assert shown.page.locator(".drawn text").all_text_contents() == ["1 GY", "2 BK", "3 GN"]
    said = shown(seen([plug("GY")], []))
    assert "Unit 1: One plug: GY L" in said
    assert "Unit 2: No plugs." in said
    assert "catalogue" not in said  # which of the two is meant is not known
    said = shown(seen([]))
    assert "No plugs." in said
    assert "catalogue" not in said  # a family without plugs is none, and a side without them tells nothing
    said = shown(seen(loose=[plug("GY")]))
    assert "No outline of a unit." in said


def test_a_plug_on_no_unit_is_never_surer_than_the_server_is(shown):
    """The server asks the verifier of each; the phone has none, and names no colour."""
    said = shown(seen(loose=[plug("GY")]))
    assert "Not sure: one thing on no outlined unit looks like a plug." in said
    assert "GY" not in said
    assert shown.page.locator(".drawn text").all_text_contents() == ["1 ?"]
    said = shown(seen([plug("BK")], loose=[plug("GY"), plug("OG")]))
    assert "One plug: BK L" in said
    assert "Not sure: 2 things" in said
    assert said.startswith("⚠ Caution: high voltage")  # a warning needs no sureness


@pytest.fixture
def no_verifier(monkeypatch, tmp_path):
    monkeypatch.setattr(verifier, "WEIGHTS", tmp_path / "none.onnx")


def test_where_the_server_has_no_verifier_plugs_on_no_unit_are_named(no_verifier, serve, phone):
    shown = Shown(serve(phone_plugs=True), phone)
    assert "No outline of a unit. One plug: GY L" in shown(seen(loose=[plug("GY")]))


def test_a_copy_of_the_catalogue_that_was_too_old_takes_no_plugs_with_it(serve, phone):
    made = serve(phone_plugs=True)
    old = made.client.get("/api/v1/numbers").json() | {"keep_days": -1}
    phone.route("**/api/v1/numbers", lambda route: route.fulfill(json=old))
    phone.goto(made.url)
    phone.fill("[name=typed]", "12V")
    phone.get_by_text("No photo was looked at").wait_for()  # the copy is kept
    phone.route("**/api/v1/numbers", lambda route: route.abort("connectionfailed"))
    shown = Shown(made, phone)
    assert "One plug: GY L" in shown(seen([plug("GY")]))
    phone.fill("[name=typed]", "12V")
    phone.get_by_text("unknown age, and is gone").wait_for()


def test_what_one_look_says_is_told_at_once_and_put_right_by_the_closer_one(shown):
    rough = seen([plug("GY"), plug("YE")])
    said = shown(None, first=rough)
    assert "2 plugs: GY L, YE L" in said
    assert said.startswith("⚠ Caution: restraint")
    assert "more closely" in said
    said = shown(seen([plug("GY"), plug("BK"), plug("GN")]), first=rough)
    until_looked(shown.page)
    said = shown.page.inner_text(f"{FRONT} .plugs")
    assert "3 plugs: GY L, BK L, GN L" in said
    assert "YE" not in said
    assert shown.page.locator(".drawn").count() == 1
    assert shown.page.locator(".drawn text").all_text_contents() == ["1 GY", "2 BK", "3 GN"]


def test_where_looking_more_closely_fails_what_was_told_first_stays(shown):
    shown(seen([plug("GY")]))
    shown(None, first=seen([plug("BK"), plug("GN")]), problem="out of memory")
    until_looked(shown.page)
    assert "2 plugs: BK L, GN L" in shown.page.inner_text(f"{FRONT} .plugs")


FITS = """async ([script, tries, families, codes]) => {
  const { fitPlugs } = await import(script);
  return tries.map((plugs) => {
    const { families: left, hidden } = fitPlugs(plugs, families, { codes });
    return [left.map(({ key }) => key), hidden];
  });
}"""


def test_which_families_are_left_is_what_trying_every_pairing_gives(script_page):
    made, phone = script_page
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    families = json.loads(index_numbers(catalogue, 30)[0])["families"]
    assert [family["plugs"] for family in families] == [
        [[c.colour, c.size] for c in family.connectors] for family in catalogue.families
    ]
    chance = np.random.default_rng(7)
    tries = []
    for family in catalogue.families:
        codes = [c.colour for c in family.connectors]
        if len(codes) > 6:
            continue
        tries.append([plug(code) for code in chance.permutation(codes)])
        tries.append([plug(code) for code in codes[1:]])
        tries.append([plug(code, share=0.5) for code in codes])
        tries.append([plug("?"), *(plug(code) for code in codes[1:])])
        wrong = [*codes[1:], str(chance.choice(COLOUR_CODES))]
        tries.append([plug(code) for code in wrong])
    doubtful = plug("GY", share=0.5)
    doubtful["colour"][COLOUR_CODES.index("BK")] = 0.4
    tries.append([doubtful, plug("BK")])
    for at in (0, 5):  # colours that cannot be told: a plug that is seen in another may be of one
        codes = [c.colour for c in catalogue.families[at].connectors]
        untaught = [plug("GY" if code in ("TQ", "BN") else code) for code in codes]
        for one in untaught:
            one["colour"] = [
                0 if c in ("TQ", "BN") else share
                for c, share in zip(COLOUR_CODES, one["colour"], strict=True)
            ]
        tries.append(untaught)

    def possible(one: dict) -> set[str]:
        if not one["colour"]:
            return set(COLOUR_CODES)
        best = max(one["colour"])
        return {
            c
            for c, share in zip(COLOUR_CODES, one["colour"], strict=True)
            if not share or share >= 0.1 or share == best
        }

    def fits(plugs: list[dict], listed: list[str]) -> bool:
        ways = itertools.permutations(listed, len(plugs)) if len(listed) <= 7 else ()
        return any(all(c in possible(p) for c, p in zip(way, plugs, strict=True)) for way in ways)

    short = [f for f in families if len(f["plugs"]) <= 7]
    said = phone.evaluate(FITS, [script(made, "plug_fit.js"), tries, short, COLOUR_CODES])
    assert any(not hidden for _, hidden in said)
    assert any(hidden and left for left, hidden in said)
    for plugs, (left, hidden) in zip(tries, said, strict=True):
        every = [f for f in short if plugs and fits(plugs, [code for code, _ in f["plugs"]])]
        whole = [f["key"] for f in every if len(f["plugs"]) == len(plugs)]
        assert (left, hidden) == ((whole, False) if whole else ([f["key"] for f in every], True))


def test_the_shades_that_a_catalogue_names_come_with_its_numbers():
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    assert json.loads(index_numbers(catalogue, 30)[0])["shades"] == []
    shade = Shade(name="Faded", code="BU", lab=((40.0, 5.0, -20.0), (44.0, 7.0, -22.0)), source="test")
    named = catalogue.model_copy(update={"head": catalogue.head.model_copy(update={"shades": (shade,)})})
    assert json.loads(index_numbers(named, 30)[0])["shades"] == [["BU", [42.0, 6.0, -21.0]]]
