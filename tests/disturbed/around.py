"""The same commands in other surroundings: streams, locales, time zones, limits, homes; names and kinds of files.

What must hold: the same output, octet for octet, or one message and a documented exit code; never a traceback. What a
file is called is shown so that it steers no terminal, and stands in no output as it is where it could.
"""

import contextlib
import ctypes
import json
import os
import re
import resource
import shutil
import signal
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

from disturbed import forks
from disturbed.commands import (
    ALL,
    CAPTURE,
    DESIGN,
    HANGS_S,
    KEYS,
    Command,
    fill,
    line,
    surroundings,
)
from disturbed.result import Result

DOCUMENTED = {0, 1, 2, 3, 129, 130, 141, 143}
MEGABYTE = 1 << 20
STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069]")
_PR_CAPBSET_DROP, _RIGHTS, _CAPABILITIES_3 = (
    24,
    (1, 2),
    0x20080522,
)  # prctl(2), capabilities(7), capset(2)
Done = subprocess.CompletedProcess[bytes]


def ordinary() -> None:
    """Take from the process that follows the right of root to read and write everything."""
    for right in _RIGHTS:
        ctypes.CDLL(None).prctl(_PR_CAPBSET_DROP, right, 0, 0, 0)


def ordinary_at_once() -> None:
    """Take the same from this process."""
    head, sets = (ctypes.c_uint32 * 2)(_CAPABILITIES_3, 0), (ctypes.c_uint32 * 6)()
    assert ctypes.CDLL(None).capget(head, sets) == 0
    sets[0] &= ~sum(1 << right for right in _RIGHTS)  # those in force, the first 32
    assert ctypes.CDLL(None).capset(head, sets) == 0


def limited(what: int, most: int) -> Callable[[], None]:
    """Return what limits the process that follows."""
    return lambda: resource.setrlimit(what, (most, most))


