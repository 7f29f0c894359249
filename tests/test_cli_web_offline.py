"""The yard page without a signal, in a real browser: what a phone keeps of it, and what it must not keep."""

import hashlib
import io
import json
import time
import tomllib
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from plugface.cli.lot.unpack import unpack_photos
from plugface.cli.web import assets as assets_module
from plugface.cli.web.icons import ICONS
from plugface.models.grouping import name_unit

KEPT = """async () => {
  const found = {};
  for (const name of await caches.keys()) {
    const keys = await (await caches.open(name)).keys();
    found[name] = keys.map((request) => new URL(request.url).pathname);
  }
  return found;
}"""


def until(page, words: str) -> None:
    """Wait for what the page itself may not evaluate: its policy allows no text as code."""
    ends = time.monotonic() + 120
    while not page.evaluate(words):
        assert time.monotonic() < ends, words
        page.wait_for_timeout(100)


def photo(number: int = 0) -> dict:
    ground = np.full((60, 80, 3), 120, np.uint8)
    ground[:: 40 + number] = np.random.default_rng(number).integers(0, 255, 3)
    out = io.BytesIO()
    Image.fromarray(ground).save(out, "JPEG")
    return {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


@pytest.fixture
def keeping(make_phone):
    """A phone that keeps the page, with `visit` to open it and wait until it is kept."""
    page = make_phone(service_workers="allow")

    def visit(url: str) -> None:
        page.goto(url)
        until(page, "navigator.serviceWorker.controller !== null")

    page.visit = visit
    return page


def test_a_signal_lost_in_the_middle_of_a_unit_loses_no_photo_and_the_page_opens_without_it(
    serve, keeping, say_online
):
    made = serve()
    keeping.visit(made.url)
    keeping.set_input_files('.shot[data-face="front"] input.camera', photo(1))
    keeping.wait_for_selector('.shot[data-face="front"] .taken')
    made.stop()
    keeping.set_input_files('.shot[data-face="back"] input.camera', photo(2))
    keeping.wait_for_selector('.shot[data-face="back"] .taken')
    keeping.click("#send:enabled")
    keeping.get_by_text("2 photos: No signal").wait_for()
    keeping.reload()  # the phone ends the page, and opens the one it keeps
    keeping.get_by_role("heading", name="No signal").wait_for()
    assert "This machine" in keeping.inner_text(".lot")
    keeping.set_input_files('.shot[data-face="front"] input.camera', photo(3))
    keeping.click("#send:enabled")
    keeping.get_by_text("No signal, or the page does not answer").first.wait_for()
    until(keeping, "document.querySelectorAll('#outbox li').length === 2")
    keeping.reload()
    until(keeping, "document.querySelectorAll('#outbox li').length === 2")
    again = serve(port=made.port)
    say_online(keeping)
    keeping.wait_for_url("**/units/*")
    keeping.wait_for_selector("#verdict")
    ends = time.monotonic() + 120
    while len(again.stand_in.asked) < 2 and time.monotonic() < ends:
        keeping.wait_for_timeout(50)
    assert sorted(len(question.photos) for question in again.stand_in.asked) == [1, 2]
    assert len(again.client.get("/api/v1/units").json()["units"]) == 2


def test_a_unit_that_was_open_opens_again_when_there_is_a_signal(serve, keeping, say_online):
    made = serve()
    keeping.visit(made.url)
    made.stop()
    keeping.goto(f"{made.url}/lot?before=9")
    keeping.get_by_role("heading", name="No signal").wait_for()
    serve(port=made.port)
    say_online(keeping)
    keeping.get_by_role("link", name="Open the page").click()
    keeping.get_by_role("heading", name="This lot so far").wait_for()
    assert keeping.url.endswith("/lot?before=9")


def test_a_browser_that_keeps_nothing_still_answers_while_the_page_is_open(serve, make_phone):
    page = make_phone()
    page.add_init_script("""
      const refuse = () => { throw new DOMException("no", "SecurityError"); };
      IDBFactory.prototype.open = refuse;
      Object.defineProperty(window, "localStorage", { get: refuse });
    """)
    made = serve()
    page.goto(made.url)
    number, _ = a_number(made)
    page.fill("[name=typed]", number)
    page.get_by_text(f"Told by {number} alone").wait_for()
    page.goto(f"{made.url}/offline")
    page.get_by_text("No lot has been opened on this phone yet").wait_for()


def test_only_the_pages_own_files_are_kept_and_nothing_of_a_lot(serve, keeping):
    made = serve()
    keeping.visit(made.url)
    keeping.set_input_files('.shot[data-face="front"] input.camera', photo(1))
    keeping.click("#send:enabled")
    keeping.wait_for_selector("#verdict")
    keeping.goto(f"{made.url}/lot")
    keeping.goto(made.url)
    assets = made.app.state.assets
    reader = (
        f"{assets.path}/vendor/zxing/share.js"  # the last one, fetched when the page has nothing else to do
    )
    until(keeping, f"caches.match('{reader}').then(Boolean)")
    ((name, paths),) = keeping.evaluate(KEPT).items()
    assert name == f"plugface-{assets.version}"
    own = {f"{assets.path}/{file}" for file in assets.names}
    assert set(paths) == own | {"/offline"}
    for path in paths:
        assert made.client.get(path, headers={"cookie": ""}).status_code == 200  # open to everybody


#: Whether no version takes over: whoever goes elsewhere while one does may wait for ever, see `leave`.
TAKEN_OVER = """navigator.serviceWorker.getRegistration().then(({ installing, waiting, active }) =>
  !installing && !waiting && active.state === "activated" && navigator.serviceWorker.controller === active)"""


def test_a_new_version_is_kept_whole_and_the_old_one_goes(serve, keeping):
    made = serve()
    keeping.visit(made.url)
    before = made.app.state.assets.version
    made.stop()
    made = serve(
        port=made.port, limits={"photo_bytes": 1_234_567}
    )  # stands in the page, so it is another one
    after = made.app.state.assets.version
    assert after != before
    keeping.goto(made.url)
    keeping.evaluate("navigator.serviceWorker.getRegistration().then((kept) => kept.update())")
    until(keeping, f"caches.keys().then((names) => names.join() === 'plugface-{after}')")
    until(keeping, TAKEN_OVER)
    made.stop()
    keeping.reload()
    keeping.get_by_role("heading", name="No signal").wait_for()
    assert keeping.get_attribute("#capture", "data-photo-bytes") == "1234567"


def a_version_waits(serve, keeping):
    """A page with a unit in hand, for which a new version waits; gives it and the version there was."""
    made = serve()
    keeping.visit(made.url)
    before = made.app.state.assets.version
    # In hand before there is a new version: a browser looks for one by itself, and it takes over at once.
    keeping.set_input_files('.shot[data-face="front"] input.camera', photo(1))
    keeping.wait_for_selector('.shot[data-face="front"] .taken')
    until(keeping, f"({WAITING})().then((kept) => kept === 'front')")
    made.stop()
    made = serve(port=made.port, limits={"photo_bytes": 1_234_567})
    keeping.evaluate("navigator.serviceWorker.getRegistration().then((kept) => kept.update())")
    until(keeping, "navigator.serviceWorker.getRegistration().then((kept) => kept.waiting !== null)")
    keeping.reload()  # the photo is still there, and so is the version
    keeping.wait_for_selector('.shot[data-face="front"] .taken')
    return made, before


def test_a_new_version_waits_while_a_unit_is_in_hand(serve, keeping):
    made, before = a_version_waits(serve, keeping)
    keeping.wait_for_timeout(1500)  # in which it would take over
    assert f"plugface-{before}" in keeping.evaluate("caches.keys()")
    keeping.click("#send:enabled")
    keeping.wait_for_selector("#verdict")
    until(keeping, "caches.keys().then((names) => names.length === 1)")
    until(keeping, TAKEN_OVER)
    keeping.goto(made.url)


#: How far a waiting version is once the page may leave, which it asked before or after the version was told.
#: The page's own patience with the version is made twenty times as long: no busy machine is to decide it.
LEFT = """async ([script, first]) => {
  const { keepPage, leave } = await import(script);
  const { setTimeout } = globalThis;
  globalThis.setTimeout = (act, ms = 0) => setTimeout(act, 20 * ms);
  const { waiting } = await navigator.serviceWorker.getRegistration();
  const left = first && leave(() => {});
  await new Promise((asked) => keepPage(async () => { setTimeout(asked); return true; }));
  waiting.dispatchEvent(new Event("statechange")); // as where it is told late that it is installed
  await (left ? new Promise((done) => setTimeout(done, 1500)) : leave(() => {}));
  return waiting.state;
}"""


def test_the_page_goes_nowhere_by_itself_while_a_new_version_takes_over(serve, keeping):
    made, _ = a_version_waits(serve, keeping)
    script = f"{made.app.state.assets.path}/keeping.js"
    assert keeping.evaluate(LEFT, [script, True]) == "installed"
    keeping.reload()
    keeping.wait_for_selector('.shot[data-face="front"] .taken')
    assert keeping.evaluate(LEFT, [script, False]) == "activated"


def enter_north(serve, keeping):
    """Start a page with the lot North, and let the phone come in and keep the page."""
    made = serve(open_lot=False, local_names=False)
    code = made.yard.add_lot("North")
    keeping.goto(f"{made.url}/enter#{code}")
    keeping.click("main button")
    keeping.get_by_text("Lot: North").wait_for()
    until(keeping, "navigator.serviceWorker.controller !== null")
    return made


def test_it_can_be_installed(serve, phone):
    made = serve()
    phone.goto(made.url)
    href = phone.get_attribute("link[rel=manifest]", "href")
    answer = made.client.get(href)
    manifest = answer.json()
    assert answer.headers["content-type"].startswith("application/manifest+json")
    assert (manifest["start_url"], manifest["display"]) == ("/", "standalone")
    sides = {(icon["sizes"], icon["purpose"]) for icon in manifest["icons"]}
    assert {("192x192", "any"), ("512x512", "any"), ("512x512", "maskable")} <= sides  # as browsers ask for
    for icon in manifest["icons"]:
        picture = made.client.get(icon["src"])
        assert picture.headers["content-type"] == icon["type"]
        if icon["type"] == "image/png":
            side = int(icon["sizes"].split("x")[0])
            assert Image.open(io.BytesIO(picture.content)).size == (side, side)
    # What the browser itself holds against it.
    session = phone.context.new_cdp_session(phone)
    found = session.send("Page.getAppManifest")
    assert found["errors"] == []
    assert {"icon-180.png"} | set(ICONS) == set(ICONS)


def test_an_old_address_of_a_file_gives_the_one_there_is(here_client):
    client, assets = here_client
    fresh = client.get(f"{assets.path}/yard.js")
    assert "immutable" in fresh.headers["cache-control"]
    old = client.get("/static/v-0123456789abcdef/yard.js")
    assert old.text == fresh.text
    assert old.headers["cache-control"] == "no-cache"
    for path in ("/static/v-x/../guard.py", f"{assets.path}/..%2fguard.py", f"{assets.path}/none.js"):
        assert client.get(path).status_code == 404


@pytest.fixture
def here_client(make_yard):
    made = make_yard()
    with made.client:
        yield made.client, made.app.state.assets


def test_only_the_readers_of_barcodes_and_plugs_may_run_webassembly(here_client):
    client, assets = here_client
    for name in assets.names:
        policy = client.get(f"{assets.path}/{name}").headers["content-security-policy"]
        assert ("wasm-unsafe-eval" in policy) == (name in ("barcode_worker.js", "plugs_worker.js")), name
        assert "'unsafe-" not in policy
    assert "wasm" not in client.get("/").headers["content-security-policy"]
    kept = client.get("/service-worker.js").text.splitlines()[0]
    assert json.loads(kept.removeprefix("const KEPT = ").rstrip(";"))["version"] == assets.version


# Barcodes on the phone

#: A camera of paper: it shows the picture whose bytes it is given.
CAMERA = """(bytes) => {
  navigator.mediaDevices.getUserMedia = async () => {
    const picture = await createImageBitmap(new Blob([new Uint8Array(bytes)], { type: "image/png" }));
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [picture.width, picture.height];
    const paint = () => canvas.getContext("2d").drawImage(picture, 0, 0);
    setInterval(paint, 50);
    paint();
    return canvas.captureStream(10);
  };
}"""


def label(*payloads: str, kind: str = "DataMatrix") -> bytes:
    """A PNG of a label with these codes on it, one below the other."""
    import zxingcpp

    parts = []
    for payload in payloads:
        code = zxingcpp.create_barcode(payload, getattr(zxingcpp.BarcodeFormat, kind))
        bars = np.array(zxingcpp.write_barcode_to_image(code, scale=4))
        parts.append(np.pad(bars, ((120, 120), (60, 60)), constant_values=230))
    width = max(part.shape[1] for part in parts)
    ground = np.vstack([np.pad(p, ((0, 0), (0, width - p.shape[1])), constant_values=230) for p in parts])
    out = io.BytesIO()
    Image.fromarray(ground).convert("RGB").save(out, "PNG")
    return out.getvalue()


def a_number(made) -> tuple[str, str]:
    """A number of the catalogue that names one family, and that family."""
    family = next(f for f in made.yard.catalogue.families if f.hazard == "none")
    return family.variants[0].service_numbers[0], family.key


def test_a_code_before_the_camera_is_answered_without_a_signal(serve, keeping):
    made = serve()
    keeping.visit(made.url)
    # The last file of what reads barcodes, which reads none without it.
    until(keeping, f"caches.match('{made.app.state.assets.path}/vendor/zxing/share.js').then(Boolean)")
    families = [f for f in made.yard.catalogue.families if f.hazard == "none"]
    made.stop()
    keeping.reload()
    keeping.get_by_role("heading", name="No signal").wait_for()
    for kind, family in zip(("DataMatrix", "Code128", "QRCode"), families, strict=False):
        number = family.variants[0].service_numbers[0]
        keeping.evaluate(CAMERA, list(label(number, kind=kind)))
        keeping.get_by_role("button", name="Read the barcode").click()
        keeping.get_by_text(f"Told by {number} alone").wait_for()
        assert keeping.input_value("[name=typed]") == number
        assert keeping.inner_text("#by-number .name").startswith(family.key)
        keeping.locator("dialog").wait_for(state="detached")


def test_of_several_codes_before_the_camera_the_one_that_tells_something_is_taken(serve, phone):
    made = serve()
    made.stand_in.shows = [("KNOT 40", "E", "front")]
    phone.goto(made.url)
    number, key = a_number(made)
    other = next(f for f in made.yard.catalogue.families if f.hazard != "none")
    phone.evaluate(CAMERA, list(label("S/N 00417233", number)))
    phone.get_by_role("button", name="Read the barcode").click()
    phone.get_by_text(f"Told by {number} alone").wait_for()
    assert phone.input_value("[name=typed]") == number
    assert phone.inner_text("#by-number .name").startswith(key)
    # What another one says is not hidden, now or when the server has answered.
    phone.evaluate(CAMERA, list(label(number, other.variants[0].service_numbers[0])))
    phone.get_by_role("button", name="Read the barcode").click()
    phone.get_by_text("fits several").wait_for()
    assert phone.input_value("[name=typed]") == number
    assert other.hazard in phone.inner_text("#by-number .caution")
    phone.click("#send:enabled")
    phone.wait_for_selector("#verdict")
    phone.locator(".contradiction", has_text=other.key).wait_for()


def test_the_separators_of_a_payload_come_through(serve, phone):
    made = serve()
    phone.goto(made.url)
    number, key = a_number(made)
    phone.evaluate(CAMERA, list(label(f"[)>\x1e06\x1d1P{number}\x1dS0004\x1e\x04")))
    phone.get_by_role("button", name="Read the barcode").click()
    phone.wait_for_selector("#by-number .name")
    assert phone.inner_text("#by-number .name").startswith(key)
    assert "␝1P" in phone.input_value("[name=typed]")
    phone.click("#send:enabled")
    phone.wait_for_selector("#verdict")  # the server takes what the phone has read


def test_the_code_in_a_photo_of_the_label_is_answered_before_it_is_sent(serve, phone):
    made = serve()
    phone.goto(made.url)
    number, key = a_number(made)
    file = {"name": "label.png", "mimeType": "image/png", "buffer": label(number)}
    phone.set_input_files('.shot[data-face="back"] input.camera', file)
    phone.get_by_text(f"Told by {number} alone").wait_for()
    assert phone.inner_text("#by-number .name").startswith(key)
    assert phone.input_value("[name=typed]") == ""


def test_where_the_reader_is_not_on_the_phone_it_is_said(serve, keeping):
    made = serve()
    keeping.add_init_script("Object.defineProperty(navigator, 'connection', { value: { saveData: true } });")
    keeping.visit(made.url)
    made.stop()
    keeping.reload()
    keeping.get_by_role("heading", name="No signal").wait_for()
    keeping.evaluate(CAMERA, list(label("12345")))
    keeping.get_by_role("button", name="Read the barcode").click()
    keeping.get_by_text("not on this phone yet").wait_for()
    keeping.get_by_role("button", name="Close").click()
    keeping.wait_for_selector("dialog", state="detached")


def test_what_others_made_is_as_it_was_published():
    folder = Path(assets_module.__file__).parent / "static" / "vendor"
    packages = tomllib.loads((folder / "SOURCES.toml").read_text(encoding="utf-8"))["package"]
    listed = {}
    for package in packages:
        assert all(package[name] for name in ("name", "version", "licence", "from", "sha256"))
        listed |= package["files"]
    there = {file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file()}
    assert there - {"SOURCES.toml"} == set(listed)
    for name, known in listed.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == known["sha256"], name


# What waits


def test_what_waits_is_saved_as_one_file_that_is_sorted(serve, keeping, tmp_path):
    made = serve()
    keeping.visit(made.url)
    made.stop()
    keeping.reload()
    number, _ = a_number(made)
    first, second = photo(1), photo(2)
    for face, file in (("front", first), ("back", second)):
        keeping.set_input_files(f'.shot[data-face="{face}"] input.camera', file)
        keeping.wait_for_selector(f'.shot[data-face="{face}"] .taken')
    keeping.fill("[name=typed]", number)
    keeping.click("#send:enabled")
    keeping.get_by_text(f"2 photos, {number}:").wait_for()
    until(keeping, "(e => e.complete && e.naturalWidth > 0)(document.querySelector('#outbox li img'))")
    with keeping.expect_download() as loading:
        keeping.get_by_role("button", name="Save all as one file").click()
    file = tmp_path / loading.value.suggested_filename
    loading.value.save_as(file)
    assert file.name in keeping.inner_text("#outbox-saved")
    with zipfile.ZipFile(file) as packed:
        assert packed.testzip() is None
        names = packed.namelist()
        unit = Path(names[0]).name.partition("-")[0]
        assert [Path(name).name for name in names] == [
            f"{unit}-front-1.jpg",
            f"{unit}-back-2.jpg",
            "unit.json",
        ]
        assert {name_unit(name) for name in names[:2]} == {unit}  # for `sort`, names of one unit
        assert len({Path(name).parent for name in names}) == 1
        assert packed.read(names[0]) == first["buffer"]
        assert packed.read(names[1]) == second["buffer"]
        assert json.loads(packed.read(names[2]))["typed"] == [number]
    unpacked = unpack_photos(file, tmp_path / "out")
    assert list(unpacked.typed.values()) == [(number,)]
    keeping.reload()
    keeping.get_by_text(f"2 photos, {number}:").wait_for()  # it is still to be sent


def test_a_browser_that_does_not_promise_to_keep_photos_is_told_of(serve, make_phone):
    made = serve()
    for promised in (True, False):
        page = make_phone()
        page.add_init_script(f"navigator.storage.persist = async () => {str(promised).lower()};")
        page.goto(made.url)
        page.route("**/photos?*", lambda route: route.abort("connectionfailed"))
        page.set_input_files('.shot[data-face="front"] input.camera', photo(1))
        page.click("#send:enabled")
        page.get_by_text("safe on this phone").wait_for()
        page.wait_for_selector("#outbox-loose", state="hidden" if promised else "visible")


def test_a_browser_that_asks_whether_it_may_keep_photos_holds_none_back(serve, make_phone):
    page = make_phone()
    page.add_init_script("navigator.storage.persist = () => new Promise(() => {});")  # nobody answers
    page.goto(serve().url)
    take(page, "front", photo(1))
    page.click("#send:enabled")
    page.wait_for_url("**/units/*")


#: Where there is no room left the browser gives up what was begun: here once the page is told so.
FULL = """
  const { put } = IDBObjectStore.prototype;
  IDBObjectStore.prototype.put = function (...what) {
    const asked = put.apply(this, what);
    if (sessionStorage.getItem("full")) this.transaction.abort();
    return asked;
  };
"""

#: What is kept of the outbox, drafts too: the faces of each unit's photos.
WAITING = """() => new Promise((done) => {
  const asked = indexedDB.open("plugface-yard", 1);
  asked.onsuccess = () => {
    const all = asked.result.transaction("outbox").objectStore("outbox").getAll();
    all.onsuccess = () => {
      asked.result.close();
      done(all.result.map(({ photos }) => photos.map(({ face }) => face).join()).join(" | "));
    };
  };
})"""


def take(page, face: str, file: dict) -> None:
    page.set_input_files(f'.shot[data-face="{face}"] input.camera', file)
    page.wait_for_selector(f'.shot[data-face="{face}"] .taken')


def fill_the_phone(page) -> None:
    page.evaluate("sessionStorage.setItem('full', '1')")


def test_where_the_phone_has_no_room_left_each_photo_goes_once(serve, make_phone, press_try_now):
    made, page, sent = serve(), make_phone(), []
    page.add_init_script(FULL)
    page.goto(made.url)
    page.route("**/photos?*", lambda route: route.abort("connectionfailed"))
    take(page, "front", photo(1))
    take(page, "back", photo(2))
    page.click("#send:enabled")
    page.get_by_text("2 photos: No signal").wait_for()
    until(page, f"({WAITING})().then((kept) => kept === 'front,back')")
    fill_the_phone(page)
    # Those that come through: the page may try once more before the route is given up.
    page.on("requestfinished", lambda one: sent.append(one.url) if one.method == "POST" else None)
    page.unroute("**/photos?*")
    press_try_now(page)
    page.wait_for_url("**/units/*")
    page.wait_for_selector("#verdict")
    assert ["front" in url for url in sent] == [True, False]
    assert len(made.stand_in.asked[-1].photos) == 2
    assert page.evaluate(WAITING) == ""


def test_where_the_phone_has_no_room_left_no_photo_stays_for_the_next_unit(serve, make_phone, press_try_now):
    made, page = serve(), make_phone()
    page.add_init_script(FULL)
    page.goto(made.url)
    take(page, "front", photo(1))
    until(page, f"({WAITING})().then((kept) => kept === 'front')")
    fill_the_phone(page)
    page.route("**/photos?*", lambda route: route.abort("connectionfailed"))
    take(page, "back", photo(2))
    page.click("#send:enabled")
    page.get_by_text("2 photos: No signal").wait_for()
    assert "does not let the page keep photos" in page.inner_text("#outbox-warning")
    until(page, f"({WAITING})().then((kept) => kept === '')")  # else the next page would show the front again
    page.unroute("**/photos?*")
    press_try_now(page)
    page.wait_for_url("**/units/*")
    page.wait_for_selector("#verdict")
    assert len(made.stand_in.asked[-1].photos) == 2


# The copy of the catalogue

COPIES = """() => new Promise((done) => {
  const asked = indexedDB.open("plugface-numbers", 1);
  asked.onupgradeneeded = () => asked.result.createObjectStore("copies", { keyPath: "lot" });
  asked.onsuccess = () => {
    const all = asked.result.transaction("copies").objectStore("copies").getAll();
    all.onsuccess = () => {
      asked.result.close();
      done(all.result.map(({ lot, copy }) => [lot, copy.catalogue.sha256]));
    };
  };
})"""

AGED = """(days) => new Promise((done) => {
  const asked = indexedDB.open("plugface-numbers", 1);
  asked.onsuccess = () => {
    const work = asked.result.transaction("copies", "readwrite");
    const copies = work.objectStore("copies");
    const all = copies.getAll();
    const age = (one) => copies.put({ ...one, asked: one.asked - days * 86_400_000 });
    all.onsuccess = () => all.result.forEach(age);
    work.oncomplete = () => { asked.result.close(); done(true); };
  };
})"""


@pytest.fixture
def in_north(serve, keeping):
    """A phone in the lot North, whose copy is there, and the page with its code."""
    made = enter_north(serve, keeping)
    until(keeping, f"({COPIES})().then((all) => all.length === 1)")
    return made


def test_whoever_leaves_the_lot_leaves_no_copy_and_the_page_without_a_signal_says_so(in_north, keeping):
    keeping.get_by_role("button", name="Leave this lot").click()
    keeping.wait_for_url("**/enter")
    assert keeping.evaluate(COPIES) == []
    in_north.stop()
    keeping.goto(in_north.url)
    keeping.get_by_text("No lot has been opened on this phone yet").wait_for()
    assert keeping.is_hidden("#capture")
    assert "North" not in keeping.inner_text("body")


def test_a_code_that_was_changed_takes_the_copy_with_it(in_north, keeping):
    in_north.yard.add_lot("North", new_code=True)
    keeping.goto(in_north.url)
    keeping.wait_for_url("**/enter")
    until(keeping, f"({COPIES})().then((all) => all.length === 0)")
    in_north.stop()
    keeping.goto(in_north.url)
    keeping.get_by_text("No lot has been opened on this phone yet").wait_for()
    assert "North" not in keeping.inner_text("body")


def test_also_where_the_phone_was_without_a_signal_meanwhile(in_north, make_yard, serve, keeping, say_online):
    number, _ = a_number(in_north)
    in_north.stop()
    keeping.reload()
    keeping.fill("[name=typed]", number)
    keeping.get_by_text(f"Told by {number} alone").wait_for()
    unseen = make_yard(open_lot=False, local_names=False)  # the phone looks for a signal by itself, too
    unseen.yard.add_lot("North", new_code=True)
    unseen.yard.close()
    serve(port=in_north.port, open_lot=False, local_names=False)
    say_online(keeping)
    until(keeping, f"({COPIES})().then((all) => all.length === 0)")


def test_a_changed_catalogue_is_fetched_anew_an_unchanged_one_is_not_and_its_age_is_said(in_north, keeping):
    answers = []
    keeping.on("response", lambda a: answers.append(a.status) if a.url.endswith("/numbers") else None)
    with keeping.expect_response("**/api/v1/numbers"):
        keeping.reload()
    assert answers == [304]
    head = in_north.yard.catalogue.head.model_copy(update={"name": "Another name"})
    in_north.yard.catalogue = in_north.yard.catalogue.model_copy(update={"head": head, "sha256": "f" * 64})
    vars(in_north.yard).pop("numbers")
    keeping.reload()
    until(keeping, f"({COPIES})().then((all) => all[0][1] === '{'f' * 64}')")
    number, key = a_number(in_north)
    in_north.stop()
    keeping.reload()
    keeping.fill("[name=typed]", number)
    keeping.get_by_text("“Another name”").wait_for()
    for older, said, there in ((3, "3 days ago", True), (28, "too old, or of unknown age", False)):
        keeping.evaluate(AGED, older)
        keeping.reload()
        keeping.fill("[name=typed]", number)
        keeping.get_by_text(said).wait_for()
        assert (key in keeping.inner_text("#by-number")) == there
        assert len(keeping.evaluate(COPIES)) == there


def test_a_copy_that_was_compared_while_the_clock_was_ahead_is_of_unknown_age(in_north, keeping):
    number, _ = a_number(in_north)
    in_north.stop()
    for ahead, said in ((0.5, "this minute"), (1, "of unknown age, and is gone")):
        keeping.evaluate(AGED, -ahead)
        keeping.reload()
        keeping.fill("[name=typed]", number)
        keeping.get_by_text(said).wait_for()
    assert keeping.evaluate(COPIES) == []


def test_on_a_line_that_hangs_a_number_is_answered_all_the_same(serve, make_phone):
    made, page, hanging = serve(), make_phone(), []
    number, _ = a_number(made)
    page.route("**/api/v1/numbers", lambda route: hanging.append(route))  # never answered
    page.goto(made.url)
    page.fill("[name=typed]", number)
    page.get_by_text("no copy of the catalogue yet").wait_for()
    assert hanging
    page.unroute("**/api/v1/numbers")
    page.reload()
    page.fill("[name=typed]", number)
    page.get_by_text(f"Told by {number} alone").wait_for()  # from the copy that the phone has now
    page.route("**/api/v1/numbers", lambda route: hanging.append(route))
    for path in ("/", "/offline"):
        page.goto(made.url + path)
        page.fill("[name=typed]", number)
        page.get_by_text(f"Told by {number} alone").wait_for()
    page.wait_for_selector("#signal")


def test_an_answer_from_the_kept_copy_is_given_anew_once_the_server_has_another(in_north, keeping):
    number, _ = a_number(in_north)
    head = in_north.yard.catalogue.head.model_copy(update={"name": "Another name"})
    in_north.yard.catalogue = in_north.yard.catalogue.model_copy(update={"head": head, "sha256": "f" * 64})
    vars(in_north.yard).pop("numbers")
    late = []
    keeping.route("**/api/v1/numbers", lambda route: late.append(route))
    with keeping.expect_request("**/api/v1/numbers"):
        keeping.reload()
    keeping.fill("[name=typed]", number)
    keeping.get_by_text(f"Told by {number} alone").wait_for()
    assert "Another name" not in keeping.inner_text("#by-number")
    (asked,) = late
    asked.continue_()
    keeping.get_by_text("“Another name”").wait_for()


def test_the_catalogue_is_given_to_nobody_without_a_code(serve):
    made = serve(open_lot=False, local_names=False)
    made.yard.add_lot("North")
    answer = made.client.get("/api/v1/numbers")
    assert answer.status_code == 401
    assert "numbers" not in answer.json()
