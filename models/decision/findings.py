"""Contradictions in what was seen, and damage: a person must look at these, whatever the answer."""

from collections.abc import Sequence

import numpy as np
from plugface.models.catalogue.entries import Family
from plugface.models.catalogue.index import CatalogueIndex, Strings, compact, strings_of
from plugface.models.decision.answers import TWO_UNITS, Finding
from plugface.models.decision.cautions import HAZARD_COLOURS
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.label_fields import (
    find_form,
    looks_like_number,
    number_lines,
    runs_of,
    strip_others,
    without_captioned,
    without_others,
)
from plugface.models.matching.pair_features import SURE_NATS, log_share, weighted_log_odds
from plugface.models.matching.payloads import name_rows
from plugface.models.matching.rules import WHOLE_PHOTO, ViewFit, column_of, columns_of_witness, owned_maximum
from plugface.models.matching.text_fit import best_string, score_strings
from plugface.models.unit_choice import UnitView
from plugface.vision.colour_table import name_colour
from plugface.vision.observations import Text, best_colour

#: What is said of a plug's colour that vision was not taught.
NOT_TAUGHT = (
    "Plug colour {what}: the network that ships was not trained with it, so such plugs are seen in another "
    "colour, and theirs speaks neither for nor against {families}."
)


#: A number that is surely read contradicts the rest where plugs, casting and housing speak by so much against
#: its family; nats. Of 947 cases of units that no network had learned from, whose own number was read, it is
#: 0.7 or less in all but one; of 49 photos of units of no family that were accepted for a number laid on
#: them it is more in 37.
AGAINST_NATS = 1.0

#: A plug in a hazard's colour that is seen as surely as this, on what is said to be of a family without one,
#: is a contradiction. Of 237 views of known units of the demo's training and calibration splits none shows
#: one by more than a half.
SURE_COLOUR = 0.9


def find_contradictions(
    views: tuple[UnitView, ...],
    fits: list[ViewFit],
    index: CatalogueIndex,
    weights: np.ndarray,
    noise: ErrorModel,
) -> tuple[Finding, ...]:
    """Views, casting and label or all the rest, a number and what is no label, plugs and all together, lines
    of one photo, barcode and print that name different families or numbers.

    Parameters
    ----------
    views : tuple of UnitView, length n_views
    fits : list of ViewFit, length n_views
    index : CatalogueIndex
    weights : float ndarray, shape (n_rules,)
    noise : ErrorModel

    Returns
    -------
    findings : tuple of Finding
    """
    totals = [weighted_log_odds(fit, weights) for fit in fits]
    findings = _between_views(views, totals, index, noise)
    findings += _label_against_casting(totals, index, noise)
    findings += _number_against_rest(views, totals, index, noise)
    findings += _rest_against_casting(totals, index, noise)
    findings += _plugs_against_rest(views, totals, index, noise)
    findings += _line_against_line(views, index, noise)
    findings += _barcode_against_print(views, noise)
    return tuple(findings)


def rests_on_number(fits: Sequence[ViewFit], row: int, weights: np.ndarray, noise: ErrorModel) -> bool:
    """Whether nothing but a number, or the form of one, surely speaks for the family in `row`.

    Parameters
    ----------
    fits : sequence of ViewFit, length n_views
    row : int
    weights : float ndarray, shape (n_rules,)
    noise : ErrorModel

    Returns
    -------
    rests : bool
    """
    rest = np.sum([weighted_log_odds(fit, weights) for fit in fits], axis=0)
    rest = np.delete(rest, [column_of("service number"), column_of("number pattern")], axis=1)
    return _favourite(rest.sum(axis=1), noise) != row


def find_broken(views: tuple[UnitView, ...]) -> tuple[Finding, ...]:
    """Plugs of which only a stump is left, as they are counted in each photo."""
    findings = []
    for view in views:
        where = f" in photo {view.photo + 1}" if len(views) > 1 else ""
        for number, plug in enumerate(view.unit.connectors if view.unit else (), start=1):
            if plug.broken:
                colour = best_colour(plug.colour)
                which = f"plug {number} ({colour})" if colour else f"plug {number}"
                words = f"{which}{where} seems to have broken off: look at it before paying."
                findings.append(Finding("plug broken off", words))
    return tuple(findings)


