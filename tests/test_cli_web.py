"""The yard page's API and pages: taking in, answering, confirming, and everything it must refuse."""

import io
import json
import shutil
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path

import pillow_heif
import pytest
from fastapi.testclient import TestClient
from PIL import Image
from plugface.cli.present.schemas import ErrorOut, IdentifyOut
from plugface.cli.settings import demo_folder
from plugface.cli.store.ledger import Ledger, list_units
from plugface.cli.typed_label import look_at_typed
from plugface.cli.web.access import hash_token
from plugface.cli.web.answering import Problem, answer
from plugface.cli.web.app import create_app
from plugface.cli.web.documents import ResultOut
from plugface.cli.web.limits import Limits
from plugface.cli.web.photo_store import PhotoChecker
from plugface.cli.web.queue import YardError
from plugface.cli.web.refusals import STATUS
from plugface.cli.web.words import ENGLISH, WordsError, load_words
from plugface.cli.web.worker_pool import ProcessAnswerer, WorkerLost
from plugface.cli.web.yard import Yard
from plugface.codec import write_observations
from plugface.vision.observations import Connector, Observations, Quality, WhiteBalance

A, B = "a" * 32, "b" * 32
UNITS = "/api/v1/units"


def wait_for(client, unit=A, *, states=("answered", "failed"), seconds=120, **how) -> dict:
    """A unit once it has come to one of these states."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        found = client.get(f"{UNITS}/{unit}", **how).json()
        if found.get("state") in states:
            return found
        time.sleep(0.05)
    raise AssertionError(f"still {found.get('state')}: {found}")


def refused(answer, name: str) -> ErrorOut:
    """Check that an answer is this refusal, in the document all errors have."""
    assert answer.status_code == STATUS[name], answer.text
    said = ErrorOut.model_validate(answer.json())
    assert said.facts["name"] == name
    assert said.error
    return said


@pytest.fixture
def here(make_yard):
    """A page for this machine alone, running."""
    made = make_yard()
    with made.client:
        yield made


@pytest.fixture
def coded(make_yard):
    """A page with two lots that need their codes, running."""
    made = make_yard(open_lot=False, local_names=False)
    made.codes = [made.yard.add_lot(name) for name in ("North", "South")]
    with made.client:
        yield made


def bearer(made, code: str) -> dict[str, str]:
    token = made.client.post("/api/v1/tokens", json={"code": code}).json()["token"]
    return {"authorization": f"Bearer {token}"}


# The whole path


def test_a_typed_number_is_answered_alone_and_beside_a_photo(here, jpeg):
    said = here.client.put(f"{UNITS}/{A}", json={"typed": ["K27418/052"]})
    assert (said.status_code, said.json()["typed"]) == (200, ["K27418/052"])
    found = wait_for(here.client)
    decision = found["result"]["identify"]["decision"]
    assert decision["families"] == ["AUK 11"]
    assert found["photos"] == []
    assert "AUK 11" in found["result"]["message"]
    page = here.client.get(f"/units/{A}").text
    assert "Typed or scanned" in page
    assert "Send it back" in page
    here.stand_in.shows = [("AUK 11", "early", "front")]
    here.client.put(f"{UNITS}/{B}", json={"typed": ["K27463/055"], "more": True})
    here.client.post(f"{UNITS}/{B}/photos", content=jpeg(1))
    both = wait_for(here.client, B)["result"]["identify"]
    assert both["decision"]["variants"] == ["late"]  # the number tells what no front can
    assert len(both["photos"]) == 2
    assert len(here.stand_in.asked) == 2  # the number waited for the photo
    assert here.client.put(f"{UNITS}/{A}", json={"typed": ["x" * 81]}).status_code == 422


def test_a_scanned_payload_is_taken_apart(here):
    catalogue = here.yard.catalogue
    seen = look_at_typed(["PK27418/052", "S434779", "K27418/052", "UNIT No K27418/052"], catalogue)
    assert [code.payload for code in seen.codes] == ["PK27418/052", "S434779"]  # prefixed, as barcodes are
    assert [text.value for text in seen.texts] == ["K27418/052", "UNIT No K27418/052"]


@pytest.mark.parametrize("typed", ["T27418/052", "D31999/112", "S43477996"])
def test_what_has_the_form_of_a_listed_number_is_typed_and_no_lot_or_date(here, typed):
    seen = look_at_typed([typed], here.yard.catalogue)  # K27418/052 is listed
    assert [text.value for text in seen.texts] == [typed]
    assert seen.codes == ()


def test_two_photos_become_one_answer(here, jpeg):
    here.client.put(f"{UNITS}/{A}", json={"claimed": "knot 40", "needs": {"gearbox": "manual"}})
    first = here.client.post(f"{UNITS}/{A}/photos?face=front&more=true", content=jpeg(1))
    second = here.client.post(f"{UNITS}/{A}/photos?face=back", content=jpeg(2))
    assert (first.status_code, second.status_code) == (202, 202)
    found = wait_for(here.client)
    assert (found["state"], found["claimed"], found["number"]) == ("answered", "KNOT 40", 1)
    answered = IdentifyOut.model_validate(found["result"]["identify"])
    assert [photo.sha256 for photo in answered.photos] == [first.json()["sha256"], second.json()["sha256"]]
    assert answered.decision.families[0] == "KNOT 40"  # what the simulated photos show
    assert answered.decision.fit is not None
    assert found["result"]["opinion"]["claimed_family"] == "KNOT 40"
    assert "<strong>What was given " in here.client.get(f"/units/{A}").text
    assert len(here.stand_in.asked) == 1  # the first photo waited for the second
    assert str(here.folder) not in json.dumps(found)


def test_the_answer_is_in_the_ledger_and_so_is_the_truth(here, jpeg):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    said = {"family": "KNOT 40", "variant": "F", "who": "Jo", "note": "label read"}
    assert here.client.post(f"{UNITS}/{A}/confirmations", json=said).status_code == 201
    assert here.client.post(f"{UNITS}/{A}/confirmations", json=said | {"variant": "E"}).status_code == 201
    ledger = Ledger(here.folder / "ledger.sqlite")
    with ledger.reading() as session:
        (row,) = list(list_units(session)[1])
    ledger.close()
    assert (row.true_family, row.true_variant, row.confirmed_by, row.photos) == ("KNOT 40", "E", "Jo", 1)
    assert row.verdict == here.client.get(f"{UNITS}/{A}").json()["result"]["identify"]["decision"]["verdict"]
    (line,) = here.client.get(UNITS).json()["units"]
    assert line["confirmation"]["variant"] == "E"
    assert "Checked: KNOT 40 E" in here.client.get("/").text


def test_sending_again_changes_nothing(here, jpeg):
    first = here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    again = here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    assert (again.status_code, again.json()) == (200, first.json())
    assert wait_for(here.client)["state"] == "answered"
    assert len(here.stand_in.asked) == 1


def test_a_further_photo_is_answered_with_the_first_one_kept(here, jpeg):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    here.stand_in.gate.clear()
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(2))
    page = here.client.get(f"/units/{A}").text
    assert "being looked at once more" in page
    assert 'id="verdict"' in page
    here.stand_in.gate.set()
    found = wait_for(here.client)
    assert len(found["result"]["identify"]["photos"]) == 2


def test_the_list_goes_back_page_by_page(here, jpeg):
    here.stand_in.gate.clear()
    for number in range(5):
        here.client.post(f"{UNITS}/{number:032x}/photos", content=jpeg(number))
    first = here.client.get(UNITS, params={"limit": 3}).json()
    rest = here.client.get(UNITS, params={"limit": 3, "before": first["before"]}).json()
    assert [unit["number"] for unit in first["units"] + rest["units"]] == [5, 4, 3, 2, 1]
    assert rest["before"] is None
    here.stand_in.gate.set()


def test_what_cannot_be_answered_says_why(here, jpeg):
    here.stand_in.act = lambda _: Problem("several_units", {"photo": "photo 1", "n": 2})
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    assert "shows 2 units" in wait_for(here.client)["problem"]
    page = here.client.get(f"/units/{A}").text
    assert "No answer" in page
    here.stand_in.act = None
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(2))
    assert wait_for(here.client)["state"] == "answered"


# Nothing is lost


def test_what_was_accepted_is_on_disk_and_answered_after_a_restart(make_yard, jpeg):
    first = make_yard()
    with first.client:
        # Further photos are announced, so it is still held back when the page ends.
        accepted = first.client.post(f"{UNITS}/{A}/photos?more=true", content=jpeg(1)).json()
        assert first.yard.shelf.place(accepted["sha256"]).is_file()
    assert first.stand_in.asked == []
    first.yard.close()
    second = make_yard()
    with second.client:
        found = wait_for(second.client)
    assert found["result"]["identify"]["photos"][0]["sha256"] == accepted["sha256"]


def test_two_pages_do_not_share_a_folder(make_yard):
    make_yard()
    with pytest.raises(YardError, match="another yard page"):
        make_yard()


def test_a_worker_that_dies_is_tried_again_and_not_for_ever(here, jpeg):
    fates = [WorkerLost("gone"), WorkerLost("gone"), None]

    def act(_):
        if (fate := fates.pop(0)) is not None:
            raise fate

    here.stand_in.act = act
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    assert wait_for(here.client)["state"] == "answered"
    fates[:] = [WorkerLost("gone")] * 3
    here.client.post(f"{UNITS}/{B}/photos", content=jpeg(2))
    assert "failed several times" in wait_for(here.client, B)["problem"]


def test_a_full_disk_leaves_no_unit_in_hand_for_ever(here, jpeg, monkeypatch):
    full, tried = [True], []
    real = {name: getattr(here.yard.queue, name) for name in ("finish", "put_back", "fail")}

    def write(name, *told):
        tried.append(name)
        if full[0]:
            raise sqlite3.OperationalError("database or disk is full")
        return real[name](*told)

    for name in real:
        monkeypatch.setattr(here.yard.queue, name, partial(write, name))
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    until = time.monotonic() + 60
    while (
        "put_back" not in tried and time.monotonic() < until
    ):  # the answer and the way back are both refused
        time.sleep(0.05)
    assert tried[:2] == ["finish", "put_back"]
    assert here.client.get(f"{UNITS}/{A}").json()["state"] == "working"
    full[0] = False
    assert wait_for(here.client)["state"] == "answered"


def test_a_full_queue_says_so_and_opens_again(make_yard, jpeg):
    made = make_yard(limits={"waiting_units": 1})
    with made.client as client:
        made.stand_in.gate.clear()
        client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
        answer = client.post(f"{UNITS}/{B}/photos", content=jpeg(2))
        said = refused(answer, "queue_full")
        assert int(answer.headers["retry-after"]) == said.facts["retry_s"] > 0
        made.stand_in.gate.set()
        wait_for(client)
        assert client.post(f"{UNITS}/{B}/photos", content=jpeg(2)).status_code == 202


def test_the_process_that_looks_is_real(choose_photos):
    # The real eyes, in a process of their own, on a shipped photo: its answer is the command's.
    import plugface
    from plugface.cli.web.answering import AskedPhoto, Question
    from plugface.cli.web.limits import Limits
    from plugface.models.catalogue.entries import load_catalogue

    (photo,) = choose_photos()
    catalogue = demo_folder() / "marrow_finch"
    asked = AskedPhoto(str(photo), "photo 1", "0" * 64, "")
    answerer = ProcessAnswerer(Limits())
    question = Question((asked,), "", {}, str(catalogue))
    try:
        reply = answerer(question)
        answerer._process.kill()
        answerer._process.join()
        answerer._line.close()  # as it is found when the process dies with a photo in hand
        with pytest.raises(WorkerLost):
            answerer._ask(question)
    finally:
        answerer.close()
    expected = plugface.analyse([photo], load_catalogue(catalogue)).decision
    decision = json.loads(reply.document)["identify"]["decision"]
    assert (decision["verdict"], decision["message"]) == (expected.verdict, expected.message)
    assert str(photo) not in reply.document


# What is taken in


def test_place_and_camera_are_nowhere(here, jpeg):
    answer = here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1, exif=True))
    assert answer.status_code == 202
    wait_for(here.client)
    shown = [here.client.get(f"{UNITS}/{A}/photos/1?size={size}") for size in ("shown", "small")]
    assert [answer.headers["content-type"] for answer in shown] == ["image/jpeg"] * 2
    kept = [path.read_bytes() for path in here.folder.rglob("*") if path.is_file()]
    for data in [*kept, *(answer.content for answer in shown)]:
        assert b"SECRETMAKER" not in data
        if data.startswith(b"\xff\xd8"):
            assert not Image.open(io.BytesIO(data)).getexif().get_ifd(0x8825)


def test_a_heic_is_taken(here):
    pillow_heif.register_heif_opener()
    out = io.BytesIO()
    Image.new("RGB", (320, 240), (90, 120, 60)).save(out, "HEIF")
    answer = here.client.post(
        f"{UNITS}/{A}/photos", content=out.getvalue(), headers={"content-type": "image/jpeg"}
    )
    assert answer.status_code == 202  # whatever its type says


@pytest.mark.parametrize(
    "data", [b"", b"GIF89a no", b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"\xff\xd8\xff\xe0"]
)
def test_what_is_no_photo_is_refused_and_leaves_nothing(here, data):
    refused(here.client.post(f"{UNITS}/{A}/photos", content=data), "not_a_photo")
    refused(here.client.get(f"{UNITS}/{A}"), "no_unit")
    assert not [path for path in (here.folder / "photos").rglob("*") if path.is_file()]


def test_too_many_bytes_are_refused_whether_stated_or_not(make_yard, jpeg):
    made = make_yard(limits={"photo_bytes": 1000})
    with made.client as client:
        data = jpeg(1)
        assert len(data) > 1000
        refused(client.post(f"{UNITS}/{A}/photos", content=data), "too_many_bytes")
        refused(client.post(f"{UNITS}/{A}/photos", content=iter([data[:900], data[900:]])), "too_many_bytes")
        refused(client.put(f"{UNITS}/{A}", content=b"{" + b" " * 70_000 + b"}"), "too_many_bytes")
        refused(client.put(f"{UNITS}/{A}", content=iter([b"{", b" " * 70_000, b"}"])), "too_many_bytes")


def test_too_many_pixels_and_photos_are_refused(make_yard, jpeg):
    made = make_yard(limits={"photo_pixels": 200_000, "photos_per_unit": 1})
    with made.client as client:
        refused(client.post(f"{UNITS}/{A}/photos", content=jpeg(1)), "too_many_pixels")
        assert client.post(f"{UNITS}/{A}/photos", content=jpeg(1, size=(320, 240))).status_code == 202
        said = refused(client.post(f"{UNITS}/{A}/photos", content=jpeg(2, size=(320, 240))), "photos_full")
        assert "Remove" not in said.hint  # which no page and no call offers


def test_a_full_disk_is_said_before_a_photo_is_taken(make_yard, jpeg):
    made = make_yard(limits={"free_disk_bytes": 2**62})
    with made.client as client:
        refused(client.post(f"{UNITS}/{A}/photos", content=jpeg(1)), "disk_full")
        refused(client.get(f"{UNITS}/{A}"), "no_unit")


@pytest.mark.parametrize(
    ("body", "name"),
    [
        ({"claimed": "GULL 77"}, "claim"),
        ({"claimed": "KNOT 40:Z"}, "claim"),
        ({"needs": {"partner": "GULL 77"}}, "no_family"),
        ({"needs": {"year": 1850}}, "bad_request"),
        ({"needs": {"colour": "red"}}, "bad_request"),
        ({"claimed": "a\nb"}, "bad_request"),
        ([], "bad_request"),
    ],
)
def test_wishes_that_make_no_sense_are_refused(here, body, name):
    refused(here.client.put(f"{UNITS}/{A}", json=body), name)


@pytest.mark.parametrize(
    ("body", "name"),
    [
        ({"family": "GULL 77", "who": "Jo"}, "no_family"),
        ({"family": "KNOT 40", "variant": "Z", "who": "Jo"}, "no_variant"),
        ({"family": "", "variant": "A", "who": "Jo"}, "no_variant"),
        ({"family": "KNOT 40", "who": "  "}, "name_needed"),
        ({"family": "KNOT 40"}, "name_needed"),
        ({"family": "KNOT 40", "who": "J\no"}, "bad_request"),
    ],
)
def test_a_truth_that_makes_no_sense_is_refused(here, jpeg, body, name):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    refused(here.client.post(f"{UNITS}/{A}/confirmations", json=body), name)


def test_a_truth_is_kept_as_the_catalogue_writes_it(here, jpeg):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    typed = {"family": "knot 40", "variant": "f", "who": "Jo"}
    said = here.client.post(f"{UNITS}/{A}/confirmations", json=typed).json()
    assert (said["family"], said["variant"]) == ("KNOT 40", "F")


def test_none_of_the_catalogue_is_a_truth(here, jpeg):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    said = here.client.post(f"{UNITS}/{A}/confirmations", json={"family": "", "who": "Jo"})
    assert (said.status_code, said.json()["family"]) == (201, "")
    assert "in no family of the catalogue" in here.client.get("/").text


# Who may see what


def test_without_a_code_there_is_nothing_to_see(coded):
    for path in ("/api/v1/lot", UNITS, f"{UNITS}/{A}", f"{UNITS}/{A}/photos/1"):
        answer = coded.client.get(path)
        refused(answer, "code_needed")
        assert answer.headers["www-authenticate"] == "Bearer"
    refused(coded.client.get(UNITS, headers={"authorization": "Bearer " + "x" * 43}), "code_needed")
    for path in ("/", f"/units/{A}", "/lot"):
        answer = coded.client.get(path, follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, "/enter")


def test_a_lot_is_seen_with_its_own_code_alone(coded, jpeg):
    north, south = (bearer(coded, code) for code in coded.codes)
    coded.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=north)
    wait_for(coded.client, headers=north)
    refused(coded.client.get(f"{UNITS}/{A}", headers=south), "no_unit")
    refused(coded.client.get(f"{UNITS}/{A}/photos/1", headers=south), "no_unit")
    said = {"family": "KNOT 40", "who": "Jo"}
    refused(coded.client.post(f"{UNITS}/{A}/confirmations", json=said, headers=south), "no_unit")
    assert coded.client.get(UNITS, headers=south).json()["units"] == []
    assert [u["id"] for u in coded.client.get(UNITS, headers=north).json()["units"]] == [A]
    # The same unit name in another lot is another unit.
    coded.client.post(f"{UNITS}/{A}/photos", content=jpeg(2), headers=south)
    assert len(coded.client.get(f"{UNITS}/{A}", headers=north).json()["photos"]) == 1


def test_a_unit_belongs_to_whoever_began_it(coded, jpeg):
    # Both have the code of the lot; before, the second one's photo went into the first one's answer.
    mine, other = (bearer(coded, coded.codes[0]) for _ in range(2))
    photos = f"{UNITS}/{A}/photos"
    assert coded.client.post(f"{photos}?more=true", content=jpeg(1), headers=mine).status_code == 202
    said = refused(coded.client.post(photos, content=jpeg(2), headers=other), "not_yours")
    assert STATUS["not_yours"] == 403
    assert "Start a new unit" in said.hint
    refused(coded.client.put(f"{UNITS}/{A}", json={"claimed": "AUK 11"}, headers=other), "not_yours")
    assert coded.client.get(f"{UNITS}/{A}", headers=other).json()["state"] == "waiting"
    assert coded.client.post(photos, content=jpeg(3), headers=mine).status_code == 202
    found = wait_for(coded.client, headers=mine)
    assert len(found["photos"]) == len(found["result"]["identify"]["photos"]) == 2
    pages = [coded.client.get(f"/units/{A}", headers=who).text for who in (mine, other)]
    assert ['id="capture"' in page for page in pages] == [True, False]
    assert ['id="typed"' in page for page in pages] == [True, False]
    assert ["Begun on another phone" in page for page in pages] == [False, True]
    assert all('id="confirm"' in page for page in pages)  # anybody may say what it was
    assert coded.client.post(f"{UNITS}/{B}/photos", content=jpeg(2), headers=other).status_code == 202


def test_a_lot_may_share_its_units(make_yard, jpeg):
    made = make_yard(open_lot=False, local_names=False, shared_lots=("North",))
    code = made.yard.add_lot("North")
    mine, other = (bearer(made, code) for _ in range(2))
    with made.client:
        made.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=mine)
        again = made.client.post(f"{UNITS}/{A}/photos", content=jpeg(2), headers=other)
        assert again.status_code == 202
        wait_for(made.client, headers=other)
        assert 'id="capture"' in made.client.get(f"/units/{A}", headers=other).text


def test_a_phone_that_gives_the_code_again_keeps_its_units(coded, jpeg):
    phone = coded.client
    phone.post("/enter", data={"code": coded.codes[0]})
    assert phone.post(f"{UNITS}/{A}/photos?more=true", content=jpeg(1)).status_code == 202
    before = phone.cookies["plugface_yard"]
    phone.post("/enter", data={"code": "nonsense"})
    assert coded.yard.queue.visitor_of_token(hash_token(before))  # a slip ends nothing
    phone.post("/enter", data={"code": coded.codes[0]})
    assert not coded.yard.queue.visitor_of_token(hash_token(before))  # nobody holds it any more
    assert phone.post(f"{UNITS}/{A}/photos", content=jpeg(2)).status_code == 202


def test_the_open_lot_is_not_on_a_page_with_codes(make_yard, jpeg):
    first = make_yard()
    with first.client:
        first.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
        wait_for(first.client)
    first.yard.close()
    second = make_yard(open_lot=False, local_names=False)
    code = second.yard.add_lot("North")
    with second.client:
        refused(second.client.get(f"{UNITS}/{A}"), "code_needed")
        refused(second.client.get(f"{UNITS}/{A}", headers=bearer(second, code)), "no_unit")
        refused(second.client.post("/api/v1/tokens", json={"code": "HERE-22222-22222"}), "code_wrong")


def test_the_code_is_kept_as_a_hash_and_a_new_one_ends_the_old(coded):
    code = coded.codes[0]
    secret = code.replace("-", "")[4:].encode()
    kept = b"".join(path.read_bytes() for path in coded.folder.rglob("*") if path.is_file())
    assert secret not in kept
    headers = bearer(coded, code)
    assert coded.yard.add_lot("North") is None
    new = coded.yard.add_lot("North", new_code=True)
    refused(coded.client.get(UNITS, headers=headers), "code_needed")
    refused(coded.client.post("/api/v1/tokens", json={"code": code}), "code_wrong")
    assert coded.client.get(UNITS, headers=bearer(coded, new)).status_code == 200


def test_wrong_codes_are_stopped_even_with_the_right_one_after(coded):
    for _ in range(5):
        refused(coded.client.post("/api/v1/tokens", json={"code": "AAAA-AAAAA-AAAAA"}), "code_wrong")
    answer = coded.client.post("/api/v1/tokens", json={"code": coded.codes[0]})
    refused(answer, "too_many_guesses")
    assert 0 < int(answer.headers["retry-after"]) <= 301
    page = coded.client.post("/enter", data={"code": coded.codes[0]}, follow_redirects=False)
    assert page.status_code == 429
    assert 0 < int(page.headers["retry-after"]) <= 301
    assert "Wait 5 minutes" in page.text


def test_photos_are_asked_for_anew_after_leaving(coded, jpeg):
    north = bearer(coded, coded.codes[0])
    coded.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=north)
    shown = coded.client.get(f"{UNITS}/{A}/photos/1", headers=north)
    assert shown.headers["cache-control"] == "private, no-cache"  # kept, but shown only after asking
    again = {"if-none-match": shown.headers["etag"]}
    refused(coded.client.get(f"{UNITS}/{A}/photos/1", headers=again), "code_needed")


def test_the_door_sets_a_cookie_that_no_script_reads(coded):
    wrong = coded.client.post("/enter", data={"code": "nonsense"}, follow_redirects=False)
    assert (wrong.status_code, "set-cookie" in wrong.headers) == (403, False)
    right = coded.client.post("/enter", data={"code": coded.codes[0].lower()}, follow_redirects=False)
    assert (right.status_code, right.headers["location"]) == (303, "/")
    assert "HttpOnly" in right.headers["set-cookie"]
    assert "SameSite=lax" in right.headers["set-cookie"]
    assert "Lot: North" in coded.client.get("/").text
    coded.client.post("/leave")
    assert coded.client.get("/", follow_redirects=False).status_code == 303


def test_behind_tls_the_cookie_is_secure_and_only_the_public_name_is_known(make_yard):
    made = make_yard(open_lot=False, local_names=False, public_url="https://yard.example")
    code = made.yard.add_lot("North")
    with made.client as client:
        name = {"host": "yard.example"}
        answer = client.post("/enter", data={"code": code}, headers=name, follow_redirects=False)
        assert "Secure" in answer.headers["set-cookie"]
        assert "max-age" in answer.headers["strict-transport-security"]
        refused(client.get(UNITS, headers={"host": "other.example"}), "wrong_host")


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://elsewhere.example"},
        {"origin": "null"},
        {"origin": "file://"},
        {"origin": "http://127.0.0.1:9"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site", "origin": "http://127.0.0.1"},
    ],
)
def test_what_another_site_sends_is_refused(here, jpeg, headers):
    refused(here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=headers), "cross_site")
    refused(here.client.put(f"{UNITS}/{A}", json={}, headers=headers), "cross_site")
    assert here.client.post("/leave", headers=headers).status_code == 403


def test_the_page_itself_may_send(here, jpeg):
    own = {"origin": "http://127.0.0.1", "sec-fetch-site": "same-origin"}
    assert here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1), headers=own).status_code == 202


def test_a_foreign_name_for_this_machine_is_refused(here):
    refused(here.client.get(UNITS, headers={"host": "rebound.example"}), "wrong_host")
    assert here.client.get("/", headers={"host": "rebound.example"}).status_code == 421
    assert here.client.get(UNITS, headers={"host": "localhost:8017"}).status_code == 200


@pytest.mark.parametrize(
    "path", ["/", "/enter", "/api", "/nothing", "/static/yard.js", UNITS, "/offline", "/service-worker.js"]
)
def test_every_answer_forbids_foreign_and_inline_code(here, path):
    headers = here.client.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "geolocation=()" in headers["permissions-policy"]


def test_no_page_has_inline_code_or_refers_elsewhere(here, jpeg):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    for path in ("/", f"/units/{A}", "/enter", "/api", "/lot", "/nothing", "/offline"):
        page = here.client.get(path).text
        for bad in ("<style", "style=", "onclick", "onload", "javascript:", "http://", "https://"):
            assert bad not in page, (path, bad)
        assert page.count("<script") == page.count('<script type="module" src="/static/')


# What is shown


def test_cautions_come_first_and_are_never_folded_away(here, jpeg):
    here.stand_in.shows = [("GANNET 8", "only", "front")]
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    found = wait_for(here.client)
    cautions = found["result"]["identify"]["decision"]["cautions"]
    assert cautions[0]["name"] in ("high voltage", "restraint")
    page = here.client.get(f"/units/{A}").text
    for caution in cautions:
        at = page.index(caution["message"].replace("'", "&#39;"))
        assert page.count("<details", 0, at) == page.count("</details", 0, at)
    assert page.index('class="caution"') < page.index('id="verdict"')
    assert "⚠ Caution" in here.client.get("/").text


def test_a_close_up_names_its_plugs_and_an_answer_kept_from_before_is_still_read(here, jpeg):
    plug = Connector(((0.0, 0.0), (9.0, 0.0), (9.0, 9.0)), {"OG": 0.9, "RD": 0.1}, {"L": 1.0}, None, 0.9)
    balance = WhiteBalance((1.0, 1.0, 1.0), "none", 0.0)

    def act(question):
        (photo,) = question.photos
        seen = Observations(photo.sha256, Quality(640, 480, 0.5, 0.0, 1.0), balance, loose=(plug,))
        return answer(replace(question, photos=(replace(photo, observations=write_observations(seen)),)))

    here.stand_in.act = act
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    result = wait_for(here.client)["result"]
    (photo,) = result["identify"]["photos"]
    assert [(plug["colour"], plug["size"]) for plug in photo.pop("loose")] == [("OG", "L")]
    assert ResultOut.model_validate(result).identify.photos[0].loose == []
    page = here.client.get(f"/units/{A}").text
    assert page.index("Caution: high voltage") < page.index("A close-up of one plug (OG L)")
    named = page[page.index("<dt>Plugs on no outlined unit</dt>") :]
    assert 'aria-label="orange"' in named[: named.index("</dd>")]


@pytest.mark.parametrize(
    ("shows", "typed", "badge", "flag"),
    [
        (("KNOT 40", "F", "front"), ["K58214302"], "Family identified, variant open", "locked possible"),
        (("KNOT 40", "F", "front"), ["K58214302 F"], "Identified, locked", "locked"),
        (("GANNET 8", "only", "front"), [], "Not for swaps", "high voltage"),
    ],
)
def test_the_list_says_what_the_card_says(here, jpeg, shows, typed, badge, flag):
    here.stand_in.shows = [shows]
    here.client.put(f"{UNITS}/{A}", json={"typed": typed, "more": True})
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    assert f">{badge}</p>" in here.client.get(f"/units/{A}").text
    (line,) = here.client.get(UNITS).json()["units"]
    page = here.client.get("/").text
    assert f'<span class="soft">{badge}, ' in page
    assert f"Caution: {flag}</span>" in page
    assert (line["verdict"], line["caution"]) == ("identified", flag)


@pytest.mark.parametrize(("typed", "sure"), [(["K58214302"], False), (["K58214302 F"], True)])
def test_words_for_how_sure_a_variant_is_stand_only_where_one_is_told(here, typed, sure):
    here.client.put(f"{UNITS}/{A}", json={"typed": typed})
    decision = wait_for(here.client)["result"]["identify"]["decision"]
    assert (len(decision["variants"]) == 1) == sure
    facts = here.client.get(f"/units/{A}").text.partition('<dl class="facts">')[2].partition("</dl>")[0]
    assert facts.count('class="share"') == len(decision["variants"])
    assert any(words in facts for words in load_words().section("sure").values()) == sure


def test_who_is_told_to_leave_it_alone_is_asked_for_no_photo(here, jpeg):
    here.stand_in.shows = [("GANNET 8", "only", "front")]
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    decision = wait_for(here.client)["result"]["identify"]["decision"]
    assert (decision["verdict"], decision["next_photo"]) == ("identified", None)
    page = here.client.get(f"/units/{A}").text
    assert "Leave it alone" in page
    assert 'id="capture"' not in page
    assert "/sketches/" not in page


@pytest.mark.parametrize("view", [None, "back", "front"])  # None: the face not taken yet, the back
def test_a_photo_of_what_may_be_a_hazard_is_wanted_only_without_touching_it(here, jpeg, view):
    def answer(question):
        here.stand_in.act = None
        reply = here.stand_in(question)
        document = json.loads(reply.document)
        document["identify"]["decision"] |= {"verdict": "ambiguous", "families": ["GANNET 8", "CURLEW 5"]}
        wanted = {"view": view, "gain": 0.5, "message": "Take it."} if view else None
        document["identify"]["decision"]["next_photo"] = wanted
        return replace(reply, document=json.dumps(document))

    here.stand_in.shows = [("GANNET 8", "only", "front")]
    here.stand_in.act = answer
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    page = here.client.get(f"/units/{A}").text
    assert page.index('id="capture"') < page.index("need not lift, turn or unplug")
    assert ("/sketches/" in page) == (view == "front")  # of a back it shows a unit that was turned round
    assert page.count('class="sketch"') == 1  # what the photo takes the place of


@pytest.mark.parametrize(
    ("faces", "asked"),
    [(["front"], "back"), (["back"], "front"), (["front", "back"], "label close-up")],
)
def test_where_no_photo_helps_most_the_missing_face_is_asked_for(here, jpeg, faces, asked):
    def answer(question):
        here.stand_in.act = None
        reply = here.stand_in(question)
        document = json.loads(reply.document)
        document["identify"]["decision"]["next_photo"] = None
        return replace(reply, document=json.dumps(document))

    here.stand_in.act = answer
    for number, face in enumerate(faces):
        more = number < len(faces) - 1
        here.client.post(f"{UNITS}/{A}/photos", params={"face": face, "more": more}, content=jpeg(number))
    wait_for(here.client)
    assert f'<section class="shot" data-face="{asked}"' in here.client.get(f"/units/{A}").text


def test_refusals_are_pages_for_people(here):
    page = here.client.get("/nothing")
    assert (page.status_code, "There is no such page" in page.text) == (404, True)
    assert here.client.get(f"/units/{'f' * 32}").status_code == 404
    typed_wrong = here.client.get("/units/x")
    assert (typed_wrong.status_code, "There is no such page" in typed_wrong.text) == (404, True)
    refused(here.client.get(f"{UNITS}/x"), "bad_request")
    refused(here.client.get("/api/v1/nothing"), "not_found")
    refused(here.client.delete(UNITS), "wrong_method")


def test_our_own_faults_are_plain_500s(here, monkeypatch):
    monkeypatch.setattr(here.yard.queue, "counts", lambda _: 1 / 0)
    answer = here.client.get("/api/v1/lot")
    refused(answer, "fault")
    assert "content-security-policy" in answer.headers


@pytest.mark.parametrize("put_another", [False, True])
def test_a_ledger_that_was_deleted_takes_no_confirmation(here, jpeg, put_another):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    for file in here.folder.glob("ledger.sqlite*"):
        file.unlink()
    if put_another:
        Ledger(here.folder / "ledger.sqlite").close()
    said = {"family": "KNOT 40", "variant": "F", "who": "Jo"}
    refused(here.client.post(f"{UNITS}/{A}/confirmations", json=said), "not_kept")


def test_a_backup_is_not_restored_under_a_running_page(here, jpeg, tmp_path, run):
    """Not over it; and where its folder was emptied first, it takes nothing in that would be gone."""
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    kept = tmp_path / "kept.tar"
    assert run("ledger", "backup", kept, "--ledger", here.folder).code == 0
    before = here.client.get(f"{UNITS}/{A}").json()
    assert run("ledger", "restore", kept, here.folder).code == 2
    assert here.client.get(f"{UNITS}/{A}").json() == before
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(60))
    shutil.rmtree(here.folder)
    assert run("ledger", "restore", kept, here.folder).code == 0
    refused(here.client.post(f"{UNITS}/{B}/photos", content=jpeg(120)), "not_kept")
    refused(here.client.put(f"{UNITS}/{B}", json={"claimed": "AUK 11"}), "not_kept")
    assert here.client.get("/readyz").text == "queue\n"
    with closing(sqlite3.connect(here.folder / "queue.sqlite")) as db:
        assert db.execute("SELECT count(*) FROM photos").fetchone() == (1,)


def test_a_yard_that_is_moved_whole_goes_on_elsewhere(here, jpeg, tmp_path, run):
    """As on another machine: another folder, another clock, a unit that was in hand."""
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    before = wait_for(here.client)
    here.stand_in.gate.clear()
    here.client.post(f"{UNITS}/{B}/photos", content=jpeg(60))
    here.client.post(f"{UNITS}/{'c' * 32}/photos?more=true", content=jpeg(120))  # held by this clock
    wait_for(here.client, B, states=("working",))
    # Its disk as it is in this moment, as where the machine dies; files of SQLite with their logs.
    shutil.copytree(here.folder, tmp_path / "moved")
    here.stand_in.gate.set()
    settings = replace(here.yard.settings, folder=tmp_path / "moved")
    yard = Yard(settings, lambda: type(here.stand_in)(), here.yard.check_photo)
    yard.queue._steady = lambda: 5.0  # seconds since that machine was started
    app = create_app(yard)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        assert client.get(f"{UNITS}/{A}").json() == before
        for unit in (B, "c" * 32):
            assert wait_for(client, unit)["state"] == "answered"
    yard.close()
    assert run("ledger", "verify", "--ledger", tmp_path / "moved").code == 0
    assert run("ledger", "sweep", "--ledger", tmp_path / "moved").out.startswith("No file without a row")


def test_whoever_watches_over_the_page_is_told(coded):
    for ask in (coded.client.get, coded.client.head):
        assert ask("/healthz").status_code == 200  # without a code
        assert ask("/readyz").status_code == 200
    for file in coded.folder.glob("ledger.sqlite*"):
        file.unlink()
    answer = coded.client.get("/readyz")
    assert (answer.status_code, answer.text) == (503, "ledger\n")
    assert coded.client.get("/healthz").status_code == 200


def test_an_unwritable_disk_is_said(here, jpeg, monkeypatch):
    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("plugface.cli.web.photo_store.write_whole", fail)
    refused(here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1)), "not_kept")
    refused(here.client.get(f"{UNITS}/{A}"), "no_unit")


def on_disk(made) -> int:
    return sum(path.is_file() for path in (made.folder / "photos").rglob("*"))


def test_what_is_refused_is_not_on_the_disk(make_yard, jpeg):
    made = make_yard(limits={"photos_per_unit": 2})
    with made.client as client:
        made.stand_in.gate.clear()
        for number in range(2):
            client.post(f"{UNITS}/{A}/photos", content=jpeg(number))
        files = on_disk(made)
        for number in range(2, 6):
            refused(client.post(f"{UNITS}/{A}/photos", content=jpeg(number)), "photos_full")
        assert on_disk(made) == files
        made.yard.queue.has_room = lambda *_, **__: None  # as if others came in between
        refused(client.post(f"{UNITS}/{A}/photos", content=jpeg(7)), "photos_full")
        assert on_disk(made) == files
        client.post(f"{UNITS}/{B}/photos", content=jpeg(8))
        files = on_disk(made)
        refused(client.post(f"{UNITS}/{A}/photos", content=jpeg(8)), "photos_full")
        assert on_disk(made) == files  # another unit has it
        made.stand_in.gate.set()


def test_a_lot_has_a_quota(make_yard, jpeg):
    made = make_yard(limits={"bytes_per_lot": 2 * len(jpeg(1))})
    with made.client as client:
        for number in (1, 2):
            assert client.post(f"{UNITS}/{number:032x}/photos", content=jpeg(number)).status_code == 202
        refused(client.post(f"{UNITS}/{B}/photos", content=jpeg(3)), "quota_full")
        refused(client.get(f"{UNITS}/{B}"), "no_unit")


def test_a_photo_sent_again_needs_no_room(make_yard, jpeg):
    """Whoever lost the answer to the photo that filled the lot, or the queue, learns that it is there."""
    made = make_yard(limits={"bytes_per_lot": len(jpeg(1)), "waiting_units": 1})
    with made.client as client:
        client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
        assert client.post(f"{UNITS}/{A}/photos", content=jpeg(1)).status_code == 200
        refused(client.post(f"{UNITS}/{A}/photos", content=jpeg(2)), "quota_full")


def test_what_a_killed_page_left_behind_is_swept(make_yard, jpeg):
    first = make_yard()
    with first.client as client:
        client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
        wait_for(client)
    first.yard.close()
    files = on_disk(first)
    for name in (f"{'0' * 64}.jpg", f".{'0' * 64}.jpg.part"):
        (first.folder / "photos" / "00").mkdir(exist_ok=True)
        (first.folder / "photos" / "00" / name).write_bytes(b"left behind")
    assert on_disk(make_yard()) == files


def test_a_strip_is_refused_for_good_and_not_for_the_disk(here):
    out = io.BytesIO()
    Image.new("RGB", (70_000, 40)).save(out, "PNG")  # wider than a JPEG can be
    refused(here.client.post(f"{UNITS}/{A}/photos", content=out.getvalue()), "not_a_photo")


def test_a_photo_that_takes_too_long_is_refused_and_the_page_goes_on(make_yard, jpeg):
    out = io.BytesIO()
    # Close to the most pixels that are taken: a third of a second to open, or more.
    Image.new("RGB", (7900, 7900)).save(out, "PNG", compress_level=1)
    checker = PhotoChecker(Limits(decoding_at_once=1, decoding_s=0.15))
    made = make_yard(check_photo=checker)
    with made.client as client:
        said = refused(client.post(f"{UNITS}/{A}/photos", content=out.getvalue()), "not_a_photo")
        assert "takes longer to open" in said.error
        assert client.post(f"{UNITS}/{A}/photos", content=jpeg(1)).status_code == 202
    checker.close()


# Text


def test_every_refusal_and_problem_has_its_words():
    words = load_words()
    assert set(words.section("refused")) - {"title"} == set(STATUS)


def test_every_text_is_used_and_every_use_has_its_text():
    folder = ENGLISH.parent
    code = "".join(p.read_text() for p in folder.rglob("*") if p.suffix in (".py", ".html", ".js"))
    computed = (
        "verdict",
        "sure",
        "controls",
        "status",
        "opinion",
        "serves",
        "sketch",
        "state",
        "refused",
    )
    for key in load_words():
        section, _, name = key.partition(".")
        use = {"script": f"words.{name}", "problem": f'"{name}"'}.get(section, f'"{key}"')
        if section not in computed:
            assert use in code or f'"{key}"' in code, key


def test_a_translation_may_be_partial_but_not_unknown(tmp_path, make_yard):
    file = tmp_path / "other.toml"
    file.write_text('[capture]\ntitle = "Welches Gerät ist es?"\n[page]\nopen_lot = "dieser Rechner"\n')
    made = make_yard(words=load_words(file))
    with made.client:
        page = made.client.get("/").text
    assert "Welches Gerät ist es?" in page
    assert "Lot: dieser Rechner" in page
    assert "Get the answer" in page
    file.write_text('[capture]\ntytle = "x"\n')
    with pytest.raises(WordsError, match=r"capture\.tytle"):
        load_words(file)
    with pytest.raises(WordsError, match="cannot be read"):
        load_words(Path(tmp_path / "none.toml"))


def test_what_it_should_look_like_stands_on_the_card(here, jpeg):
    here.client.post(f"{UNITS}/{A}/photos", content=jpeg(1))
    wait_for(here.client)
    page = here.client.get(f"/units/{A}").text
    place = next(k for k, f in enumerate(here.yard.catalogue.families) if f.key == "KNOT 40")
    assert f'src="/faces/{place}"' in page
    face = here.client.get(f"/faces/{place}")
    assert face.headers["content-type"].startswith("image/svg+xml")
    assert "1 WH" in face.text
    assert here.client.get("/faces/999").status_code == 404


def test_a_face_is_not_shown_without_a_code(coded):
    assert coded.client.get("/faces/0", follow_redirects=False).status_code in (303, 401)
