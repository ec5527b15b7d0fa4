"""The same outputs, octet for octet, and the tests passed, on every Python that there is here.

    PYTHONPATH=tests nice python -m disturbed.run pythons --python PY ...

Each interpreter has this package installed, with or without what it takes to survey by columns. All print what
``compare_outputs`` and ``commands`` list, with hash seeds of their own; what differs from the first is told. Then each
runs the usual tests, one after another.
"""

import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import compare_outputs
from disturbed import commands
from disturbed.commands import ALL, EXAMPLES, Command
from trust.report import Report, Row, write

ROOT = Path(__file__).resolve().parents[2]
COLUMNS_FROM = 1 << 20  # octets from which captures are counted by columns where numba is there
FACTS = "import platform, importlib.util as u; print(platform.python_version(), bool(u.find_spec('numba')))"
WITHOUT_TESTS = "DISTURBED_WITHOUT_TESTS"
SUMMARY = re.compile(r"(\d+) (passed|failed|error|errors|skipped)")


def facts(python: str) -> tuple[str, bool]:
    """Return the version of an interpreter, and whether it has numba."""
    version, numba = subprocess.run(
        [python, "-c", FACTS], capture_output=True, text=True, check=True
    ).stdout.split()
    return version, numba == "True"


def outputs(python: str, seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield each output of an interpreter by a name: what is printed, told and written."""
    with tempfile.TemporaryDirectory() as place:
        # outputs may tell the path, so it is the same for all
        folder = Path(place).parent / "disturbed-pythons"
        folder.mkdir()
        try:
            yield from _outputs(python, seed, folder)
        finally:
            subprocess.run(["rm", "-r", folder], check=True)


def _outputs(python: str, seed: int, folder: Path) -> Iterator[tuple[str, bytes]]:
    commands.fill(folder)
    for path in EXAMPLES.glob("*.pcap"):
        (folder / path.name).write_bytes(path.read_bytes())
    whole = (EXAMPLES / "footbridge.pcap").read_bytes()
    (folder / "large.pcap").write_bytes(whole + whole[24:] * (COLUMNS_FROM // len(whole) + 1))
    env = commands.surroundings(PYTHONHASHSEED=str(seed), COLUMNS="80", PYTHONPATH=str(ROOT))
    lines = [(one.title, [python, "-m", "lowpanbudget", *one.words], one.writes) for one in ALL]
    large = Command(("survey", "large.pcap", "--design", "footbridge.toml", "--json"))
    lines += [(large.title, [python, "-m", "lowpanbudget", *large.words], ())]
    lines += [(name, [python, *words], ()) for name, words in compare_outputs.outputs()]
    for title, words, writes in lines:
        done = subprocess.run(
            words, cwd=folder, env=env, stdin=subprocess.DEVNULL, capture_output=True, check=False
        )
        yield f"{title}: output", _bare(done.stdout)
        yield f"{title}: messages", _bare(done.stderr)
        yield f"{title}: exit code", str(done.returncode).encode()
        for name in writes:
            yield f"{title}: {name}", (folder / name).read_bytes()


def _bare(octets: bytes) -> bytes:
    """Return an output without how a survey was counted, which is told on purpose and changes no total."""
    octets = re.sub(rb'"(by_columns|followed)": \d+', rb'"\1": 0', octets)
    return re.sub(rb"(large\.pcap: )[^\n]*followed[^\n]*", rb"\1counted", octets)


def tests(python: str) -> dict[str, int]:
    """Return how many of all tests passed, failed and were skipped."""
    done = subprocess.run(
        [python, "-m", "pytest", "-q", "-n", "1", "-m", "", "-p", "no:cacheprovider"], cwd=ROOT,
        capture_output=True, text=True, check=False,
        env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
    )  # fmt: skip
    print(done.stdout[-3000:], flush=True)
    return {
        word.removesuffix("s") if word == "errors" else word: int(count)
        for count, word in SUMMARY.findall(done.stdout[-300:])
    }


def main(pythons: list[str]) -> int:
    """Compare all interpreters with this one, run the tests of each, and write the report."""
    began, rows, wrong_at_all = time.monotonic(), [], 0
    first: dict[str, bytes] = {}
    for number, python in enumerate([sys.executable, *pythons]):
        version, numba = facts(python)
        found = dict(outputs(python, 7 * number + 1))
        first = first or found
        differing = [
            name for name in found.keys() | first.keys() if found.get(name) != first.get(name)
        ]
        for name in sorted(differing):
            print(
                f"  {version} DIFFERS {name}: {found.get(name, b'')[:200]!r} {first.get(name, b'')[:200]!r}",
                flush=True,
            )
        figures: dict[str, int | float | str] = {
            "numba": "yes" if numba else "no",
            "hash_seed": 7 * number + 1,
        }
        wrong = len(differing)
        if WITHOUT_TESTS not in os.environ:
            ended = tests(python)
            figures |= {f"tests_{word}": count for word, count in ended.items()}
            wrong += ended.get("failed", 0) + ended.get("error", 0) + (not ended.get("passed"))
        rows.append(Row(f"Python {version}", len(found), "outputs", wrong, figures))
        print(rows[-1], flush=True)
        wrong_at_all += wrong
    command = "PYTHONPATH=tests python -m disturbed.run pythons --python PY ..."
    write(Report("pythons", command, rows, seconds=round(time.monotonic() - began)))
    return 1 if wrong_at_all else 0
