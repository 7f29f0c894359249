"""Do the whole job on real modules: propose an entry from one photo of each kind, identify all other photos.

    python -m plugface.cli.evaluation.real_job --photos P

P holds the photos that `plugface.demo.real.bring` brought. `kinds.json` beside the index names the kinds
(M01, M02, ...), the photo that each entry is proposed from, the other photos of the kind, a person's
corrections (plugs in order, colours, sizes, places, sides of the face) and photos of kinds that the catalogue
does not hold. What is written on the photos is read anew and kept nowhere: the catalogue lives in memory.
"""

import argparse
import json
from collections import Counter
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from plugface.analysis import Settings, decide_observed
from plugface.cli.commands.propose import read_draft
from plugface.cli.evaluation.measure_real import LOOSE, match, read_truth
from plugface.cli.present.proposal_text import Known, draft_family
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import Catalogue, CatalogueHead, Family
from plugface.models.catalogue.proposal import SeenPlug, Sighting, describe_unit
from plugface.models.unit_choice import NoSuchUnit, SeveralUnits, UnitInSeveral, gather_views, list_units
from plugface.vision.observations import Observations
from plugface.vision.observe import observe
from plugface.vision.photo import UnreadablePhoto, decode_photo

#: Depth nobody can see on a front, mm; years nobody told.
_DEPTH_MM, _YEARS = 40.0, (1990, 2026)


@dataclass(frozen=True)
class Outcome:
    """What became of one photo."""

    photo: str
    kind: str | None  # None: of no kind in the catalogue
    split: str
    first: str | None  # family of the leading candidate
    accepted: str | None  # family that was told for certain
    why: str  # what stopped it, in words; empty where it was accepted

    @property
    def wrong(self) -> bool:
        """Whether a family was told for certain that it is not."""
        return self.accepted is not None and self.accepted != self.kind


def correct_sighting(sighting: Sighting, kind: dict) -> Sighting:
    """A sighting with a person's plugs in place of those seen.

    Parameters
    ----------
    sighting : of the one photo
    kind : its entry in `kinds.json`
    """
    plugs = tuple(
        SeenPlug(
            plug["colour"], 1.0, None, plug["size"], 1.0, None, tuple(plug["place"]), bool(plug["upright"])
        )
        for plug in kind["plugs"]
    )
    return replace(sighting, plugs=plugs, either_way_up=False)


def propose_kind(key: str, kind: dict, seen: Observations) -> tuple[Family | None, tuple[str, ...]]:
    """The catalogue entry of a kind, as `catalogue propose` drafts it and a person corrects it.

    Parameters
    ----------
    key : M01, M02, ...
    kind : its entry in `kinds.json`
    seen : what vision says of its one photo

    Returns
    -------
    family : Family or None
    faults : tuple of str
        Why it is no entry.
    """
    views = gather_views([seen])
    sighting = correct_sighting(describe_unit(views), kind)
    if sighting.label.number is None:
        # An entry needs a number; where none was read, one that no label bears.
        sighting = replace(sighting, label=replace(sighting.label, number=f"{key}NOTREAD"))
    width, height = kind["size"]
    known = Known(key, "not told", "other", _YEARS, (float(width), float(height), _DEPTH_MM))
    return read_draft(draft_family(sighting, known, [kind["from"]], date.today(), guess=True))


def choose_annotated(seen: Observations, row: dict) -> tuple[int | None, bool]:
    """The number by which a person would name the unit meant, and whether it was outlined.

    Parameters
    ----------
    seen : what vision says of the photo
    row : its annotation; its first unit is meant

    Returns
    -------
    number : int or None
        Its place among the units to choose from, 1 for the first; None where it is not among them.
    outlined : bool
    """
    asked = list_units(seen)
    pairs = match([unit.polygon for unit in seen.units], [unit["polygon"] for unit in row["units"]], LOOSE)
    number = asked.index(pairs[0]) + 1 if pairs.get(0) in asked and len(asked) > 1 else None
    return number, 0 in pairs


def identify_photo(
    name: str, kind: str | None, seen: Observations, row: dict, catalogue: Catalogue
) -> Outcome:
    """Ask for one photo; the unit meant is the one a person outlined first."""

    def outcome(first=None, accepted=None, why="") -> Outcome:
        return Outcome(name, kind, row["split"], first, accepted, why)

    number, outlined = choose_annotated(seen, row)
    try:
        decision = decide_observed([name], [seen], catalogue, settings=Settings(unit=number)).decision
    except (SeveralUnits, NoSuchUnit, UnitInSeveral) as error:
        return outcome(why=f"{type(error).__name__}: which unit is meant is not clear")
    first = decision.candidates[0].family if decision.candidates else None
    if decision.verdict == "identified":
        return outcome(first, decision.families[0])
    plugs = [plug["polygon"] for plug in row["plugs"] if plug.get("unit") == 0]
    found = [connector.polygon for unit in seen.units for connector in unit.connectors]
    seen_plugs = f"{len(match(found, plugs, LOOSE))} of {len(plugs)} plugs found"
    outline = "the unit outlined" if outlined else "the unit not outlined"
    return outcome(first, None, f"{decision.verdict}; {outline}, {seen_plugs}")


