"""Shades that a catalogue names: their colours, and which of them look alike."""

import shutil
from pathlib import Path

import pytest
from plugface.models.catalogue.check import check_catalogue
from plugface.models.catalogue.entries import CatalogueError, Shade, load_catalogue
from plugface.models.catalogue.shades import difference, middle_lab, name_shades

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"


def with_shades(tmp_path: Path, text: str) -> Path:
    folder = tmp_path / "own"
    shutil.copytree(DEMO, folder)
    with (folder / "catalogue.toml").open("a", encoding="utf-8") as file:
        file.write(text)
    return folder


@pytest.mark.parametrize(
    ("rgb", "lab"),
    # White, black and the red primary of IEC 61966-2-1 in CIE L*a*b* for D65; widely tabulated, from memory.
    [((255, 255, 255), (100, 0, 0)), ((0, 0, 0), (0, 0, 0)), ((255, 0, 0), (53.24, 80.09, 67.20))],
)
def test_srgb_examples_become_lab(rgb, lab):
    assert middle_lab(Shade(name="x", code="RD", srgb=(rgb,))) == pytest.approx(lab, abs=0.05)


def test_examples_of_one_name_are_averaged_over_all_entries(tmp_path):
    text = """
[[shades]]
name = "slate"
code = "TQ"
lab = [[40, 0, -20], [44, -4, -16]]

[[shades]]
name = "slate"
code = "TQ"
lab = [[46, -6, -18]]
"""
    catalogue = load_catalogue(with_shades(tmp_path, text))
    code, lab = name_shades(catalogue)["slate"]
    assert code == "TQ"
    assert lab == pytest.approx((44, -4, -18))


def test_the_hash_tells_that_a_shade_was_added(tmp_path):
    folder = with_shades(tmp_path, '\n[[shades]]\nname = "slate"\ncode = "TQ"\nlab = [[40, 0, -20]]\n')
    assert load_catalogue(folder).sha256 != load_catalogue(DEMO).sha256


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('code = "TQ"', "it has no example"),
        ('code = "TEAL"\nlab = [[40, 0, -20]]', "code"),
        ('code = "TQ"\nlab = [[400, 0, -20]]', "100.0 or less"),
        ('code = "TQ"\nsrgb = [[0, 256, 0]]', "255 or less"),
    ],
)
def test_a_slip_in_a_shade_is_one_sentence(tmp_path, lines, said):
    with pytest.raises(CatalogueError, match=said) as caught:
        load_catalogue(with_shades(tmp_path, f'\n[[shades]]\nname = "slate"\n{lines}\n'))
    assert caught.value.file == "catalogue.toml"


def test_check_names_shades_that_contradict_or_resemble_each_other(tmp_path):
    text = "".join(
        f'\n[[shades]]\nname = "{name}"\ncode = "{code}"\nlab = [{lab}]\n'
        for name, code, lab in (
            ("slate", "TQ", [40, 0, -20]),
            ("slate", "BU", [40, 0, -20]),
            ("dusk", "VT", [41, 1, -20]),
            ("brick", "RD", [40, 40, 30]),
        )
    )
    problems = [p for p in check_catalogue(load_catalogue(with_shades(tmp_path, text))) if p.rule == "shades"]
    assert [p.severity for p in problems] == ["error", "warning"]
    assert '"slate" is coded TQ and BU' in problems[0].message
    assert '"slate" (TQ) and "dusk" (VT)' in problems[1].message


def test_difference_is_ciede2000():
    # Sharma, Wu & Dalal (2005), Table 1, first pair; written down from memory.
    assert difference((50, 2.6772, -79.7751), (50, 0, -82.7485)) == pytest.approx(2.0425, abs=5e-5)
