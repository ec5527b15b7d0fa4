"""What the runs in a folder have tried, as the report that the README's figures come from.

    PYTHONPATH=tests python -m fuzz.report [--work DIR] [--coverage coverage.json]

``coverage.json`` is that of ``fuzz.replay`` (``coverage json``). Runs on an older state of the package count, and a
remark says how many they were: what they found was mended, and stands in ``FOUND``.
"""

import argparse
import json
from collections import Counter
from pathlib import Path
from typing import Any

from fuzz.campaign import counts, state_of_code
from fuzz.entries import ENTRIES
from trust.report import Report, Row, write

COMMAND = "PYTHONPATH=tests python -m fuzz.run --inputs 250000"
# faults found by an entry, or by hand while it was written, each with where it is held since
FOUND: dict[str, tuple[str, ...]] = {
    "decompress": (
        "vectors/rfc8138/section-7.toml: root-elided-to-a-group",
        "vectors/rfc8138/section-7.toml: link-local-source-in-a-tunnel",
    ),
    "design text": ("tests/design/test_load.py: test_syntax_faults_have_line_and_column",),
    "design tables": ("tests/design/test_load.py: test_numbers_that_nobody_can_show_are_located",),
    "key file": ("tests/test_public_captures.py: test_a_key_file_with_endless_numbers_is_refused",),
    "values of messages": (
        "tests/cli/test_pack.py: deep.json, deep.jsonl",
        "tests/cli/test_pack.py: digits.json",
        "tests/cli/test_pack.py: huge.json",
        "tests/cli/test_pack.py: long.csv",
        "tests/cli/test_pack.py: test_signs_that_part_lines_elsewhere_stand_in_texts",
    ),
    "command line": ("tests/cli/test_pack.py: test_a_small_file_takes_little_memory",),
    "SenML": (
        "tests/payload/test_encodings_senml.py: test_half_of_a_surrogate_pair_is_no_character",
    ),
    "capture surveyed": (
        "tests/capture/test_survey.py: test_a_cut_udp_header_brings_nothing_to_an_application",
    ),
}


def row(name: str, states: dict[str, dict[str, Any]]) -> Row:
    guided, blind = (
        sum(state.get(kind, 0) for state in states.values()) for kind in ("guided", "blind")
    )
    now = states.get(state_of_code(), {})
    figures: dict[str, int | float | str] = {
        "guided": guided,
        "unguided": blind,
        "wanted": ENTRIES[name].inputs,
        "found": len(FOUND.get(name, ())),
        "slowest_ms": max((state["slowest_ms"] for state in states.values()), default=0),
        "peak_mb": max((state["peak_mb"] for state in states.values()), default=0),
        "before_last_change": guided + blind - now.get("guided", 0) - now.get("blind", 0),
    }
    return Row(name, guided + blind, "inputs", now.get("failures", 0), figures)


def by_room(coverage: Path) -> dict[str, float]:
    """Return the share of branches that were taken, in percent, of each room of the package."""
    taken: Counter[str] = Counter()
    all_branches: Counter[str] = Counter()
    for path, one in json.loads(coverage.read_text("utf-8"))["files"].items():
        parts = Path(path).parts
        inside = parts[parts.index("lowpanbudget") + 1 :]
        room = "/".join(inside[: 2 if inside[0] in {"layers", "report"} else 1][: len(inside) - 1])
        taken[room or "the top"] += one["summary"]["covered_branches"]
        all_branches[room or "the top"] += one["summary"]["num_branches"]
    return {
        room: round(100 * taken[room] / many, 1)
        for room, many in sorted(all_branches.items())
        if many
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="What the runs have tried.")
    parser.add_argument("--work", type=Path, default=Path("build/fuzz"))
    parser.add_argument("--coverage", type=Path)
    chosen = parser.parse_args()
    counted = counts(chosen.work)
    rows = [row(name, counted.get(name, {})) for name in ENTRIES]
    older = sum(int(one.figures["before_last_change"]) for one in rows)
    remarks = [
        f"{sum(one.tried for one in rows)} inputs in all, {older} of them on the code before its last change.",
        "Several runs together, of which the command is one.",
        "Unguided inputs are mutations of those that guided runs have learned.",
        *(
            f"Found at {name} and mended: {place}."
            for name, all_ in FOUND.items()
            for place in all_
        ),
    ]
    if chosen.coverage is not None:
        rooms = ", ".join(f"{room} {share} %" for room, share in by_room(chosen.coverage).items())
        remarks.append(f"Branches that inputs take which were run again, by room: {rooms}.")
    print(write(Report("fuzz", COMMAND, rows, remarks)))
    for one in rows:
        print(f"{one.what}: {one.tried} of {one.figures['wanted']}, {one.wrong} wrong")
    print("\n".join(remarks))


if __name__ == "__main__":
    main()
