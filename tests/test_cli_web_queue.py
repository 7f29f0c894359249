"""The queue: nothing accepted is lost, nothing is answered for another, and it ends somewhere."""

import sqlite3
import time
from contextlib import closing

import pytest
from plugface.cli.web.access import HashedCode
from plugface.cli.web.limits import Limits
from plugface.cli.web.queue import _TABLES, AnswerEntry, CodeEntry, Queue, YardError
from plugface.cli.web.refusals import Refused

A, B, C = "a" * 32, "b" * 32, "c" * 32


@pytest.fixture
def now():
    return [1000.0]


@pytest.fixture
def queue(tmp_path, now):
    made = Queue(
        tmp_path / "queue.sqlite",
        Limits(waiting_units=2, photos_per_unit=2),
        clock=lambda: now[0],
        steady=lambda: now[0],
    )
    made.add_lot("L", "lot", None)
    made.add_lot("M", "other", None)
    yield made
    made.close()


def accept(queue, unit=A, sha256="s1", *, lot="L", more=False, sender=()):
    return queue.accept(lot, unit, sha256, face="front", size_bytes=1, more=more, sender=sender)


def answer(message="x") -> AnswerEntry:
    return AnswerEntry(0, "{}", ("<svg/>",), "ambiguous", message, 0.5, "", "2026-01-01T00:00:00.000Z")


def test_a_photo_counts_once(queue):
    assert accept(queue) == (queue.unit("L", A).photos[0], True)
    assert accept(queue)[1] is False
    assert len(queue.unit("L", A).photos) == 1


def test_the_longest_waiting_is_answered_first(queue, now):
    accept(queue, A)
    now[0] += 1
    accept(queue, B, "s2")
    assert queue.ahead_of(queue.unit("L", B)) == 1
    assert [queue.claim().unit.id, queue.claim().unit.id, queue.claim()] == [A, B, None]


def test_lots_take_turns(tmp_path, now):
    queue = Queue(tmp_path / "q.sqlite", Limits(waiting_per_lot=5), steady=lambda: now[0])
    queue.add_lot("L", "lot", None)
    queue.add_lot("M", "other", None)
    for number in range(5):
        accept(queue, f"{number:032x}", f"s{number}")
        now[0] += 1
    with pytest.raises(Refused, match="queue_full"):
        accept(queue, C, "s9")
    accept(queue, A, "s1", lot="M")
    now[0] += 1
    assert queue.ahead_of(queue.unit("M", A)) == 1  # one of the other lot, however many it has
    assert queue.ahead_of(queue.unit("L", f"{4:032x}")) == 5
    order = [queue.claim().unit for _ in range(6)]
    assert [unit.lot for unit in order] == ["L", "M", "L", "L", "L", "L"]
    assert [unit.number for unit in order if unit.lot == "L"] == [1, 2, 3, 4, 5]
    assert queue.claim() is None
    queue.close()


def take_turns(queue, now, count, seconds=lambda unit: 3.0):
    """Answer so many units, each of which takes its time; gives them in their order."""
    answered = []
    for _ in range(count):
        job = queue.claim()
        now[0] += seconds(job.unit)
        queue.finish(job, answer())
        answered.append(job.unit)
    return answered


def test_lots_share_the_time_and_not_the_number_of_units(tmp_path, now):
    queue = Queue(tmp_path / "q.sqlite", Limits(waiting_per_lot=50), steady=lambda: now[0])
    for key in "LM":
        queue.add_lot(key, key, None)
        for number in range(20):
            accept(queue, f"{number:032x}", f"{key}{number}", lot=key)
    seconds = {"L": 9.0, "M": 1.0}  # one lot's photos take nine times as long
    order = [unit.lot for unit in take_turns(queue, now, 20, lambda unit: seconds[unit.lot])]
    spent = {lot: order.count(lot) * seconds[lot] for lot in "LM"}
    assert abs(spent["L"] - spent["M"]) <= 2 * seconds["L"]  # a unit that is begun is not taken away again
    queue.close()


