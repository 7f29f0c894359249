"""The recipes that put the yard page on a machine: that they fit the program, and that it runs so."""

import io
import json
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import sysconfig
import time
import urllib.request
from pathlib import Path

import pytest
from PIL import Image
from plugface.cli.settings import demo_folder
from plugface.cli.web.limits import Limits
from plugface.cli.web.settings import load_settings

ROOT = Path(__file__).parents[1]
DEPLOY = ROOT / "cli" / "deploy"
UNIT = DEPLOY / "plugface-yard.service"
PHOTOS = demo_folder() / "photos"


def directives(text: str) -> dict[str, dict[str, list[str]]]:
    """Section -> directive -> its values, of a systemd unit."""
    found, section = {}, {}
    for line in text.splitlines():
        if line.startswith("["):
            section = found.setdefault(line.strip("[]"), {})
        elif line and not line.startswith("#"):
            name, _, value = line.partition("=")
            section.setdefault(name, []).append(value)
    return found


def in_bytes(text: str) -> float:
    return float(text[:-1]) * {"k": 1e3, "m": 1e6, "g": 1e9}[text[-1].lower()]


# The service


def test_the_service_has_its_own_user_limited_memory_and_a_read_only_root():
    service = directives(UNIT.read_text())["Service"]
    assert service["User"] == ["plugface"]
    assert service["ProtectSystem"] == ["strict"]
    assert service["StateDirectory"] == ["plugface"]
    assert service["UMask"] == ["0077"]
    assert service["NoNewPrivileges"] == service["PrivateTmp"] == ["yes"]
    assert service["CapabilityBoundingSet"] == [""]
    assert "ReadWritePaths" not in service
    # The page kills nothing by itself that it can still close, and closes within ten seconds (serve.py).
    assert int(service["TimeoutStopSec"][0]) > 10
    memory = in_bytes(service["MemoryMax"][0])
    limits = load_settings(DEPLOY / "yard.toml", environment={}).limits
    # 600 MB: the page itself and one worker, as measured while serving the demo.
    assert limits.decoding_at_once * limits.decoding_bytes + limits.uploads_bytes + 600e6 <= memory


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd-analyze is not installed")
@pytest.mark.parametrize("spoilt", [False, True])
def test_systemd_understands_every_line_of_the_unit(tmp_path, spoilt):
    text = UNIT.read_text().replace(
        "/opt/plugface/venv/bin/plugface", "/bin/true"
    )  # must exist to be verified
    text = re.sub(r"(?m)^(User|Group)=.*", r"\1=root", text)
    if spoilt:
        text = text.replace("MemoryMax=", "MemoryMost=")
    (tmp_path / UNIT.name).write_text(text)
    ended = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(tmp_path / UNIT.name)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    said = [line for line in ended.stderr.splitlines() if UNIT.name in line]
    assert bool(said) == spoilt, ended.stderr
    assert ended.returncode == 0 or spoilt


@pytest.mark.parametrize("which", ["ExecStart", "ExecStartPre"])
def test_the_service_starts_what_there_is(run, which, tmp_path):
    (command,) = directives(UNIT.read_text())["Service"][which]
    program, *words = shlex.split(command)
    assert program == "/opt/plugface/venv/bin/plugface"
    words[words.index("--settings") + 1] = str(DEPLOY / "yard.toml")
    ended = run(*words, *(["--check"] if "--check" not in words else []))
    assert (ended.code, ended.err) == (0, "")
    service = directives(UNIT.read_text())["Service"]
    assert f'folder = "/var/lib/{service["StateDirectory"][0]}"' in ended.out


def test_the_example_is_what_the_schema_describes(run):
    jsonschema = pytest.importorskip("jsonschema", reason="jsonschema is not installed")
    import tomllib

    schema = json.loads(run("schema", "settings").out)
    jsonschema.validate(tomllib.loads((DEPLOY / "yard.toml").read_text()), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"limits": {"foto_bytes": 1}}, schema)


