"""What happens around a program: it is killed, disks fill, readers leave, names and surroundings are odd.

    PYTHONPATH=tests nice python -m disturbed.run [CASE ...] [--only WORD ...]

CASES: kills, changes, pipes, locales, names, kinds, memory, keys, pythons; all but the last when none is named.
``--only`` takes command lines that hold one of the words, ``--minutes`` cuts each case short, ``--write`` writes the
report ``processes``; ``pythons`` writes its own. LOCPATH may name a folder with tr_TR.UTF-8 and de_DE.UTF-8 (localedef
makes them). A C compiler is needed.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from disturbed.result import Result, TimeIsUp
from trust.report import Report, write

# of each case: the rows of the report that it fills, and what is counted in them
UNITS = {
    "kills": {"kills": "kills", "full disks": "errors"},
    "changes": {"files that change while read": "reads"},
    "pipes": {"pipes": "commands"},
    "locales": {"locales and zones": "commands"},
    "names": {"names": "commands"},
    "kinds": {"kinds of files": "commands"},
    "memory": {"memory": "commands"},
    "keys": {"keys": "variables", "exceptions with keys": "exceptions", "files with keys": "files"},
}
INTERPOSED = "INTERPOSED"


def kills(result: Result, only: list[str]) -> None:
    from disturbed import kills as case

    case.main(result, only)


def changes(result: Result, only: list[str]) -> None:
    from disturbed import changing

    changing.main(result, only)


def keys(result: Result, only: list[str]) -> None:
    from disturbed import secrecy

    secrecy.main(result, only)


def around(row: str) -> Callable[[Result, list[str]], None]:
    def tried(result: Result, only: list[str]) -> None:
        from disturbed import around as case

        case.main(result, [row], only)

    return tried


CASES = {
    "kills": kills,
    "changes": changes,
    "keys": keys,
    **{
        name: around(next(iter(UNITS[name])))
        for name in ("pipes", "locales", "names", "kinds", "memory")
    },
}
IN_FORKS = {"kills", "changes"}


def interposed() -> int:
    """Start this again behind the library that disturbs calls; return its exit code."""
    from disturbed import forks

    with tempfile.TemporaryDirectory() as place:
        env = os.environ | {"LD_PRELOAD": str(forks.built(Path(place))), INTERPOSED: "1"}
        return subprocess.run(
            [sys.executable, "-m", "disturbed.run", *sys.argv[1:]], env=env, check=False
        ).returncode


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("case", nargs="*", choices=[*CASES, "pythons", []])
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument(
        "--minutes", type=float, default=0, help="for each case; it is then cut short"
    )
    parser.add_argument("--write", action="store_true", help="write the report")
    parser.add_argument(
        "--python",
        nargs="*",
        default=[],
        help="for pythons: interpreters with this package installed",
    )
    chosen = parser.parse_args()
    if chosen.case == ["pythons"]:
        from disturbed import pythons

        return pythons.main(chosen.python)
    cases = chosen.case or list(CASES)
    if IN_FORKS & set(cases) and INTERPOSED not in os.environ:
        return interposed()
    os.environ.pop("LD_PRELOAD", None)  # what is started from here is not disturbed
    result, began = Result(), time.monotonic()
    remarks = [] if len(cases) == len(CASES) else [f"Only these cases ran: {', '.join(cases)}."]
    for case in cases:
        result.until = time.monotonic() + 60 * chosen.minutes if chosen.minutes else 0
        try:
            CASES[case](result, chosen.only)
        except TimeIsUp:
            remarks.append(f"{case} was cut short after {chosen.minutes} minutes.")
    units = {row: unit for case in cases for row, unit in UNITS[case].items()}
    rows = result.rows(units)
    for row in rows:
        print(f"{row.tried:8} {row.unit:10} {row.wrong:5} wrong  {row.what}")
    if chosen.write:
        command = "PYTHONPATH=tests python -m disturbed.run"
        write(Report("processes", command, rows, remarks, seconds=round(time.monotonic() - began)))
    return 1 if result.sentences else 0


if __name__ == "__main__":
    sys.exit(main())
