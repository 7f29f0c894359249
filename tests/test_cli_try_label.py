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


def test_a_serial_below_its_caption_says_nothing(run):
    ran = run("catalogue", "try", "K58214/302", "SERIAL NO", "K31248/115")
    words = " ".join(ran.out.split())
    assert "K31248/115 K31248/115 nothing says nothing" in words
    assert "listed for CURLEW 3" not in words
    assert "By the label alone: KNOT 40" in words
    # Where nothing else has the form of a number, the serial's own value was not read.
    ran = run("catalogue", "try", "DATE", "S/N", "42508749", "K27418/052")
    assert "By the label alone: AUK 11" in " ".join(ran.out.split())
    ran = run("catalogue", "try", "S/N", "1037446 K58214/302 REV E")
    words = " ".join(ran.out.split())
    assert "K58214/302 number listed for KNOT 40" in words
    assert "suffix of KNOT 40 E" in words


def test_a_payload_is_split_by_its_standard(run):
    ran = run("catalogue", "try", "--payload", "[)>\x1e06\x1dPK58214/302\x1d2PF\x1dS0004\x1e\x04")
    words = " ".join(ran.out.split())
    for told in ("P customer's part number", "2P revision", "S serial", "listed for KNOT 40 F", "Variant F"):
        assert told in words
    assert "[)>␞06␝PK58214/302␝2PF␝S0004" in ran.out
    assert "\\[" not in ran.out
    assert not {"\x1d", "\x1e"} & set(ran.out)


def test_each_number_of_a_payload_is_told_with_its_own_owners(run):
    words = " ".join(run("catalogue", "try", "--payload", "K31248/115;K58214/302").out.split())
    assert " K31248/115 number listed for CURLEW 3 late K58214/302 number listed for KNOT 40" in words


def test_a_suffix_in_a_line_of_its_own_is_told(run):
    words = " ".join(run("catalogue", "try", "K58214/302", "E").out.split())
    assert "E suffix suffix of KNOT 40 E" in words
    # Of a family that the label names, and of no other.
    assert "suffix of" not in " ".join(run("catalogue", "try", "K31248/115", "E").out.split())


def test_a_serial_in_a_code_of_its_own_is_named_so(run):
    words = " ".join(run("catalogue", "try", "--payload", "S43477996").out.split())
    assert "S43477996 S43477996 other S serial" in words
    assert "By the label alone: No answer" in words


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


def test_a_photo_that_is_not_there_is_no_line_of_a_label(run, tmp_path):
    ran = run("catalogue", "try", str(tmp_path / "back.jpg"))
    assert ran.code == 2
    assert "there is no photo" in ran.err


def test_no_variant_is_told_of_a_family_that_is_not_named(run):
    ran = run("catalogue", "try", "D31999/112")
    assert "most likely in no family" in " ".join(ran.out.split())
    assert "Variant" not in ran.out
