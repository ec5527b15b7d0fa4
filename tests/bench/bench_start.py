"""How long a process takes from its start to its answer, against ``python -c "import click"`` in the same run.

``pytest tests/bench/bench_start.py -n 0 -s -o python_files='bench_*.py'``. CPU time of the process, peers in turn, the
least of several runs; bytecode is written first. Another tree is measured beside it when ``LOWPANBUDGET_OLDER`` is the
path of its interpreter, such as ``/elsewhere/.venv/bin/python``, and ``LOWPANBUDGET_DESIGN`` a design that both take.
"""

import os
import resource
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
DESIGN = os.environ.get("LOWPANBUDGET_DESIGN", str(ROOT / "examples" / "footbridge.toml"))
CAPTURE = str(ROOT / "examples" / "footbridge.pcap")
OLDER = os.environ.get("LOWPANBUDGET_OLDER", "")
_ROUNDS = 9
COMMANDS = {
    "help": ["--help"],
    "fit": ["fit", DESIGN],
    "budget": ["budget", DESIGN],
    "explain": ["explain", "iphc"],
    "audit": ["audit", CAPTURE],
    "annotate": ["annotate", "4188012233ff"],
}
# times `import click`; what is measured stands a fifth below
MOST = {"help": 1.2, "fit": 10.0, "budget": 11.5, "explain": 6.5, "audit": 8.5, "annotate": 5.0}


def cpu_s(command: list[str], folder: str) -> float:
    """Return the seconds of CPU time that a process took, its end waited for."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    environment["PYTHONPYCACHEPREFIX"] = folder
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
        cwd=folder,  # not this tree, which would be found before the older one
        check=False,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    # a design that a tree refuses takes it no time; audit and annotate end with 1 and 3 here
    assert done.returncode in (0, 1, 3), f"{command}: {done.returncode}"
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_start(tmp_path: Path) -> None:
    peers = {"click": [sys.executable, "-c", "import click"]}
    for name, arguments in COMMANDS.items():
        peers[name] = [sys.executable, "-m", "lowpanbudget", *arguments]
        if OLDER:
            peers[f"{name}, older"] = [OLDER, "-m", "lowpanbudget", *arguments]
    least = dict.fromkeys(peers, float("inf"))
    for _ in range(_ROUNDS):
        for name, command in peers.items():
            least[name] = min(least[name], cpu_s(command, str(tmp_path)))
    for name in COMMANDS:
        older = least.get(f"{name}, older")
        beside = f", {least[name] / older:.2f} of the older" if older else ""
        print(f"{name}: {least[name] / least['click']:.2f} times import click{beside}")
    assert {
        name: least[name] / least["click"]
        for name in MOST
        if least[name] > MOST[name] * least["click"]
    } == {}
