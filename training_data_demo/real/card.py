"""Print the counts that the card (README.md of this folder) shows.

python -m plugface.demo.real.card
"""

from collections import Counter

from plugface.demo.real.records import KINDS, SPLITS, read_index, read_truth


def count_photos() -> str:
    """Photos by kind and split, and repositories, as a table."""
    rows = read_index()
    lines = ["| photos | " + " | ".join(SPLITS) + " | all |", "|---|---|---|---|---|"]

    def line(name: str, counts: list[int], whole: int) -> str:
        return f"| {name} | " + " | ".join(map(str, counts)) + f" | {whole} |"

    for kind in KINDS:
        counts = [sum(row.kind == kind and row.split == split for row in rows) for split in SPLITS]
        lines.append(line(kind, counts, sum(counts)))
    shown = [row for row in rows if row.kind not in ("board", "negative")]
    for name, some in (("all", rows), ("measured only", [row for row in rows if row.measure_only])):
        lines.append(line(name, [sum(row.split == split for row in some) for split in SPLITS], len(some)))
    for name, some in (("repositories", rows), ("repositories with a module, face, label or code", shown)):
        counts = [len({row.repository for row in some if row.split == split}) for split in SPLITS]
        lines.append(line(name, counts, sum(counts)))
    return "\n".join(lines)


def count_truth() -> str:
    """Annotated things by split, as a table."""
    truth = read_truth().values()
    lines = ["| annotated | " + " | ".join(SPLITS) + " |", "|---|---|---|---|"]

    def line(name: str, counted) -> None:
        counts = [sum(counted(row) for row in truth if row["split"] == split) for split in SPLITS]
        lines.append(f"| {name} | " + " | ".join(map(str, counts)) + " |")

    line("units, sure", lambda row: sum(unit["sure"] for unit in row["units"]))
    line("units, not sure", lambda row: sum(not unit["sure"] for unit in row["units"]))
    line("plugs, sure", lambda row: sum(plug["sure"] for plug in row["plugs"]))
    line("plugs, not sure", lambda row: sum(not plug["sure"] for plug in row["plugs"]))
    line("lines, printed", lambda row: sum(one["kind"] == "printed" for one in row["lines"]))
    line("lines, cast, engraved, stamped", lambda row: sum(one["kind"] != "printed" for one in row["lines"]))
    line("codes", lambda row: len(row["codes"]))
    line("codes whose payload is known", lambda row: sum(code["sha256"] is not None for code in row["codes"]))
    line("lures", lambda row: len(row["lures"]))
    return "\n".join(lines)


def count_licences() -> str:
    """Photos by licence, the most frequent first, as a table."""
    counts = Counter(row.licence or "none stated" for row in read_index())
    lines = ["| licence | photos |", "|---|---|"]
    return "\n".join([*lines, *(f"| {name} | {count} |" for name, count in counts.most_common())])


if __name__ == "__main__":
    print("\n\n".join((count_photos(), count_truth(), count_licences())))
