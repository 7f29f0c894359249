"""What the bench of sorting counts as what, by a clock that a test holds."""

from plugface.cli.evaluation import bench_sort
from plugface.cli.settings import demo_folder

LOADING, FIRST, SECOND = (50, 60, 70, 80), (1, 2, 5, 4), (3, 2, 7, 8)  # seconds of the four steps of a photo


def test_reading_is_what_it_adds_to_looking(monkeypatch, capsys):
    ticks, now = [], 0
    for steps in (LOADING, FIRST, SECOND):
        ticks.append(now)
        for step in steps:
            now += step
            ticks.append(now)
    clock = iter(ticks)
    monkeypatch.setattr(bench_sort, "processor_seconds", lambda: next(clock))
    asked = []
    monkeypatch.setattr(
        bench_sort, "observe", lambda photo, shades, read_text=True: asked.append(read_text) or photo
    )
    monkeypatch.setattr(bench_sort.worker.PipelineAnalyser, "list_units", lambda self, seen: [])
    photos = sorted((demo_folder() / "photos").glob("*.jpg"))[:2]
    bench_sort.bench_profile(photos, ledger_s=1.0)
    assert asked == [False, True] * 3
    said = {line.split()[0].rstrip(","): line.split() for line in capsys.readouterr().out.splitlines()}
    # The first photo is looked at twice, and counts only when the networks are loaded.
    assert said["decode"][1] == "2.000"
    assert said["see"][1] == "2.000"
    assert said["read"][1] == "4.000"  # (5 - 2 + 7 - 2) / 2
    assert said["decide"][1] == "6.000"
    assert said["ledger"][-2:] == ["6.7", "%"]  # 1 of 15