def start(command: Command, folder: Path, **how: Any) -> Done:
    """Return what a command does in a folder; keywords are those of ``subprocess.run``, and ``env`` is added to."""
    env = surroundings(**how.pop("env", {}))
    for name in how.pop("without", ()):
        env.pop(name, None)
    if not {"stdout", "stderr"} & set(how):
        how |= {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    how = {"stdin": subprocess.DEVNULL} | how
    done: Any = subprocess.run(
        line(command), cwd=folder, env=env, check=False, timeout=HANGS_S, **how
    )
    return cast("Done", done)


def faults(done: Done, *, silent: bool = False) -> Iterator[str]:
    """Yield what is wrong with the end of a command, whatever became of it."""
    said = done.stderr or b""
    if done.returncode not in DOCUMENTED:
        yield f"exit code {done.returncode}: {said[-300:]!r}"
    if (
        b"Traceback" in said
        or b"internal fault" in said
        or b"Exception ignored" in said
        or b"Warning" in said
    ):
        yield f"it said {said[-400:]!r}"
    if done.returncode in (2, 3) and not said.strip() and not silent:
        yield "no word about it"


class Base:
    """What each command does where nothing is odd, in a folder of its own each time."""

    def __init__(self, work: Path) -> None:
        self.work, self.inputs = work, work / "inputs"
        self.inputs.mkdir()
        fill(self.inputs)
        self.ends: dict[str, tuple[int, bytes, bytes, dict[str, bytes]]] = {}

    @contextlib.contextmanager
    def folder(self) -> Iterator[Path]:
        # always the same path: outputs may tell it
        place = self.work / "here"
        shutil.copytree(self.inputs, place)
        try:
            yield place
        finally:
            subprocess.run(["chmod", "-R", "u+rwx", place], check=False)
            shutil.rmtree(place)

    def fork(self, command: Command, folder: Path, arm: Callable[[Any], None]) -> Done:
        """Return what a command does in a fork of this process."""
        end = forks.ended(command, folder, self.work, arm)
        return Done([], end.code, end.out, end.said)

    def end(self, command: Command, **how: Any) -> tuple[Done, dict[str, bytes]]:
        with self.folder() as folder:
            done = start(command, folder, **how)
            made = {
                name: (folder / name).read_bytes()
                for name in command.writes
                if (folder / name).exists()
            }
            left = {path.name for path in folder.rglob(".lowpanbudget-*")}
            assert not left, left
        return done, made

    def usual(self, command: Command) -> tuple[int, bytes, bytes, dict[str, bytes]]:
        if command.title not in self.ends:
            done, made = self.end(command)
            self.ends[command.title] = (done.returncode, done.stdout, done.stderr, made)
        return self.ends[command.title]

    def same(self, command: Command, **how: Any) -> Iterator[str]:
        """Yield where a command differs from what it usually does."""
        done, made = self.end(command, **how)
        yield from faults(done)
        code, out, said, files = self.usual(command)
        for what, one, other in (
            ("exit code", done.returncode, code), ("output", done.stdout, out), ("messages", done.stderr, said),
            ("files", made, files),
        ):  # fmt: skip
            if one != other:
                yield f"another {what}: {str(one)[:200]}"

    def fair(self, command: Command, *, silent: bool = False, **how: Any) -> Iterator[str]:
        """Yield what is wrong where a command may be refused what it wants."""
        done, made = self.end(command, **how)
        yield from faults(done, silent=silent or done.stderr is None)
        _, _, _, files = self.usual(command)
        for name, octets in made.items():
            if octets != files[name]:
                yield f"{name} is not as usual"


# --- streams --------------------------------------------------------------------------------------


def pipes(base: Base, command: Command) -> Iterator[tuple[str, list[str]]]:
    """Yield (what, faults) for streams that are closed, full or read by nobody."""

    def gone() -> Iterator[str]:
        reading, writing = os.pipe()
        os.close(reading)
        try:
            done, _ = base.end(command, stdout=writing, stderr=subprocess.PIPE)
        finally:
            os.close(writing)
        yield from faults(done)
        if base.usual(command)[1] and done.returncode != 141:
            yield f"exit code {done.returncode}, not 141"

    def first_line() -> Iterator[str]:
        with base.folder() as folder:
            process = subprocess.Popen(
                line(command), cwd=folder, env=surroundings(), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
            )  # fmt: skip
            assert process.stdout is not None
            process.stdout.readline()
            process.stdout.close()
            process.stdout = None
            _, said = process.communicate(timeout=HANGS_S)
        yield from faults(Done([], process.returncode, b"", said))

    with Path("/dev/full").open("wb") as full:
        yield "no reader", list(gone())
        yield "one line read", list(first_line())
        yield "output full", list(base.fair(command, stdout=full, stderr=subprocess.PIPE))
        yield "messages full", list(base.fair(command, stdout=subprocess.PIPE, stderr=full))
        yield "both full", list(base.fair(command, stdout=full, stderr=full))
    for name, closed in (("input", (0,)), ("output", (1,)), ("messages", (2,)), ("all", (0, 1, 2))):

        def close(closed: tuple[int, ...] = closed) -> None:
            for number in closed:
                os.close(number)

        silent = 2 in closed
        yield f"{name} closed", list(base.fair(command, silent=silent, preexec_fn=close))
    if command.writes:
        small = limited(resource.RLIMIT_FSIZE, 512)
        yield "files of at most 512 octets", list(base.fair(command, preexec_fn=small))


# --- locales, zones, seeds, homes, limits -----------------------------------------------------------

LOCALES = os.environ.get("LOCPATH", "")
ENVIRONMENTS: dict[str, dict[str, Any]] = {
    "LC_ALL=C": {"env": {"LC_ALL": "C"}},
    "LC_ALL=POSIX": {"env": {"LC_ALL": "POSIX"}},
    "LC_ALL=C.UTF-8": {"env": {"LC_ALL": "C.UTF-8"}},
    "LC_ALL of no locale": {"env": {"LC_ALL": "xx_XX"}},
    "LC_ALL=tr_TR.UTF-8": {"env": {"LC_ALL": "tr_TR.UTF-8", "LOCPATH": LOCALES}},
    "LC_ALL=de_DE.UTF-8": {"env": {"LC_ALL": "de_DE.UTF-8", "LOCPATH": LOCALES}},
    "TZ=Asia/Kathmandu": {"env": {"TZ": "Asia/Kathmandu"}},
    "TZ=Pacific/Apia": {"env": {"TZ": "Pacific/Apia"}},
    "TZ=Europe/Berlin": {"env": {"TZ": "Europe/Berlin"}},
    "TZ of no zone": {"env": {"TZ": "No/Where"}},
    "PYTHONHASHSEED=0": {"env": {"PYTHONHASHSEED": "0"}},
    "PYTHONHASHSEED=1": {"env": {"PYTHONHASHSEED": "1"}},
    "PYTHONHASHSEED=4294967295": {"env": {"PYTHONHASHSEED": "4294967295"}},
    "-X dev": {"env": {"PYTHONDEVMODE": "1"}},
    "-O": {"env": {"PYTHONOPTIMIZE": "1"}},
    "PYTHONUNBUFFERED": {"env": {"PYTHONUNBUFFERED": "1"}},
    "no HOME": {"without": ("HOME",)},
    "HOME that is not there": {"env": {"HOME": "/none/such"}},
    "HOME that is no folder": {"env": {"HOME": "/dev/null"}},
    "HOME to be read only": {"env": {"HOME": "/usr/lib"}, "preexec_fn": ordinary},
    "TMPDIR that is not there": {"env": {"TMPDIR": "/none/such"}},
    "umask 077": {"umask": 0o077},
    "umask 000": {"umask": 0},
    "12 open files": {"preexec_fn": limited(resource.RLIMIT_NOFILE, 12)},
}  # fmt: skip
ENCODINGS = ("ascii", "latin-1", "cp1252", "utf-16", "koi8-r")
MEMORY = (120, 250, 500, 1000)  # megabytes of addresses


def environments(base: Base, command: Command) -> Iterator[tuple[str, list[str]]]:
    for name, how in ENVIRONMENTS.items():
        if "LOCPATH" in how.get("env", {}) and not LOCALES:
            continue
        yield name, list(base.same(command, **how))
    machine = Command((*command.words, "--json"), command.writes)
    has_json = command.words and command.words[0] != "--version" and "--help" not in command.words
    for encoding in ENCODINGS:
        env = {"PYTHONIOENCODING": encoding}
        done, _ = base.end(command, env=env)
        wrong = list(faults(done))
        if done.returncode != base.usual(command)[0]:
            wrong.append(f"exit code {done.returncode}")
        try:
            done.stdout.decode(encoding)
        except ValueError:
            wrong.append("its output is not in that encoding")
        yield f"encoding {encoding}", wrong
    if has_json:
        yield (
            "JSON in ASCII",
            list(base.same(machine, env={"PYTHONIOENCODING": "ascii", "LC_ALL": "C"})),
        )


def memory(base: Base, command: Command) -> Iterator[tuple[str, list[str]]]:
    """Yield ends with little memory; a library that cannot be loaded so may end the process in its own way."""
    for megabytes in MEMORY:
        limit = limited(resource.RLIMIT_AS, megabytes * MEGABYTE)
        yield (
            f"{megabytes} MB",
            list(base.fair(command, preexec_fn=limit, env={"OPENBLAS_NUM_THREADS": "1"})),
        )


# --- names ----------------------------------------------------------------------------------------

NAMES = (
    b"red \x1b[31m", b"tab\there", b"two\nlines", b"back\rhere", b"bell\x07",
    "\u202efdp".encode(), "\u2066isolate".encode(),
    b"\xff\xfe\x80", b"\xed\xa0\x80", "n\u0308a\u0131ve \u0130".encode(), "\U0001f9ea".encode(), b"-dash",
    b" spaces ", b"it's \"so\"",
    b"$(id)", b"<b>&amp;", b"[red]%s{0}", b"a=b", b"x" * 240, b"x" * 300, b"\x7f", "\u2028line".encode(),
)  # fmt: skip


def named(base: Base, octets: bytes) -> Iterator[tuple[str, list[str]]]:
    """Yield (what, faults) for one name, given to files that are read and to files that are written."""
    stem = os.fsdecode(octets)
    prefix = "./" if stem.startswith("-") else ""
    design, capture, keys = (f"{prefix}{stem}{end}" for end in (".toml", ".pcap", ".keys.toml"))
    tries: tuple[tuple[Command, tuple[str, str] | None], ...] = (
        (Command(("fit", design)), (DESIGN, design)),
        (Command(("fit", design, "--json")), (DESIGN, design)),
        (Command(("airtime", design, "--svg", f"{prefix}{stem}.svg"), (f"{stem}.svg",)), (DESIGN, design)),
        (Command(("survey", capture, "--table", f"{prefix}{stem}.csv"), (f"{stem}.csv",)), (CAPTURE, capture)),
        (Command(("survey", capture, "later.pcap", "--json")), (CAPTURE, capture)),
        (Command(("audit", capture, "--keys", keys, "--design", DESIGN)), (CAPTURE, capture)),
        (Command(("audit", capture, "--json")), (CAPTURE, capture)),
        (Command(("audit", CAPTURE, "--keys", keys)), (KEYS, keys)),
        (Command(("page", capture, "-o", f"{prefix}{stem}.html"), (f"{stem}.html",)), (CAPTURE, capture)),
        (Command(("page", design, "-o", "of-design.html", "--no-network", "--combinations", "1"), ("of-design.html",)),
         (DESIGN, design)),
        (Command(("fit", design, "--junit", f"{prefix}{stem}.xml"), (f"{stem}.xml",)), (DESIGN, design)),
        (Command(("expand", capture, "-o", f"{prefix}{stem}.out"), (f"{stem}.out",)), (CAPTURE, capture)),
        (Command(("init", f"{prefix}{stem}")), None),
        (Command(("budget", design)), None),
        (Command(("annotate", f"{prefix}{stem}.txt")), None),
    )  # fmt: skip
    for command, copied in tries:
        yield command.name, list(_with_name(base, command, copied, stem))


def _with_name(
    base: Base, command: Command, copied: tuple[str, str] | None, stem: str
) -> Iterator[str]:
    with base.folder() as folder:
        if copied is not None:
            with contextlib.suppress(OSError):  # names may be too long
                shutil.copy(folder / copied[0], folder / copied[1])
        done = base.fork(command, folder, lambda _: None)
        made = {
            name: (folder / name).read_bytes()
            for name in command.writes
            if len(name) < 255 and (folder / name).exists()
        }
    yield from faults(done)
    is_taken = copied is not None and len(stem) < 240 and "--keys" not in command.words
    if is_taken and (done.returncode not in (0, 1) or made.keys() != set(command.writes)):
        yield f"exit code {done.returncode}, files {list(made)}: {done.stderr[-200:]!r}"
    said = done.stderr.decode("utf-8", "replace")
    if STEERING.search(said.replace("\n", "")):
        yield f"a message steers the terminal: {said[-200:]!r}"
    if "\n" in stem and re.search(r"^lines", said, re.MULTILINE):
        yield f"a name makes a line of its own in a message: {said[-200:]!r}"
    out = done.stdout.decode("utf-8", "replace")
    if "--json" in command.words and out:
        json.loads(out)
    if STEERING.search(out.replace("\n", "")):
        yield f"the output steers the terminal: {STEERING.search(out.replace(chr(10), ''))!r}"
    for name, octets in made.items():
        if name.endswith((".html", ".svg", ".xml")):
            text = octets.decode("utf-8")
            found = STEERING.search(text.replace("\n", ""))
            if found:
                yield f"{name!r} holds {found[0]!r} as it is"
            if name.endswith((".svg", ".xml")):
                from xml.etree import ElementTree as ET

                ET.fromstring(octets)


# --- kinds of files ---------------------------------------------------------------------------------


def _poor(_library: object) -> None:
    """Be no root, and have two gigabytes of memory."""
    ordinary_at_once()
    resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))


