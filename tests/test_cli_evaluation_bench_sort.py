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


def test_a_profile_names_the_ledgers_share_without_what_starting_up_takes(monkeypatch, capsys, tmp_path):
    def run_once(photos, out, workers, real, seconds):
        assert (workers, real, seconds) == (1, False, 0.0)
        return {"master_cpu": 2.0 + 0.25 * photos}

    (tmp_path / "a.jpg").write_bytes(b"")
    monkeypatch.setattr(bench_sort, "make_photos", lambda folder, count, samples: count)
    monkeypatch.setattr(bench_sort, "run_once", run_once)
    monkeypatch.setattr(bench_sort, "profile_worker", lambda photos: {"decide": 0.75})
    monkeypatch.setattr("sys.argv", ["bench_sort", "--photos", str(tmp_path), "--profile"])
    bench_sort.main()
    said = capsys.readouterr().out
    assert "1.00 s of the processor a photo" in said
    assert "ledger, and handing out  0.250 s, 25.0 %" in said