def test_time_for_checking_counts_as_time_of_the_workers(tmp_path, now):
    queue = Queue(tmp_path / "q.sqlite", Limits(waiting_per_lot=50), steady=lambda: now[0])
    for key in "LM":
        queue.add_lot(key, key, None)
        for number in range(10):
            accept(queue, f"{number:032x}", f"{key}{number}", lot=key)
    queue.charge("L", 12.0)
    order = [unit.lot for unit in take_turns(queue, now, 12)]
    assert order[:4] == ["M"] * 4
    assert order[4:].count("L") == 4  # from then on by turns again
    queue.close()


def test_a_lot_that_had_nothing_to_do_has_saved_nothing_up(tmp_path, now):
    queue = Queue(tmp_path / "q.sqlite", Limits(waiting_per_lot=50), steady=lambda: now[0])
    queue.add_lot("L", "L", None)
    queue.add_lot("M", "M", None)
    for number in range(30):
        accept(queue, f"{number:032x}", f"L{number}")
    take_turns(queue, now, 10)
    for number in range(10):
        accept(queue, f"{number:032x}", f"M{number}", lot="M")
    order = [unit.lot for unit in take_turns(queue, now, 6)]
    assert sorted(order) == ["L", "L", "L", "M", "M", "M"]
    queue.close()


HOSTILE, HONEST = ("network 192.0.2.1", "session 1"), ("network 192.0.2.2", "session 2")


def fill(queue, count, sender, start=0):
    """Let a sender have so many units waiting; gives their ids."""
    units = [f"{start + number:032x}" for number in range(count)]
    for unit in units:
        accept(queue, unit, f"photo of {unit}", sender=sender)
    return units


@pytest.mark.parametrize(
    "honest",
    [
        HONEST,
        ("name Ada",),  # with a code of her own
        (HOSTILE[0], "session 2"),  # behind the same router
    ],
)
def test_within_a_lot_those_who_send_take_turns(tmp_path, now, honest):
    queue = Queue(tmp_path / "q.sqlite", Limits(), steady=lambda: now[0])
    queue.add_lot("L", "lot", None)
    flood = fill(queue, 20, HOSTILE)
    now[0] += 60
    (first,) = fill(queue, 1, honest, start=100)
    now[0] += 1
    (second,), (last,) = fill(queue, 1, honest, start=101), fill(queue, 1, HOSTILE, start=50)
    assert queue.ahead_of(queue.unit("L", first)) == 1
    assert queue.ahead_of(queue.unit("L", second)) == 3  # two of the flood, and its own first
    assert queue.ahead_of(queue.unit("L", last)) == 22
    order = [unit.id for unit in take_turns(queue, now, 4)]
    assert order == [flood[0], first, flood[1], second]
    queue.close()


def test_many_sessions_of_one_network_have_the_turns_of_one(tmp_path, now):
    queue = Queue(tmp_path / "q.sqlite", Limits(), steady=lambda: now[0])
    queue.add_lot("L", "lot", None)
    for number in range(10):
        fill(queue, 2, (HOSTILE[0], f"session {number}"), start=10 * number)
    own = fill(queue, 4, HONEST, start=1000)
    order = [unit.id for unit in take_turns(queue, now, 8)]
    assert len(set(order) & set(own)) == 4
    queue.close()


def test_who_sends_what_takes_long_has_turns_less_often(tmp_path, now):
    queue = Queue(tmp_path / "q.sqlite", Limits(), steady=lambda: now[0])
    queue.add_lot("L", "lot", None)
    dear, cheap = fill(queue, 10, HOSTILE), fill(queue, 10, HONEST, start=100)
    spent = take_turns(queue, now, 10, lambda unit: 9.0 if unit.id in dear else 1.0)
    order = [unit.id for unit in spent]
    assert len(set(order) & set(cheap)) >= 8
    queue.charge("L", 100.0, HONEST)  # checking counts as well
    assert {queue.claim().unit.id, queue.claim().unit.id} <= set(dear)
    queue.close()


