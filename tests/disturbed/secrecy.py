"""Runs what ``keys`` has: variables watched, exceptions raised on purpose, files and processes looked through."""

import subprocess
import tempfile
import threading
import time
from pathlib import Path

from disturbed import commands, keys
from disturbed.result import Result

EXCEPTIONS = 60  # for each thing that people do with keys
HEAVY = {"audit", "page", "list_frames"}  # millions of variables: exceptions alone
AT_LINES = {"key file", "OSCORE", "DTLS", "shrink", "decrypt", "annotate"}


def main(result: Result, only: list[str]) -> None:
    """Look for keys wherever they must not be."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        commands.fill(folder)
        keys.prepare(folder)
        ours, theirs = keys.scenarios(folder), keys.given(folder)
        for acts, given in ((ours, False), (theirs, True)):
            for name, act in acts.items():
                if only and name not in only:
                    continue
                if name not in HEAVY:
                    watch = keys.Watch(
                        lines=name in AT_LINES or name.startswith("key file"), given=given
                    )
                    with keys.watched(watch):
                        act()
                    result.count("keys", name, sorted(watch.found))
                    result.tried["keys"] += watch.looked - 1
                if not given:
                    for at in keys.places_of(act, EXCEPTIONS):
                        shown = keys.shown_in(keys.injected(act, at))
                        result.count(
                            "exceptions with keys",
                            f"{name}, call {at}",
                            ["a key is shown"] if shown else [],
                        )
            print(result, flush=True)
        if only:
            return
        for name, octets in keys.pickled(theirs):
            result.count(
                "files with keys",
                f"pickle of {name}",
                ["it holds a key"] * keys.shown_in_octets(octets),
            )
        for path in sorted(folder.rglob("made*")):
            shown = keys.shown_in_octets(path.read_bytes())
            result.count("files with keys", path.name, ["it holds a key"] * shown)
        _processes(result, folder)


def _processes(result: Result, folder: Path) -> None:
    """Look at what the system tells everybody of the processes that a survey starts, and at what they print."""
    words = (
        "survey",
        "short.pcap",
        "later.pcap",
        "--keys",
        "all.keys.toml",
        "--workers",
        "2",
        "--json",
    )
    process = subprocess.Popen(
        commands.line(commands.Command(words)), cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        env=commands.surroundings(),
    )  # fmt: skip
    seen: dict[str, bytes] = {}
    ended = threading.Event()

    def look() -> None:
        while not ended.is_set():
            for child in _family(process.pid):
                for what in ("cmdline", "environ"):
                    try:
                        seen[f"{child} {what}"] = Path(f"/proc/{child}/{what}").read_bytes()
                    except OSError:
                        continue
            time.sleep(0.01)

    watcher = threading.Thread(target=look)
    watcher.start()
    out, _ = process.communicate()
    ended.set()
    watcher.join()
    assert len({name.split()[0] for name in seen}) > 1, "no worker was seen"
    for name, octets in {**seen, "output": out}.items():
        shown = keys.shown_in_octets(octets)
        result.count("files with keys", f"process {name}", ["it holds a key"] * shown)


def _family(process: int) -> list[int]:
    """Return a process and those that it started."""
    found = [process]
    for number in found:
        try:
            text = Path(f"/proc/{number}/task/{number}/children").read_text()
        except OSError:
            continue
        found += map(int, text.split())
    return found
