"""Every command as somebody would give it, on a folder of small inputs, and the files that each writes."""

import os
import shutil
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
PLAIN = ("PATH", "HOME", "VIRTUAL_ENV", "LD_LIBRARY_PATH")
HANGS_S = 600.0
FRAMES = 24  # of the captures that are read here: what disturbs them does not need more
DESIGN = "archive.toml"
KEYS = "archive.keys.toml"
CAPTURE = "short.pcap"
DATAGRAMS = "datagrams.txt"
ROWS = "rows.csv"
FRAME = (
    "020009"  # IEEE 802.15.4: an acknowledgement, sequence number 9; the check sequence taken off
)
# an IPv6 header without payload (RFC 8200 section 3, next header 59), from and to link-local addresses
DATAGRAM = "6000000000003b40fe800000000000000200000000000001fe800000000000000200000000000002"


@dataclass(frozen=True)
class Command:
    """A command line by its words; ``writes`` are the files that it writes, under their names in the folder."""

    words: tuple[str, ...]
    writes: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return self.words[0]

    @property
    def title(self) -> str:
        """Return what tells one from the other lines with the same command."""
        return " ".join(self.words)


_READS = ("--design", DESIGN, "--keys", KEYS)
WRITING = (
    Command(("init", "new.toml", "--force"), ("new.toml",)),
    Command(("init", "--example", KEYS, "new.keys.toml", "--force"), ("new.keys.toml",)),
    Command(("budget", DESIGN, "--flow", "climate", "--svg", "room.svg"), ("room.svg",)),
    Command(("sweep", DESIGN, "--flow", "climate", "--axis", "level=5,6", "--table", "all.csv"), ("all.csv",)),
    Command(
        ("sweep", DESIGN, "--flow", "climate", "--axis", "level=5,6", "--table", "all.parquet"), ("all.parquet",)
    ),
    Command(("fit", DESIGN, "--junit", "gate.xml"), ("gate.xml",)),
    Command(("airtime", DESIGN, "--svg", "air.svg"), ("air.svg",)),
    Command(("carry", "footbridge.toml", "--svg", "carried.svg"), ("carried.svg",)),
    Command(
        ("generate", DESIGN, "climate", "-o", "firmware", "--force"),
        ("firmware/climate.h", "firmware/climate.c"),
    ),
    Command(("pack", DESIGN, "climate", "temperature=-18.5", "--rest", "typical", "-o", "one.bin"), ("one.bin",)),
    Command(("survey", CAPTURE, *_READS, "--table", "frames.csv"), ("frames.csv",)),
    Command(("survey", CAPTURE, *_READS, "--table", "frames.parquet"), ("frames.parquet",)),
    Command(("survey", CAPTURE, "later.pcap", "--continued", "--table", "both.csv"), ("both.csv",)),
    Command(("measure", CAPTURE, *_READS, "--svg", "seen.svg"), ("seen.svg",)),
    Command(("expand", CAPTURE, *_READS, "-o", "plain.pcap"), ("plain.pcap",)),
    Command(("expand", CAPTURE, *_READS, "--decrypted", "-o", "open.pcap"), ("open.pcap",)),
    Command(("shrink", DATAGRAMS, "--design", DESIGN, "--plain", "-o", "sent.pcap"), ("sent.pcap",)),
    Command(("page", CAPTURE, "-o", "capture.html"), ("capture.html",)),
    Command(("page", DESIGN, "--combinations", "2", "--no-network", "-o", "design.html"), ("design.html",)),
    Command(("schema", "-o", "schema.json"), ("schema.json",)),
)  # fmt: skip
PRINTING = (
    Command(("weigh", DESIGN, "--message", "climate")),
    Command(("compatible", DESIGN, DESIGN)),
    Command(("encodings", DESIGN, "--message", "door_alarm")),
    Command(("unpack", DESIGN, "door_alarm", "1270fa0000")),
    Command(("compress", DATAGRAM)),
    Command(("decompress", "7a333b", "--source", "0200000000000001", "--destination", "0200000000000002")),
    Command(("annotate", FRAME, "--fcs", "none")),
    Command(("annotate", CAPTURE, *_READS, "--frame", "1", "--frame", "7")),
    Command(("audit", CAPTURE, *_READS)),
    Command(("explain", "iphc")),
    Command(("pack", DESIGN, "climate", ROWS)),
    Command(("--help",)),
    Command(("--version",)),
    Command(("page", "--help")),
    Command(("budget", "none.toml")),
    Command(("comprss",)),
    Command(()),
)  # fmt: skip
ALL = WRITING + PRINTING


def cut(capture: bytes, frames: int, first: int = 0) -> bytes:
    """Return a little-endian pcap file with some of the records of another."""
    at, places = 24, [24]
    while at < len(capture):
        at += 16 + struct.unpack_from("<I", capture, at + 8)[0]
        places.append(at)
    return capture[:24] + capture[places[first] : places[first + frames]]


def fill(folder: Path) -> Path:
    """Put into a folder what the commands read; return it."""
    for path in EXAMPLES.glob("*.toml"):
        shutil.copy(path, folder)
    for path in folder.glob("*.keys.toml"):
        path.chmod(0o600)
    whole = (EXAMPLES / "archive.pcap").read_bytes()
    (folder / CAPTURE).write_bytes(cut(whole, FRAMES))
    (folder / "later.pcap").write_bytes(cut(whole, FRAMES, FRAMES))
    (folder / DATAGRAMS).write_text(f"{DATAGRAM}\n" * 3)
    rows = run(Command(("unpack", DESIGN, "climate", _packed(folder), "--csv")), folder)
    assert rows.returncode == 0, rows.stderr
    (folder / ROWS).write_bytes(rows.stdout)
    return folder


def _packed(folder: Path) -> str:
    """Return the hex of a typical message."""
    done = run(Command(("pack", DESIGN, "climate", "--rest", "typical")), folder)
    assert done.returncode == 0, done.stderr
    return done.stdout.decode().strip()


def line(command: Command, *more: str, python: str = sys.executable) -> list[str]:
    """Return the words that start a command in a process."""
    return [python, "-m", "lowpanbudget", *command.words, *more]


def surroundings(**env: str) -> dict[str, str]:
    """Return an environment of nothing but what a process cannot do without, and what is given."""
    return {name: os.environ[name] for name in PLAIN if name in os.environ} | env


def run(
    command: Command, folder: Path, *more: str, **env: str
) -> "subprocess.CompletedProcess[bytes]":
    """Return what a command does in a folder, undisturbed but for its environment."""
    return subprocess.run(
        line(command, *more), cwd=folder, env=surroundings(**env), stdin=subprocess.DEVNULL,
        capture_output=True, check=False, timeout=HANGS_S,
    )  # fmt: skip
