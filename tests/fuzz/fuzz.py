"""Drive one target with coverage feedback: python tests/fuzz/fuzz.py TARGET [--seconds N]

Targets are those of test_hostile_input.py. It needs atheris, which is not among the dependencies:

    uv run --with atheris python tests/fuzz/fuzz.py photo --seconds 600

What crashes it is written to the folder named with --found; put the smallest such file into seeds/TARGET/.
"""

import argparse
import io
import os
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(
    include=[
        "PIL",
        "plugface.cli.lot.worker",
        "plugface.cli.web",
        "fastapi",
        "plugface.models",
        "python_multipart",
        "rtoml",
        "starlette",
        "tomllib",
        "plugface.vision",
    ]
):
    from test_hostile_input import SEEDS, TARGETS

import numpy as np
import pillow_heif
from PIL import Image
from plugface.cli.settings import demo_folder

#: Inputs stay small: a fault seldom needs more, and small ones are tried sooner.
MAX_BYTES = {"photo": 6_000, "catalogue": 4_000}


def starting_points(target: str) -> list[bytes]:
    """Sound input to begin with: pictures of every kind that is read, and the demo's catalogue."""
    if target == "photo":
        pictures = []
        ramp = Image.fromarray(np.add.outer(np.arange(40), np.arange(56)).astype(np.uint8))
        exif = Image.Exif()
        exif[0x0112] = 6
        for kind, mode in [("JPEG", "RGB"), ("JPEG", "CMYK"), ("PNG", "P"), ("PNG", "RGBA"), ("WEBP", "RGB")]:
            pictures.append((kind, ramp.convert(mode)))
        pictures += [("TIFF", ramp.convert(mode)) for mode in ("L", "RGB", "F", "1")]
        buffer = io.BytesIO()
        pillow_heif.from_pillow(ramp.convert("RGB")).save(buffer)
        coded = [buffer.getvalue()]
        for kind, picture in pictures:
            buffer = io.BytesIO()
            picture.save(buffer, kind, exif=exif)
            coded.append(buffer.getvalue())
        return coded
    if target == "catalogue":
        return [path.read_bytes() for path in sorted((demo_folder() / "marrow_finch").glob("*.toml"))]
    return {
        "label": [b"\0\0\x40\x08KD 4162/04 A\n\x41\0\x20\x08R2"],
        "hocr": [b'<p><i class="ocrx_word"><i title="x_bboxes 0 0 9 9; x_conf 90">A</i></i></p>'],
        "api": _requests(),
        "serve_settings": [(Path(__file__).parents[2] / "cli" / "deploy" / "yard.toml").read_bytes()],
        "observations": [b'{"photo_sha256":"a","quality":{},"white_balance":{},"units":[]}'],
    }[target]


def _requests() -> list[bytes]:
    """One sound request for each route of the yard page's API, and some of its pages."""
    unit = "/api/v1/units/" + "0123456789abcdef" * 2
    json_head = "host: localhost\ncontent-type: application/json\n\n"
    picture = io.BytesIO()
    Image.new("RGB", (64, 48), "grey").save(picture, "JPEG")
    written = [
        f'PUT {unit}\n{json_head}{{"claimed":"AUK 11:early","needs":{{"throttle":"cable","year":2004}}}}',
        f'POST {unit}/confirmations\n{json_head}{{"family":"AUK 11","variant":"early","who":"Ada"}}',
        f'POST /api/v1/tokens\n{json_head}{{"code":"HERE-1234"}}',
        f"GET {unit}/photos/1?size=small\nhost: localhost\nrange: bytes=5-\n\n",
        "GET /api/v1/units?before=9&limit=5\nhost: localhost\nauthorization: Bearer abc\n\n",
        *(
            f"GET {path}\nhost: localhost\norigin: http://localhost\n\n"
            for path in (unit, "/api/v1/lot", "/api", "/", "/metrics", "/readyz")
        ),
        f"HEAD {unit}\nhost: localhost\nauthorization: Bearer abc\n\n",
        "POST /enter\nhost: localhost\ncontent-type: application/x-www-form-urlencoded\n\ncode=abc",
    ]
    sent = f"POST {unit}/photos?face=front&more=true\nhost: localhost\n\n".encode() + picture.getvalue()
    return [sent, *(request.encode() for request in written)]


def main() -> None:
    """Fill a folder with starting points and hand over to libFuzzer."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", choices=sorted(TARGETS))
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--found", type=Path, default=Path("found"), help="where crashing input is written")
    asked = parser.parse_args()
    asked.found.mkdir(parents=True, exist_ok=True)
    corpus = Path(tempfile.mkdtemp(prefix="plugface-corpus-"))
    for number, data in enumerate(starting_points(asked.target)):
        (corpus / f"start{number}").write_bytes(data)
    settings = [
        f"-max_total_time={asked.seconds}",
        f"-max_len={MAX_BYTES.get(asked.target, 2_000)}",
        f"-artifact_prefix={asked.found}{os.sep}",
        "-timeout=20",
        "-rss_limit_mb=3000",
        "-print_final_stats=1",
    ]
    # What a target sets up once is no input's time: the page alone takes longer than one input may.
    for data in starting_points(asked.target):
        TARGETS[asked.target](data)
    folders = [str(folder) for folder in (corpus, SEEDS / asked.target) if folder.is_dir()]
    atheris.Setup([sys.argv[0], *settings, *folders], TARGETS[asked.target])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