def find_untaught(
    families: Sequence[Family], views: tuple[UnitView, ...], noise: ErrorModel
) -> tuple[Finding, ...]:
    """Families with plugs in a colour that vision was not taught, where plugs are seen.

    Parameters
    ----------
    families : sequence of Family
        Those that the unit may be of.
    views : tuple of UnitView
    noise : ErrorModel

    Returns
    -------
    findings : tuple of Finding
        One for each colour.
    """
    plugs = [plug for view in views if view.unit for plug in view.unit.connectors]
    told = set(noise.taught).union(*(plug.colour for plug in plugs))
    having: dict[str, list[str]] = {}
    for family in families if plugs else ():
        for code in dict.fromkeys(c.colour for c in family.connectors if c.colour not in told):
            having.setdefault(code, []).append(family.key)
    return tuple(
        Finding("colour not taught", NOT_TAUGHT.format(what=name_colour(code), families=_listed(keys)))
        for code, keys in having.items()
    )


def _listed(keys: list[str]) -> str:
    return " and ".join(keys) if len(keys) <= 3 else f"{', '.join(keys[:3])} and {len(keys) - 3} more"


def name_sides(
    views: tuple[UnitView, ...],
    fits: list[ViewFit],
    index: CatalogueIndex,
    weights: np.ndarray,
    noise: ErrorModel,
) -> list[int]:
    """Rows of the families that one view, the casting, the label, a number or one of two contradicting lines
    alone speaks for, in that order.

    Parameters
    ----------
    views : tuple of UnitView, length n_views
    fits : list of ViewFit, length n_views
    index : CatalogueIndex
    weights : float ndarray, shape (n_rules,)
    noise : ErrorModel

    Returns
    -------
    rows : list of int
        Each row once.
    """
    totals = [weighted_log_odds(fit, weights) for fit in fits]
    summed = np.sum(totals, axis=0)
    sides = [total.sum(axis=1) for total in totals]
    sides += [
        summed[:, columns_of_witness("casting")].sum(axis=1),
        summed[:, columns_of_witness("label")].sum(axis=1),
    ]
    named = [row for side in sides if (row := _favourite(side, noise)) is not None]
    # Nothing where the mark may be the best one's misread: so the casting was asked by itself as well.
    named += [row for rows in _casting_and_rest(totals, noise) for row in sorted(rows)]
    named += [row for _, rows in _number_and_rest(views, totals, index, noise) for row in sorted(rows)]
    named += _plugs_and_rest(totals, noise)
    named += [row for _, rows in _rival_lines(views, index, noise) for row in sorted(rows)]
    return list(dict.fromkeys(named))


def _favourite(total: np.ndarray, noise: ErrorModel) -> int | None:
    share = log_share(total, noise.unknown)
    best = int(share.argmax())
    return best if share[best] >= SURE_NATS else None


def _between_views(views, totals, index: CatalogueIndex, noise: ErrorModel) -> list[Finding]:
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
    faces = [_face(view) for view in named.values()]
    if len(set(faces)) < len(faces):
        return [Finding(TWO_UNITS, f"{said}. Part the photos and ask for each unit by itself.")]
    words = f"{said}: a re-cased unit or a wrong cover, or two different units in the photos."
    return [Finding("views disagree", f"{words} If they are two, ask for each by itself.")]


def _face(view: UnitView) -> str:
    return "close-up" if view.unit is None else "front" if view.front > 0.5 else "back"


def _label_against_casting(totals, index: CatalogueIndex, noise: ErrorModel) -> list[Finding]:
    summed = np.sum(totals, axis=0)
    cast = _favourite(summed[:, columns_of_witness("casting")].sum(axis=1), noise)
    label = _favourite(summed[:, columns_of_witness("label")].sum(axis=1), noise)
    if cast is None or label is None or cast == label:
        return []
    a, b = index.families[cast].key, index.families[label].key
    return [
        Finding(
            "label and casting disagree",
            f"The casting says {a}, the label says {b}: re-labelled or re-cased.",
        )
    ]


def _rest_against_casting(totals, index: CatalogueIndex, noise: ErrorModel) -> list[Finding]:
    cast, best = _casting_and_rest(totals, noise)
    if not cast:
        return []
    words = f"The casting says {_keys(cast, index)}, all that was seen together says {_keys(best, index)}"
    return [Finding("casting and the rest disagree", f"{words}: re-cased, or the mark is of something else.")]


def _casting_and_rest(totals, noise: ErrorModel) -> tuple[frozenset[int], frozenset[int]]:
    """The families that a mark surely names and the one that all together speaks for, where it is none of
    them; or nothing.

    Many plugs outweigh any mark; that the mark is then of something else is not for us to say. Families whose
    marks are alike, or the same, are asked together: which of them it is need not be sure.
    """
    summed = np.sum(totals, axis=0)
    cast, best = summed[:, columns_of_witness("casting")].sum(axis=1), int(summed.sum(axis=1).argmax())
    possible = np.flatnonzero(cast >= cast.max() - 2 * SURE_NATS)
    doubt = 1.0 - (1.0 / (1.0 + np.exp(-log_share(cast, noise.unknown))))[possible].sum()
    if best in possible or doubt > 1.0 / (1.0 + np.exp(2 * SURE_NATS)):
        return frozenset(), frozenset()
    return frozenset(np.flatnonzero(cast > cast.max() - SURE_NATS).tolist()), frozenset({best})