WRITTEN = {"table", "output", "picture", "new", "folder", "junit"}


def kinds(base: Base) -> Iterator[tuple[str, list[str]]]:
    """Yield (what, faults) for what is no file, or none that can be read, in the place of each kind of file."""
    takers = {
        "design": ("fit", "{}"),
        "capture": ("survey", "{}"),
        "keys": ("audit", CAPTURE, "--keys", "{}"),
        "audited": ("audit", "{}", "--design", DESIGN),
        "frames": ("annotate", "{}"),
        "rows": ("pack", DESIGN, "climate", "{}"),
        "octets": ("unpack", DESIGN, "climate", "{}"),
        "datagrams": ("shrink", "{}", "--design", DESIGN, "--plain", "-o", "s.pcap"),
        "of a page": ("page", "{}", "-o", "p.html"),
        "table": ("survey", CAPTURE, "--table", "{}/t.csv"),
        "output": ("expand", CAPTURE, "-o", "{}"),
        "picture": ("airtime", DESIGN, "--svg", "{}"),
        "new": ("init", "{}", "--force"),
        "folder": ("generate", DESIGN, "climate", "-o", "{}"),
        "junit": ("fit", DESIGN, "--junit", "{}"),
        "old": ("compatible", "{}", DESIGN),
        "continued": ("survey", CAPTURE, "{}", "--continued"),
        "together": ("survey", CAPTURE, "{}", "--together"),
        "workers": ("survey", CAPTURE, "{}", "--workers", "2"),
        "measured": ("measure", "{}"),
    }
    things = (
        "folder", "pipe", "socket", "shut", "shutfolder/x", "dangling", "loop", "empty", "none/x",
        f"{CAPTURE}/x", "/dev/null", "/dev/zero", "/dev/full", "/dev/urandom", "/proc/self/mem",
        "/proc/self/environ", "", ".", "/",
    )  # fmt: skip
    for taker, words in takers.items():
        for thing in things:
            with base.folder() as folder, _odd(folder, thing, written=taker in WRITTEN):
                command = Command(tuple(word.format(thing) for word in words))
                wrong = list(faults(base.fork(command, folder, _poor)))
            yield f"{thing} as {taker}", wrong


