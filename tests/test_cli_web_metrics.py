"""What a monitoring program reads: that it is the format it says, that it counts, and who may see it."""

import time

import pytest
from fastapi.testclient import TestClient
from plugface.cli.limited_process import Stopped
from plugface.cli.web.photo_store import PhotoChecker
from plugface.cli.web.refusals import STATUS
from plugface.cli.web.worker_pool import WorkerLost
from plugface.cli.web.yard import METRICS_TOKEN_FILE
from prometheus_client.parser import text_string_to_metric_families

A, B = "a" * 32, "b" * 32
UNITS = "/api/v1/units"


def from_here(made) -> TestClient:
    """A client on the page's own machine."""
    return TestClient(made.app, base_url="http://localhost", client=("127.0.0.1", 5000))


def read(made) -> dict[tuple, float]:
    """(name, label values ...) -> value."""
    answer = from_here(made).get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    families = list(text_string_to_metric_families(answer.text))
    assert all(family.documentation and family.type != "unknown" for family in families)
    return {(s.name, *s.labels.values()): s.value for family in families for s in family.samples}


def wait_until(done, seconds: float = 120) -> None:
    until = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < until
        time.sleep(0.05)


def test_before_anything_happens_everything_is_there_and_nought(make_yard):
    found = read(make_yard())
    assert {name[1] for name in found if name[0] == "plugface_refusals_total"} == set(STATUS)
    assert found["plugface_worker_losses_total", "looking"] == 0
    assert found["plugface_units", "waiting"] == 0
    assert found["plugface_queue_oldest_seconds",] == 0
    assert found["plugface_ready",] == 1
    assert found["plugface_disk_free_bytes",] > 0


def test_queue_and_photos_are_counted_by_state(make_yard, jpeg):
    made = make_yard()
    made.stand_in.gate.clear()
    with made.client as client:
        for unit in (A, B):
            client.post(f"{UNITS}/{unit}/photos", content=jpeg(1))
        client.post(f"{UNITS}/{B}/photos", content=jpeg(2))
        wait_until(lambda: read(made)["plugface_units", "working"] == 1)
        found = read(made)
        assert found["plugface_units", "waiting"] == 1
        assert found["plugface_photos", "waiting"] + found["plugface_photos", "working"] == 3
        made.stand_in.gate.set()
        wait_until(lambda: read(made)["plugface_units", "answered"] == 2)
        assert read(made)["plugface_photos", "answered"] == 3


def test_the_age_is_that_of_the_longest_waiting_even_after_a_restart(make_yard, jpeg):
    made = make_yard()
    made.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))  # nobody answers: the page was not started
    made.yard.queue._clock = lambda: time.time() + 90
    made.client.post(f"{UNITS}/{A}/photos", content=jpeg(2))  # a further photo makes it no younger
    assert read(made)["plugface_queue_oldest_seconds",] == pytest.approx(90, abs=20)
    made.yard.close()
    again = make_yard()
    again.yard.queue._clock = lambda: time.time() + 200
    assert read(again)["plugface_queue_oldest_seconds",] == pytest.approx(200, abs=20)
    again.yard.queue._clock = lambda: time.time() - 3600  # a clock that was set back
    assert read(again)["plugface_queue_oldest_seconds",] == 0


def test_refusals_are_counted_by_reason(make_yard):
    made = make_yard(open_lot=False, local_names=False)
    client = made.client
    client.post("/api/v1/tokens", json={"code": "ABCD-ABCDE-ABCDE"})
    client.post("/enter", data={"code": "ABCD-ABCDE-ABCDE"})
    client.get("/api/v1/units")
    client.get("/nowhere")
    found = read(made)
    assert found["plugface_refusals_total", "code_wrong"] == 2
    assert found["plugface_refusals_total", "code_needed"] == 1
    assert found["plugface_refusals_total", "not_found"] == 1
    assert found["plugface_requests_total", "POST", "403"] == 2
    assert found["plugface_request_seconds_count",] == 4


def test_a_made_up_method_makes_no_series_of_its_own(make_yard):
    made = make_yard()
    for method in ("BREW", "WHEN"):
        made.client.request(method, "/")
    methods = {name[1] for name in read(made) if name[0] == "plugface_requests_total"}
    assert methods == {"other"}


def test_lost_workers_are_counted(make_yard, jpeg):
    made = make_yard()
    losses = iter([WorkerLost("it ended"), WorkerLost("it ended")])

    def act(_question):
        if error := next(losses, None):
            raise error

    made.stand_in.act = act
    with made.client as client:
        client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
        wait_until(lambda: read(made)["plugface_units", "answered"] == 1)
    assert read(made)["plugface_worker_losses_total", "looking"] == 2


def test_stopped_checks_of_photos_are_counted(make_yard, jpeg):
    made = make_yard()

    class Stopping:
        def __call__(self, _data, _on_spent):
            raise Stopped("time")

        def close(self):
            pass

    def count():
        made.yard.tally.count_loss("checking")

    checker = PhotoChecker(made.yard.limits, on_loss=count)
    checker.close()
    checker._pool = Stopping()
    made.yard.check_photo = checker
    assert made.client.post(f"{UNITS}/{A}/photos", content=jpeg(1)).status_code == 422
    assert read(made)["plugface_worker_losses_total", "checking"] == 1


@pytest.mark.parametrize(
    ("client", "headers", "seen"),
    [
        ("127.0.0.1", {}, True),
        ("::1", {}, True),
        ("::ffff:127.0.0.1", {}, True),
        ("192.0.2.7", {}, False),
        ("127.0.0.1", {"host": "yard.example"}, False),  # a proxy here that keeps the name
        ("127.0.0.1", {"x-forwarded-for": "192.0.2.7"}, False),
        ("127.0.0.1", {"via": "1.1 yard"}, False),
        ("192.0.2.7", {"authorization": "Bearer wrong"}, False),
        ("192.0.2.7", {"authorization": "Bearer "}, False),
        ("192.0.2.7", {"authorization": "Bearer TOKEN"}, True),
        ("192.0.2.7", {"authorization": "Basic TOKEN"}, False),
    ],
)
def test_who_may_see_the_counters(make_yard, client, headers, seen):
    made = make_yard(open_lot=False, local_names=False)
    token = (made.folder / METRICS_TOKEN_FILE).read_text().strip()
    headers = {name: value.replace("TOKEN", token) for name, value in headers.items()}
    asking = TestClient(made.app, base_url="http://localhost", client=(client, 5000))
    answer = asking.get("/metrics", headers=headers)
    assert answer.status_code == (200 if seen else 401)
    if not seen:
        assert METRICS_TOKEN_FILE in answer.text  # says what to do
        assert "plugface_units" not in answer.text


def test_the_token_stays_and_is_for_its_owner_alone(make_yard):
    made = make_yard()
    file = made.folder / METRICS_TOKEN_FILE
    token = file.read_text()
    assert file.stat().st_mode & 0o777 == 0o600
    made.yard.close()
    make_yard()
    assert file.read_text() == token


@pytest.mark.parametrize(
    "path", ["/", "/healthz", "/readyz", "/metrics", "/enter", "/static/yard.css", "/api/v1/lot", "/nowhere"]
)
def test_head_is_get_without_a_body(make_yard, path):
    made = make_yard()
    client = from_here(made)
    asked, got = client.head(path), client.get(path)
    assert asked.status_code == got.status_code
    assert asked.headers["content-type"] == got.headers["content-type"]
    assert asked.content == b""
    assert got.content


def test_head_is_no_way_round_post(make_yard):
    answer = from_here(make_yard()).head("/leave")
    assert answer.status_code == 405
