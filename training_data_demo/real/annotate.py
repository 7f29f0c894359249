"""Annotate photos by looking: a grid to read corners from, a check of what was written, outlines drawn back.

    python -m plugface.demo.real.annotate show ID --photos P --out grid.jpg [--box X0 Y0 X1 Y1]
    python -m plugface.demo.real.annotate put FILE.json --photos P --annotations A --clear T
    python -m plugface.demo.real.annotate overlay ID --photos P --annotations A --out outlines.jpg
    python -m plugface.demo.real.annotate sheet ID ID ... --photos P --annotations A --out sheet.jpg

`put` takes one annotation or a list. What is written on a photo goes in clear into T, which stays at home:
annotations keep length and SHA-256 of a line's letters and digits, and SHA-256 of those of a code's payload.
"""

import argparse
import hashlib
import json
import math
import sys
from pathlib import Path

from plugface.demo.real.pictures import draw_grid, draw_outlines, find_photo, lay_out, open_shown
from plugface.demo.real.records import LISTS, find_faults, normalised

GRID_SIDE, OUTLINE_SIDE = 1400, 1200  # pixels: as large as a screen shows whole
#: A click may land so far beside the picture, pixels; it is moved onto its edge.
_BESIDE = 1


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def hash_written(annotation: dict) -> tuple[dict, dict]:
    """An annotation without anything in clear, and what was in clear.

    Parameters
    ----------
    annotation : as a person wrote it: lines with `text`, codes with `payload` or without

    Returns
    -------
    annotation : dict
        Lines have height in pixels, length and hash; codes have the payload's hash or None.
    clear : dict
        Texts of the lines and payloads of the codes, in the same order.
    """
    lines = []
    for line in annotation.get("lines", []):
        text, corners = normalised(line["text"]), line["polygon"]
        sides = (
            (math.dist(corners[0], corners[3]), math.dist(corners[1], corners[2]))
            if len(corners) == 4
            else (0,)
        )
        known = {k: v for k, v in line.items() if k != "text"}
        height = round(sum(sides) / len(sides), 1)
        lines.append(known | {"height_px": height, "length": len(text), "sha256": _sha256(text)})
    codes = []
    for code in annotation.get("codes", []):
        payload = code.get("payload")
        known = {k: v for k, v in code.items() if k != "payload"}
        codes.append(known | {"sha256": None if payload is None else _sha256(normalised(payload))})
    clear = {
        "lines": [line["text"] for line in annotation.get("lines", [])],
        "codes": [code.get("payload") for code in annotation.get("codes", [])],
    }
    return annotation | {"lines": lines, "codes": codes}, clear


def complete(annotation: dict, width: int, height: int) -> dict:
    """An annotation with what goes without saying filled in, and clicks just beside the picture moved in."""
    whole = {name: [dict(item) for item in annotation.get(name, [])] for name in LISTS}
    for unit in whole["units"]:
        unit.setdefault("cut_off", False)
        unit.setdefault("sure", True)
    for plug in whole["plugs"]:
        plug.setdefault("unit", 0 if whole["units"] else None)
        for name, usual in (("mated", False), ("cut_off", False), ("sure", True), ("order", None)):
            plug.setdefault(name, usual)
    for name in LISTS:
        for item in whole[name]:
            item["polygon"] = [[_onto(x, width), _onto(y, height)] for x, y in item["polygon"]]
    return annotation | whole


def _onto(value: float, most: int) -> float:
    return min(max(value, 0), most) if -_BESIDE <= value <= most + _BESIDE else value


def show(options: argparse.Namespace) -> None:
    """Write a photo with a grid."""
    picture = open_shown(find_photo(options.photos, options.id))
    draw_grid(picture, tuple(options.box) if options.box else None, GRID_SIDE).save(options.out, quality=85)
    print(f"{options.out}: photo of {picture.width} x {picture.height} pixels")


def put(options: argparse.Namespace) -> None:
    """Check annotations and keep those that hold; each that does not is a line."""
    given = json.loads(options.file.read_text(encoding="utf-8"))
    options.annotations.mkdir(parents=True, exist_ok=True)
    options.clear.mkdir(parents=True, exist_ok=True)
    kept = 0
    given = given if isinstance(given, list) else [given]
    for annotation in given:
        name = str(annotation.get("id", "(no id)"))
        try:
            width, height = open_shown(find_photo(options.photos, name)).size
            row, clear = hash_written(complete(annotation, width, height))
            faults = find_faults(row, width, height)
        except (OSError, KeyError, TypeError, ValueError) as error:
            faults = [f"{type(error).__name__}: {error}"]
        if faults:
            print(f"{name}: not kept. {'; '.join(faults)}")
            continue
        (options.annotations / f"{name}.json").write_text(json.dumps(row) + "\n", encoding="utf-8")
        (options.clear / f"{name}.json").write_text(json.dumps(clear) + "\n", encoding="utf-8")
        kept += 1
    print(f"{kept} of {len(given)} kept in {options.annotations}")
    if kept < len(given):
        sys.exit(1)


def _outlined(name: str, options: argparse.Namespace):
    row = json.loads((options.annotations / f"{name}.json").read_text(encoding="utf-8"))
    return draw_outlines(open_shown(find_photo(options.photos, name)), row, OUTLINE_SIDE)


def overlay(options: argparse.Namespace) -> None:
    """Write a photo with its annotation drawn in."""
    _outlined(options.id, options).save(options.out, quality=82)
    print(options.out)


def sheet(options: argparse.Namespace) -> None:
    """Write several of them side by side."""
    lay_out([(name, _outlined(name, options)) for name in options.ids]).save(options.out, quality=85)
    print(options.out)


def main(words: list[str] | None = None) -> None:
    """Run one of the four."""
    parser = argparse.ArgumentParser(prog="annotate", description=__doc__.split("\n")[0])
    commands = parser.add_subparsers(required=True)
    for name, run in (("show", show), ("put", put), ("overlay", overlay), ("sheet", sheet)):
        command = commands.add_parser(name, help=run.__doc__)
        command.set_defaults(run=run)
        command.add_argument("--photos", type=Path, required=True, help="folder with ID.jpg or ID.png")
        if name != "show":
            command.add_argument("--annotations", type=Path, required=True, help="folder with ID.json")
        if name == "put":
            command.add_argument("file", type=Path, help="one annotation or a list of them")
            command.add_argument(
                "--clear", type=Path, required=True, help="folder for what is read, kept at home"
            )
            continue
        command.add_argument("--out", type=Path, required=True, help="picture to write")
        if name == "sheet":
            command.add_argument("ids", nargs="+", metavar="ID")
        else:
            command.add_argument("id", metavar="ID")
        if name == "show":
            command.add_argument(
                "--box", type=int, nargs=4, metavar=("X0", "Y0", "X1", "Y1"), help="part, pixels"
            )
    options = parser.parse_args(words)
    try:
        options.run(options)
    except (OSError, json.JSONDecodeError) as error:
        sys.exit(f"error: {error}")


if __name__ == "__main__":
    main()