@pytest.mark.skipif(sys.platform != "linux", reason="limits of a process as Linux has them")
def test_a_photo_that_takes_too_much_memory_ends_alone_under_the_limit_of_the_service(tmp_path):
    """A drill with limits of each process, for want of the system's own: the sum of all is not limited here.

    The address space of the page is limited to the service's MemoryMax, that of checking a photo to the least
    that can be set.
    """
    import resource

    import httpx

    memory = int(in_bytes(directives(UNIT.read_text())["Service"]["MemoryMax"][0]))
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port = listener.getsockname()[1]
    large, small = io.BytesIO(), io.BytesIO()
    Image.new("RGB", (6000, 6000)).save(large, "PNG", compress_level=1)
    Image.new("RGB", (800, 600), "green").save(small, "JPEG")
    words = ["--folder", str(tmp_path / "yard"), "--port", str(port), "--log-level", "error"]
    page = subprocess.Popen(
        [sys.executable, "-c", "from plugface.cli.main import main; main()", "serve", *words],
        env=os.environ | {"PLUGFACE_SERVE_LIMITS_DECODING_BYTES": "100000000"},
        stdout=subprocess.DEVNULL,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (memory, memory)),
    )
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as client:
            for _ in range(1800):
                try:
                    client.get("/healthz")
                    break
                except httpx.TransportError:
                    time.sleep(0.1)
            said = client.post(f"/api/v1/units/{8:032x}/photos", content=large.getvalue())
            assert (said.status_code, "more memory to open" in said.text) == (422, True), said.text
            # Not looked at, for more are to come: that would take the processor for three seconds.
            said = client.post(f"/api/v1/units/{9:032x}/photos?more=true", content=small.getvalue())
            assert said.status_code == 202
            assert client.get("/healthz").status_code == 200
        status = Path(f"/proc/{page.pid}/status").read_text()
        assert int(re.search(r"VmHWM:\s+(\d+) kB", status)[1]) * 1000 < 600e6  # as reckoned above
    finally:
        page.terminate()
        page.wait(60)
    assert page.returncode == 0


# The proxy


def test_the_proxies_wait_longer_and_take_more_than_the_page_refuses():
    limits = Limits()
    nginx = dict(re.findall(r"(?m)^\s*(\w+)\s+([^;{]+);", (DEPLOY / "nginx.conf").read_text()))
    seconds = {name: float(value[:-1]) for name, value in nginx.items() if re.fullmatch(r"\d+s", value)}
    assert in_bytes(nginx["client_max_body_size"]) >= limits.photo_bytes
    assert seconds["client_body_timeout"] >= limits.silence_s
    assert seconds["client_header_timeout"] <= limits.header_s
    assert seconds["proxy_send_timeout"] > limits.upload_s
    assert seconds["proxy_read_timeout"] > limits.decoding_s
    assert "TLSv1.2 TLSv1.3" in nginx["ssl_protocols"]
    assert f"yard_address {limits.connections_per_address}" == nginx["limit_conn"]
    caddy = (DEPLOY / "Caddyfile").read_text()
    found = dict(re.findall(r"(?m)^\s*(\w+) (\d+)s$", caddy))
    assert float(found["read_body"]) > limits.upload_s
    assert float(found["response_header_timeout"]) > limits.upload_s
    assert float(re.search(r"max_size (\d+)MB", caddy)[1]) * 1e6 >= limits.photo_bytes


def test_the_proxies_say_whom_they_ask_for_and_keep_the_counters_in():
    text = (DEPLOY / "nginx.conf").read_text()
    # Written anew: with $proxy_add_x_forwarded_for a phone could choose whom its wrong codes count for.
    assert "X-Forwarded-For $remote_addr;" in text
    assert "proxy_set_header Host $host;" in text
    assert re.search(r"location = /metrics \{\s+return 404;", text)
    assert "respond /metrics 404" in (DEPLOY / "Caddyfile").read_text()


# The container


def test_the_container_runs_as_its_own_user_with_settings_there_are():
    text = (DEPLOY / "Containerfile").read_text().replace("\\\n", " ")
    lines = [line.split(maxsplit=1) for line in text.splitlines() if line and line[0].isalpha()]
    assert ["RUN", "sh /checkout/cli/deploy/build_root.sh /"] in lines
    last = dict(lines)  # of several the last counts
    assert last["USER"] == "plugface"
    assert json.loads(last["ENTRYPOINT"]) == ["/opt/plugface/venv/bin/plugface", "serve"]
    given = dict(word.split("=", 1) for word in shlex.split(last["ENV"]))
    settings = load_settings(environment=given)
    assert settings["folder"] == given["HOME"] == last["VOLUME"]
    assert settings["host"] == "0.0.0.0"
    assert str(settings["port"]) == last["EXPOSE"]


