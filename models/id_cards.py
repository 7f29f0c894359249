"""Cards with a square code, laid beside a unit to say which one it is."""

from plugface.vision.observations import Code, Unit, polygon_area

#: A code that covers this share of what it lies on lies on a card. The Data Matrix codes of 319 labels in the
#: demo's photos cover 2.6 % of their units at most, cards in trials 16 % and more (2026-11-26).
CARD_SHARE = 0.08


def is_square(code: Code) -> bool:
    """Whether a code is of a kind that cards carry: a label's bar code is none."""
    return code.symbology.replace(" ", "").replace("_", "").lower() in {
        "qr",
        "qrcode",
        "datamatrix",
        "microqrcode",
    }


def is_card(unit: Unit) -> bool:
    """Whether what was taken for a unit is a card: no plugs, and a large square code on it."""
    covered = sum(polygon_area(code.polygon) for code in unit.codes if is_square(code))
    return not unit.connectors and covered >= CARD_SHARE * polygon_area(unit.polygon) > 0
