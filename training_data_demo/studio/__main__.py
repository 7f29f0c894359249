"""The photo studio's command line: `python -m plugface.demo.studio --help`."""

import argparse
import io
import json
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps
from plugface.demo.studio.families import CATALOGUES, DEMO
from plugface.demo.studio.shots import Shot

SAMPLES = 3  # rays per pixel before denoising: what the shipped photos were rendered with, on a CPU
# Mean difference in 8-bit levels that another device or Blender build may make: noise left after denoising
# differs.
TOLERANCE = 4.0


def main(arguments: list[str] | None = None) -> int:
    """Run one command; gives the exit code."""
    options = _parser().parse_args(arguments)
    return options.run(options)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m plugface.demo.studio", description="Make the demo photos."
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    from plugface.demo.studio.plan import DRAWN, SETS

    plan = commands.add_parser("plan", help="write down which photos there shall be, one line of JSON each")
    plan.add_argument(
        "--set",
        choices=(*SETS, *DRAWN),
        default="shipped",
        help="which photos",
    )
    plan.add_argument("--count", type=int, default=500, help=f"how many, for the sets {', '.join(DRAWN)}")
    plan.add_argument("--first", type=int, default=0, help="number of the first, for the same sets")
    plan.add_argument("--out", type=Path, required=True, help="file to write")
    plan.set_defaults(run=_plan)

    render = commands.add_parser("render", help="render planned photos; goes on where it was cut off")
    render.add_argument("--plan", type=Path, required=True, help="file from 'plan'")
    render.add_argument("--out", type=Path, required=True, help="folder for the renders, about 6 MB each")
    render.add_argument("--device", choices=("cpu", "cuda"), default="cpu", help="what computes")
    render.add_argument("--workers", type=int, default=1, help="processes at a time")
    render.add_argument(
        "--samples", type=int, default=SAMPLES, help="rays per pixel; fewer is faster and blurrier"
    )
    render.add_argument("--gpus", type=int, default=1, help="CUDA devices to spread the processes over")
    render.add_argument("--textures", type=Path, help="folder for label pictures (default: OUT/textures)")
    render.add_argument(
        "--pictures",
        type=Path,
        help="folder with hdris/ and textures/ for the yard's photos, see `pictures.py`",
    )
    render.set_defaults(run=_render)

    develop = commands.add_parser("develop", help="turn renders into photos with their truth")
    develop.add_argument("--plan", type=Path, required=True, help="file from 'plan'")
    develop.add_argument("--renders", type=Path, required=True, help="folder from 'render'")
    develop.add_argument("--out", type=Path, required=True, help="folder that gets photos/ and truth.jsonl")
    develop.add_argument("--masks", type=Path, help="folder for the per-pixel masks, if wanted")
    develop.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes at a time")
    develop.set_defaults(run=_develop)

    sheet = commands.add_parser("contact-sheet", help="show many photos as one small picture")
    sheet.add_argument("--folder", type=Path, default=DEMO, help="folder with photos/")
    sheet.add_argument("--every", type=int, default=9, help="take every n-th photo")
    sheet.add_argument("--out", type=Path, required=True, help="JPEG file to write")
    sheet.set_defaults(run=_contact_sheet)

    one = commands.add_parser(
        "one", help="render one shipped photo again and say how far it is from the shipped one"
    )
    one.add_argument("id", help="a photo's id, its file name without .jpg")
    one.add_argument("--device", choices=("cpu", "cuda"), default="cpu", help="what computes")
    one.add_argument("--samples", type=int, default=SAMPLES, help="rays per pixel")
    one.add_argument(
        "--pictures", type=Path, help="folder with hdris/ and textures/ that the shipped photo was made with"
    )
    one.add_argument("--out", type=Path, help="keep the new photo here")
    one.add_argument("--masks", type=Path, help="keep the per-pixel mask here, as 16-bit PNG")
    one.set_defaults(run=_one)
    return parser


