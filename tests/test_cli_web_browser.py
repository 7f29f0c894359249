"""The yard page in a real browser, as a phone shows it: the whole path, bad signal, bad files, a wrong code.

Skipped where the machine has no Chromium. What is looked for is what a person would see and use.
"""

import io
import itertools
import re
import time

import numpy as np
import pillow_heif
import pytest
from PIL import Image

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

PHONE = {"viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True}


def picture(kind: str = "JPEG", size=(80, 60), number: int = 0) -> dict:
    rng = np.random.default_rng(number)
    ground = np.full((size[1], size[0], 3), 120, np.uint8)
    ground[:: 40 + number] = rng.integers(0, 255, 3)
    out = io.BytesIO()
    Image.fromarray(ground).save(out, kind)
    return {"name": f"photo.{kind.lower()}", "mimeType": f"image/{kind.lower()}", "buffer": out.getvalue()}


def take(page, face: str, file: dict) -> None:
    page.set_input_files(f'.shot[data-face="{face}"] input.camera', file)


def wait_for_answer(page) -> None:
    """Wait for a unit's answer and for the scripts beside it: what is pressed before them is lost.

    While a unit is asked about again its page shows the answer before, and loads itself anew then.
    """
    page.wait_for_url("**/units/*")
    page.locator("#unit[data-state=answered]").wait_for(state="attached")
    page.wait_for_selector("#verdict")
    page.wait_for_load_state()


def wait_until(settled) -> None:
    until = time.monotonic() + 120
    while not settled():
        assert time.monotonic() < until
        time.sleep(0.02)


def wait_for_state(made, unit: str, state: str = "answered") -> None:
    """Wait until the server has a unit so far."""
    wait_until(lambda: made.client.get(f"/api/v1/units/{unit}").json()["state"] == state)


def begin_typed(made, unit: str, **said) -> None:
    """Begin a unit by what is said of it, and wait for its answer: a page opened before loads itself anew."""
    made.client.put(f"/api/v1/units/{unit}", json=said)
    wait_for_state(made, unit)


#: The faces of the photos that a phone keeps before they are sent, as `keepDraft` has written them.
DRAFT = """() => new Promise((done) => {
  const asked = indexedDB.open("plugface-yard", 1);
  asked.onsuccess = () => {
    const all = asked.result.transaction("outbox").objectStore("outbox").getAll();
    all.onsuccess = () => {
      asked.result.close();
      done(all.result.flatMap(({ draft, photos }) => (draft ? photos : [])).map(({ face }) => face).join());
    };
  };
})"""


#: Contrast of a colour with what lies behind an element (WCAG 2.2, relative luminance).
_CONTRAST = """
      const parse = (c) => (c.match(/[\\d.]+/g) ?? [0, 0, 0, 0]).map(Number);
      const lum = ([r, g, b]) => [r, g, b].map((v) => v / 255)
        .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
        .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
      const ground = (e) => {
        for (; e; e = e.parentElement) {
          const c = parse(getComputedStyle(e).backgroundColor);
          if (c.length < 4 || c[3] > 0) return c;
        }
        return [255, 255, 255];
      };
      const against = (colour, e) => {
        const [a, b] = [lum(parse(colour)), lum(ground(e))].sort((x, y) => y - x);
        return (a + 0.05) / (b + 0.05);
      };
"""


def contrast(page) -> list[str]:
    """Texts below the AA contrast of WCAG 2.2 (1.4.3): 4.5, or 3 where they are large."""
    return page.evaluate(
        f"() => {{{_CONTRAST}"
        """
      const bad = [];
      for (const e of document.querySelectorAll("body *")) {
        const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
        if (!own || !e.checkVisibility() || e.closest("svg, :disabled")) continue;
        const style = getComputedStyle(e);
        const px = parseFloat(style.fontSize);
        const large = px >= 24 || (px >= 18.66 && Number(style.fontWeight) >= 700);
        const ratio = against(style.color, e);
        const what = `${ratio.toFixed(1)} ${e.tagName} ${e.textContent.trim().slice(0, 40)}`;
        if (ratio < (large ? 3 : 4.5)) bad.push(what);
      }
      return bad;
    }"""
    )


def nameless(page) -> list[str]:
    """Controls and pictures without a name for a screen reader, and targets too small for a thumb."""
    return page.evaluate(
        """() => {
      const bad = [];
      for (const e of document.querySelectorAll("input, select, button, a")) {
        if (!e.checkVisibility()) continue;
        const labels = [...(e.labels ?? [])].map((l) => l.textContent.trim()).join("");
        if (!(e.ariaLabel || e.textContent.trim() || labels)) bad.push(`no name: ${e.outerHTML}`);
        const target = e.type === "file" || e.type === "checkbox" ? e.labels[0] : e;
        const inText = e.tagName === "A" && getComputedStyle(e).display === "inline";
        const box = target.getBoundingClientRect();
        const small = !inText && !e.classList.contains("skip") && box.height < 43;
        if (small) bad.push(`small: ${e.outerHTML.slice(0, 80)}`);
      }
      const silent = document.querySelectorAll("img:not([alt]), [role=img]:not([aria-label])");
      for (const e of silent) bad.push(e.outerHTML.slice(0, 80));
      return bad;
    }"""
    )


#: Contrast of the line around what has the focus, or around the label that stands for it; 0 without a line.
_OUTLINE = (
    f"() => {{{_CONTRAST}"
    """
  const e = document.activeElement;
  const marked = e.type === "file" ? e.closest("label") : e;
  const { outlineStyle, outlineColor, outlineOffset } = getComputedStyle(marked);
  const inside = parseFloat(outlineOffset) < 0;
  return outlineStyle === "none" ? 0 : against(outlineColor, inside ? marked : marked.parentElement);
}"""
)


def check_page(page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert contrast(page) == []
    assert nameless(page) == []
    low = "links => links.filter((a) => a.getBoundingClientRect().height < 44).map((a) => a.textContent)"
    assert page.eval_on_selector_all(":is(.crumb, main > p) > a", low) == []  # for a thumb
    levels = page.evaluate(
        "[...document.querySelectorAll('h1, h2, h3, h4')].filter((e) => e.checkVisibility())"
        ".map((e) => Number(e.tagName[1]))"
    )
    assert levels.count(1) == 1
    assert all(next <= before + 1 for before, next in itertools.pairwise(levels))  # no level left out


def test_the_whole_path_on_a_phone(serve, phone):
    made = serve()
    made.stand_in.gate.clear()
    phone.goto(made.url)
    check_page(phone)
    assert phone.get_attribute('.shot[data-face="front"] input.camera', "capture") == "environment"
    assert phone.is_disabled("#send")
    take(phone, "front", picture(number=1))
    phone.wait_for_selector('.shot[data-face="front"] .taken')
    take(phone, "back", picture(number=2))
    phone.wait_for_selector('.shot[data-face="back"] .taken')
    phone.click(".wishes summary")
    phone.fill("[name=claimed]", "KNOT 40")
    phone.select_option("[name=throttle]", "electronic")
    check_page(phone)
    phone.click("#send")
    phone.wait_for_url("**/units/*")
    assert "Your photo is safe" in phone.inner_text(".pending")
    check_page(phone)
    made.stand_in.gate.set()
    wait_for_answer(phone)
    assert "KNOT 40" in phone.inner_text("#verdict")
    assert phone.locator("figure svg").count() == 2
    assert "KNOT 40" in phone.inner_text(".opinion")
    assert phone.locator(".fit").count() == 1
    assert phone.evaluate("document.activeElement.id") in ("verdict", "content")  # read aloud at once
    check_page(phone)
    phone.select_option("#confirm [name=what]", "KNOT 40:E")
    phone.fill("#confirm [name=who]", "Jo")
    phone.click("#confirm button")
    phone.get_by_text("Recorded: KNOT 40 E. Thank you.").wait_for()
    assert phone.is_disabled("#confirm button")
    phone.fill("#confirm [name=note]", "label read twice")
    assert phone.is_enabled("#confirm button")
    phone.goto(made.url)
    phone.get_by_text("Checked: KNOT 40 E").wait_for()
    check_page(phone)


def test_the_next_photo_is_asked_for_with_a_sketch_and_goes_to_the_same_unit(serve, phone):
    made = serve()
    made.stand_in.shows = [("AUK 11", "early", "front"), ("AUK 11", "early", "back")]
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    wait_for_answer(phone)
    first = phone.url
    sketch = phone.locator(".next .sketch")
    wait_until(lambda: sketch.evaluate("e => e.complete && e.naturalWidth > 0"))
    assert sketch.get_attribute("alt").startswith("Sketch:")
    phone.set_input_files(".next input.camera", picture(number=2))
    phone.get_by_text("Photo 2", exact=True).first.wait_for()
    assert phone.url == first
    assert len(made.stand_in.asked[-1].photos) == 2


def test_photos_outlive_a_page_that_the_phone_ended_and_a_dropped_connection(serve, phone, say_online):
    made = serve()
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.wait_for_selector("#send:enabled")
    wait_until(lambda: phone.evaluate(DRAFT) == "front")  # it is written behind what is shown
    phone.reload()
    phone.wait_for_selector('.shot[data-face="front"] .taken')
    assert phone.locator("#outbox").is_hidden()  # nobody has asked for an answer yet
    take(phone, "back", picture(number=2))
    phone.wait_for_selector('.shot[data-face="back"] .taken')
    phone.route("**/photos?*", lambda route: route.abort("connectionfailed"))
    phone.click("#send:enabled")
    phone.get_by_text("safe on this phone").wait_for()
    check_page(phone)
    phone.reload()
    phone.get_by_text("safe on this phone").wait_for()
    assert made.client.get("/api/v1/units").json()["units"] == []
    phone.unroute("**/photos?*")
    say_online(phone)  # as the phone says when it is back
    wait_for_answer(phone)
    assert len(made.stand_in.asked[-1].photos) == 2
    phone.goto(made.url)
    phone.wait_for_selector("#outbox", state="hidden")
    assert phone.locator(".taken:visible").count() == 0
    assert len(made.client.get("/api/v1/units").json()["units"]) == 1


OPEN_A_DIALOG = "() => document.body.appendChild(document.createElement('dialog')).showModal()"


def test_whoever_has_the_next_unit_in_hand_is_not_torn_away_from_it(serve, phone, say_online):
    made = serve()
    for number, take_in_hand in enumerate(
        (
            lambda: phone.fill("#capture [name=typed]", "K27418/052"),
            lambda: take(phone, "front", picture(number=9)),
            lambda: phone.evaluate(OPEN_A_DIALOG),
        )
    ):
        phone.goto(made.url)
        phone.route("**/photos?*", lambda route: route.abort("connectionfailed"))
        take(phone, "back", picture(number=number))
        phone.click("#send:enabled")
        phone.get_by_text("1 photo: No signal").wait_for()
        take_in_hand()
        phone.unroute("**/photos?*")
        say_online(phone)
        phone.wait_for_selector("#arrived")
        assert phone.url == f"{made.url}/"
        if number == 0:
            assert phone.input_value("#capture [name=typed]") == "K27418/052"
            check_page(phone)
            phone.get_by_role("link", name="See the answer").click()
            wait_for_answer(phone)
        elif number == 1:
            phone.wait_for_selector('.shot[data-face="front"] .taken')
            phone.click("#send:enabled")
            wait_for_answer(phone)


def test_an_answer_that_is_lost_on_the_way_makes_no_second_unit(serve, phone):
    made = serve()
    lost = []

    def lose_the_first_answer(route):
        if not lost:
            lost.append(route.fetch().status)  # the page has the photo; the phone never hears of it
            route.abort("connectionreset")
        else:
            route.continue_()

    phone.route("**/photos?*", lose_the_first_answer)
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    wait_for_answer(phone)
    assert lost == [202]
    (unit,) = made.client.get("/api/v1/units").json()["units"]
    assert len(made.client.get(f"/api/v1/units/{unit['id']}").json()["photos"]) == 1


#: Notes all that the outbox says: what is shown for a moment may be gone when a test looks.
HEAR = """() => {
  const box = document.querySelector("#outbox");
  const note = () => { sessionStorage.heard = (sessionStorage.heard ?? "") + box.textContent; };
  new MutationObserver(note).observe(box, { childList: true, characterData: true, subtree: true });
}"""


def test_a_slow_connection_shows_how_far_it_is(serve, phone):
    made = serve()
    phone.goto(made.url)
    phone.evaluate(HEAR)
    noise = np.random.default_rng(0).integers(0, 255, (330, 330, 3)).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "PNG")  # 330 kB, sent as it is
    take(phone, "front", {"name": "n.png", "mimeType": "image/png", "buffer": out.getvalue()})
    phone.wait_for_selector("#send:enabled")
    slow = phone.context.new_cdp_session(phone)
    rates = {"offline": False, "latency": 300, "downloadThroughput": 60_000, "uploadThroughput": 150_000}
    slow.send("Network.enable")
    slow.send("Network.emulateNetworkConditions", rates)
    phone.click("#send")
    wait_for_answer(phone)
    heard = re.findall(r"Sending, (\d+) %", phone.evaluate("sessionStorage.heard"))
    assert any(0 < int(percent) < 100 for percent in heard), heard


def test_a_large_photo_is_made_smaller_before_it_is_sent(serve, phone):
    made = serve()
    phone.goto(made.url)
    take(phone, "front", picture(size=(3200, 2400)))
    phone.click("#send:enabled")
    phone.wait_for_url("**/units/*")
    (unit,) = made.client.get("/api/v1/units").json()["units"]
    kept = Image.open(made.yard.shelf.place(unit["first_photo"]))
    assert kept.size == (3000, 2250)


def test_a_heic_that_the_browser_cannot_open_is_sent_as_it_is(serve, phone):
    pillow_heif.register_heif_opener()
    made = serve()
    phone.goto(made.url)
    take(phone, "front", picture("HEIF"))
    phone.wait_for_selector('.shot[data-face="front"] .unseen')
    assert "ready to be sent" in phone.inner_text(".unseen")
    check_page(phone)
    phone.click("#send:enabled")
    wait_for_answer(phone)


def test_a_unit_the_page_will_not_have_yet_does_not_hold_the_next_and_can_be_removed(serve, phone):
    made = serve()
    turned_away = []

    def turn_the_first_away(route):
        unit = route.request.url.split("/units/")[1][:32]
        turned_away.append(unit)
        if unit != turned_away[0]:
            route.continue_()
            return
        said = '{"error": "It could not be written to disk", "hint": ""}'
        route.fulfill(status=503, headers={"retry-after": "300"}, content_type="application/json", body=said)

    phone.route("**/photos?*", turn_the_first_away)
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    phone.get_by_text("could not be written to disk").wait_for()
    take(phone, "front", picture(number=2))
    phone.click("#send:enabled")
    wait_for_answer(phone)
    phone.goto(made.url)
    phone.get_by_text("could not be written to disk").wait_for()
    phone.get_by_role("button", name="Remove").click()
    phone.wait_for_selector("#outbox", state="hidden")


#: Presses the button in the moment in which it comes, before the page does anything else.
TRY_NOW_AT_ONCE = """() => {
  const shown = () => [...document.querySelectorAll("#outbox button")]
    .find((one) => one.textContent === "Try now" && !one.hidden);
  const watch = new MutationObserver(() => {
    if (!shown()) return;
    watch.disconnect();
    shown().click();
  });
  watch.observe(document.querySelector("#outbox"), { childList: true, attributes: true, subtree: true });
}"""


def test_whoever_presses_try_now_as_it_comes_waits_no_longer(serve, phone):
    made, turned_away = serve(), []

    def turn_away_once(route):
        if turned_away:
            route.continue_()
            return
        turned_away.append(route)
        said = '{"error": "It could not be written to disk", "hint": ""}'
        route.fulfill(status=503, headers={"retry-after": "300"}, content_type="application/json", body=said)

    phone.route("**/photos?*", turn_away_once)
    phone.goto(made.url)
    phone.evaluate(TRY_NOW_AT_ONCE)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    wait_for_answer(phone)
    assert turned_away


def test_a_signal_that_comes_back_while_a_photo_is_still_failing_is_not_forgotten(serve, phone, say_online):
    made, failing = serve(), []
    phone.route("**/photos?*", lambda route: route.continue_() if failing else failing.append(route))
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    wait_until(lambda: phone.evaluate("1") and failing)
    say_online(phone)
    failing[0].fulfill(status=502, headers={"retry-after": "300"}, body="")  # as a proxy may say
    wait_for_answer(phone)


def test_an_oversize_file_is_said_on_the_phone(serve, phone):
    made = serve(limits={"photo_bytes": 20_000})
    phone.goto(made.url)
    take(phone, "front", {"name": "a.heic", "mimeType": "image/heic", "buffer": bytes(30_000)})
    phone.get_by_text("it has 0.03 MB, at most 0.02 MB are taken").wait_for()
    playwright.expect(phone.locator("#capture > .problem")).to_be_in_viewport(ratio=1)
    assert phone.is_disabled("#send")


def test_a_full_queue_is_said_and_the_photo_waits_on_the_phone(serve, phone, jpeg, press_try_now):
    made = serve(limits={"waiting_units": 1})
    made.stand_in.gate.clear()
    made.client.post(f"/api/v1/units/{'a' * 32}/photos", content=jpeg(1))
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    phone.get_by_text("1 units are waiting already").wait_for()
    waits = re.compile(r"Trying again in \d+ s\. All of it is safe")
    playwright.expect(phone.locator("#outbox")).to_contain_text(waits)
    made.stand_in.gate.set()
    wait_for_state(made, "a" * 32)
    press_try_now(phone)
    wait_for_answer(phone)


def test_a_full_disk_is_not_called_a_bad_signal(serve, phone):
    made = serve(limits={"free_disk_bytes": 2**62})
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    phone.get_by_text("disk of this page is full").wait_for()
    assert "No signal" not in phone.inner_text("#outbox")


def test_a_wrong_code_then_the_right_one(serve, phone):
    made = serve(open_lot=False, local_names=False)
    code = made.yard.add_lot("North")
    phone.goto(made.url)
    phone.wait_for_url("**/enter")
    check_page(phone)
    phone.fill("[name=code]", "AAAA-AAAAA-AAAAA")
    phone.keyboard.press("Enter")
    playwright.expect(phone.get_by_role("alert")).to_contain_text("not a code")
    check_page(phone)
    phone.goto(f"{made.url}/enter#{code}")
    playwright.expect(phone.locator("[name=code]")).to_have_value(code)  # a change behind the # is told later
    phone.keyboard.press("Tab")
    phone.click("button")
    phone.get_by_text("Lot: North").wait_for()
    assert phone.evaluate("document.cookie") == ""


def test_who_waits_for_an_answer_with_a_code_that_has_ended_is_asked_for_one(serve, phone):
    made = serve(open_lot=False, local_names=False)
    phone.goto(f"{made.url}/enter#{made.yard.add_lot('North')}")
    phone.click("main button")
    phone.get_by_text("Lot: North").wait_for()
    made.stand_in.gate.clear()
    phone.fill("[name=typed]", "K27418/052")
    phone.click("#send")
    phone.wait_for_selector(".pending")
    made.yard.add_lot("North", new_code=True)
    phone.wait_for_url("**/enter")


def test_the_name_of_whoever_checked_goes_when_the_lot_is_left(serve, phone):
    made = serve(open_lot=False, local_names=False)
    phone.goto(f"{made.url}/enter#{made.yard.add_lot('North')}")
    phone.click("main button")
    phone.get_by_text("Lot: North").wait_for()
    phone.fill("[name=typed]", "K27418/052")
    phone.click("#send")
    wait_for_answer(phone)
    phone.fill("#confirm [name=who]", "Jo")
    phone.click("#confirm button")
    phone.get_by_text("Recorded: AUK 11").wait_for()
    phone.reload()
    assert phone.input_value("#confirm [name=who]") == "Jo"
    phone.get_by_role("button", name="Leave this lot").click()
    phone.wait_for_url("**/enter")
    assert phone.evaluate("Object.keys(localStorage)") == []


def test_the_other_pages_are_fit_for_a_phone(serve, phone):
    made = serve()
    for path in ("/lot", "/api", "/nothing", "/enter"):
        phone.goto(made.url + path)
        check_page(phone)


def test_the_keyboard_reaches_everything_in_order(serve, phone):
    made = serve()
    phone.goto(made.url)
    reached = []
    for _ in range(12):
        phone.keyboard.press("Tab")
        reached.append(phone.evaluate("document.activeElement.className || document.activeElement.tagName"))
        assert phone.evaluate(_OUTLINE) >= 3  # WCAG 2.2, 1.4.11
    shot = ["camera", "gallery", "light"]
    assert reached[:11] == ["skip", "brand", *shot, *shot, "INPUT", "scan", "SUMMARY"]


def test_a_refused_photo_is_said_holds_nothing_else_back_and_can_be_removed(serve, phone):
    made = serve()
    phone.goto(made.url)
    no_photo = {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": b"this is no photo"}
    take(phone, "front", no_photo)
    phone.get_by_text("seems to be damaged").wait_for()
    check_page(phone)
    phone.click("#send:enabled")
    phone.get_by_text("it is not a picture").wait_for()
    check_page(phone)
    # The same bytes will be refused for ever, so that nobody is asked to try again.
    assert phone.get_by_role("button", name="Try now").count() == 0
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    wait_for_answer(phone)  # the refused one stays listed, and the answer comes all the same
    phone.wait_for_selector("#outbox")  # once the phone's store is open, which may be after the answer
    phone.goto(made.url)
    take(phone, "front", no_photo)
    take(phone, "back", picture(number=2))
    phone.click("#send:enabled")
    wait_for_answer(phone)  # by the photo that was taken
    assert len(made.stand_in.asked[-1].photos) == 1
    check_page(phone)
    phone.goto(made.url)
    for left in (1, 0):
        phone.get_by_role("button", name="Remove").first.click()
        playwright.expect(phone.get_by_role("button", name="Remove")).to_have_count(left)
    phone.wait_for_selector("#outbox", state="hidden")


def test_a_slip_beside_the_photos_is_said_before_they_go_and_can_be_corrected(serve, phone):
    made = serve()
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.wait_for_selector("#send:enabled")
    phone.click(".wishes summary")
    for field, slip, right in (("claimed", "KNOT 4O", "knot 40 : e"), ("partner", "KNOT 99", "KNOT 40")):
        phone.fill(f"[name={field}]", slip)
        phone.click("#send")
        phone.get_by_text(f"the catalogue has no “{slip}”").wait_for()
        playwright.expect(phone.locator("#capture > .problem")).to_be_in_viewport(ratio=1)
        check_page(phone)
        phone.fill(f"[name={field}]", right)
    tabbed = "e => { e.value = 'K27418/052\\tA'; e.dispatchEvent(new Event('input', { bubbles: true })); }"
    phone.locator("[name=typed]").evaluate(tabbed)  # as it is pasted out of a table
    phone.click("#send")
    wait_for_answer(phone)
    asked = made.stand_in.asked[-1]
    assert (len(asked.photos), asked.typed, asked.claimed) == (1, ("K27418/052 A",), "KNOT 40:E")
    assert asked.needs["partner"] == "KNOT 40"


def test_what_was_said_beside_photos_and_is_refused_holds_neither_them_nor_the_number_back(serve, phone):
    made = serve()

    def refuse_the_claim(route):
        if route.request.method == "PUT" and '"claimed"' in route.request.post_data:
            said = '{"error": "there is no family \\"KNOT 40\\"", "hint": ""}'
            route.fulfill(status=422, content_type="application/json", body=said)
        else:
            route.continue_()

    phone.route(re.compile(r"/api/v1/units/\w+$"), refuse_the_claim)  # the catalogue was changed meanwhile
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.wait_for_selector("#send:enabled")
    phone.click(".wishes summary")
    phone.fill("[name=claimed]", "KNOT 40")
    phone.fill("[name=typed]", "K27418/052")
    phone.click("#send")
    wait_for_answer(phone)
    assert (len(made.stand_in.asked[-1].photos), made.stand_in.asked[-1].typed) == (1, ("K27418/052",))
    # The page draws what the phone keeps once its store is open, which may be after the answer.
    said = 'Sent without what was said beside it: there is no family "KNOT 40"'
    phone.locator("#outbox li", has_text=said).wait_for()
    assert phone.get_by_role("button", name="Try now").count() == 0
    check_page(phone)
    phone.locator("#outbox").get_by_role("button", name="Remove").click()
    phone.wait_for_selector("#outbox", state="hidden")


def test_a_number_alone_is_answered_and_a_scanner_needs_no_tap(serve, phone):
    made = serve()
    phone.goto(made.url)
    assert phone.is_disabled("#send")
    phone.click("[name=typed]")
    phone.keyboard.type("K27418/052")
    made.stand_in.gate.clear()
    phone.keyboard.press("Enter")  # as a handheld scanner ends
    phone.wait_for_url("**/units/*")
    assert "photo" not in phone.inner_text(".pending")
    made.stand_in.gate.set()
    wait_for_answer(phone)
    assert "AUK 11" in phone.inner_text("#verdict")
    assert made.stand_in.asked[-1].typed == ("K27418/052",)
    assert "Typed or scanned" in phone.inner_text(".seen")
    assert phone.locator("figure:not(.face)").count() == 0  # no photo; the drawing of the family is there
    check_page(phone)
    # Beside a photo: the number goes to the unit that is shown.
    made.stand_in.shows = [("AUK 11", "early", "front")]
    phone.goto(made.url)
    take(phone, "front", picture(number=1))
    phone.click("#send:enabled")
    wait_for_answer(phone)
    first = phone.url
    phone.fill("#typed [name=typed]", "K27418/052")
    phone.click("#typed button")
    phone.locator(".seen h3", has_text="Typed or scanned").wait_for()
    assert phone.url == first
    asked = made.stand_in.asked[-1]
    assert (len(asked.photos), asked.typed) == (1, ("K27418/052",))


def test_numbers_typed_one_after_the_other_without_a_signal_are_all_sent(serve, phone, press_try_now):
    made = serve()
    unit = "a" * 32
    begin_typed(made, unit, typed=["K27418/052"])
    phone.goto(f"{made.url}/units/{unit}")
    phone.wait_for_selector("#verdict")
    made.stand_in.gate.clear()
    phone.route(f"**/units/{unit}", lambda route: route.abort("connectionfailed"))
    for number in ("AAA-11111", "BBB-22222"):
        phone.fill("#typed [name=typed]", number)
        phone.click("#typed button")
        phone.locator("#outbox li", has_text=number).wait_for()
    all_of_them = "Number K27418/052, AAA-11111, BBB-22222: No signal"
    playwright.expect(phone.locator("#outbox")).to_contain_text(all_of_them)
    assert "photo" not in phone.inner_text("#outbox")
    phone.unroute(f"**/units/{unit}")
    press_try_now(phone)
    phone.wait_for_selector("#outbox", state="hidden")
    typed = made.client.get(f"/api/v1/units/{unit}").json()["typed"]
    assert typed == ["K27418/052", "AAA-11111", "BBB-22222"]


def test_a_number_that_was_mistyped_can_be_taken_back(serve, phone):
    made = serve()
    unit = "a" * 32
    wrong, right = "K99999/999", "K27418/052"
    begin_typed(made, unit, claimed="AUK 11", typed=[wrong])
    phone.goto(f"{made.url}/units/{unit}")
    phone.wait_for_selector("#verdict")
    assert phone.locator("#typed .entries button").count() == 0  # nothing else tells this unit yet
    phone.fill("#typed [name=typed]", right)
    phone.keyboard.press("Enter")
    remove = phone.get_by_role("button", name=f"Remove: {wrong}")
    remove.wait_for()
    wait_for_answer(phone)  # to both numbers: until then the page may load itself anew at any time
    check_page(phone)
    phone.route(f"**/api/v1/units/{unit}", lambda route: route.abort("connectionfailed"))
    remove.click()
    phone.get_by_text("The page does not answer").wait_for()
    phone.unroute(f"**/api/v1/units/{unit}")
    phone.route("**/photos?*", lambda route: route.abort("connectionfailed"))
    phone.set_input_files(".next input.camera", picture(number=1))
    phone.get_by_text("1 photo: No signal").wait_for()
    remove.click()
    remove.wait_for(state="detached")
    phone.get_by_text("1 photo: ").wait_for()  # what waits is still to be sent
    said = made.client.get(f"/api/v1/units/{unit}").json()
    assert (said["typed"], said["claimed"]) == ([right], "AUK 11")
    wait_for_state(made, unit)
    assert made.stand_in.asked[-1].typed == (right,)
    wait_for_answer(phone)
    assert "AUK 11" in phone.inner_text("#verdict")


#: What is put arrives a second and a half late: until then the page asks four times for an answer.
_LATE_PUTS = """() => {
  const { open, send } = XMLHttpRequest.prototype;
  XMLHttpRequest.prototype.open = function (method, ...rest) {
    this.late = method === "PUT" ? 1500 : 0;
    return open.call(this, method, ...rest);
  };
  XMLHttpRequest.prototype.send = function (body) {
    if (this.late) setTimeout(() => send.call(this, body), this.late);
    else send.call(this, body);
  };
}"""


def test_an_answer_that_comes_meanwhile_breaks_no_removal_off(serve, phone):
    made = serve()
    unit = "a" * 32
    wrong, right = "K99999/999", "K27418/052"
    begin_typed(made, unit, typed=[wrong])
    made.stand_in.gate.clear()
    made.client.put(f"/api/v1/units/{unit}", json={"typed": [wrong, right]})
    phone.goto(f"{made.url}/units/{unit}")
    remove = phone.get_by_role("button", name=f"Remove: {wrong}")
    remove.wait_for()
    phone.wait_for_load_state()  # the gate keeps the page as it is
    phone.evaluate(_LATE_PUTS)
    remove.click()
    made.stand_in.gate.set()
    remove.wait_for(state="detached")
    assert made.client.get(f"/api/v1/units/{unit}").json()["typed"] == [right]


def test_a_photo_that_arrives_meanwhile_breaks_no_removal_off(serve, phone):
    made = serve()
    unit = "a" * 32
    wrong, right = "K99999/999", "K27418/052"
    begin_typed(made, unit, typed=[wrong, right])
    held = []
    phone.route("**/photos?*", lambda route: held.append(route))
    phone.goto(f"{made.url}/units/{unit}")
    phone.set_input_files(".next input.camera", picture(number=1))
    wait_until(lambda: phone.evaluate("1") and held)
    remove = phone.get_by_role("button", name=f"Remove: {wrong}")
    phone.evaluate(_LATE_PUTS)
    remove.click()
    held[0].continue_()
    remove.wait_for(state="detached")
    assert made.client.get(f"/api/v1/units/{unit}").json()["typed"] == [right]


@pytest.fixture(scope="module")
def answered(open_script_page):
    """A page that answers two photos of one unit, for tests of what can be done with an answer."""
    with open_script_page() as (made, page, faults):
        made.stand_in.shows = [("AUK 11", "early", "front"), ("AUK 11", "early", "back")]
        take(page, "front", picture(number=1))
        take(page, "back", picture(number=2))
        page.click("#send:enabled")
        wait_for_answer(page)
        yield page
        assert not faults


def test_the_truth_is_chosen_from_the_catalogue_and_begins_with_the_proposal(answered):
    told = answered.inner_text("#verdict")
    expected = "AUK 11:early" if "variant" in told else "AUK 11"
    assert answered.input_value("#confirm [name=what]") == expected
    offered = answered.locator("#confirm [name=what] option").all_inner_texts()
    assert {"AUK 11", "AUK 11:early", "KNOT 40:E"} <= set(offered)
    answered.fill("#confirm [name=who]", "Jo")
    answered.click("#confirm button")
    answered.get_by_text(f"Recorded: {expected.replace(':', ' ')}. Thank you.").wait_for()


def test_the_truth_is_what_was_said_last_and_is_recorded_once(answered):
    sent = []
    answered.on(
        "request",
        lambda request: request.url.endswith("/confirmations") and sent.append(request.post_data_json),
    )
    none, what = answered.locator("#confirm [name=none]"), answered.locator("#confirm [name=what]")
    answered.fill("#confirm [name=who]", "Jo")
    none.check()
    assert what.input_value() == ""
    what.select_option("KNOT 40:E")
    assert not none.is_checked()
    none.check()
    answered.evaluate("() => { const b = document.querySelector('#confirm button'); b.click(); b.click(); }")
    answered.get_by_text("Recorded: in no family of this catalogue. Thank you.").wait_for()
    what.select_option("KNOT 40:E")
    answered.click("#confirm button")
    answered.get_by_text("Recorded: KNOT 40 E. Thank you.").wait_for()
    assert [(one["family"], one["variant"]) for one in sent] == [("", ""), ("KNOT 40", "E")]
    answered.goto(answered.url)  # as the next test may want it


def test_the_answer_can_be_sent_back_as_text(answered):
    # A promise is waited for; the page's policy lets no text be evaluated again and again.
    answered.evaluate(
        """() => { globalThis.shared = new Promise((done, fail) => {
          navigator.share = async (what) => done(what.text);
          setTimeout(() => fail(new Error("nothing was shared")), 60_000);
        }); }"""
    )
    answered.get_by_role("button", name="Send it back").click()
    text = answered.evaluate("globalThis.shared")
    assert "AUK 11" in text
    assert "%" in text
    check_page(answered)
    # Where the browser shares nothing it is copied, or marked for copying.
    answered.reload()
    answered.evaluate("delete Navigator.prototype.share; navigator.share = undefined;")
    answered.get_by_role("button", name="Send it back").click()
    answered.wait_for_selector("#share .said:visible")
    assert "AUK 11" in answered.input_value("#share textarea")
    assert answered.evaluate(
        "(e => e.scrollHeight <= e.clientHeight + 1)(document.querySelector('#share textarea'))"
    )
    check_page(answered)


def test_where_the_browser_can_switch_a_light_the_camera_opens_with_it(serve, browser):
    made = serve()
    context = browser.new_context(**PHONE, permissions=["camera"])
    context.set_default_timeout(60_000)
    page = context.new_page()
    # A camera of paper with a light: what the browser of a phone gives.
    page.add_init_script("""
      globalThis.lit = [];
      const canvas = document.createElement("canvas");
      canvas.width = 640; canvas.height = 480;
      const paint = () => { canvas.getContext("2d").fillRect(0, 0, 640, 480); };
      navigator.mediaDevices.getSupportedConstraints = () => ({ torch: true });
      navigator.mediaDevices.getUserMedia = async () => {
        setInterval(paint, 200);
        const stream = canvas.captureStream(10);
        const [track] = stream.getVideoTracks();
        track.getCapabilities = () => ({ torch: true });
        track.applyConstraints = async (asked) => { globalThis.lit.push(asked.advanced[0].torch); };
        return stream;
      };
    """)
    page.goto(made.url)
    page.locator(".shot .light").first.click()
    page.wait_for_selector("dialog.camera[open]")
    page.get_by_role("button", name="Light off", exact=True).click()
    page.get_by_role("button", name="Light on", exact=True).wait_for()
    assert page.evaluate("globalThis.lit") == [True, False]
    shown = page.evaluate(
        """async () => { const video = document.querySelector("dialog video");
          for (let turn = 0; turn < 1200 && !video.videoWidth; turn++)
            await new Promise((done) => setTimeout(done, 50));
          return video.videoWidth; }"""
    )
    assert shown > 0
    page.get_by_role("button", name="Take the photo").click()
    page.wait_for_selector('.shot[data-face="front"] .taken[src]')
    page.click("#send:enabled")
    page.wait_for_url("**/units/*")
    context.close()


def test_without_a_light_nothing_is_offered(serve, phone):
    phone.add_init_script("navigator.mediaDevices.getSupportedConstraints = () => ({});")
    phone.goto(serve().url)
    phone.wait_for_selector(".shot")
    assert phone.locator(".light").count() == 0


def test_the_page_without_a_signal_is_fit_for_a_phone_whatever_it_says(serve, phone, some):
    made = serve()
    phone.goto(made.url)  # which tells the phone what lot it is
    phone.fill("[name=typed]", "12V")
    phone.get_by_text("No photo was looked at").wait_for()  # and has given it its copy of the catalogue
    phone.goto(f"{made.url}/offline")
    phone.wait_for_selector("#capture")
    check_page(phone)
    families = made.yard.catalogue.families
    numbers = [variant.service_numbers[0] for family in families for variant in family.variants[:2]]
    others = (f"{numbers[0]} {numbers[-1]}", numbers[0][:-1] + "#", "12V", families[0].key)
    for entry in (*some(numbers, 3), *others):
        phone.fill("[name=typed]", entry)
        phone.get_by_text("No photo was looked at").wait_for()
        phone.locator("#by-number", has_text=entry.split()[0].rstrip("#")).wait_for()
        check_page(phone)


def test_the_keyboard_reaches_the_number_first_where_there_is_no_signal(serve, phone):
    made = serve()
    phone.goto(made.url)
    phone.goto(f"{made.url}/offline")
    phone.wait_for_selector("#capture")
    phone.wait_for_selector("#signal")  # a link to the page, for there is a signal here
    reached = []
    for _ in range(6):
        phone.keyboard.press("Tab")
        reached.append(phone.evaluate("document.activeElement.className || document.activeElement.name"))
        assert phone.evaluate(_OUTLINE) >= 3
    assert reached == ["skip", "brand", "button", "typed", "scan", "camera"]


STORED_BY_A_TEST = """async () => {
  const there = [localStorage.mine, sessionStorage.mine, document.cookie.includes("mine")];
  there.push(await caches.has("mine"), (await indexedDB.databases()).some(({ name }) => name === "mine"));
  localStorage.mine = sessionStorage.mine = "1";
  document.cookie = "mine=1";
  await caches.open("mine");
  await new Promise((done) => { indexedDB.open("mine").onsuccess = done; });
  return there.filter(Boolean);
}"""


def test_a_phone_has_nothing_of_the_test_before(serve, lend_phones):
    made, lent, asked = serve(), [], []
    for first in (True, False):
        with lend_phones() as (make, faults):
            page = make()
            page.goto(made.url)
            assert page.evaluate(STORED_BY_A_TEST) == []
            if first:
                page.on("request", lambda request: asked.append(request.url))
                page.route("**/*", lambda route: route.abort())
        assert not faults
        lent.append(page)
        if first:
            asked.clear()  # the first page still fetches when it has been shown
    assert lent[0] is lent[1]
    assert asked == []


def test_the_page_of_the_test_before_asks_for_nothing_more(serve, lend_phones):
    made, lent, asked = serve(), [], []
    for _ in range(2):
        with lend_phones() as (make, _faults):
            lent.append(make())
            lent[-1].on("request", lambda request: asked.append(request.url))
            lent[-1].wait_for_timeout(200)
            assert asked == []
            lent[-1].goto(made.url)
            lent[-1].evaluate("setInterval(() => fetch('/healthz'), 20)")
        asked.clear()
    assert lent[0] is lent[1]
