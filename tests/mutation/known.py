"""Break the lines that once could be broken unnoticed, and see that a test fails for each.

    uv run python tests/mutation/known.py [WORD ...]

Works on a copy of the checkout, asks of each break only the test that is named beside it, and prints a table.
With words, only breaks whose name has one of them. Leaves with 1 where a break is not noticed, where its line
is no longer there, or where its test fails before anything is broken. POSIX only, as `mutate.py` beside it.
"""

import contextlib
import os
import sys
import tempfile
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from mutate import LIBRARIES, copy_checkout


@dataclass(frozen=True)
class Break:
    """One line of the program, what it is changed to, and the test that must notice."""

    name: str
    file: str
    line: str
    broken: str
    test: str


BREAKS = (
    Break(
        "lost and added characters change places",
        "models/matching/text_fit.py",
        "lost, added = np.log(noise.of_kind(text.kind)[1:])",
        "added, lost = np.log(noise.of_kind(text.kind)[1:])",
        "test_models_matching_text_fit.py",
    ),
    Break(
        "what is sorted anew forgets the model",
        "cli/lot/sorting.py",
        "            self.analyser.model_version,\n            self.head.catalogue_sha256,",
        "            self.head.catalogue_sha256,",
        "test_cli_sort.py::test_after_learning_every_unit_is_decided_anew",
    ),
    Break(
        "what is sorted anew forgets the findings",
        "cli/lot/sorting.py",
        "            list(findings),\n",
        "",
        "test_cli_sort.py::test_a_unit_with_a_new_finding_is_decided_anew",
    ),
    Break(
        "a clear number that is nearly a listed one is mended",
        "models/decision/decide.py",
        "    return off >= SURE_NATS or variants_of(pooled, row, model).unlisted >= UNLISTED_ALONE",
        "    return False",
        "test_models_decision_decide.py",
    ),
    Break(
        "views count as independent",
        "models/matching/fusion.py",
        "effective = (number / (1.0 + (number - 1.0) * correlation))[:, None]",
        "effective = number * np.ones_like(correlation)",
        "test_models_matching_fusion.py",
    ),
    Break(
        "a shift that all plugs share costs nothing",
        "models/matching/alignment.py",
        "return -0.5 * far * (pull**2).sum(axis=1)",
        "return 0.0 * far * (pull**2).sum(axis=1)",
        "test_models_matching_alignment.py",
    ),
    Break(
        "places are held against the entry without a shift",
        "models/matching/alignment.py",
        "close, far = noise.place_sd**2, noise.place_shift**2",
        "close, far = noise.place_sd**2, 0.0",
        "test_models_matching_alignment.py",
    ),
    Break(
        "correlations in another order",
        "models/matching/fusion.py",
        "for rule in rules.RULES])",
        "for rule in reversed(rules.RULES)])",
        "test_models_matching_fusion.py",
    ),
    Break(
        "the best family is its own rival",
        "models/matching/pair_features.py",
        "rival = np.where(total == best, second, best)",
        "rival = np.where(total == best, best, second)",
        "test_models_matching_pair_features.py",
    ),
    Break(
        "colours are half as warm",
        "vision/colour/naming.py",
        "TEMPERATURE = 0.1, 1.0, 1.2",
        "TEMPERATURE = 0.1, 1.0, 0.6",
        "test_vision_colour_naming.py",
    ),
    Break(
        "a housing's colour is taken beside the housing",
        "vision/detection/units.py",
        'body = weight * (1 - masks["connector"]) + 1e-9',
        'body = np.roll(weight, weight.shape[1] // 2, axis=1) * (1 - masks["connector"]) + 1e-9',
        "test_vision_detection_units.py",
    ),
    Break(
        "a plug's colour is measured at unscaled coordinates",
        "vision/detection/connectors.py",
        "corners, white_balance = np.asarray(polygon) * picture.to_rgb, picture.white_balance",
        "corners, white_balance = np.asarray(polygon), picture.white_balance",
        "test_vision_detection_connectors.py",
    ),
    Break(
        "a large photo's colours are measured as if it were not reduced",
        "vision/observe.py",
        "return Picture(scene.rgb, 1 / scene.to_photo, scene.white_balance, tuple(shades))",
        "return Picture(scene.rgb, 1.0, scene.white_balance, tuple(shades))",
        "test_vision_observe.py",
    ),
    Break(
        "the whole of a scene's mean is corrected",
        "vision/colour/white_balance.py",
        "_gains(np.sqrt(white / white.mean()))",
        "_gains(white / white.mean())",
        "test_vision_colour_white_balance.py",
    ),
    Break(
        "a tenth of certainty makes a second unit",
        "models/unit_choice.py",
        "OTHER_UNIT_CONFIDENCE = 0.7",
        "OTHER_UNIT_CONFIDENCE = 0.1",
        "test_models_unit_choice.py",
    ),
    Break(
        "a pause between units is ten times as long",
        "models/grouping.py",
        "PAUSE_S = 90.0",
        "PAUSE_S = 900.0",
        "test_models_grouping.py",
    ),
    Break(
        "a barcode without a check refuses",
        "models/decision/decide.py",
        'any(code.check == "verified" for view',
        "any(code.payload for view",
        "test_models_decision_decide.py::test_a_barcode_refuses_only_where_its_check_held",
    ),
    Break(
        "a barcode never refuses",
        "models/decision/decide.py",
        'return plugs or any(code.check == "verified"',
        'return plugs or any(code.check == "held"',
        "test_models_decision_decide.py::test_a_barcode_refuses_only_where_its_check_held",
    ),
    Break(
        "the rank of coverage is one off",
        "models/decision/conformal.py",
        "missed = floor((n + 1) * (1.0 - level) + 1e-9)",
        "missed = floor(n * (1.0 - level) + 1e-9)",
        "test_models_decision_conformal.py",
    ),
    Break(
        "the law of coverage has one case less",
        "models/decision/conformal.py",
        "betabinom(n_test, n + 1 - missed, missed)",
        "betabinom(n_test, n - missed, missed)",
        "test_models_decision_conformal.py",
    ),
    Break(
        "a number scores as if it were the whole line",
        "models/decision/variants.py",
        "best_string(text, noise) * min(len(compact(run.value)) / whole, 1.0) - math.log(words)",
        "best_string(text, noise) - math.log(words)",
        "test_models_decision_variants.py",
    ),
    Break(
        "a barcode speaks against variants it does not name",
        "models/decision/variants.py",
        "odds = np.zeros(len(family.variants) + 1)\n        odds[sorted(",
        "odds = np.full(len(family.variants) + 1, -1.0)\n        odds[sorted(",
        "test_models_decision_variants.py",
    ),
    Break(
        "the photo that leaves the variant most open is asked for",
        "models/decision/next_photo.py",
        "1.0 - np.array(named[k : k + of_view])",
        "np.array(named[k : k + of_view])",
        "test_models_decision_decide.py::test_where_no_photo_pays_the_one_that_leaves_the_variant_least_open_is_asked_for",
    ),
    Break(
        "a photo that might be taken hangs on what was asked before",
        "models/decision/imagined.py",
        "default_rng([_SEED, k])",
        "default_rng([_SEED, len(drawn)])",
        "test_models_decision_next_photo.py::test_a_family_is_shown_by_the_same_photos_whatever_was_asked_before",
    ),
    Break(
        "the variant is forgotten in what a photo leaves open",
        "models/decision/next_photo.py",
        "named = [p.families.max() * v for",
        "named = [p.families.max() for",
        "test_models_decision_decide.py::test_where_no_photo_pays_the_one_that_leaves_the_variant_least_open_is_asked_for",
    ),
    Break(
        "a unit of no family is said to be unsure",
        "models/decision/decide.py",
        'if verdict == "not_in_catalogue":\n        return f"A unit',
        'if verdict == "no":\n        return f"A unit',
        "test_models_decision_decide.py::test_an_unknown_unit_is_not_accepted",
    ),
    Break(
        "marks that are alike hide that the plugs are another family's",
        "models/decision/findings.py",
        "np.flatnonzero(cast >= cast.max() - 2 * SURE_NATS)",
        "np.flatnonzero(cast >= cast.max())",
        "test_models_decision_findings.py",
    ),
    Break(
        "writing of two families in a close-up agrees",
        "models/decision/findings.py",
        "if view.unit is not None and view.unit.method != WHOLE_PHOTO:",
        "if view.unit is None or view.unit.method != WHOLE_PHOTO:",
        "test_models_decision_findings.py",
    ),
    Break(
        "a variant of another market fills a bin",
        "models/decision/placement.py",
        "    if locked or abroad:\n",
        "    if locked:\n",
        "test_models_decision_placement.py",
    ),
    Break(
        "a hazard stands as if it could be taken",
        "models/decision/placement.py",
        '    if family.hazard != "none":\n',
        "    if False:\n",
        "test_models_decision_placement.py",
    ),
    Break(
        "only an orange plug warns of a high-voltage family",
        "models/decision/cautions.py",
        'if "high voltage" in hazards or "OG" in colours:',
        'if "OG" in colours:',
        "test_models_decision_cautions.py",
    ),
    Break(
        "a hazard behind five likelier families is kept quiet",
        "models/decision/decide.py",
        "for r in map(int, ranked) if families[r].hazard",
        "for r in map(int, ranked[:SHOWN]) if families[r].hazard",
        "test_models_decision_cautions.py",
    ),
    Break(
        "a close-up's lines are cast or printed for sure",
        "models/matching/writing_rules.py",
        "return 0.5 if view.unit is None or view.unit.method",
        "return 0.5 if view.unit is not None and view.unit.method",
        "test_models_matching_writing_rules.py",
    ),
    Break(
        "a colour that nothing was taught is believed as it is seen",
        "models/matching/pooling.py",
        "    if blank is not None:\n",
        "    if False:\n",
        "test_models_matching_pooling.py",
    ),
    Break(
        "a phone takes a new version of the page over while a unit is in hand",
        "cli/web/static/keeping.js",
        "if (waiting && (await idle()) && !leaving)",
        "if (waiting && !leaving)",
        "test_cli_web_offline.py::test_a_new_version_waits_while_a_unit_is_in_hand",
    ),
    Break(
        "a page goes elsewhere while a new version of it takes over",
        "cli/web/static/keeping.js",
        "  await taking;\n",
        "",
        "test_cli_web_offline.py::test_the_page_goes_nowhere_by_itself_while_a_new_version_takes_over",
    ),
    Break(
        "a phone keeps a catalogue that was changed",
        "cli/web/static/number_copy.js",
        "const copy = answer.status === 200 ? await answer.json() : kept.copy;",
        "const copy = kept?.copy ?? (await answer.json());",
        "test_cli_web_offline.py::test_a_changed_catalogue_is_fetched_anew_an_unchanged_one_is_not_and_its_age_is_said",
    ),
    Break(
        "a phone fetches a catalogue anew that was not changed",
        "cli/web/static/number_copy.js",
        '{ "if-none-match": kept.tag }',
        "{}",
        "test_cli_web_offline.py::test_a_changed_catalogue_is_fetched_anew_an_unchanged_one_is_not_and_its_age_is_said",
    ),
    Break(
        "a contradiction of the phone's number stands under the answer",
        "cli/web/static/number_compare.js",
        "place.before(show(",
        "place.parentElement.append(show(",
        "test_cli_web_number_compare.py::test_a_number_of_another_family_is_shown_first",
    ),
    Break(
        "a phone that leaves a lot keeps its catalogue",
        "cli/web/static/number_copy.js",
        "  return clear();\n}",
        "  return undefined;\n}",
        "test_cli_web_offline.py::test_whoever_leaves_the_lot_leaves_no_copy_and_the_page_without_a_signal_says_so",
    ),
    Break(
        "a phone that leaves a lot keeps what it read",
        "cli/web/static/number_copy.js",
        "  forgetReads();\n",
        "",
        "test_cli_web_number_compare.py::test_whoever_leaves_the_lot_leaves_nothing_that_was_read",
    ),
    Break(
        "a refusal to keep photos for long is not said",
        "cli/web/static/outbox.js",
        "loose.hidden = store.persistent || !store.durable;",
        "loose.hidden = true;",
        "test_cli_web_offline.py::test_a_browser_that_does_not_promise_to_keep_photos_is_told_of",
    ),
    Break(
        "photos of one unit are saved under names of several",
        "cli/web/static/outbox_file.js",
        '${folder}/${unit.id.slice(0, 8)}-${face.replace(/[^a-z]+/g, "-")}-${k + 1}.',
        '${folder}/${k + 1}-${face.replace(/[^a-z]+/g, "-")}.',
        "test_cli_web_offline.py::test_what_waits_is_saved_as_one_file_that_is_sorted",
    ),
    Break(
        "the width of a housing tells its row",
        "vision/detection/order.py",
        "[float(np.ptp(f[:, 1])) for f in framed]",
        "[float(np.ptp(f[:, 0])) for f in framed]",
        "test_vision_detection_order.py",
    ),
    Break(
        "a stump is a seated plug as well",
        "vision/detection/connectors.py",
        "mated=_mostly(maps.mated, weight)",
        "mated=_mostly(maps.broken, weight)",
        "test_vision_detection_connectors.py",
    ),
    Break(
        "pins are counted at unscaled coordinates",
        "vision/detection/connectors.py",
        "count_pins(_rectify(picture.rgb, corners))",
        "count_pins(_rectify(picture.rgb, np.asarray(polygon)))",
        "test_vision_detection_connectors.py",
    ),
    Break(
        "a hazard's plugs pass under mark and number of another family",
        "models/decision/findings.py",
        "    findings += _plugs_against_rest(views, totals, index, noise)\n",
        "",
        "test_models_decision_findings.py",
    ),
    Break(
        "a plug that may be orange contradicts what is written",
        "models/decision/findings.py",
        "plug.colour.get(code, 0.0) >= SURE_COLOUR",
        "plug.colour.get(code, 0.0) >= 0.3",
        "test_models_decision_findings.py",
    ),
    Break(
        "what is like a plug is one wherever a second look outlines it",
        "vision/detection/connectors.py",
        "if overlap(each.outline, again.outline) >= _STAYS]",
        "]",
        "test_vision_detection_connectors.py",
    ),
    Break(
        "what is like a plug may lie across another",
        "vision/detection/connectors.py",
        "    return _believed(clear, MIN_REPEATED)",
        "    return _believed(stay, MIN_REPEATED)",
        "test_vision_detection_connectors.py",
    ),
    Break(
        "a pattern that repeats itself is a row of plugs",
        "vision/detection/connectors.py",
        "min(repeat.likeness, _ALL_BUT_THE_SAME)",
        "repeat.likeness",
        "test_vision_detection_connectors.py",
    ),
    Break(
        "a piece of a unit is one more beside it",
        "vision/observe.py",
        "if all(_lies_beside(unit, other) for other in found)]",
        "]",
        "test_vision_detection_verifier.py",
    ),
    Break(
        "a unit of the larger picture keeps its cells in the first",
        "vision/observe.py",
        "unit if maps is fine else unit.seen_in(maps) for unit in new",
        "unit for unit in new",
        "test_vision_detection_verifier.py",
    ),
    Break(
        "what touches is parted by votes that settle nothing",
        "vision/detection/instances.py",
        "            and instance.agreement >= parting.settled\n",
        "",
        "test_vision_detection_units.py",
    ),
    Break(
        "burnt-out paper tells the light",
        "vision/colour/white_balance.py",
        "_CLIPPED = 0.96",
        "_CLIPPED = 9.6",
        "test_vision_colour_white_balance.py",
    ),
    Break(
        "a colour that strays widely is as likely as one that does not",
        "vision/colour/naming.py",
        ".sum()) / np.sqrt(variance.prod()))",
        ".sum()))",
        "test_vision_colour_naming.py",
    ),
    Break(
        "glare on one of several plugs is kept quiet",
        "vision/quality.py",
        "worst = max(shares, default=0.0)",
        "worst = min(shares, default=0.0)",
        "test_vision_quality.py",
    ),
    Break(
        "a profile is followed twice near a photo's full size",
        "vision/photo.py",
        'profile = self._profile if rgb is not None else b""',
        "profile = self._profile",
        "test_vision_photo.py",
    ),
)