def _read(path: Path) -> list[Shot]:
    return [Shot.from_json(line) for line in path.read_text(encoding="utf-8").splitlines()]


def _plan(options) -> int:
    from plugface.demo.studio import plan

    drawn = plan.DRAWN.get(options.set)
    shots = drawn(options.count, options.first) if drawn else plan.SETS[options.set]()
    options.out.write_text("".join(shot.to_json() + "\n" for shot in shots), encoding="utf-8")
    print(f"{len(shots)} shots in {options.out}")
    return 0


def _render(options) -> int:
    from plugface.demo.studio.render import render_all

    textures = options.textures or options.out / "textures"
    textures.mkdir(parents=True, exist_ok=True)
    if options.pictures and not options.pictures.is_dir():
        print(f"{options.pictures}: no such folder; leave --pictures out or name one", file=sys.stderr)
        return 2
    failed = render_all(
        _read(options.plan),
        options.out,
        device=options.device,
        workers=options.workers,
        samples=options.samples,
        textures=textures,
        gpus=options.gpus,
        pictures=options.pictures,
    )
    if failed:
        print(f"{len(failed)} shots failed: {' '.join(failed)}. Run the command again to try them again.")
    return 1 if failed else 0


def _develop(options) -> int:
    from plugface.demo.studio.develop import develop_all

    missing = develop_all(
        _read(options.plan), options.renders, options.out, jobs=options.jobs, masks=options.masks
    )
    if missing:
        print(f"{len(missing)} shots have no render yet: {' '.join(missing)}")
    return 1 if missing else 0


def _contact_sheet(options) -> int:
    photos = sorted((options.folder / "photos").glob("*.jpg"))[:: options.every]
    if not photos:
        print(f"{options.folder / 'photos'}: no photos there", file=sys.stderr)
        return 1
    columns, tile = 8, (160, 120)
    rows = -(-len(photos) // columns)
    sheet = Image.new("RGB", (columns * tile[0], rows * tile[1]), "white")
    for k, path in enumerate(photos):
        with Image.open(path) as photo:
            small = ImageOps.fit(ImageOps.exif_transpose(photo).convert("RGB"), tile)
        sheet.paste(small, (k % columns * tile[0], k // columns * tile[1]))
    sheet.save(options.out, quality=82)
    print(f"{len(photos)} photos on {options.out}")
    return 0


def _one(options) -> int:
    from plugface.demo.studio import plan
    from plugface.demo.studio.develop import develop_shot
    from plugface.demo.studio.pictures import Pictures
    from plugface.demo.studio.render import render_shot

    planned = (s for name in ("shipped", "pell", "third") for s in plan.SETS[name]())
    shot = next((s for s in planned if s.id == options.id), None)
    if shot is None:
        print(f"{options.id}: no such photo in the plan; ids are file names without .jpg", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as textures:
        arrays = render_shot(
            shot,
            Path(textures),
            device=options.device,
            samples=options.samples,
            pictures=Pictures(options.pictures),
        )
    photo = develop_shot(shot, arrays["rgb"])
    if options.out:
        options.out.write_bytes(photo)
    if options.masks:
        Image.fromarray(arrays["index"]).save(options.masks)
    folder = DEMO / (shot.set if shot.set in CATALOGUES and shot.set != "marrow_finch" else "")
    shipped = folder / "photos" / f"{shot.id}.jpg"
    if not shipped.exists():
        print(f"{shipped}: not shipped, nothing to compare with", file=sys.stderr)
        return 1
    with Image.open(shipped) as old, Image.open(io.BytesIO(photo)) as new:
        apart = float(np.abs(np.asarray(old, float) - np.asarray(new, float)).mean())
    print(json.dumps({"id": shot.id, "mean_difference_levels": round(apart, 2), "tolerance": TOLERANCE}))
    return 0 if apart <= TOLERANCE else 1


if __name__ == "__main__":
    sys.exit(main())
