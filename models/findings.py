"""Contradictions in what was seen: a person must look at these, whatever the answer."""

import numpy as np

from models.answers import Finding
from models.catalogue_index import CatalogueIndex, compact, strings_of
from models.noise import ObservationNoise
from models.pair_features import CLIP_NATS, log_share
from models.rules import RULES, ViewFit, looks_like_number
from models.text_fit import best_string, score_strings
from models.views import UnitView

#: One side must favour its family by these odds alone before it can contradict another; nats (20 to 1, our
#: choice).
SURE_NATS = 3.0

_LABEL = [RULES.index(r) for r in ("label mark", "service number", "barcode")]
_CASTING = [RULES.index("cast mark")]


def find_contradictions(
    views: tuple[UnitView, ...],
    fits: list[ViewFit],
    index: CatalogueIndex,
    weights: np.ndarray,
    noise: ObservationNoise,
) -> tuple[Finding, ...]:
    """Views, label and casting, barcode and print that name different families or numbers."""
    totals = [np.clip(f.log_odds, -CLIP_NATS, CLIP_NATS) * weights for f in fits]
    findings = _between_views(views, totals, index, noise)
    findings += _label_against_casting(totals, index, noise)
    findings += _barcode_against_print(views, noise)
    return tuple(findings)


def name_sides(fits: list[ViewFit], weights: np.ndarray, noise: ObservationNoise) -> list[int]:
    """Rows of the families that one view, the casting or the label alone speaks for, in that order."""
    totals = [np.clip(f.log_odds, -CLIP_NATS, CLIP_NATS) * weights for f in fits]
    summed = np.sum(totals, axis=0)
    sides = [total.sum(axis=1) for total in totals]
    sides += [summed[:, _CASTING].sum(axis=1), summed[:, _LABEL].sum(axis=1)]
    named = [row for side in sides if (row := _favourite(side, noise)) is not None]
    return list(dict.fromkeys(named))


def _favourite(total: np.ndarray, noise: ObservationNoise) -> int | None:
    share = log_share(total, noise.unlike)
    best = int(share.argmax())
    return best if share[best] >= SURE_NATS else None


def _between_views(views, totals, index: CatalogueIndex, noise: ObservationNoise) -> list[Finding]:
    named: dict[int, UnitView] = {}
    for view, total in zip(views, totals, strict=True):
        best = _favourite(total.sum(axis=1), noise)
        if best is not None:
            named.setdefault(best, view)
    if len(named) < 2:
        return []
    said = "; ".join(
        f"photo {view.photo + 1} ({_face(view)}) says {index.families[row].key}"
        for row, view in named.items()
    )
    words = f"{said}: a re-cased unit or a wrong cover, or two different units in the photos."
    return [Finding("views disagree", words)]


def _face(view: UnitView) -> str:
    return "close-up" if view.unit is None else "front" if view.front > 0.5 else "back"


def _label_against_casting(totals, index: CatalogueIndex, noise: ObservationNoise) -> list[Finding]:
    summed = np.sum(totals, axis=0)
    cast = _favourite(summed[:, _CASTING].sum(axis=1), noise)
    label = _favourite(summed[:, _LABEL].sum(axis=1), noise)
    if cast is None or label is None or cast == label:
        return []
    a, b = index.families[cast].key, index.families[label].key
    return [
        Finding(
            "label and casting disagree",
            f"The casting says {a}, the label says {b}: re-labelled or re-cased.",
        )
    ]


def _barcode_against_print(views: tuple[UnitView, ...], noise: ObservationNoise) -> list[Finding]:
    """A clean printed number of the payload's length that is not in the payload."""
    findings = []
    for view in views:
        for payload in {compact(c.payload) for c in view.codes if len(compact(c.payload)) >= 6}:
            for text in filter(looks_like_number, view.texts):
                value = compact(text.value)
                alike = sum(a == b for a, b in zip(value, payload, strict=False))
                if value[:3] != payload[:3] or alike == len(value) or abs(len(value) - len(payload)) > 2:
                    continue
                held = strings_of([(payload, 0), (payload[: len(value)], 0)])
                gap = best_string(text, noise) - score_strings(text, held, noise)
                if gap.min() > 2 * SURE_NATS and not value.startswith(payload):
                    words = f"The barcode holds {payload}, the print reads '{text.value}'"
                    findings.append(
                        Finding("barcode and print disagree", f"{words}: re-labelled, or misread.")
                    )
    return findings
