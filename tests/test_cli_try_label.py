"""`plugface catalogue try`: what a catalogue makes of a text, a payload or a photo, field by field."""

import re

from plugface.cli.evaluation.label_laboratory import Print, draw_picture


def test_number_suffix_and_what_says_nothing_are_told_apart(run):
    ran = run("catalogue", "try", "UNIT No K58214/302", "REV E", "DATE 12/04")
    assert ran.code == 0
    words = " ".join(ran.out.split())
    assert "K58214/302 number listed for KNOT 40" in words
    assert "suffix of KNOT 40 E" in words
    assert "says nothing" in ran.out
    assert "By the label alone: KNOT 40" in ran.out
    assert "Variant E" in ran.out


def test_a_payload_is_split_by_its_standard(run):
    ran = run("catalogue", "try", "--payload", "[)>\x1e06\x1dPK58214/302\x1d2PF\x1dS0004\x1e\x04")
    words = " ".join(ran.out.split())
    for told in ("P customer's part number", "2P revision", "S serial", "listed for KNOT 40 F", "Variant F"):
        assert told in words


def test_a_number_that_no_family_lists_is_said(run):
    assert "no family lists it" in " ".join(run("catalogue", "try", "OE 9911 2233 07").out.split())


def test_a_photo_of_a_label_is_read(run, tmp_path):
    from PIL import Image

    path = tmp_path / "label.png"
    Image.fromarray(draw_picture(Print(("UNIT No K58214/302", "REV E", "12V")))).save(path)
    ran = run("catalogue", "try", path)
    assert ran.code == 0
    assert "By the label alone: KNOT 40" in ran.out


def test_nothing_to_try_is_refused(run):
    ran = run("catalogue", "try")
    assert ran.code == 2
    assert "--payload" in ran.err


def test_a_number_with_other_spaces_and_strokes_than_its_pattern_is_found(run, tmp_path):
    folder = tmp_path / "own"
    assert run("catalogue", "new", folder, "--defaults").code == 0
    (entry,) = (path for path in folder.glob("*.toml") if path.name != "catalogue.toml")
    text = re.sub(r"service_numbers = \[[^\]]*\]", 'service_numbers = ["62-6630-1"]', entry.read_text())
    text = re.sub(r"(?m)^service_number = .*$", "service_number = '^62-\\\\d{4}-\\\\d$'", text)
    entry.write_text(text)
    for printed in ("62-6630-1", "62 6630 1", "PART 62.6630.1"):
        words = " ".join(run("catalogue", "try", printed, "--catalogue", folder).out.split())
        assert "number listed for" in words, printed
    assert "and no variant lists it" in " ".join(
        run("catalogue", "try", "62 6630 2", "--catalogue", folder).out.split()
    )
