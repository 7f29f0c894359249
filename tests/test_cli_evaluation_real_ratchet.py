"""What is seen on the small set of real photographs must not get worse."""

import json

import pytest
from plugface.cli.evaluation.real_ratchet import (
    HELD,
    add_up,
    count_seen,
    find_worse,
    main,
    ratchet_file,
    read_rows,
)

WHERE = "plugface.cli.evaluation.real_ratchet"


def test_nothing_is_seen_worse_than_held(some):
    """On twelve of the photos of which something is held and eight of the others, or on eight of the first:
    each takes a second or two."""
    held, rows = json.loads(ratchet_file().read_text(encoding="utf-8")), read_rows()
    assert list(held) == [row["id"] for row in rows]
    told = [row for row in rows if set(HELD) & set(held[row["id"]])]
    clean = [row for row in rows if row not in told]
    rows = some(told, 8, 12) + some(clean, 0, 8)
    asked = add_up(held[row["id"]] for row in rows)
    assert all(asked[name] > 0 for name, more in HELD.items() if more)  # what is not there cannot fall
    assert find_worse(add_up(count_seen(rows).values()), asked) == []


@pytest.mark.parametrize(
    ("now", "worse"),
    [
        ({"plug hit 0.3": 7, "lure called a plug": 3, "photos": 40}, []),
        ({"plug hit 0.3": 9, "lure called a plug": 1, "photos": 40}, []),
        ({"plug hit 0.3": 6, "lure called a plug": 3, "photos": 40}, ["plug hit 0.3: 6, held at 7"]),
        ({"plug hit 0.3": 7, "lure called a plug": 4, "photos": 40}, ["lure called a plug: 4, held at 3"]),
        (
            {"plug hit 0.3": 7, "lure called a plug": 3, "photos": 39},
            ["photos: 39, held on 40; record anew"],
        ),
    ],
)
def test_less_found_or_more_called_is_worse(now, worse):
    assert find_worse(now, {"plug hit 0.3": 7, "lure called a plug": 3, "photos": 40}) == worse


def test_the_command_holds_and_then_refuses_what_is_worse(tmp_path, monkeypatch, capsys):
    file = tmp_path / "ratchet.json"
    monkeypatch.setattr(f"{WHERE}.ratchet_file", lambda: file)
    seen = {"a": {"photos": 1, "unit recalled": 2}, "b": {"photos": 1}}
    monkeypatch.setattr(f"{WHERE}.read_rows", lambda: [{"id": "a"}, {"id": "b"}])
    monkeypatch.setattr(f"{WHERE}.count_seen", lambda rows: {row["id"]: seen[row["id"]] for row in rows})
    main(["--record"])
    assert json.loads(file.read_text()) == seen
    main([])
    seen["a"] = {"photos": 1, "unit recalled": 1}
    with pytest.raises(SystemExit) as leaving:
        main([])
    assert leaving.value.code == 1
    assert "worse: unit recalled: 1, held at 2" in capsys.readouterr().out