def run_job(photos: Path, kinds: dict, truth: dict[str, dict], look=None) -> tuple[list[Outcome], list[str]]:
    """Propose all kinds, identify all other photos and those of no kind.

    Parameters
    ----------
    photos : folder with ID.jpg or ID.png
    kinds : content of `kinds.json`
    truth : truth rows by id
    look : callable, optional
        Takes a photo; `observe` with text by default.

    Returns
    -------
    outcomes : list of Outcome
    said : list of str
        What could not be done, a line each.
    """
    look, said, families = look or (lambda photo: observe(photo, read_text=True)), [], []

    def see(name: str) -> Observations | None:
        path = next(iter(sorted(photos.glob(f"{name}.*"))), None)
        try:
            if path is None:
                raise UnreadablePhoto(name, f"{photos} has no such photo", "Bring it first")
            return look(decode_photo(path.read_bytes(), name=path.name))
        except UnreadablePhoto as error:
            said.append(f"{name}: {error}")
            return None

    for key, kind in kinds["kinds"].items():
        seen = see(kind["from"])
        family, faults = propose_kind(key, kind, seen) if seen else (None, ("its photo is missing",))
        said += [f"{key}: no entry. {fault}" for fault in faults]
        families += [family] if family else []
    catalogue = Catalogue(
        head=CatalogueHead(name="real modules", invented=False), families=tuple(families), files=()
    )
    asked = [(name, key) for key, kind in kinds["kinds"].items() for name in kind["others"]]
    asked += [(name, None) for name in kinds["unknown"]]
    outcomes = []
    for name, key in asked:
        seen = see(name)
        if seen is not None:
            outcomes.append(identify_photo(name, key, seen, truth[name], catalogue))
    return outcomes, said


def tell(outcomes: list[Outcome]) -> list[str]:
    """The figures, in the order of their importance, and what stopped the rest."""
    known = [one for one in outcomes if one.kind is not None]
    unknown = [one for one in outcomes if one.kind is None]

    def share(part: int, whole: int) -> str:
        return f"{part} of {whole}" + (f" ({part / whole:.0%})" if whole else "")

    lines = [
        f"accepted and wrong        {share(sum(one.wrong for one in known), len(known))}",
        f"unknown accepted        {share(sum(one.wrong for one in unknown), len(unknown))}",
        f"right family first        {share(sum(one.first == one.kind for one in known), len(known))}",
        f"accepted                  {share(sum(one.accepted == one.kind for one in known), len(known))}",
        f"kinds with a photo asked  {len({one.kind for one in known})}",
    ]
    for reason, count in Counter(one.why.partition(";")[0] for one in known if one.why).most_common():
        lines.append(f"stopped: {count} x {reason}")
    missed = sum("unit not outlined" in one.why for one in known)
    lines.append(f"not accepted and the unit not outlined: {missed}")
    return lines


def main(words: list[str] | None = None) -> None:
    """Run the job, print what came of each photo and the figures."""
    parser = argparse.ArgumentParser(prog="real_job", description=__doc__.split("\n")[0])
    parser.add_argument("--photos", type=Path, required=True, help="folder with ID.jpg or ID.png")
    parser.add_argument("--without-text", action="store_true", help="read nothing (faster)")
    options = parser.parse_args(words)
    folder = demo_folder() / "real"
    kinds = json.loads((folder / "kinds.json").read_text(encoding="utf-8"))
    truth = {row["id"]: row for row in read_truth(folder / "truth.jsonl")}

    def look(photo) -> Observations:
        return observe(photo, read_text=not options.without_text)

    outcomes, said = run_job(options.photos, kinds, truth, look)
    for line in said:
        print(line)
    for one in outcomes:
        what = f"{one.photo} {one.kind or 'unknown':8s} {one.split:11s}"
        print(f"{what} first {one.first}; {one.why or 'accepted'}")
    print("\nall photos")
    print("\n".join(tell(outcomes)))
    print("\nphotos of the test split alone (the networks may have seen the others)")
    print("\n".join(tell([one for one in outcomes if one.split == "test"])))


if __name__ == "__main__":
    main()