def _plugs_against_rest(views, totals, index: CatalogueIndex, noise: ErrorModel) -> list[Finding]:
    """A mark and a number outweigh any plugs, and both go with a lid and a label to another unit.

    Then the plugs are what is left of it: two large orange ones must not pass for an engine unit's.
    """
    sides = _plugs_and_rest(totals, noise)
    if sides:
        other, named = (index.families[row].key for row in sides)
        words = f"The plugs say {other}, all that was seen together says {named}"
    else:
        best = _favourite(np.sum(totals, axis=0).sum(axis=1), noise)
        if best is None:
            return []
        strange = _hazard_colours(views) - {plug.colour for plug in index.families[best].connectors}
        if not strange:
            return []
        key, colour = index.families[best].key, name_colour(min(strange))
        words = f"All that was seen together says {key}, which has no {colour} plug, and one is seen"
    return [
        Finding("plugs and the rest disagree", f"{words}: re-labelled, re-cased, or another unit's cover.")
    ]


def _hazard_colours(views: Sequence[UnitView]) -> set[str]:
    """Colours of hazards that a plug on the unit surely has."""
    plugs = [plug for view in views for plug in (view.unit.connectors if view.unit else ())]
    return {code for code in HAZARD_COLOURS for plug in plugs if plug.colour.get(code, 0.0) >= SURE_COLOUR}


def _plugs_and_rest(totals, noise: ErrorModel) -> tuple[()] | tuple[int, int]:
    """The family that the plugs surely name, and the one that all together surely speaks for where it is
    another, and they tell it from that; or nothing."""
    summed = np.sum(totals, axis=0)
    plugs, best = summed[:, column_of("plugs")], _favourite(summed.sum(axis=1), noise)
    named = _favourite(plugs, noise)
    if best is None or named is None or plugs[named] - plugs[best] < 2 * SURE_NATS:
        return ()
    return named, best


def _number_against_rest(views, totals, index: CatalogueIndex, noise: ErrorModel) -> list[Finding]:
    sides = _number_and_rest(views, totals, index, noise)
    if not sides:
        return []
    (number, rows), *against = sides
    words = f"'{number}' is a number of {_keys(rows, index)}"
    if not against:
        words += ", and plugs, casting and housing taken together speak against that"
        return [
            Finding("number and the rest disagree", f"{words}: re-labelled, or a unit of another family.")
        ]
    ((other, others),) = against
    told = f"'{other}' is of" if other else "all but the label says"
    words += f", {told} {_keys(others, index)}"
    return [Finding("number and the rest disagree", f"{words}: re-labelled, or two units' labels.")]


def _number_and_rest(
    views, totals, index: CatalogueIndex, noise: ErrorModel
) -> list[tuple[str, frozenset[int]]]:
    """A number that is surely read and of no family that the rest allows; then another number, a printed
    mark, or the family that plugs, casting and housing speak for (without words). Or such a number alone,
    where those speak against its family and for no other: a listed number can stick on a unit that no
    catalogue lists. Or nothing.

    The label as a whole may still say what the rest says: its mark and its own number outweigh one that was
    stuck on beside them. So each number is asked alone.
    """
    numbers = [found for view in views for found in _sure_numbers(view, index, noise)]
    columns = [c for c in range(totals[0].shape[1]) if c not in columns_of_witness("label")]
    rest = np.sum(totals, axis=0)[:, columns].sum(axis=1)
    allowed = np.flatnonzero(rest >= rest.max() - 2 * SURE_NATS)
    if rest.max() >= SURE_NATS:
        for number, rows in numbers:
            if rows.isdisjoint(allowed.tolist()):
                return [(number, rows), ("", frozenset({int(rest.argmax())}))]
    for number, rows in numbers:
        if rest[sorted(rows)].max() <= -AGAINST_NATS:
            return [(number, rows)]
    marks = [found for view in views for found in _sure_marks(view, index)]
    for k, (number, rows) in enumerate(numbers):
        for other, others in (*numbers[:k], *marks):
            if rows.isdisjoint(others):
                return [(number, rows), (other, others)]
    return []


