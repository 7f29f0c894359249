"""What a code holds: told by the repository, or read where it is marked, or unknown."""

import hashlib
import io
import subprocess

import pytest
import segno
from PIL import Image
from plugface.demo.real.payloads import hashed, read_marked, read_told
from plugface.demo.real.records import IndexRow, blob_hash


def code(text):
    coded = io.BytesIO()
    segno.make_qr(text).save(coded, kind="png", scale=4, border=4)
    return Image.open(coded).convert("RGB")


@pytest.fixture
def snapshots(tmp_path):
    files = {
        "one/a.png": b"a", "one/a.txt": b"grey gull\n",
        "two/input.png": b"b", "two/output.json": b'{"data": "tern"}',
        "three/c.png": b"c", "four/input.png": b"d", "four/output.json": b"broken",
    }  # fmt: skip
    work = tmp_path / "work"
    for name, content in files.items():
        (work / name).parent.mkdir(parents=True, exist_ok=True)
        (work / name).write_bytes(content)
    who = ["-c", "user.name=a", "-c", "user.email=a@example.org"]
    for words in (["init", "-q"], ["add", "."], [*who, "commit", "-qm", "Add codes"]):
        subprocess.run(["git", *words], cwd=work, check=True)
    subprocess.run(["git", "clone", "-q", "--bare", str(work), str(tmp_path / "some+one.git")], check=True)
    commit = subprocess.run(["git", "rev-parse", "HEAD"], cwd=work, check=True, capture_output=True)
    return tmp_path, commit.stdout.decode().strip()


@pytest.mark.parametrize(
    ("content", "path", "told"),
    [
        (b"a", "one/a.png", "grey gull"),
        (b"a", None, "grey gull"),
        (b"b", "two/input.png", "tern"),
        (b"c", "three/c.png", None),
        (b"d", "four/input.png", None),
    ],
)
def test_what_the_repository_tells(snapshots, content, path, told):
    folder, commit = snapshots
    row = IndexRow(
        "x", "some/one", commit, blob_hash(content), path, "MIT", 9, 9, "0" * 16, "test", "g1", "code"
    )
    assert read_told(row, folder) == told
    assert read_told(row, folder / "elsewhere") is None


def test_a_code_is_read_where_it_is_marked_and_not_beside_it():
    gull, tern = code("grey gull"), code("tern")
    sheet = Image.new("RGB", (600, 300), "white")
    sheet.paste(gull, (50, 50))
    sheet.paste(tern, (350, 50))

    def marked(x, width):
        return [[x, 50], [x + width, 50], [x + width, 50 + gull.height], [x, 50 + gull.height]]

    assert read_marked(sheet, marked(50, gull.width)) == "grey gull"
    assert read_marked(sheet, marked(350, tern.width)) == "tern"
    assert read_marked(sheet, marked(50, 500)) is None  # two codes: which one is meant?
    assert read_marked(sheet, [[0, 0], [40, 0], [40, 40], [0, 40]]) is None


def test_a_payload_is_kept_as_the_hash_of_its_letters_and_digits():
    assert hashed("grey gull") == hashlib.sha256(b"GREYGULL").hexdigest()
    assert hashed(None) is None
