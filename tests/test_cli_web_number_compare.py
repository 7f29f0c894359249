"""What a number said on the phone held against what the server made of the photos, in a real browser."""

import io
import json

import numpy as np
import pytest
from PIL import Image
from plugface.cli.settings import demo_folder
from plugface.cli.web.number_index import index_numbers
from plugface.models.catalogue.entries import load_catalogue

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


def label(payload: str) -> dict:
    import zxingcpp

    code = zxingcpp.create_barcode(payload, zxingcpp.BarcodeFormat.DataMatrix)
    bars = np.array(zxingcpp.write_barcode_to_image(code, scale=4))
    ground = np.full((bars.shape[0] + 240, bars.shape[1] + 120), 230, np.uint8)
    ground[120 : 120 + bars.shape[0], 60 : 60 + bars.shape[1]] = bars
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


def test_whoever_leaves_the_lot_leaves_nothing_that_was_read(serve, phone, catalogue):
    made = serve(open_lot=False, local_names=False)
    phone.goto(f"{made.url}/enter#{made.yard.add_lot('North')}")
    phone.click("main button")
    phone.get_by_text("Lot: North").wait_for()
    send(phone, made, number_of(catalogue, "KNOT 40", "E"))
    phone.get_by_role("button", name="Leave this lot").click()
    phone.wait_for_url("**/enter")
    assert phone.evaluate("localStorage.getItem('read')") is None
