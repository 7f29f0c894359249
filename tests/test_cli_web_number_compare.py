"""What a number said on the phone held against what the server made of the photos, in a real browser."""

import io
import json

import numpy as np
import pytest
from PIL import Image
from plugface.cli.settings import demo_folder
from plugface.cli.web.number_index import index_numbers
from plugface.models.catalogue.entries import CostTable, load_catalogue

CONTRADICTS = """async ([script, tries, copy]) => {
  const { contradictions } = await import(script);
  const { openCopy } = await import(script.replace("compare", "answer"));
  const opened = openCopy(copy);
  const told = ({ entry, family, variants }) => [entry, family.key, variants ?? null];
  return tries.map(([entries, answer]) => contradictions(entries, answer, opened).map(told));
}"""


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(demo_folder() / "marrow_finch")


def number_of(catalogue, key: str, variant: str | None = None) -> str:
    family = next(f for f in catalogue.families if f.key == key)
    return next(v for v in family.variants if variant in (None, v.key)).service_numbers[0]


def label(*payloads: str) -> dict:
    """A photo of these codes, one below the other."""
    import zxingcpp

    parts = []
    for payload in payloads:
        code = zxingcpp.create_barcode(payload, zxingcpp.BarcodeFormat.DataMatrix)
        bars = np.array(zxingcpp.write_barcode_to_image(code, scale=4))
        parts.append(np.pad(bars, ((120, 120), (60, 60)), constant_values=230))
    width = max(part.shape[1] for part in parts)
    ground = np.vstack([np.pad(p, ((0, 0), (0, width - p.shape[1])), constant_values=230) for p in parts])
    out = io.BytesIO()
    Image.fromarray(ground).convert("RGB").save(out, "PNG")
    return {"name": "label.png", "mimeType": "image/png", "buffer": out.getvalue()}


def send(page, made, number: str) -> None:
    """Send a unit whose label, photographed, bears this code; the photos are answered with KNOT 40 E."""
    page.goto(made.url)
    page.set_input_files('.shot[data-face="back"] input.camera', label(number))
    page.get_by_text(f"Told by {number} alone").wait_for()
    page.click("#send:enabled")
    page.wait_for_selector("#verdict")


def test_a_number_of_another_family_is_shown_first(serve, phone, catalogue):
    made = serve()
    made.stand_in.shows = [("KNOT 40", "E", "front")]
    hazard = next(f for f in catalogue.families if f.hazard != "none")
    other = hazard.variants[0].service_numbers[0]
    send(phone, made, other)
    phone.wait_for_selector(".contradiction")
    first = phone.locator("#content > section:visible").first
    assert "contradiction" in first.get_attribute("class")
    after = """document.querySelector('.contradiction').compareDocumentPosition(
      document.querySelector('[data-verdict]')) & Node.DOCUMENT_POSITION_FOLLOWING"""
    assert phone.evaluate(after)
    said = phone.inner_text(".contradiction")
    assert f"By {other} alone this is {hazard.key}" in said
    assert "The photos were answered with: " in said
    assert "KNOT 40" in said.partition("answered with")[2]
    assert f"Caution: {hazard.hazard}" in said


def test_no_code_of_a_photo_hides_another(serve, phone, catalogue):
    made = serve()
    made.stand_in.shows = [("KNOT 40", "E", "front")]
    hazard = next(f for f in catalogue.families if f.hazard != "none")
    other = hazard.variants[0].service_numbers[0]
    phone.goto(made.url)
    phone.set_input_files('.shot[data-face="back"] input.camera', label("S/N 00417233", other))
    phone.get_by_text(f"Told by {other} alone").wait_for()
    assert hazard.hazard in phone.inner_text("#by-number .caution")
    both = label(number_of(catalogue, "KNOT 40", "E"), other)
    phone.set_input_files('.shot[data-face="back"] input.camera', both)
    phone.get_by_text("fits several: ").wait_for()
    assert hazard.hazard in phone.inner_text("#by-number .caution")
    phone.click("#send:enabled")
    phone.wait_for_selector("#verdict")
    phone.locator(".contradiction", has_text=hazard.key).wait_for()


