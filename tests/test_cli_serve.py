"""plugface serve as it is started: what it says and refuses, and that killing it loses nothing."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import plugface
import pytest
from fastapi.testclient import TestClient
from plugface.cli.settings import demo_folder
from plugface.cli.web import access
from plugface.cli.web.codes import CODES_FILE
from plugface.models.catalogue.entries import load_catalogue

ROOT = Path(__file__).parents[1]
UNIT = "/api/v1/units/" + "a" * 32


def ask(url: str, data: bytes | None = None, **headers: str) -> dict:
    with urllib.request.urlopen(urllib.request.Request(url, data, headers), timeout=60) as answer:
        return json.loads(answer.read())


@pytest.fixture
def port():
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


@pytest.fixture
def start(tmp_path, port):
    """Start the command over one folder and wait until it answers."""
    running = []

    def begin(*words: str) -> tuple[subprocess.Popen, str]:
        said = tmp_path / f"said{len(running)}.txt"
        command = [
            sys.executable,
            "-c",
            "import plugface.cli.main as m; m.main()",
            "serve",
            "--port",
            str(port),
        ]
        command += ["--folder", str(tmp_path / "yard"), *words]
        environment = os.environ | {"PYTHONUNBUFFERED": "1"}
        with said.open("w") as out:
            process = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=out, env=environment)
        running.append(process)
        for _ in range(1200):
            assert process.poll() is None, said.read_text()
            try:
                ask(f"http://127.0.0.1:{port}/api/v1/openapi.json")
                return process, said.read_text()
            except OSError:
                time.sleep(0.1)
        raise AssertionError(said.read_text())

    yield begin
    for process in running:
        process.kill()
        process.wait()


@pytest.fixture
def serve_here(run, tmp_path, port, monkeypatch):
    """What the command says in this process, and what its page answers at once; nothing is looked at.

    Each start as a process of its own takes four seconds of the processor.
    """
    import uvicorn

    monkeypatch.setattr("plugface.cli.web.log.start_log", lambda _: None)
    monkeypatch.setattr(signal, "signal", lambda *_: None)

    def begin(*words: str, path: str, **headers: str):
        answers = []

        def answer(server, sockets):
            client = TestClient(server.config.app, base_url=f"http://127.0.0.1:{port}")
            answers.append(client.get(path, headers=headers))
            for listener in sockets:
                listener.close()

        monkeypatch.setattr(uvicorn.Server, "run", answer)
        ran = run("serve", "--port", port, "--folder", tmp_path / "yard", *words)
        assert ran.code == 0, ran.err
        return " ".join((ran.out + ran.err).split()), *answers

    return begin


def test_killed_with_a_photo_in_hand_it_answers_after_the_next_start(start, port, choose_photos):
    url = f"http://127.0.0.1:{port}"
    (shipped,) = choose_photos()
    process, _ = start()
    accepted = ask(f"{url}{UNIT}/photos", shipped.read_bytes(), **{"content-type": "image/jpeg"})
    process.send_signal(signal.SIGKILL)
    process.wait()
    start()
    until = time.monotonic() + 180
    while (found := ask(f"{url}{UNIT}"))["state"] != "answered":
        assert found["state"] in ("waiting", "working"), found["problem"]
        assert time.monotonic() < until
        time.sleep(0.2)
    (photo,) = found["result"]["identify"]["photos"]
    assert photo["sha256"] == accepted["sha256"]
    # The same as the command answers: leaving metadata out changes nothing.
    expected = plugface.analyse([shipped], load_catalogue(demo_folder() / "marrow_finch")).decision
    decision = found["result"]["identify"]["decision"]
    assert (decision["verdict"], decision["message"]) == (expected.verdict, expected.message)


def test_a_named_lot_gets_a_code_that_is_written_down_once(start, serve_here, port, tmp_path):
    url = f"http://127.0.0.1:{port}"
    process, said = start("--lot", "North gate")
    file = tmp_path / "yard" / CODES_FILE
    code = re.search(r"^(\S+)\tlot \"North gate\"", file.read_text(), re.M)[1]
    assert str(file) in said
    assert code not in said
    kept = [path for path in (tmp_path / "yard").rglob("*") if path.is_file()]
    assert len(kept) >= 3
    assert not [path for path in kept if path.stat().st_mode & 0o077]
    with pytest.raises(urllib.error.HTTPError, match="401"):
        ask(f"{url}/api/v1/lot")
    json_type = {"content-type": "application/json"}
    token = ask(f"{url}/api/v1/tokens", json.dumps({"code": code}).encode(), **json_type)["token"]
    assert ask(f"{url}/api/v1/lot", authorization=f"Bearer {token}")["name"] == "North gate"
    process.send_signal(signal.SIGTERM)
    assert process.wait(30) == 0
    assert not list((tmp_path / "yard").glob("*-wal"))  # all rows are in the files themselves
    file.unlink()
    visitor = {"authorization": f"Bearer {token}"}
    said, answer = serve_here("--lot", "North gate", path="/api/v1/lot", **visitor)
    assert code not in said
    assert not file.exists()
    assert "stays what it was" in said
    assert answer.json()["name"] == "North gate"


def test_a_code_asked_for_is_printed_a_name_is_let_in_and_put_out_and_the_log_has_an_object_a_line(
    start, port, tmp_path, run, monkeypatch, true_code_cost
):
    monkeypatch.setattr(access, "_SCRYPT", true_code_cost)  # the page is another process
    url, json_type = f"http://127.0.0.1:{port}", {"content-type": "application/json"}
    process, said = start("--lot", "North gate", "--show-codes")
    printed = re.search(r"access code (\S+) ", said)[1]
    assert f"/enter#{printed}" in said
    assert printed in (tmp_path / "yard" / CODES_FILE).read_text()
    yard = ("--folder", tmp_path / "yard")
    said = run("codes", "add", "Ada", "--show-codes", *yard).out
    code = re.search(r"access code (\S+)", said)[1]
    token = ask(f"{url}/api/v1/tokens", json.dumps({"code": code}).encode(), **json_type)["token"]
    assert ask(f"{url}/api/v1/lot", authorization=f"Bearer {token}")["visitor"] == "Ada"
    assert run("codes", "revoke", "ada", *yard).code == 0
    with pytest.raises(urllib.error.HTTPError, match="401"):  # the very next request
        ask(f"{url}/api/v1/lot", authorization=f"Bearer {token}")
    with pytest.raises(urllib.error.HTTPError, match="403"):
        ask(f"{url}/api/v1/tokens", json.dumps({"code": code}).encode(), **json_type)
    audit = run("ledger", "audit", "--ledger", tmp_path / "yard", "--json").out
    acts = [(line["act"], line["who"]) for line in map(json.loads, audit.splitlines())]
    assert [act for act, _ in acts] == ["code made", "code made", "entry", "code revoked", "wrong code"]
    assert acts[2] == ("entry", "Ada")
    assert code not in audit
    with pytest.raises(urllib.error.HTTPError, match="404"):
        ask(f"{url}/nowhere/7K2M-ABCDE-FGHJK")
    process.send_signal(signal.SIGTERM)
    process.wait(30)
    lines = [line for line in (tmp_path / "said0.txt").read_text().splitlines() if line.startswith("{")]
    logged = [json.loads(line) for line in lines]
    assert all({"time", "level", "request", "message"} <= line.keys() for line in logged)
    assert [line["status"] for line in logged if line.get("route") == "none"] == [404]
    assert "7K2M" not in "".join(lines)


def test_on_a_network_there_is_a_code_and_advice_on_tls(serve_here):
    said, answer = serve_here("--host", "0.0.0.0", path="/api/v1/lot")
    assert "access code" in said
    assert "In place of 0.0.0.0 a phone needs" in said
    assert "TLS" in said
    assert answer.status_code == 401


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--public-url", "http://yard.example"], 'option --public-url, setting "public_url": got'),
        (["--lot", " "], 'option --lot, setting "lots": got'),
        (["--host", "192.0.2.1"], "cannot listen on 192.0.2.1"),  # RFC 5737: an address nobody has
        (["--words", "nowhere.toml"], "nowhere.toml: it cannot be read"),
        (["--settings", "nowhere.toml"], "nowhere.toml: it cannot be read"),
    ],
)
def test_what_cannot_be_served_is_said_in_a_line(run, tmp_path, port, words, said):
    ended = run("serve", "--folder", tmp_path / "yard", "--port", port, *words)
    assert ended.code == 2
    assert said in " ".join(ended.err.replace("│", " ").split())


def test_a_lot_to_be_shared_must_be_there(run, tmp_path, port):
    (tmp_path / "yard.toml").write_text('lots = ["North"]\nshared_lots = ["Nord"]\n')
    ended = run("serve", "--settings", tmp_path / "yard.toml", "--folder", tmp_path / "yard", "--port", port)
    assert ended.code == 2
    said = " ".join(ended.err.replace("│", " ").split())
    assert 'yard.toml, setting "shared_lots": there is no lot "Nord". There are "North".' in said


def test_a_port_that_is_taken_is_said(run, tmp_path):
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        ended = run("serve", "--folder", tmp_path / "yard", "--port", listener.getsockname()[1])
    assert ended.code == 2
    assert "name another --host or --port" in " ".join(ended.err.split())