# Both: the root that they share, built and lived in

#: Who lives in the root: an account of its own, which takes the machine's owner; or whoever tests, by a user
#: namespace. The root is theirs then, so that nothing keeps them from writing but its being read-only.
WAYS = {
    "another account": (["unshare", "-m"], "--reuid 8017 --regid 8017 --clear-groups"),
    "this account": (["unshare", "--user", "--map-root-user", "--mount"], "--inh-caps=-all"),
}


def may_live(way: str) -> bool:
    """Whether this machine lets a test have mounts of its own in this way."""
    boxed, account = WAYS[way]
    if os.name != "posix" or not (shutil.which("unshare") and shutil.which("setpriv")):
        return False
    if way == "another account" and os.geteuid() != 0:
        return False
    tried = f"mount -t tmpfs none /mnt && setpriv {account} true"
    return subprocess.run([*boxed, "sh", "-c", tried], capture_output=True, check=False).returncode == 0


INSIDE = r"""
set -eu
root=$1 base=$2 account=$3; shift 3
mount --make-rprivate /
mount --bind "$root" "$root"
for name in usr bin sbin lib lib64 lib32; do
    if [ -L "/$name" ]; then ln -sfn "$(readlink "/$name")" "$root/$name"
    elif [ -d "/$name" ]; then mkdir -p "$root/$name"; mount --rbind "/$name" "$root/$name"; fi
done
mkdir -p "$root/proc" "$root/dev" "$root/tmp" "$root$base"
mount --rbind /proc "$root/proc"
mount --rbind /dev "$root/dev"
mount --bind "$base" "$root$base"
mount --bind "$root/var/lib/plugface" "$root/var/lib/plugface"
mount -o remount,bind,ro "$root"
mount -t tmpfs none "$root/tmp"
chmod 1777 "$root/tmp"
mkdir "$root/tmp/pycache"
mount --bind "$root/../pycache" "$root/tmp/pycache"
exec chroot "$root" /usr/bin/env -i HOME=/var/lib/plugface PATH=/usr/bin:/bin \
    PYTHONPYCACHEPREFIX=/tmp/pycache \
    setpriv $account --no-new-privs --bounding-set=-all "$@"
"""

#: Each place that is tried is told with what became of it.
TRY_TO_WRITE = """
for place in / /opt/plugface/venv /etc/plugface /var /var/lib/plugface /tmp; do
    touch "$place/tried" 2>/dev/null && echo "$place" && rm "$place/tried"
done
grep -E "CapEff|NoNewPrivs" /proc/self/status
"""


@pytest.fixture(scope="module")
def built_root(tmp_path_factory):
    """The root that the recipes share, built once."""
    if not any(map(may_live, WAYS)):
        pytest.skip("no leave for mounts of its own here (root or user namespaces on Linux are needed)")
    if not PHOTOS.is_dir():
        pytest.skip("the shipped photos are only in a checkout")
    if not shutil.which("uv"):
        pytest.skip("uv is not installed")
    root = tmp_path_factory.mktemp("built") / "root"
    environment = os.environ | {
        "UV_COMPILE_BYTECODE": "0",
        "UV_LINK_MODE": "hardlink",
        "UV_PYTHON": sys.executable,
    }
    environment.pop("VIRTUAL_ENV", None)
    built = subprocess.run(
        ["sh", DEPLOY / "build_root.sh", root],
        check=True,
        env=environment,
        timeout=500,
        stderr=subprocess.PIPE,
        text=True,
    )
    # A service that may not see homes cannot run a Python that lies in one; this test mounts it.
    at_home = sys.base_prefix.startswith(("/root/", "/home/", "/run/user/"))
    assert ("lies in a home" in built.stderr) == at_home, built.stderr
    assert not (root / "opt/plugface/venv/bin/python").readlink().is_relative_to(root)
    # Beside the root, for all who live in it: each process that compiles what it imports takes seconds more.
    pycache = root.parent / "pycache"
    pycache.mkdir()
    for source, compiled in compiled_here():
        place = pycache / source.parent.relative_to("/") / compiled.name
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(compiled, place)
    subprocess.run(["chmod", "-R", "a+rwX", pycache], check=True)
    return root