def test_both_codes_of_a_photo_are_told_anew_once_the_server_has_another_copy(serve, phone, catalogue):
    made = serve()
    hazard = next(f for f in catalogue.families if f.hazard != "none")
    with phone.expect_response("**/api/v1/numbers"):
        phone.goto(made.url)
    phone.fill("[name=typed]", "12V")
    phone.get_by_text("No photo was looked at").wait_for()  # the copy is kept
    head = made.yard.catalogue.head.model_copy(update={"name": "Another name"})
    made.yard.catalogue = made.yard.catalogue.model_copy(update={"head": head, "sha256": "f" * 64})
    vars(made.yard).pop("numbers", None)
    late = []
    phone.route("**/api/v1/numbers", lambda route: late.append(route))
    with phone.expect_request("**/api/v1/numbers"):
        phone.reload()
    both = label(f"(240){number_of(catalogue, 'KNOT 40', 'E')}(21)12345678", number_of(catalogue, hazard.key))
    phone.set_input_files('.shot[data-face="back"] input.camera', both)
    phone.get_by_text("fits several: ").wait_for()
    assert "Another name" not in phone.inner_text("#by-number")
    late[0].continue_()
    phone.get_by_text("“Another name”").wait_for()
    assert hazard.hazard in phone.inner_text("#by-number .caution")
    phone.unroute("**/api/v1/numbers")


def test_where_both_agree_nothing_is_said(serve, phone, catalogue):
    made = serve()
    made.stand_in.shows = [("KNOT 40", "E", "front")]
    with phone.expect_response("**/api/v1/numbers"):
        send(phone, made, number_of(catalogue, "KNOT 40", "E"))
    phone.wait_for_load_state("networkidle")
    assert phone.locator(".contradiction").count() == 0
    assert phone.evaluate("localStorage.getItem('read')") is not None  # it was compared


def test_what_contradicts_and_what_does_not(serve, phone, catalogue):
    made = serve()
    phone.goto(made.url)
    copy = json.loads(index_numbers(catalogue, 30)[0])
    several = next(
        f for f in catalogue.families if len({n for v in f.variants for n in v.service_numbers}) > 1
    )
    first, second = several.variants[0], several.variants[1]
    number = first.service_numbers[0]
    fitting = [v.key for v in several.variants if number in v.service_numbers]
    rest = [v.key for v in several.variants if v.key not in fitting]
    other = next(f.key for f in catalogue.families if f.key != several.key)

    def answer(verdict: str, families: list[str], variants: list[str]) -> dict:
        return {"verdict": verdict, "families": families, "variants": variants}

    tries = {
        "the same": ([number], answer("identified", [several.key], fitting), []),
        "another": ([number], answer("identified", [other], []), [[number, several.key, None]]),
        "one of several": ([number], answer("ambiguous", [other, several.key], []), []),
        "none of several": ([number], answer("ambiguous", [other], []), [[number, several.key, None]]),
        "not listed": ([number], answer("not_in_catalogue", [], []), [[number, several.key, None]]),
        "nothing to see": ([number], answer("unreadable", [], []), []),
        "another variant": (
            [number],
            answer("identified", [several.key], rest),
            [[number, several.key, fitting]],
        ),
        "not a number": (["HELLO", f"S/N {number}"], answer("identified", [other], []), []),
        "said twice": ([number, number], answer("identified", [other], []), [[number, several.key, None]]),
    }
    assert second.key in rest
    script = f"{made.app.state.assets.path}/number_compare.js"
    said = phone.evaluate(CONTRADICTS, [script, [[e, a] for e, a, _ in tries.values()], copy])
    for (name, (_, _, wanted)), found in zip(tries.items(), said, strict=True):
        assert found == wanted, name


def test_a_variant_that_stays_open_is_still_contradicted_by_what_is_listed(serve, phone, catalogue):
    """Costs under which no suffix tells its variant: another one in the photos is told all the same."""
    made = serve()
    phone.goto(made.url)
    strict = catalogue.head.model_copy(update={"costs": CostTable(wrong_accept=5000.0)})
    copy = json.loads(index_numbers(catalogue.model_copy(update={"head": strict}), 30)[0])
    entry = f"{number_of(catalogue, 'KNOT 40', 'E')} E"
    answers = [{"verdict": "identified", "families": ["KNOT 40"], "variants": [key]} for key in "EG"]
    script = f"{made.app.state.assets.path}/number_compare.js"
    said = phone.evaluate(CONTRADICTS, [script, [[[entry], answer] for answer in answers], copy])
    assert said == [[], [[entry, "KNOT 40", ["E"]]]]


def test_whoever_leaves_the_lot_leaves_nothing_that_was_read(serve, phone, catalogue):
    made = serve(open_lot=False, local_names=False)
    phone.goto(f"{made.url}/enter#{made.yard.add_lot('North')}")
    phone.click("main button")
    phone.get_by_text("Lot: North").wait_for()
    send(phone, made, number_of(catalogue, "KNOT 40", "E"))
    phone.get_by_role("button", name="Leave this lot").click()
    phone.wait_for_url("**/enter")
    assert phone.evaluate("localStorage.getItem('read')") is None