def test_no_sender_fills_a_lot(tmp_path, now):
    queue = Queue(tmp_path / "q.sqlite", Limits(waiting_per_lot=12), steady=lambda: now[0])
    queue.add_lot("L", "lot", None)
    fill(queue, 6, HOSTILE)  # as many as are left
    with pytest.raises(Refused, match="queue_full"):
        fill(queue, 1, HOSTILE, start=50)
    with pytest.raises(Refused, match="queue_full"):
        queue.has_room("L", f"{50:032x}", sender=HOSTILE)
    for number in range(2, 5):  # other sessions of that network: three times what is left
        fill(queue, 1, (HOSTILE[0], f"session {number}"), start=100 * number)
    with pytest.raises(Refused, match="queue_full"):
        fill(queue, 1, (HOSTILE[0], "session 9"), start=900)
    accept(queue, f"{0:032x}", "another", sender=HOSTILE)  # what has its place keeps it
    fill(queue, 1, HONEST, start=1000)
    fill(queue, 1, ("name Ada",), start=2000)
    queue.close()


def test_a_unit_that_waits_stays_its_first_senders_until_it_is_answered(queue):
    accept(queue, A, sender=HONEST)
    accept(queue, A, "s2", sender=HOSTILE)

    def sender():
        with queue._read() as db:
            return db.execute("SELECT sender FROM units WHERE id = ?", (A,)).fetchone()[0]

    assert "192.0.2.2" in sender()
    queue.put_back(queue.claim())
    assert "192.0.2.2" in sender()
    queue.finish(queue.claim(), answer())
    assert sender() == "[]"  # an address is kept no longer than it is of use


def session(queue, number, lot="L"):
    """A sender whose session is open: what its requests are told apart by."""
    digest = f"{number:064x}"[::-1]
    queue.add_token(digest, lot)
    return "network 192.0.2.1", f"session {digest[:16]}"


def test_a_unit_is_added_to_by_whoever_began_it(queue):
    first, second = session(queue, 1), session(queue, 2)
    accept(queue, A, more=True, sender=first)
    for refused in (
        lambda: accept(queue, A, "s2", sender=second),
        lambda: accept(queue, A, "s1", sender=second),  # would end the waiting for further photos
        lambda: queue.has_room("L", A, "s2", 1, second),
        lambda: queue.describe("L", A, "AUK 11", {}, sender=second),
    ):
        with pytest.raises(Refused, match="not_yours"):
            refused()
    assert queue.claim() is None  # it still waits for its own
    accept(queue, A, "s2", sender=("network 198.51.100.9", first[1]))  # the same phone on another network
    assert len(queue.claim().unit.photos) == 2
    assert [queue.is_open_to("L", A, who) for who in (first, second)] == [True, False]


def test_a_unit_stays_its_own_after_its_answer_too(queue):
    first, second = session(queue, 1), session(queue, 2)
    accept(queue, A, sender=first)
    queue.finish(queue.claim(), answer())
    with pytest.raises(Refused, match="not_yours"):
        accept(queue, A, "s2", sender=second)
    accept(queue, A, "s2", sender=first)


def test_a_unit_that_was_only_described_has_an_owner_too(queue):
    first, second = session(queue, 1), session(queue, 2)
    queue.describe("L", A, "AUK 11", {}, sender=first)
    with pytest.raises(Refused, match="not_yours"):
        accept(queue, A, sender=second)


def test_whoever_is_gone_holds_no_unit(queue, now):
    first, second, third = (session(queue, number) for number in (1, 2, 3))
    accept(queue, A, sender=first)
    queue.drop_token(f"{1:064x}"[::-1])
    accept(queue, A, "s2", sender=second)  # and takes it over
    with pytest.raises(Refused, match="not_yours"):
        accept(queue, A, "s2", sender=third)
    now[0] += 31 * 86_400  # every session has ended
    assert queue.is_open_to("L", A, session(queue, 4))


