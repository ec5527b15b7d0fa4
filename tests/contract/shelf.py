"""Captures on disk for the tests of commands, written by the packet library; frames of an invented records archive."""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from contract import air
from scapy.utils import RawPcapReader, RawPcapWriter

Frames = Iterable[bytes | tuple[float, bytes]]
NODE, ROOT = air.eui(1), air.eui(0x100)
CONTEXT = ("--context", f"0={air.PREFIX}/64")


def written(path: Path, frames: Frames, link_type: int = 195) -> Path:
    """Write frames, a second apart unless a time stands beside them."""
    writer = RawPcapWriter(str(path), linktype=link_type, sync=True)
    writer.write_header(None)
    for index, frame in enumerate(frames):
        time_s, octets = (index, frame) if isinstance(frame, bytes) else frame
        writer.write_packet(octets, sec=int(time_s), usec=round(time_s % 1 * 1e6))
    writer.close()
    return path


def read_back(path: Path) -> tuple[int, list[bytes]]:
    """Return link type and packets, as the packet library reads them."""
    with RawPcapReader(str(path)) as reader:
        link_type = reader.linktype
        return int(link_type), [bytes(octets) for octets, _ in reader]


def datagram(payload: bytes, **changes: Any) -> bytes:
    return air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), payload, **changes)


def frames(payload: bytes, sequence: int = 0, **changes: Any) -> list[bytes]:
    return air.frames_of(datagram(payload), NODE, ROOT, sequence=sequence, **changes)


def key_file(folder: Path) -> Path:
    path = folder / "keys.toml"
    path.write_text(f'[[key]]\noctets = "{air.KEY.hex()}"\nindex = 1\n', "ascii")
    path.chmod(0o600)
    return path


def sealed(payload: bytes, sequence: int = 0, counter: int = 0) -> list[bytes]:
    return air.frames_of(
        datagram(payload), NODE, ROOT, sequence=sequence, key=air.KEY, counter=counter, room=80
    )
