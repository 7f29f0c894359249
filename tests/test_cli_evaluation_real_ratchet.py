"""What is seen on the small set of real photographs must not get worse."""

import json

import pytest
from plugface.cli.evaluation.real_ratchet import HELD, count_seen, find_worse, main, ratchet_file

WHERE = "plugface.cli.evaluation.real_ratchet"


def test_nothing_is_seen_worse_than_held():
    held = json.loads(ratchet_file().read_text(encoding="utf-8"))
    assert set(HELD) < set(held)
    assert find_worse(count_seen(), held) == []


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
    monkeypatch.setattr(f"{WHERE}.count_seen", lambda: {"photos": 2, "unit recalled": 2})
    main(["--record"])
    assert json.loads(file.read_text()) == {"photos": 2, "unit recalled": 2}
    main([])
    monkeypatch.setattr(f"{WHERE}.count_seen", lambda: {"photos": 2, "unit recalled": 1})
    with pytest.raises(SystemExit) as leaving:
        main([])
    assert leaving.value.code == 1
    assert "worse: unit recalled: 1, held at 2" in capsys.readouterr().out