def test_a_unit_of_a_person_is_theirs_until_their_code_is_revoked(queue):
    queue.add_code(CodeEntry("ABCD", queue.lot(key="L"), "Ada", HashedCode(b"salt", b"x"), "2026"))
    accept(queue, A, sender=("name Ada",))
    accept(queue, A, "s2", sender=("name Ada",))  # from any of her phones
    with pytest.raises(Refused, match="not_yours"):
        accept(queue, A, sender=("name Jo",))
    queue.revoke_code("ABCD")
    accept(queue, A, sender=("name Jo",))


def test_a_session_of_another_lot_holds_nothing_here(queue):
    elsewhere, here = session(queue, 1, "M"), session(queue, 2)
    accept(queue, A, sender=elsewhere)  # cannot be, and must not last
    accept(queue, A, "s2", sender=here)


def test_a_lot_may_share_its_units(tmp_path):
    queue = Queue(tmp_path / "q.sqlite", Limits(), shared_lots=["lot"])
    for key, name in (("L", "lot"), ("M", "other")):
        queue.add_lot(key, name, None)
        accept(queue, A, lot=key, sender=session(queue, ord(key), key))
    accept(queue, A, "s2", sender=session(queue, 1))
    with pytest.raises(Refused, match="not_yours"):
        accept(queue, A, "s2", lot="M", sender=session(queue, 2, "M"))
    queue.close()


def test_units_without_a_photo_make_room_but_no_number_is_given_twice(tmp_path):
    now = [time.time()]
    queue = Queue(tmp_path / "q.sqlite", Limits(units_per_lot=2, empty_unit_s=60.0), clock=lambda: now[0])
    queue.add_lot("L", "lot", None)
    for unit in (A, B):
        queue.describe("L", unit, "AUK 11", {})
    with pytest.raises(Refused, match="lot_full"):
        accept(queue, C, "s1")
    now[0] += 61.0
    accept(queue, C, "s1")
    assert queue.unit("L", C).number == 3
    assert queue.unit("L", A) is None
    queue.close()


def test_announced_photos_are_waited_for_but_not_for_ever(queue, now):
    accept(queue, more=True)
    assert queue.claim() is None
    accept(queue, A, "s2")
    assert len(queue.claim().unit.photos) == 2
    accept(queue, B, "s3", more=True)
    now[0] += Limits().hold_s + 0.1
    assert len(queue.claim().unit.photos) == 1


def test_a_clock_that_is_set_back_holds_nothing(tmp_path):
    now, passed = [1_000_000.0], [50.0]
    queue = Queue(tmp_path / "q.sqlite", Limits(), clock=lambda: now[0], steady=lambda: passed[0])
    queue.add_lot("L", "lot", None)
    accept(queue, more=True)
    now[0] -= 3600.0
    passed[0] += Limits().hold_s + 0.1
    assert queue.claim() is not None
    queue.close()


def test_the_last_photo_sent_again_ends_the_waiting(queue):
    accept(queue, A, "s1", more=True)
    accept(queue, A, "s1", more=False)
    assert queue.claim() is not None


def test_a_photo_that_comes_meanwhile_is_answered_too(queue):
    accept(queue)
    job = queue.claim()
    accept(queue, A, "s2")
    queue.finish(job, answer("of one photo"))
    unit = queue.unit("L", A)
    assert (unit.state, unit.answer.headline) == ("waiting", "of one photo")
    second = queue.claim()
    queue.finish(second, answer("of two photos"))
    unit = queue.unit("L", A)
    assert (unit.state, unit.answer.headline) == ("answered", "of two photos")


def test_an_old_answer_that_comes_late_does_not_win(queue):
    accept(queue)
    first = queue.claim()
    accept(queue, A, "s2")
    queue.finish(queue.claim(), answer("of two photos"))
    queue.finish(first, answer("of one photo"))
    unit = queue.unit("L", A)
    assert (unit.state, unit.answer.headline) == ("answered", "of two photos")