@contextlib.contextmanager
def _odd(folder: Path, thing: str, *, written: bool) -> Iterator[None]:
    """Make a thing, and somebody who feeds it where it is a pipe."""
    (folder / "folder").mkdir()
    (folder / "shutfolder").mkdir()
    (folder / "shutfolder" / "x").write_text("x")
    (folder / "shutfolder").chmod(0)
    (folder / "shut").write_text("x")
    (folder / "shut").chmod(0)
    (folder / "empty").write_bytes(b"")
    (folder / "dangling").symlink_to("nowhere")
    (folder / "loop").symlink_to("loop")
    os.mkfifo(folder / "pipe")
    with socket.socket(socket.AF_UNIX) as ear:
        before = Path.cwd()
        os.chdir(folder)  # names of sockets are short
        ear.bind("socket")
        os.chdir(before)
        if thing != "pipe":
            yield
            return
        # whoever reads gets a capture, however often, and whoever writes is read
        script = "cat pipe > /dev/null" if written else f"while :; do cat {CAPTURE} > pipe; done"
        feeder = subprocess.Popen(
            ["sh", "-c", script], cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        try:
            yield
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(feeder.pid, signal.SIGKILL)
            feeder.wait()


# --- the run --------------------------------------------------------------------------------------


def one_of_each() -> list[Command]:
    """Return a line for each command."""
    return list(
        {command.name if command.words else "": command for command in reversed(ALL)}.values()
    )


def main(result: Result, cases: list[str], only: list[str]) -> None:
    """Try the cases named, with commands whose words hold one of ``only``."""
    with tempfile.TemporaryDirectory() as place:
        base = Base(Path(place).resolve())
        wanted = [one for one in ALL if not only or any(word in one.title for word in only)]
        for case, disturb, those in (
            ("pipes", pipes, wanted),
            ("locales and zones", environments, [one for one in one_of_each() if one in wanted]),
            ("memory", memory, [one for one in one_of_each() if one in wanted]),
        ):
            if case not in cases:
                continue
            for command in those:
                for what, wrong in disturb(base, command):
                    result.count(case, f"{command.title}, {what}", wrong)
            print(result, flush=True)
        if {"names", "kinds of files"} & set(cases):
            for command in ALL:
                forks.warm(command, base.inputs)
        if "names" in cases:
            for octets in NAMES:
                for what, wrong in named(base, octets):
                    result.count("names", f"{octets!r}, {what}", wrong)
            print(result, flush=True)
        if "kinds of files" in cases:
            for what, wrong in kinds(base):
                result.count("kinds of files", what, wrong)
            print(result, flush=True)