def main() -> int:
    """Break each, say which tests noticed, and count the others."""
    wanted = [one for one in BREAKS if not sys.argv[1:] or any(word in one.name for word in sys.argv[1:])]
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name)
        copy_checkout(copy)
        os.chdir(copy)
        sys.path.insert(0, str(copy / "build" / "checkout"))
        sys.dont_write_bytecode = True  # two versions of a file may be of one second and one length
        os.environ["PYTHONPATH"] = sys.path[0]  # for processes that tests start
        for library in LIBRARIES:
            import_module(library)
        fine = {test: _passes(test) for test in dict.fromkeys(one.test for one in wanted)}
        unnoticed = 0
        for one in wanted:
            path = copy / one.file
            text = path.read_text("utf-8")
            if text.count(one.line) != 1:
                outcome = "NOT THERE"
            elif not fine[one.test]:
                outcome = "FAILS ANYHOW"
            else:
                path.write_text(text.replace(one.line, one.broken), "utf-8")
                outcome = "UNNOTICED" if _passes(one.test) else "noticed"
                path.write_text(text, "utf-8")
            unnoticed += outcome != "noticed"
            print(f"{outcome:12} {one.name} ({one.file}; {one.test})", flush=True)
    print(f"{len(wanted) - unnoticed} of {len(wanted)} noticed")
    return int(unnoticed > 0)


def _passes(test: str) -> bool:
    """Run one test, or all of a file, in a fork."""
    child = os.fork()
    if child == 0:
        import pytest

        with (
            open(os.devnull, "w") as nowhere,
            contextlib.redirect_stdout(nowhere),
            contextlib.redirect_stderr(nowhere),
        ):
            failed = pytest.main(["-q", "-x", "-p", "no:cacheprovider", f"tests/{test}"])
        os._exit(int(failed))
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


if __name__ == "__main__":
    sys.exit(main())