def test_what_was_in_work_waits_again_after_a_restart(tmp_path, queue):
    accept(queue)
    accept(queue, B, "s2", more=True)
    queue.claim()
    again = Queue(tmp_path / "queue.sqlite", Limits())
    assert again.recover() == 2
    assert {again.claim().unit.id, again.claim().unit.id} == {A, B}
    again.close()


def test_it_is_bounded_and_what_has_its_place_keeps_it(queue):
    accept(queue, A)
    accept(queue, B, "s2")
    for refused in (lambda: accept(queue, C, "s3"), lambda: queue.has_room("L", C)):
        with pytest.raises(Refused) as caught:
            refused()
        assert (caught.value.name, caught.value.retry_s > 0) == ("queue_full", True)
    assert queue.unit("L", C) is None  # nothing is half there
    queue.has_room("L", A)
    accept(queue, A, "s4")
    queue.finish(queue.claim(), answer())
    queue.finish(queue.claim(), answer())
    accept(queue, C, "s3")


def test_a_unit_takes_so_many_photos(queue):
    accept(queue, A, "s1")
    accept(queue, A, "s2")
    with pytest.raises(Refused, match="photos_full"):
        accept(queue, A, "s3")


def test_lots_do_not_see_each_other(queue):
    accept(queue, A)
    assert queue.unit("M", A) is None
    accept(queue, A, "s9", lot="M")
    assert [photo.sha256 for photo in queue.unit("M", A).photos] == ["s9"]
    assert [photo.sha256 for photo in queue.unit("L", A).photos] == ["s1"]
    assert queue.unit("M", A).number == 1


def test_new_wishes_are_answered_anew(queue):
    queue.describe("L", A, "", {})
    assert queue.claim() is None  # no photo yet
    accept(queue)
    queue.finish(queue.claim(), answer())
    queue.describe("L", A, "", {})
    assert queue.claim() is None  # nothing changed
    queue.describe("L", A, "AUK 11", {"year": 1999})
    job = queue.claim()
    assert (job.unit.claimed, job.unit.needs) == ("AUK 11", {"year": 1999})


def test_tokens_end(queue, now):
    queue.add_token("digest", "L")
    assert queue.visitor_of_token("digest").lot.key == "L"
    now[0] += 31 * 86_400
    assert queue.visitor_of_token("digest") is None


def test_a_foreign_file_is_refused(tmp_path):
    (tmp_path / "queue.sqlite").write_text("this is no database, and long enough to be seen as none" * 20)
    with pytest.raises(YardError, match="--folder"):
        Queue(tmp_path / "queue.sqlite", Limits())


def test_a_label_that_was_typed_waits_for_an_answer_without_a_photo(queue):
    assert queue.describe("L", A, "", {}).state == "new"
    unit = queue.describe("L", A, "", {}, typed=("5820 3317",))
    assert (unit.state, unit.typed, unit.photos) == ("waiting", ("5820 3317",), ())
    job = queue.claim()
    assert job.unit.typed == ("5820 3317",)
    queue.finish(job, AnswerEntry(job.unit.turn, "{}", (), "ambiguous", "x", 0.5, "", "2026"))
    assert queue.describe("L", A, "", {}, typed=("5820 3317",)).state == "answered"  # the same again


def test_a_typed_label_waits_a_while_for_photos_that_follow(queue, now):
    queue.describe("L", A, "", {}, typed=("5820 3317",), more=True)
    assert queue.claim() is None
    now[0] += queue.limits.hold_s
    assert queue.claim() is not None


def test_a_queue_of_an_older_plugface_is_brought_up(tmp_path):
    file = tmp_path / "old.sqlite"
    with closing(sqlite3.connect(file)) as old:
        old.executescript(_TABLES.replace(" typed TEXT NOT NULL DEFAULT '[]',", ""))
        old.execute("INSERT INTO lots VALUES ('L', 'lot', NULL, NULL, '2026')")
        old.execute("INSERT INTO units (lot, id, number, created_at) VALUES ('L', ?, 1, '2026')", (A,))
        old.commit()
        assert "typed" not in [row[1] for row in old.execute("PRAGMA table_info(units)")]
    for _ in range(2):  # also where it was brought up already
        queue = Queue(file, Limits())
        assert queue.unit("L", A).typed == ()
        queue.close()