def _sure_numbers(
    view: UnitView, index: CatalogueIndex, noise: ErrorModel
) -> list[tuple[str, frozenset[int]]]:
    """Printed numbers and payloads of one view, with the rows of the families that each surely names.

    A serial can be near to a number: a line counts only where it has the form of one.
    """
    forms = index.number_forms
    lines = [text for text in number_lines(view.texts, forms) if find_form(text.value, forms)]
    named = [(text.value, _named_by_line(text, (index.numbers,), index, noise)) for text in lines]
    named += [(code.payload, name_rows(code.payload, index)) for code in view.codes]
    return [(shown, rows) for shown, rows in named if rows]


def _sure_marks(view: UnitView, index: CatalogueIndex) -> list[tuple[str, frozenset[int]]]:
    """Printed lines of one view that hold a mark as it is listed, with the rows of the families of that mark.

    A caption can be near to a mark, and a short mark stands within many a word: it must be words of the line.
    """
    found = []
    places = {mark: place for place, mark in enumerate(index.marks.values)}
    for text in without_captioned(view.texts, index.number_forms):
        left = strip_others(text, index.number_forms) if text.kind == "printed" else None
        runs = runs_of(left.value) if left is not None else ()
        held = [mark for run in runs if run.whole_words and (mark := compact(run.value)) in places]
        if held:
            longest = max(held, key=len)
            found.append((text.value, frozenset(index.marks.owners[places[longest]])))
    return found


def _line_against_line(views, index: CatalogueIndex, noise: ErrorModel) -> list[Finding]:
    rivals = _rival_lines(views, index, noise)
    if not rivals:
        return []
    said = " and ".join(f"'{line}' ({_keys(rows, index)})" for line, rows in rivals)
    words = f"{said} are in one photo, and no outline shows that both are on one unit."
    return [Finding("writing disagrees", words)]


def _keys(rows: frozenset[int], index: CatalogueIndex) -> str:
    return " or ".join(index.families[row].key for row in sorted(rows)[:3])


def _rival_lines(views, index: CatalogueIndex, noise: ErrorModel) -> list[tuple[str, frozenset[int]]]:
    """Two lines or codes of one photo that name different families, with the rows of those; or nothing.

    Only where no outline of a unit was found: within an outline, label and casting are told apart, and
    compared by themselves.
    """
    for view in views:
        if view.unit is not None and view.unit.method != WHOLE_PHOTO:
            continue
        lines = filter(None, without_others(view.texts, index.number_forms))
        both = (index.marks, index.numbers)
        named = [(text.value, _named_by_line(text, both, index, noise)) for text in lines]
        named += [(code.payload, name_rows(code.payload, index)) for code in view.codes]
        named = [(line, rows) for line, rows in named if rows]
        for k, (line, rows) in enumerate(named):
            for other, other_rows in named[:k]:
                if not rows & other_rows:
                    return [(other, other_rows), (line, rows)]
    return []


def _named_by_line(
    text: Text, of: tuple[Strings, ...], index: CatalogueIndex, noise: ErrorModel
) -> frozenset[int]:
    """Rows of the families of whose marks or numbers the line surely holds one; empty where it holds none."""
    best = np.full(index.n_families, -np.inf)
    for strings in of:
        if strings.values:
            scores = score_strings(text, strings, noise)
            best = np.maximum(best, owned_maximum(scores, strings, index.n_families, -np.inf))
    if best.max(initial=-np.inf) < 2 * SURE_NATS:
        return frozenset()
    return frozenset(np.flatnonzero(best > best.max() - SURE_NATS).tolist())


def _barcode_against_print(views: tuple[UnitView, ...], noise: ErrorModel) -> list[Finding]:
    """A clean printed number of the payload's length that is not in the payload."""
    findings = []
    for view in views:
        held_by = {compact(c.payload): c.payload for c in view.codes if len(compact(c.payload)) >= 6}
        for payload, shown in held_by.items():
            for text in filter(looks_like_number, view.texts):
                value = compact(text.value)
                alike = sum(a == b for a, b in zip(value, payload, strict=False))
                if value[:3] != payload[:3] or alike == len(value) or abs(len(value) - len(payload)) > 2:
                    continue
                held = strings_of([(payload, 0), (payload[: len(value)], 0)])
                gap = best_string(text, noise) - score_strings(text, held, noise)
                if gap.min() > 2 * SURE_NATS and not value.startswith(payload):
                    words = f"The barcode holds {shown}, the print reads '{text.value}'"
                    findings.append(
                        Finding("barcode and print disagree", f"{words}: re-labelled, or misread.")
                    )
    return findings