def compiled_here():
    """What this process imported that the root has, too: where it lies in there, and its compiled file.

    The files are the same, of one time, for uv links them; what was built anew is compiled anew.
    """
    here, there = Path(sysconfig.get_path("purelib")), Path("/opt/plugface/venv")
    for module in list(sys.modules.values()):
        spec = getattr(module, "__spec__", None)
        if spec and spec.has_location and spec.cached and os.path.exists(spec.cached):
            source = Path(spec.origin)
            if source.is_relative_to(here):
                yield there / source.relative_to(sys.prefix), Path(spec.cached)
            elif source.is_relative_to(sys.base_prefix):
                yield source, Path(spec.cached)


@pytest.mark.parametrize("way", WAYS)
def test_the_page_lives_in_the_root_that_is_built_with_nothing_else_to_write_to(
    tmp_path, built_root, promised_photo, way
):
    """One unit is sent and answered, all is backed up while the page serves, and the page is ended."""
    if not may_live(way):
        pytest.skip(f"no leave to live there as {way}")
    root, (boxed, account) = built_root, WAYS[way]
    state = root / "var" / "lib" / "plugface"
    shutil.rmtree(state)
    state.mkdir(mode=0o700)
    uid = 8017 if way == "another account" else os.geteuid()
    os.chown(state, uid, -1)
    before = {path for path in root.rglob("*") if state not in path.parents}
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port = listener.getsockname()[1]
    within = [*boxed, "sh", "-c", INSIDE, "inside", str(root), sys.base_prefix, account]
    plugface = [*within, "/opt/plugface/venv/bin/plugface"]

    tried = subprocess.run([*within, "sh", "-c", TRY_TO_WRITE], capture_output=True, text=True, timeout=60)
    assert tried.stdout.split() == [
        "/var/lib/plugface", "/tmp", "CapEff:", "0" * 16, "NoNewPrivs:", "1",
    ], tried  # fmt: skip
    if way != next(filter(may_live, WAYS)):
        return  # its life takes 10 s of the processor, and is told once on a machine

    with (tmp_path / "said.txt").open("w") as out:
        command = [*plugface, "serve", "--folder", "/var/lib/plugface", "--port", str(port)]
        page = subprocess.Popen(command, stdout=out, stderr=out)
    url, unit = f"http://127.0.0.1:{port}", f"/api/v1/units/{'a' * 32}"

    def ask(path: str, data: bytes | None = None) -> bytes:
        with urllib.request.urlopen(urllib.request.Request(url + path, data), timeout=60) as answer:
            return answer.read()

    try:
        until = time.monotonic() + 240
        while True:
            assert page.poll() is None, (tmp_path / "said.txt").read_text()
            assert time.monotonic() < until
            try:
                assert ask("/readyz") == b"ready\n"
                break
            except OSError:
                time.sleep(0.2)
        ask(f"{unit}/photos", promised_photo.read_bytes())
        while (found := json.loads(ask(unit)))["state"] != "answered":
            assert found["state"] != "failed", found
            assert time.monotonic() < until, found
            time.sleep(0.3)
        assert found["result"]["identify"]["decision"]["verdict"] == "identified"
        words = ["ledger", "backup", "/var/lib/plugface/kept.tar", "--ledger", "/var/lib/plugface"]
        kept = subprocess.run([*plugface, *words], capture_output=True, text=True, timeout=120)
        assert (kept.returncode, "6 files written" in kept.stdout) == (0, True), kept
        page.send_signal(signal.SIGTERM)
        assert page.wait(30) == 0, (tmp_path / "said.txt").read_text()
    finally:
        page.kill()
        page.wait()
    kept = [path for path in state.rglob("*") if path.is_file()]
    assert state / "kept.tar" in kept
    assert {path.stat().st_uid for path in kept} == {uid}
    # The lock is empty, and whoever shares the folder must be able to hold it.
    assert {path.name for path in kept if path.stat().st_mode & 0o077} <= {".keeping.lock"}
    made = {path for path in root.rglob("*") if state not in path.parents} - before
    # What the mounts hang on, made before the root was read-only.
    points = {
        "usr",
        "bin",
        "sbin",
        "lib",
        "lib64",
        "lib32",
        "proc",
        "dev",
        "tmp",
        *Path(sys.base_prefix).parts,
    }
    assert {path.relative_to(root).parts[0] for path in made} <= points