# What holds on its own, whatever was asked before


def test_a_lot_that_is_there_keeps_its_code_and_its_key(queue):
    first, other = HashedCode(b"salt", b"first"), HashedCode(b"salt", b"other")
    assert queue.add_lot("N", "north", first).code == first
    assert queue.add_lot("N2", "north", other) == queue.lot(name="north")
    assert queue.lot(name="north").code == first


def test_no_two_codes_begin_with_the_same_signs(queue):
    lot, hashed = queue.lot(key="L"), HashedCode(b"salt", b"x")
    queue.add_code(CodeEntry("ABCD", lot, "Ada", hashed, "2026"))
    for key in ("ABCD", "M"):  # another person's, and a lot's
        with pytest.raises(FileExistsError):
            queue.add_code(CodeEntry(key, lot, "Bo", hashed, "2026"))
    assert [code.name for code in queue.codes(lot)] == ["Ada"]


def test_a_start_forgets_what_ended_and_holds_nothing_by_a_clock_of_before(tmp_path):
    now = [time.time()]
    limits = Limits(session_days=1, empty_unit_s=60.0)
    first = Queue(tmp_path / "q.sqlite", limits, clock=lambda: now[0], steady=lambda: 5_000.0)
    first.add_lot("L", "lot", None)
    first.describe("L", A, "", {})  # a unit without a photo
    first.add_token("token", "L")
    accept(first, B, "s1", more=True)
    first.close()
    now[0] += 100_000.0
    again = Queue(tmp_path / "q.sqlite", limits, clock=lambda: now[0], steady=lambda: 10.0)
    assert again.recover() == 1
    assert again.claim().unit.id == B  # it was to wait until 5,015 s of a machine that ran longer
    assert again.unit("L", A) is None
    with again._read() as db:
        assert db.execute("SELECT count(*) FROM tokens").fetchone()[0] == 0
    again.close()


def test_a_photo_over_the_quota_is_refused_as_it_is_entered_too(tmp_path):
    queue = Queue(tmp_path / "q.sqlite", Limits(bytes_per_lot=1))
    queue.add_lot("L", "lot", None)
    accept(queue, A, "s1")
    with pytest.raises(Refused, match="quota_full"):
        accept(queue, A, "s2")
    with pytest.raises(Refused, match="quota_full"):
        queue.has_room("L", A, "s2", 1)
    assert len(queue.unit("L", A).photos) == 1
    queue.close()


def test_the_latest_answer_is_shown_and_the_last_turn_s_is_written_over(queue):
    accept(queue, A, "s1")
    job = queue.claim()
    queue.finish(job, answer("first"))
    queue.finish(job, answer("once more"))
    assert queue.unit("L", A).answer.headline == "once more"
    accept(queue, A, "s2")
    queue.finish(queue.claim(), answer("second"))
    assert queue.unit("L", A).answer.headline == "second"
    assert [photo.position for photo in queue.unit("L", A).photos] == [1, 2]


def test_tries_are_counted_until_something_new_comes(queue):
    accept(queue, A, "s1")
    for count in (1, 2):
        job = queue.claim()
        assert job.attempts == count
        queue.put_back(job)
    accept(queue, A, "s2")
    assert queue.claim().attempts == 1


def test_what_is_put_back_is_not_taken_from_who_was_answered(queue):
    accept(queue, A, "s1")
    job = queue.claim()
    queue.finish(job, answer())
    queue.put_back(job)  # a worker that was thought lost
    assert queue.unit("L", A).state == "answered"
    assert queue.claim() is None


def test_a_refused_photo_leaves_nothing_behind(queue):
    for unit, photo in ((A, "s1"), (B, "s2")):
        accept(queue, unit, photo)
    with pytest.raises(Refused, match="queue_full"):
        accept(queue, C, "s3")
    assert queue.unit("L", C) is None  # what was begun is taken back
    assert queue.kept_photos() == {"s1", "s2"}


