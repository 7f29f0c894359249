"""The log: one JSON object a line, named by its request, with nothing in it that must not be there."""

import io
import json
import logging

import pytest
from plugface.cli.web import access
from plugface.cli.web.log import REQUEST, mask, start_log


@pytest.fixture
def log():
    """What the page logs from now on, read back line by line."""
    root, ours = logging.getLogger(), logging.getLogger("plugface")
    before = root.handlers, root.level, ours.level
    stream = io.StringIO()
    start_log("debug", stream)
    yield lambda: [json.loads(line) for line in stream.getvalue().splitlines()]
    root.handlers = before[0]
    root.setLevel(before[1])
    ours.setLevel(before[2])


def test_a_line_has_time_level_request_and_facts(log):
    token = REQUEST.set("abc")
    logging.getLogger("plugface.yard").warning("two\nlines \x1b[31m", extra={"facts": {"status": 503}})
    REQUEST.reset(token)
    (line,) = log()
    assert line["time"].endswith("Z")
    assert (line["level"], line["request"], line["status"]) == ("warning", "abc", 503)
    assert line["message"] == "two\nlines \x1b[31m"  # given back; on the line itself it is "\u001b"


def test_a_trace_is_in_its_line(log):
    try:
        raise ValueError("no such thing")
    except ValueError:
        logging.getLogger("plugface.yard").exception("a fault")
    (line,) = log()
    assert line["trace"].endswith("ValueError: no such thing")


def test_what_libraries_say_in_passing_is_left_out(log):
    logging.getLogger("somebody.else").info("started")
    assert log() == []


@pytest.mark.parametrize("typed", [str, str.lower, lambda code: code.replace("-", " ")])
def test_codes_and_tokens_are_masked(typed):
    code = access.make_code("7K2M")
    assert mask(f"got {typed(code)} from a phone") == "got [CODE] from a phone"
    assert mask(f"Bearer {access.make_token()}") == "Bearer [TOKEN]"


def test_passwords_and_numbers_of_vehicles_are_masked():
    assert mask("postgresql://yard:hunter2@db/ledger") == "postgresql://yard:***@db/ledger"
    # Seventeen signs, invented; no maker begins with three figures of zero.
    assert mask("donor 000MF77X4SEAB1RD5") == "donor [VEHICLE]"
    kept = f"unit {'a1' * 16} photo {'0123456789abcdef' * 4} took 12345 ms"
    assert mask(kept) == kept


def test_nothing_that_must_stay_secret_reaches_the_log(make_yard, jpeg, log):
    made = make_yard(open_lot=False, local_names=False)
    code = made.yard.add_lot("North")
    with made.client as client:
        token = client.post("/api/v1/tokens", json={"code": code}).json()["token"]
        client.post("/api/v1/tokens", json={"code": "WRNG-22222-33333"})
        client.post("/enter", data={"code": code})
        client.get(f"/{code}")  # typed behind the address
        client.get("/enter", params={"code": code})
        made.yard.queue.close()  # whatever comes now is a fault
        client.get("/", headers={"authorization": f"Bearer {token}"})
    text = json.dumps(log())
    assert code not in text
    assert "WRNG" not in text
    assert token not in text
    assert code.split("-", 1)[1] not in text
    wrong = [line for line in log() if line["message"] == "wrong code"]
    assert len(wrong) == 1


def test_every_answer_names_the_line_it_has_in_the_log(make_yard, log):
    made = make_yard()
    with made.client as client:
        first, second = client.get("/"), client.get(f"/api/v1/units/{'a' * 32}")
    lines = {line["request"]: line for line in log() if line["message"] == "request"}
    assert first.headers["x-request-id"] != second.headers["x-request-id"]
    assert lines[first.headers["x-request-id"]]["status"] == 200
    line = lines[second.headers["x-request-id"]]
    assert (line["method"], line["route"], line["status"]) == ("GET", "/api/v1/units/{unit}", 404)
    reasons = [entry["reason"] for entry in log() if entry["message"] == "refused"]
    assert reasons == ["no_unit"]


@pytest.mark.parametrize(
    "path", ["/no/such/page", "/static/no-such-file", f"/api/v1/units/{'a' * 32}/nothing"]
)
def test_what_was_typed_as_an_address_is_not_in_the_log(make_yard, log, path):
    """People type their codes there, not always so that they could be masked."""
    made = make_yard()
    with made.client as client:
        assert client.get(path).status_code == 404
    (line,) = [line for line in log() if line["message"] == "request"]
    assert line["route"] in ("none", "/static")
    typed = path.rpartition("/")[2]
    assert typed not in json.dumps(log())
