"""A machine on which something is missing, broken or moved: one sentence, and nothing lost.

`FAULTS` says where each fault of cli/docs/faults.md is tested; those here belong to no other subject.
"""

import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import plugface.vision.network_files
import pytest
from plugface.cli import errors
from plugface.cli.lot.run_folder import write_whole
from plugface.cli.lot.worker import PipelineAnalyser
from plugface.cli.present import charts, picture_font
from plugface.cli.settings import demo_folder
from plugface.cli.store import ledger as ledger_module
from plugface.cli.store.ledger import Confirmation, Ledger, Lot, Unit, list_units, record_confirmation
from plugface.models.catalogue.entries import read_catalogue
from plugface.vision import onnx
from plugface.vision.onnx import BrokenNetwork, load_network, packaged_network
from sqlalchemy import select


def test_a_damaged_network_is_named_with_what_to_do(tmp_path) -> None:
    path = tmp_path / "somebody_s_own.onnx"  # one that is shipped is known by its digest before it is loaded
    path.write_bytes(b"these are no weights" * 50)
    with pytest.raises(BrokenNetwork) as caught:
        load_network(str(path))
    said = errors.explain(caught.value)
    assert said.message.startswith(f"{path}: it is not a network that can be loaded")
    assert said.message.endswith("Install plugface again.")
    assert (said.exit_code, said.unforeseen) == (2, False)


def test_a_network_with_changed_bytes_is_not_used(tmp_path) -> None:
    shipped = Path(plugface.vision.network_files.__file__).parent / "weights"
    for name in ("cast_reader.onnx", "SHA256SUMS"):
        shutil.copy(shipped / name, tmp_path / name)
    assert load_network(str(tmp_path / "cast_reader.onnx"))
    changed = tmp_path / "changed"
    changed.mkdir()
    shutil.copy(shipped / "SHA256SUMS", changed)
    data = bytearray((shipped / "cast_reader.onnx").read_bytes())
    data[2_000_000:2_000_050] = bytes(50)
    (changed / "cast_reader.onnx").write_bytes(data)
    with pytest.raises(BrokenNetwork, match="not those that were shipped"):
        load_network(str(changed / "cast_reader.onnx"))


def test_the_list_of_networks_is_that_of_the_files() -> None:
    shipped = Path(plugface.vision.network_files.__file__).parent / "weights"
    for path in shipped.glob("*.onnx"):
        found = plugface.vision.network_files.find_sum(path)
        assert found == plugface.vision.network_files.measure_sum(path), (
            "after a training: put the new sha256sum into vision/weights/SHA256SUMS"
        )


def test_the_version_of_a_look_names_the_weights(monkeypatch, tmp_path) -> None:
    """With other weights another version, though the code is the same."""
    from plugface.cli.version import vision_version

    assert PipelineAnalyser(demo_folder() / "marrow_finch").look_version == f"vision {vision_version()}"
    copied = tmp_path / "vision"
    shutil.copytree(Path(plugface.vision.__file__).parent, copied)
    monkeypatch.setattr(plugface.vision, "__file__", str(copied / "__init__.py"))
    assert vision_version.__wrapped__() == vision_version()
    with (copied / "weights" / "segmenter.onnx").open("r+b") as file:
        file.write(b"\0")
    assert vision_version.__wrapped__() != vision_version()