def test_pages_of_the_list_hold_no_unit_without_a_photo(queue):
    queue.describe("L", A, "", {})
    accept(queue, B, "s1")
    assert [unit.id for unit in queue.units("L")] == [B]
    assert [unit.id for unit in queue.units("L", before=2)] == []


def test_whoever_came_in_with_a_code_goes_with_it_and_nobody_else(queue, now):
    lot, hashed = queue.lot(key="L"), HashedCode(b"salt", b"x")
    for key, name in (("ABCD", "Ada"), ("EFGH", "Jo")):
        queue.add_code(CodeEntry(key, lot, name, hashed, "2026"))
    for digest, key in (("own", ""), ("of Ada", "ABCD"), ("of Jo", "EFGH")):
        queue.add_token(digest, "L", key)
    queue.add_token("of M", "M")

    def let_in():
        tokens = ("own", "of Ada", "of Jo", "of M")
        return [token for token in tokens if queue.visitor_of_token(token)]

    queue.change_code("L", HashedCode(b"salt", b"y"))
    assert let_in() == ["of Ada", "of Jo", "of M"]
    queue.revoke_code("ABCD")
    assert let_in() == ["of Jo", "of M"]
    assert (queue.code("ABCD"), queue.code("EFGH").name) == (None, "Jo")
    with queue._read() as db:
        assert db.execute("SELECT count(*) FROM tokens WHERE code = 'ABCD'").fetchone()[0] == 0
    queue.add_token("too late", "L", "ABCD")  # checked before, handed out after
    assert queue.visitor_of_token("too late") is None
    assert queue.codes(lot)[0].revoked_at
    with queue._write() as db:
        db.execute("UPDATE codes SET revoked_at = 'long ago' WHERE key = 'ABCD'")
    queue.revoke_code("ABCD")
    assert queue.codes(lot)[0].revoked_at == "long ago"
    now[0] += 29 * 86_400
    assert let_in() == ["of Jo", "of M"]  # a session lasts 30 days


def test_what_failed_says_why_until_something_new_comes(queue):
    accept(queue, A)
    queue.fail(queue.claim(), "blurred")
    assert (queue.unit("L", A).state, queue.unit("L", A).problem) == ("failed", "blurred")
    accept(queue, A, "s2")
    assert (queue.unit("L", A).state, queue.unit("L", A).problem) == ("waiting", "")


def test_an_answer_comes_back_as_it_was_given(queue):
    accept(queue)
    job = queue.claim()
    given = AnswerEntry(job.unit.turn, "{1}", ("<a/>", "<b/>"), "accepted", "x", 0.9, "airbag", "2026")
    queue.finish(job, given)
    assert queue.unit("L", A).answer == given


def test_an_old_answer_does_not_end_newer_work(queue):
    accept(queue)
    first = queue.claim()
    accept(queue, A, "s2")
    second = queue.claim()
    queue.finish(first, answer("of one photo"))
    assert queue.unit("L", A).state == "working"
    queue.finish(second, answer("of two photos"))
    assert queue.unit("L", A).state == "answered"


def test_who_was_ready_first_comes_first_whatever_its_number(queue, now):
    accept(queue, A, more=True)
    accept(queue, B, "s2")
    now[0] += queue.limits.hold_s + 1
    assert queue.claim().unit.id == B


def test_what_is_in_work_holds_a_place_and_keeps_it(queue):
    accept(queue, A)
    queue.claim()
    accept(queue, B, "s2")
    assert queue.ahead_of(queue.unit("L", B)) == 1
    with pytest.raises(Refused, match="queue_full"):
        accept(queue, C, "s3")
    accept(queue, A, "s4")
    queue.has_room("L", A, "s4", 1)  # a photo that is there is no third one
    with pytest.raises(Refused, match="photos_full"):
        queue.has_room("L", A, "s5", 1)


