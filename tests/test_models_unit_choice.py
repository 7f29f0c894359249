"""Which unit of a photo is meant: lost units, cards, close-ups, and what a ledger keeps."""

from dataclasses import replace

import pytest
from plugface.models.unit_choice import (
    MostProminent,
    NoUnit,
    UnitGone,
    UnitIndex,
    choose_units,
    chosen_unit,
    from_part,
    gather_views,
    list_units,
    most_prominent,
    to_part,
)
from plugface.vision.observations import (
    Code,
    Connector,
    Fault,
    Observations,
    Quality,
    Text,
    Unit,
    WhiteBalance,
)


def square(x: float, size: float):
    return ((x, 0.0), (x + size, 0.0), (x + size, size), (x, size))


def unit(x: float, size: float, confidence: float = 0.99, **more) -> Unit:
    return Unit(square(x, size), confidence, {"front": 0.9, "back": 0.1}, **more)


def seen(*units: Unit, texts=(), codes=()) -> Observations:
    quality = Quality(1000, 1000, median_luma=0.5, burnt_share=0.0, blur_px=1.0)
    return Observations("a" * 64, quality, WhiteBalance((1.0, 1.0, 1.0), 1.0, "none"), units, texts, codes)


def card(x: float = 0.0) -> Unit:
    code = Code(square(x + 10, 60), "QR", "CARD 1", "verified")
    return unit(x, 100, codes=(code,))


LABEL = Text(square(300, 50), "K27418", 0.9, "printed", height_px=50.0)


def test_a_unit_that_a_later_look_lost_is_not_its_neighbour():
    later = seen(unit(0, 300))
    assert from_part(0, later) == UnitIndex(0)
    with pytest.raises(UnitGone, match="unit 2 of the photo is not found there any more"):
        from_part(1, later)


def test_a_photo_kept_as_without_a_unit_stays_a_close_up_though_a_later_look_finds_one():
    later = seen(unit(0, 300, texts=(replace(LABEL, value="OTHER"),)), texts=(LABEL,))
    (view,) = gather_views([later], [from_part(-1, later)])
    assert view.unit is None
    assert view.texts == (LABEL,)  # nothing of the unit that was not meant


def test_a_photo_given_twice_is_one_view_and_two_units_of_it_are_two():
    photo = seen(unit(0, 300), unit(400, 300))
    assert len(gather_views([photo, photo])) == 1
    assert [v.photo for v in gather_views([photo, photo], [UnitIndex(0), UnitIndex(1)])] == [0, 1]


@pytest.mark.parametrize("units", [(), (unit(0, 300),)])
def test_a_view_of_a_dark_photo_is_not_usable(units):
    photo = seen(*units)
    dark = replace(
        photo, quality=replace(photo.quality, faults=(Fault("dark", 0.01, 0.1, "It is dark.", "Light it."),))
    )
    assert [view.usable for view in gather_views([photo])] == [True]
    assert [view.usable for view in gather_views([dark])] == [False]


def test_a_card_beside_a_label_close_up_is_no_unit_and_hides_nothing():
    photo = seen(card(), texts=(LABEL,))
    assert list_units(photo) == []
    assert choose_units(["a.jpg"], [photo]) == (NoUnit(),)
    for choice in (NoUnit(), MostProminent()):
        (view,) = gather_views([photo], [choice])
        assert (view.unit, view.texts) == (None, (LABEL,))


def test_a_loose_plug_may_be_of_the_one_unit_and_is_of_none_of_several():
    loose = Connector(square(700, 50), {"OG": 1.0}, {"M": 1.0}, None, 0.9)
    on_it = replace(loose, colour={"GN": 1.0})
    (close_up,) = gather_views([replace(seen(), loose=(loose,))], [NoUnit()])
    assert (close_up.loose, close_up.plugs) == ((loose,), (loose,))
    alone = replace(seen(unit(0, 300, connectors=(on_it,))), loose=(loose,))
    (view,) = gather_views([alone], [UnitIndex(0)])
    assert (view.loose, view.plugs) == ((loose,), (on_it, loose))
    pallet = replace(seen(unit(0, 300, connectors=(on_it,)), unit(400, 300)), loose=(loose,))
    for index, plugs in enumerate([(on_it,), ()]):
        (view,) = gather_views([pallet], [UnitIndex(index)])
        assert (view.loose, view.plugs) == ((), plugs)
    (kept,) = gather_views([pallet], [NoUnit()])
    assert kept.plugs == (loose,)  # as it was looked at then, a close-up


def test_the_most_prominent_is_the_surest_and_largest_that_is_no_card():
    photo = seen(card(), unit(100, 50, 0.9), unit(200, 200, 0.5))
    assert most_prominent(photo) == 2  # 0.5 * 200^2 against 0.9 * 50^2
    assert chosen_unit(photo, MostProminent()) is photo.units[2]
    assert gather_views([photo])[0].unit is photo.units[2]


def test_a_second_thing_counts_from_confidence_and_size_on():
    # Limits: OTHER_UNIT_CONFIDENCE 0.7 and MIN_AREA_RATIO 0.06.
    assert list_units(seen(unit(0, 300), unit(400, 300, 0.71))) == [0, 1]
    assert list_units(seen(unit(0, 300), unit(400, 300, 0.69))) == [0]
    assert list_units(seen(unit(0, 400), unit(500, 90))) == [0]  # 90^2 is 5 % of 400^2
    assert list_units(seen(unit(0, 400), unit(500, 110))) == [0, 1]  # 7.6 %
    assert list_units(seen(unit(0, 300, 0.3))) == [0]


@pytest.mark.parametrize(("choice", "part"), [(UnitIndex(3), 3), (NoUnit(), -1)])
def test_a_choice_is_kept_as_a_number(choice, part):
    assert to_part(choice) == part


def test_what_says_no_place_is_not_kept():
    with pytest.raises(ValueError, match="can be kept"):
        to_part(MostProminent())


def test_a_place_that_is_none_is_refused():
    with pytest.raises(ValueError, match="photo 1: the photo has 1 units, there is no unit 2"):
        gather_views([seen(unit(0, 300))], [UnitIndex(1)])
    with pytest.raises(ValueError, match="one entry per photo"):
        gather_views([seen()], [NoUnit(), NoUnit()])
    with pytest.raises(ValueError, match="0 or more"):
        UnitIndex(-1)
