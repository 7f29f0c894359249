"""The golden set: what each stage gives on photos of the calibration split must not get worse.

All 60 photos are decided, on what was seen in them when the counts were recorded. Some are looked at anew,
each of which takes 2 s of one core: 4, or 7 where PLUGFACE_TEST_ALL is set;
`python -m plugface.cli.evaluation.golden` looks at all.
"""

import json

import pytest
from plugface.cli.evaluation import golden
from plugface.cli.evaluation.golden import (
    MODEL_STAGES,
    N_PHOTOS,
    STAGES,
    VISION_STAGES,
    add_up,
    choose_rows,
    count_all,
    count_seen,
    find_worse,
    main,
    read_held,
    read_seen,
)
from plugface.cli.settings import demo_folder
from plugface.vision.detection.segmenter import WEIGHTS
from plugface.vision.observe import observe
from plugface.vision.photo import decode_photo

LOOKED_AT = slice(2, None, 5)  # of which four spread evenly have all that is held


def only(counts, stages):
    return {stage: counts[stage] for stage in stages}


def test_the_golden_set_is_the_one_that_was_recorded():
    rows, held = choose_rows(), read_held()
    assert len(held) == N_PHOTOS == len({row["photo"] for row in rows})
    assert list(held) == [row["photo"] for row in rows]
    assert {row["split"] for row in rows} == {"calibration"}
    assert all(set(counts) == set(STAGES) for counts in held.values())
    # A stage of which nothing is held could not fall.
    assert all(value > 0 for stage, value in add_up(held).items() if STAGES[stage])


def test_no_verdict_and_no_variant_is_lost_on_what_was_seen():
    held, seen = read_held(), read_seen()
    now = count_all(seen, choose_rows())
    assert find_worse(only(add_up(now), MODEL_STAGES), only(add_up(held), MODEL_STAGES)) == []
    # What was seen and what was counted were recorded together.
    assert only(add_up(now), VISION_STAGES) == only(add_up(held), VISION_STAGES)


@pytest.mark.skipif(not WEIGHTS.is_file(), reason="the segmenter's weights are not in this checkout")
def test_nothing_is_seen_worse_than_held(some):
    rows, held = some(choose_rows()[LOOKED_AT], 4, 7), read_held()
    now = {}
    for row in rows:
        data = (demo_folder() / row["photo"]).read_bytes()
        now[row["photo"]] = count_seen(observe(decode_photo(data, name=row["photo"])), row)
    asked = add_up(held, [row["photo"] for row in rows])
    assert all(asked[stage] > 0 for stage in VISION_STAGES if STAGES[stage])  # what is not there cannot fall
    assert find_worse(only(add_up(now), VISION_STAGES), only(asked, VISION_STAGES)) == []


@pytest.mark.parametrize(
    ("now", "worse"),
    [
        ({"plugs": 7, "accepted and wrong": 1}, []),
        ({"plugs": 8, "accepted and wrong": 0}, []),
        ({"plugs": 6, "accepted and wrong": 1}, ["plugs: 6, held at 7"]),
        ({"plugs": 7, "accepted and wrong": 2}, ["accepted and wrong: 2, held at 1"]),
    ],
)
def test_less_right_or_more_wrong_is_worse(now, worse):
    assert find_worse(now, {"plugs": 7, "accepted and wrong": 1}) == worse


def test_the_command_prints_old_and_new_and_refuses_what_is_worse(tmp_path, monkeypatch, capsys):
    rows, seen = choose_rows()[:2], read_seen()
    monkeypatch.setattr(golden, "golden_folder", lambda: tmp_path)
    monkeypatch.setattr(golden, "choose_rows", lambda: rows)
    at = {demo_folder() / row["photo"]: seen[row["photo"]] for row in rows}
    monkeypatch.setattr(golden, "observe_all", lambda looks, *_, **__: {k: at[k.path] for k in looks})
    with pytest.raises(SystemExit):
        main([])
    main(["--record"])
    main([])
    held = json.loads((tmp_path / "counts.json").read_text())
    assert read_seen() == {row["photo"]: seen[row["photo"]] for row in rows}
    capsys.readouterr()
    first = rows[0]["photo"]
    held[first]["units"] += 1
    (tmp_path / "counts.json").write_text(json.dumps(held))
    with pytest.raises(SystemExit) as leaving:
        main([])
    assert leaving.value.code == 1
    said = capsys.readouterr().out
    assert f"{first}: units: {held[first]['units'] - 1}, held at {held[first]['units']}" in said
    assert "old   new" in said
    assert "worse: units" in said