def test_a_missing_reader_is_named_with_what_to_do(monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(onnx.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(BrokenNetwork) as caught:
        packaged_network("reader.onnx")
    expected = "reader.onnx: the package rapidocr is not installed. Install plugface again."
    assert errors.explain(caught.value).message == expected
    with pytest.raises(BrokenNetwork, match="no such file"):
        load_network(str(tmp_path / "gone.onnx"))


@pytest.mark.parametrize("file", ["PP-OCRv6_det_small.onnx", "PP-OCRv6_rec_small.onnx"])
def test_a_changed_reader_of_the_package_is_not_used(tmp_path, file) -> None:
    changed = tmp_path / file
    shutil.copyfile(packaged_network(file), changed)
    with changed.open("r+b") as network:
        network.seek(5_000_000)
        network.write(bytes(255 - byte for byte in network.read(50)))
    with pytest.raises(BrokenNetwork, match="not those that were shipped"):
        load_network(str(changed))


def test_without_its_fonts_a_picture_is_drawn_in_plainer_letters(monkeypatch) -> None:
    monkeypatch.setattr(picture_font, "find_spec", lambda name: None)
    picture_font.load_font.cache_clear()
    try:
        assert picture_font.load_font(20, True).getlength("AUK 12") > 20
    finally:
        picture_font.load_font.cache_clear()


def test_a_clock_that_jumps_back_does_not_bring_an_older_truth_up(tmp_path, monkeypatch) -> None:
    ledger = Ledger(tmp_path / "ledger.sqlite")
    with ledger.transaction() as session:
        lot = Lot(key="lot", name="", source="", market="", created_at="2026-11-25T10:00:00Z")
        session.add(lot)
        session.flush()
        unit = Unit(lot_id=lot.id, key="A-1", method="", group_key="A-1", created_at=lot.created_at)
        session.add(unit)
        session.flush()
        for family, hour in (("AUK 12", 12), ("AUK 11", 9)):
            monkeypatch.setattr(ledger_module, "now_utc", lambda hour=hour: f"2026-11-25T{hour:02}:00:00Z")
            record_confirmation(session, unit, family=family, variant="", who="Ada")
            session.flush()
    with ledger.reading() as session:
        _columns, rows = list_units(session)
        assert [row.true_family for row in rows] == ["AUK 11"]  # what was said last, whatever the clock says
        said_at = session.scalars(select(Confirmation.confirmed_at).order_by(Confirmation.id)).all()
        assert said_at == ["2026-11-25T12:00:00Z", "2026-11-25T09:00:00Z"]
    ledger.close()


def test_a_family_that_vanishes_while_the_catalogue_is_read_is_named(tmp_path, monkeypatch) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(demo_folder() / "marrow_finch", folder)
    listed = os.listdir(folder)
    monkeypatch.setattr(os, "listdir", lambda path: [*listed, "zz_gone.toml"])
    with pytest.raises(FileNotFoundError) as caught:
        read_catalogue(folder)
    message = errors.explain(caught.value).message
    assert message == f"{folder / 'zz_gone.toml'}: no such file or directory. Check the path."


def test_threads_may_write_one_file_at_once(tmp_path) -> None:
    with ThreadPoolExecutor(8) as threads:  # without care, every second one found its part gone
        for write in [threads.submit(write_whole, tmp_path / "x", b"%d" % n) for n in range(200)]:
            write.result()
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


@pytest.mark.parametrize(
    ("name", "write"),
    [
        (".x.toml.part", lambda folder: write_whole(folder / "x.toml", b"key = 1")),
        ("x.png", lambda folder: charts.draw_reliability([(0.5, 0.5, 1)], 0.0, "", folder / "x.png")),
    ],
)
def test_a_full_disk_is_said_with_the_file_that_did_not_fit(tmp_path, name, write) -> None:
    (tmp_path / name).symlink_to("/dev/full")  # full(4): every write fails as on a full disk
    with pytest.raises(OSError, match="No space left") as caught:
        write(tmp_path)
    file = tmp_path / name.removeprefix(".").removesuffix(".part")
    assert errors.explain(caught.value).message.startswith(f"{file}: no space left on device.")


def test_an_export_to_a_full_disk_names_its_file(run, tmp_path) -> None:
    Ledger(tmp_path / "ledger.sqlite").close()
    (tmp_path / ".x.csv.part").symlink_to("/dev/full")
    said = run("ledger", "export", tmp_path / "x.csv", "--ledger", tmp_path / "ledger.sqlite")
    assert said.code == 2
    assert said.err.startswith(f"error: {tmp_path / 'x.csv'}: no space left on device.")


def test_an_export_to_where_nothing_can_be_written_names_its_file(run, tmp_path) -> None:
    Ledger(tmp_path / "ledger.sqlite").close()
    said = run("ledger", "export", tmp_path / "nowhere" / "x.csv", "--ledger", tmp_path / "ledger.sqlite")
    assert said.code == 2
    assert said.err.startswith(f"error: {tmp_path / 'nowhere' / 'x.csv'}: no such file or directory.")


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_full_disk_under_the_output_is_one_line(form) -> None:
    start = [sys.executable, "-c", "from plugface.cli.main import main; main()"]
    words = [*start, "needs", "--throttle", "cable", *form]
    with open("/dev/full", "w") as full:
        done = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert "no space left on device" in done.stderr


@pytest.mark.parametrize("alphabet", ["latin-1", "utf-8"])
def test_a_name_that_the_terminal_cannot_show_is_shown_as_numbers(tmp_path, alphabet) -> None:
    Ledger(tmp_path / "ledger.sqlite").close()
    out = os.fsencode(tmp_path) + b"/\xff \xe2\x9c\x93.csv"
    start = [sys.executable, "-c", "from plugface.cli.main import main; main()"]
    words = [*start, "ledger", "export", out, "--ledger", str(tmp_path / "ledger.sqlite")]
    done = subprocess.run(
        words, capture_output=True, env=os.environ | {"PYTHONIOENCODING": alphabet}, timeout=300
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"\\udcff" in done.stdout
    assert os.path.exists(out)


#: Each row of cli/docs/faults.md -> the tests that hold it.
FAULTS = {
    "`kill -9` while sorting": ("test_cli_sort::test_a_run_that_is_cut_off_goes_on",),
    "Ctrl-C while sorting, once or more often": (
        "test_cli_sort::test_ctrl_c_is_answered_at_once_and_a_second_one_breaks_nothing",
        "test_cli_sort::test_ctrl_c_stops_a_run_at_the_next_photo_even_where_its_exception_is_lost",
        "test_cli_sort::test_ctrl_c_lets_the_ledger_end_a_transaction_and_a_second_one_does_not",
    ),
    "sorting killed while its workers start": (
        "test_cli_sort::test_workers_end_when_the_sort_is_killed_while_they_start",
    ),
    "disk full": (
        "test_faults::test_a_full_disk_is_said_with_the_file_that_did_not_fit",
        "test_cli_sort::test_a_full_disk_stops_the_run_in_words_and_room_lets_it_go_on",
    ),
    "read-only folder": ("test_cli_sort::test_a_full_disk_stops_the_run_in_words_and_room_lets_it_go_on",),
    "clock set back": (
        "test_faults::test_a_clock_that_jumps_back_does_not_bring_an_older_truth_up",
        "test_cli_web_queue::test_a_clock_that_is_set_back_holds_nothing",
    ),
    "clock put forward, where `keep_days` is set": (
        "test_cli_web_retention::test_a_clock_that_is_put_forward_deletes_nothing_for_a_day",
        "test_cli_web_retention::test_a_clock_that_is_put_right_again_has_deleted_nothing",
    ),
    "damaged ledger": (
        "test_cli_store_ledger::test_a_damaged_ledger_is_said_in_a_sentence_and_left_as_it_is",
    ),
    "damaged or foreign model file": (
        "test_models_learning_classifier::test_missing_foreign_and_truncated_files_are_refused_with_a_sentence",
    ),
    "damaged network, no rapidocr package": (
        "test_faults::test_a_damaged_network_is_named_with_what_to_do",
        "test_faults::test_a_missing_reader_is_named_with_what_to_do",
        "test_cli_sort::test_a_part_missing_on_the_machine_stops_the_run_and_blames_no_photo",
    ),
    "no segmenter weights": (
        "test_vision_observe::test_without_weights_what_is_written_is_read_and_the_rest_said",
    ),
    "no cast reader weights": (
        "test_vision_ocr_readers::test_missing_cast_reader_is_said_and_marks_are_read_by_the_other",
    ),
    "no Tesseract": ("test_vision_ocr_readers::test_missing_program_is_said_and_reading_goes_on",),
    "no fonts": ("test_faults::test_without_its_fonts_a_picture_is_drawn_in_plainer_letters",),
    "catalogue file gone while read": (
        "test_faults::test_a_family_that_vanishes_while_the_catalogue_is_read_is_named",
        "test_cli_sort::test_the_run_keeps_the_catalogue_it_started_with",
    ),
    "damaged or hostile photo": (
        "test_cli_sort::test_a_broken_photo_is_one_row_that_says_which_file",
        "test_cli_web::test_what_is_no_photo_is_refused_and_leaves_nothing",
    ),
    "a photo that takes too long or too much memory, or breaks the decoder": (
        "test_cli_limited_photo::test_a_photo_that_takes_too_long_is_stopped_and_the_next_one_is_opened",
        "test_cli_limited_photo::test_a_photo_that_takes_too_much_memory_is_stopped",
        "test_cli_limited_process::test_what_goes_beyond_a_limit_is_stopped_and_the_next_goes_on",
        "test_cli_web::test_a_photo_that_takes_too_long_is_refused_and_the_page_goes_on",
        "test_cli_sort::test_a_photo_that_takes_for_ever_is_one_row",
    ),
    "drive pulled out, no permission, no memory while sorting": (
        "test_cli_sort::test_a_drive_that_is_gone_breaks_no_photo",
        "test_cli_sort::test_a_machine_out_of_memory_breaks_no_photo_and_is_said",
        "test_cli_sort::test_broken_photos_are_looked_at_again_when_asked",
    ),
    "a pipe or a device among the photos": (
        "test_cli_sort::test_a_pipe_named_like_a_photo_is_not_opened_and_an_impossible_time_is_none",
    ),
    "no signal": (
        "test_cli_web_offline::test_a_signal_lost_in_the_middle_of_a_unit_loses_no_photo_and_the_page_opens_without_it",
        "test_cli_web_number_index::test_what_is_listed_is_named_as_the_program_names_it",
    ),
    "a new version while a unit is in hand": (
        "test_cli_web_offline::test_a_new_version_waits_while_a_unit_is_in_hand",
    ),
    "a code that is no good any more": (
        "test_cli_web_offline::test_a_code_that_was_changed_takes_the_copy_with_it",
        "test_cli_web_offline::test_a_changed_catalogue_is_fetched_anew_an_unchanged_one_is_not_and_its_age_is_said",
    ),
    "a phone's clock that was ahead by more than a day, and was put right": (
        "test_cli_web_offline::test_a_copy_that_was_compared_while_the_clock_was_ahead_is_of_unknown_age",
    ),
    "a browser that promises no room": (
        "test_cli_web_offline::test_a_browser_that_does_not_promise_to_keep_photos_is_told_of",
    ),
    "no room left on the phone": (
        "test_cli_web_offline::test_where_the_phone_has_no_room_left_each_photo_goes_once",
        "test_cli_web_offline::test_where_the_phone_has_no_room_left_no_photo_stays_for_the_next_unit",
    ),
    "connections that ask for nothing": (
        "test_cli_web_connections::test_whoever_asks_for_nothing_is_let_go",
        "test_cli_web_connections::test_an_address_has_so_many_connections",
    ),
    "messages that stop half-way, or state their length twice; answers that nobody reads": (
        "test_cli_web_connections::test_a_message_that_is_not_whole_in_time_is_refused",
        "test_cli_web_connections::test_a_length_that_is_stated_in_two_ways_is_refused",
        "test_cli_web_connections::test_whoever_does_not_read_an_answer_is_let_go",
    ),
    "uploads that crawl, or very many": (
        "test_cli_web_intake::test_an_upload_that_crawls_is_dropped",
        "test_cli_web_intake::test_an_upload_that_sends_nothing_is_dropped",
        "test_cli_web_intake::test_a_lot_holds_its_share_and_another_still_comes_in",
        "test_cli_web_intake::test_a_sender_does_not_hold_all_places_of_its_lot",
    ),
    "one lot with very many units": ("test_cli_web_queue::test_lots_take_turns",),
    "one phone with very many units": (
        "test_cli_web_queue::test_within_a_lot_those_who_send_take_turns",
        "test_cli_web_queue::test_no_sender_fills_a_lot",
        "test_cli_web_hostile::test_a_phone_with_many_units_holds_no_other_phone_of_its_lot",
    ),
    "somebody of the lot adds to another person's unit": (
        "test_cli_web_queue::test_a_unit_is_added_to_by_whoever_began_it",
        "test_cli_web::test_a_unit_belongs_to_whoever_began_it",
    ),
    "many wrong codes": (
        "test_cli_web_access::test_an_address_waits_after_its_wrong_codes",
        "test_cli_web_access::test_many_addresses_at_one_lot_shut_that_lot_alone",
    ),
    "disk full while the page answers": ("test_cli_web::test_a_full_disk_leaves_no_unit_in_hand_for_ever",),
    "lot full on disk": ("test_cli_web::test_a_lot_has_a_quota",),
    "photos refused over and over, or units without a photo": (
        "test_cli_web::test_what_is_refused_is_not_on_the_disk",
        "test_cli_web_queue::test_only_empty_units_make_room_and_each_lot_keeps_its_last",
    ),
    "the answer to a photo lost on its way, in a lot that is full by now": (
        "test_cli_web::test_a_photo_sent_again_needs_no_room",
    ),
    "one person's code gets about": (
        "test_cli_web_codes::test_one_code_ends_alone_and_at_once",
        "test_cli_web_codes::test_a_photo_that_was_on_its_way_when_its_code_was_revoked_is_not_taken_in",
    ),
    "a lot's code gets about": ("test_cli_web_codes::test_a_new_code_of_the_lot_leaves_people_in",),
    "a phone that left its lot": ("test_cli_web::test_photos_are_asked_for_anew_after_leaving",),
    "a photo with a colour profile, or with something hidden in its markers or behind its end": (
        "test_cli_web_photo_store::test_colours_of_a_profile_are_kept_without_it",
        "test_cli_web_photo_store::test_what_hides_in_markers_goes",
    ),
    "somebody types another person's name": ("test_cli_web_codes::test_nobody_confirms_in_another_s_name",),
    "a mistake in the settings, a name typed wrong": (
        "test_cli_web_settings::test_what_is_wrong_in_the_file_is_said_with_its_place",
        "test_cli_web_settings::test_what_is_wrong_in_a_variable_is_said_with_its_name",
    ),
    "looking processes that die, at whatever stage of a unit": (
        "test_cli_web::test_a_worker_that_dies_is_tried_again_and_not_for_ever",
        "test_cli_web_metrics::test_lost_workers_are_counted",
        "test_cli_web_killed::test_a_worker_killed_at_any_stage_of_a_unit_costs_another_try",
    ),
    "page ended between ledger and queue as it stores an answer": (
        "test_cli_web_killed::test_a_page_that_ends_as_it_stores_an_answer_stores_it_once",
    ),
    "a hostile lot with another one's photos and names of units": (
        "test_cli_web_two_lots::test_a_hostile_lot_changes_nothing_of_another",
        "test_cli_web_two_lots::test_what_one_lot_has_used_up_the_other_still_has",
    ),
    "hostile phones among honest ones": (
        "test_cli_web_hostile::test_nothing_of_four_phones_is_lost_beside_a_hostile_one",
        "test_cli_web_intake::test_who_asks_again_and_again_for_a_place_is_answered_later",
    ),
    "a lot whose photos take much time to check": (
        "test_cli_web_intake::test_a_lot_that_used_up_its_time_is_checked_behind_the_others",
        "test_cli_web_intake::test_within_a_busy_lot_who_sent_little_is_checked_first",
    ),
    "a picture longer than 20 times its width": (
        "test_cli_web::test_a_strip_is_refused_for_good_and_not_for_the_disk",
        "test_cli_web_browser::test_a_refused_photo_is_said_holds_nothing_else_back_and_can_be_removed",
    ),
    "an odd time of a file": ("test_cli_sort::test_pipes_are_no_photos_and_an_odd_time_is_none",),
    "names that are no UTF-8, that the terminal cannot show, or that look like markup or commands to it": (
        "test_faults::test_a_name_that_the_terminal_cannot_show_is_shown_as_numbers",
        "test_cli_sort::test_names_of_any_kind",
        "test_cli_sort::test_a_folder_named_like_markup_is_sorted_to_the_end",
        "test_cli_lazy_imports::test_escape_sequences_in_a_catalogue_reach_no_terminal",
    ),
    "one row of observations that cannot be read": (
        "test_cli_sort::test_an_observation_that_cannot_be_read_is_one_row",
    ),
    "several first starts on one fresh PostgreSQL": (
        "test_cli_store_ledger::test_first_starts_on_a_fresh_postgresql_do_not_collide",
    ),
    "several that write one file at once": ("test_faults::test_threads_may_write_one_file_at_once",),
    "page ended by SIGTERM": ("test_cli_serve::test_a_named_lot_gets_a_code_that_is_written_down_once",),
    "another account of the machine": (
        "test_cli_store_ledger::test_a_ledger_is_for_its_owner_alone",
        "test_cli_errors::test_the_log_is_private_and_holds_no_password",
    ),
    "ledger or queue deleted or replaced while open, as by a restore": (
        "test_cli_web::test_a_ledger_that_was_deleted_takes_no_confirmation",
        "test_cli_web::test_a_backup_is_not_restored_under_a_running_page",
    ),
    "changed bytes in a network": ("test_faults::test_a_network_with_changed_bytes_is_not_used",),
    "a picture or an export named like a file that plugface did not write, or that was changed since": (
        "test_cli_present_drawn_file::test_a_photo_named_for_the_picture_is_refused_before_anything_is_looked_at",
        "test_cli_lot_sheet::test_an_export_goes_over_an_export_and_over_nothing_else",
    ),
    "a run's sheet that somebody wrote into": (
        "test_cli_lot_sheet::test_a_sheet_that_somebody_wrote_into_is_kept",
    ),
    "a ledger row changed behind the program's back": (
        "test_cli_store_ledger::test_what_was_done_behind_the_programs_back_is_found",
        "test_cli_store_ledger::test_rows_cannot_be_replaced_by_inserting",
        "test_cli_store_deletion::test_what_was_changed_before_is_not_taken_away_unseen",
        "test_cli_store_backup::test_a_ledger_that_was_changed_is_not_backed_up_as_if_it_were_whole",
    ),
    "an older ledger": (
        "test_cli_store_ledger::test_an_older_ledger_is_copied_then_brought_up_with_all_its_rows",
    ),
    "a migration cut off, or no room for the copy": (
        "test_cli_store_migrations::test_a_migration_that_was_cut_off_left_all_as_it_was",
        "test_cli_store_migrations::test_no_room_for_the_copy_is_said_and_nothing_is_migrated",
    ),
    "machine lost": ("test_cli_store_backup::test_what_was_restored_is_what_was_backed_up",),
    "a saved file of a phone that is damaged, unpacks to very much, or names a photo twice": (
        "test_cli_lot_unpack::test_a_file_that_unpacks_to_far_more_than_its_size_is_refused",
        "test_cli_lot_unpack::test_damage_in_any_way_of_packing_is_one_line",
        "test_cli_lot_unpack::test_no_photo_takes_the_place_of_another",
        "test_cli_lot_unpack::test_what_leads_out_is_refused_and_nothing_of_the_file_is_written",
    ),
    "a list of families made to take all time or memory": (
        "test_cli_catalogue_sheet::test_a_cell_far_out_in_many_tables_takes_neither_time_nor_memory",
        "test_cli_catalogue_sheet::test_a_large_workbook_is_parsed_within_limits",
        "test_cli_catalogue_sheet::test_a_workbook_that_unpacks_to_too_much_is_refused_before_it_is_parsed",
    ),
    "disk full while a backup or an export is written": (
        "test_cli_store_backup::test_a_disk_that_is_really_full_leaves_nothing_half_and_one_line",
        "test_cli_store_backup::test_a_backup_that_was_cut_off_is_not_said_to_be_one",
    ),
    "deleting while a backup is taken": (
        "test_cli_store_backup::test_a_backup_is_of_one_state_though_somebody_deletes",
        "test_cli_web_retention::test_nothing_goes_while_a_backup_is_taken",
    ),
    "a lot from elsewhere that speaks of other lots, names other files, or is made to trip the program": (
        "test_cli_store_lot_rows::test_a_lot_speaks_of_nothing_but_itself",
        "test_cli_store_lot_rows::test_a_lot_brings_no_file_but_those_of_its_photos",
    ),
    "taking in a lot cut off, or tried beside the page": (
        "test_cli_store_lot_rows::test_a_photo_that_was_cut_off_is_written_whole_the_next_time",
        "test_cli_store_lot_rows::test_a_lot_that_came_in_half_is_deleted_and_comes_in_again",
        "test_cli_store_lot_rows::test_a_lot_waits_until_the_page_has_ended",
    ),
    "a whole yard copied to another machine, in whatever state": (
        "test_cli_web::test_a_yard_that_is_moved_whole_goes_on_elsewhere",
    ),
    "backup damaged, cut off, or forged": (
        "test_cli_store_backup::test_a_harmed_backup_is_refused_and_nothing_of_it_is_used",
        "test_cli_store_backup::test_a_tar_that_was_cut_off_is_refused",
    ),
    "a backup by an older plugface": (
        "test_cli_store_backup::test_a_backup_of_an_older_schema_is_put_back_with_every_row_and_brought_up",
        "test_cli_store_backup::test_a_backup_of_an_older_schema_is_held_against_its_chain",
    ),
    "a backup by a newer plugface": (
        "test_cli_store_backup::test_a_backup_of_a_newer_schema_is_refused_in_plain_words",
    ),
    "a photo's file gone or damaged on the yard's disk": (
        "test_cli_store_backup::test_a_photo_that_is_gone_or_damaged_is_named_and_the_rest_is_backed_up",
        "test_cli_store_deletion::test_orphans_are_found_and_swept",
    ),
    "restore or backup over something that is there": ("test_cli_store_backup::test_nothing_is_overwritten",),
    "deletion cut off by the end of the machine": (
        "test_cli_store_deletion::test_a_unit_that_the_queue_alone_has_is_deleted_by_its_key",
        "test_cli_store_deletion::test_orphans_are_found_and_swept",
    ),
    "deleting while the page is at work": (
        "test_cli_store_deletion::test_nothing_is_deleted_while_the_page_is_at_work",
    ),
    "a unit past `keep_days` about which somebody asks at that moment": (
        "test_cli_web_retention::test_what_somebody_asks_about_now_stays",
    ),
    "a photo sorted again after its deletion": (
        "test_cli_store_deletion::test_a_run_is_sorted_on_after_a_deletion",
    ),
    "a report or export changed after it was written": (
        "test_cli_verify::test_a_changed_byte_is_told",
        "test_cli_verify::test_an_export_agrees_until_it_is_changed",
    ),
    "a report or export carried away from its ledger": (
        "test_cli_verify::test_what_was_carried_away_from_its_ledger_is_not_called_forged",
    ),
    "a worker of a cluster killed": (
        "test_cli_lot_parallel::test_a_worker_killed_in_the_middle_loses_nothing",
        "test_cli_lot_parallel::test_a_photo_that_kills_every_worker_is_reported",
    ),
    "a worker of a cluster that does not see `run/`, or whose model cannot be used": (
        "test_cli_sort::test_a_machine_that_does_not_see_the_catalogue_is_named_and_no_photo_is_blamed",
    ),
    "a worker that takes too much memory while sorting": (
        "test_cli_sort::test_a_photo_that_takes_more_memory_than_a_worker_may_is_one_row",
    ),
}


def test_every_row_of_the_table_of_faults_has_its_tests() -> None:
    table = (Path(__file__).parents[1] / "cli" / "docs" / "faults.md").read_text(encoding="utf-8")
    rows = [line.split(" | ")[0].removeprefix("| ") for line in table.splitlines() if line.startswith("| ")]
    assert rows[0] == "fault"
    assert rows[1:] == list(FAULTS)
    for name in {name for names in FAULTS.values() for name in names}:
        module, _, function = name.partition("::")
        text = (Path(__file__).parent / f"{module}.py").read_text(encoding="utf-8")
        assert f"\ndef {function}(" in text, name
