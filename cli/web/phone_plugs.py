"""What a phone is told so that it can look for plugs by itself: the network's address, and vision's limits.

All of it is read from `vision/` when the page starts, so that weights trained anew, and constants chosen anew
for them, need no change here.
"""

from dataclasses import asdict
from pathlib import Path

from plugface.cli.present.swatches import SWATCHES, UNKNOWN_SHADE, ink_on
from plugface.models.decision.cautions import COLOURS_UNKNOWN, HIGH_VOLTAGE, RESTRAINT
from plugface.models.decision.costs import Costs
from plugface.vision import network_files, quality
from plugface.vision.colour import naming, white_balance
from plugface.vision.colour_table import COLOUR_CODES, COLOURS
from plugface.vision.detection import connectors, instances, segmenter, units, verifier
from plugface.vision.observations import MIN_AREA_RATIO, SIZE_CLASSES
from plugface.vision.observe import (
    _MEDIUM_PX,
    _MIN_OVERLAP,
    _MIN_WINDOW,
    _WINDOW,
    CLOSE_PX,
    WHOLE_PX,
    WORKING_PX,
    WORTH_ENLARGING,
)

#: What runs the network on a phone, as others made it.
RUNTIME = Path(__file__).parent / "static" / "vendor" / "onnxruntime"

#: When one look is enough on a phone, where each takes a second: one unit at least so sure, nothing else in
#: the picture between `low` and `high`, and each colour at least so sure. Chosen on 71 photos of the
#: calibration split (2026-11-28), where one look and two then name the same plugs; on the 41 others once not.
#: `every` takes all augmentations, as the server does.
SETTLED = {"every": False, "unit": 0.85, "low": 0.5, "high": 0.88, "colour": 0.7}

#: Addresses of files that stay what they are from one version of the page to the next begin so.
BY_DIGEST = "by-digest"


def lasting_files() -> dict[str, Path]:
    """Files that a phone keeps for long: address under /static/, with a digest in it, -> file."""
    files = (RUNTIME / "ort-wasm-simd.wasm", segmenter.WEIGHTS)
    if not segmenter.WEIGHTS.is_file():  # the server does without plugs then, and so does the phone
        return {}
    return {f"{BY_DIGEST}/{network_files.measure_sum(file)}/{file.name}": file for file in files}


def state_plug_limits(files: dict[str, Path]) -> dict[str, object]:
    """What the phone's scripts look for plugs with, as plain values.

    Parameters
    ----------
    files : dict
        As `lasting_files` gives it.
    """
    wasm, weights = (f"/static/{address}" for address in files)
    return {
        "wasm": wasm,
        "weights": weights,
        "sha256": weights.split("/")[-2],
        "megabytes": round(sum(file.stat().st_size for file in files.values()) / 1e6),
        "input": "rgb",
        "outputs": ["fine", "coarse"],
        "whole_px": WHOLE_PX,
        "copy_px": _MEDIUM_PX,
        "working_px": WORKING_PX,
        "close_px": CLOSE_PX,
        "worth": WORTH_ENLARGING,
        "window": _WINDOW,
        "min_window": _MIN_WINDOW,
        "overlap": _MIN_OVERLAP,
        "augmentations": segmenter.AUGMENTATIONS[: segmenter.N_AUGMENTATIONS],
        "settled": SETTLED,
        "stride": segmenter._STRIDE,
        "fine": segmenter._FINE,
        "coarse": list(segmenter._COARSE.items()),
        "scales": segmenter._SHAPE_SCALES,
        "cell": instances.CELL,
        "votes": {
            "near": instances.NEAR,
            "far": instances.FAR,
            "seen": instances.MIN_SEEN,
            "most": instances._MAX_INSTANCES,
            "agrees": instances.AGREES,
            "agreed": instances.AGREED,
        },
        "units": {
            "area": units.MIN_AREA,
            "confidence": units.MIN_CONFIDENCE,
            "parting": asdict(units.CLUSTERING),
            "min_area_ratio": MIN_AREA_RATIO,
        },
        "plugs": {
            "on_unit": connectors.ON_UNIT,
            "confidence": connectors.MIN_CONFIDENCE,
            "loose": connectors.MIN_LOOSE_CONFIDENCE,
            # By the server; the phone cannot, and is not sure there.
            "verified": verifier.WEIGHTS.is_file(),
            "parting": asdict(connectors.CLUSTERING),
            "min_area_ratio": connectors.MIN_PLUG_AREA_RATIO,
        },
        "colourless": {
            "coarse_px": quality._COLOUR_COARSE_PX,
            "bending": quality._BENDING,
            "least_cells": quality.LEAST_COLOUR_CELLS,
            "strong_tint": quality.STRONG_TINT,
            "tinted": quality.TINTED_LIMIT,
            "limit": quality.COLOURLESS_LIMIT,
        },
        "light": {
            "pixels": white_balance.MIN_PIXELS,
            "most": white_balance.GAIN_LIMIT,
            "norm": white_balance._NORM,
            "clipped": white_balance._CLIPPED,
        },
        "naming": {
            "to_xyz": (naming._TO_XYZ / naming._TO_XYZ.sum(axis=1, keepdims=True)).tolist(),
            "prototypes": [[colour.lab, *colour.strays] for colour in COLOURS],
            "shade_sigmas": naming.SHADE_SIGMAS,
            "outlier": naming.OUTLIER,
            "classical_weight": naming.CLASSICAL_WEIGHT,
            "network_weight": naming.NETWORK_WEIGHT,
            "temperature": naming.TEMPERATURE,
            "unanchored": naming.UNANCHORED_SHARE,
            "white_grey_weight": naming.WHITE_GREY_WEIGHT,
            "white_shift": naming.WHITE_SHIFT,
        },
        "rim": {"outer": 0.94, "inner": 1 - 2 * connectors._RIM},
        "codes": COLOUR_CODES,
        "sizes": SIZE_CLASSES,
        "shades": [[name, _css(rgb), _css(ink_on(rgb))] for name, rgb in (SWATCHES[c] for c in COLOUR_CODES)],
        "no_shade": [_css(UNKNOWN_SHADE), _css(ink_on(UNKNOWN_SHADE))],
        "caution_at": Costs().colour_caution_at(),  # where the phone has no copy of the catalogue
        "cautions": {
            "OG": asdict(HIGH_VOLTAGE),
            "YE": asdict(RESTRAINT),
            "": asdict(COLOURS_UNKNOWN),
        },
    }


def _css(rgb: tuple[int, int, int]) -> str:
    return "rgb({},{},{})".format(*rgb)