def test_what_another_lot_holds_is_not_held_against_a_sender(tmp_path):
    queue = Queue(tmp_path / "q.sqlite", Limits(waiting_per_lot=4, bytes_per_lot=3))
    for key in "LM":
        queue.add_lot(key, key, None)
    for number, sender in enumerate((HONEST, ("name Ada",), ("name Jo",))):
        accept(queue, f"{number:032x}", f"s{number}", lot="M", sender=sender)
    accept(queue, A, "s9", sender=HONEST)
    with pytest.raises(Refused, match="quota_full"):
        accept(queue, A, "s9", lot="M")
    queue.close()


def test_only_empty_units_make_room_and_each_lot_keeps_its_last(tmp_path):
    now = [time.time()]
    queue = Queue(tmp_path / "q.sqlite", Limits(units_per_lot=2, empty_unit_s=60.0), clock=lambda: now[0])
    for key in "LM":
        queue.add_lot(key, key, None)
    queue.describe("M", A, "AUK 11", {})
    queue.describe("L", A, "", {}, typed=("5820 3317",))
    queue.finish(queue.claim(), answer())  # by its number alone, without a photo
    queue.describe("L", B, "AUK 11", {})
    now[0] += 61.0
    with pytest.raises(Refused, match="lot_full"):
        accept(queue, C, "s1")
    assert queue.unit("L", A).state == "answered"
    assert queue.unit("M", A).number == 1
    queue.close()


def test_the_queue_in_numbers(queue, now):
    assert queue.totals().oldest_s == 0
    accept(queue, A)
    now[0] += 2
    queue.describe("L", A, "AUK 11", {})  # it has waited since its first photo
    now[0] += 3
    queue.claim()
    accept(queue, A, "s2")
    accept(queue, A, "s1", lot="M")
    now[0] += 5
    found = queue.totals()
    assert (sum(found.units.values()), sum(found.photos.values())) == (2, 3)
    assert found.oldest_s == pytest.approx(10, abs=0.01)
    for _ in range(2):
        queue.finish(queue.claim(), answer())
    assert (queue.totals().units, queue.totals().photos) == ({"answered": 2}, {"answered": 3})
    assert queue.totals().oldest_s == 0
    accept(queue, B, "s3")
    now[0] -= 3600
    assert queue.totals().oldest_s == 0  # a clock that was set back


def test_what_was_accepted_is_on_disk_before_it_is_said(on_disk, queue):
    for db in (queue._writer, queue._reader):
        found = [db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")]
        assert found == ["wal", 2]  # FULL
        assert db.execute("PRAGMA foreign_keys").fetchone()[0] == 1


def test_a_photo_sent_again_hurries_its_own_unit_alone(queue):
    accept(queue, A, "s1", more=True)
    accept(queue, A, "s1", lot="M", more=True)
    accept(queue, A, "s1", lot="M")
    assert queue.claim().unit.lot == "M"
    assert queue.claim() is None


def test_a_photo_sent_again_does_not_send_its_unit_back(queue, now):
    accept(queue, A, "s1")
    job = queue.claim()
    now[0] += 1
    accept(queue, B, "s2")
    now[0] += 1
    accept(queue, A, "s1")  # its answer was lost on the way, while the unit is looked at
    queue.put_back(job)
    assert [queue.claim().unit.id, queue.claim().unit.id] == [A, B]


def test_room_that_one_lot_needs_takes_no_last_unit_of_another(tmp_path):
    now = [time.time()]
    queue = Queue(tmp_path / "q.sqlite", Limits(units_per_lot=2, empty_unit_s=60.0), clock=lambda: now[0])
    for key in "LM":
        queue.add_lot(key, key, None)
    queue.describe("M", A, "AUK 11", {})
    queue.describe("L", A, "AUK 11", {})
    queue.describe("L", B, "AUK 11", {})
    now[0] += 61.0
    accept(queue, C)
    assert queue.unit("L", A) is None
    assert queue.unit("M", A).number == 1
    queue.close()
