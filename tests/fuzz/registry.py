"""The entries of the fuzzer, and what all of them hold: documented errors, located faults, keys that stay hidden.

An entry is a function that takes any octets and asserts what must hold for them, under ``@entry("name")`` in a module
of its subject; ``entries.py`` gathers these modules. The first octets choose the options. ``OUTCOMES`` counts how the
calls ended.
"""

import re
from base64 import b64encode
from binascii import crc32
from collections import Counter
from collections.abc import Callable
from typing import Any, NamedTuple

from lowpanbudget import Context, Env, RequestError, WireError

Judge = Callable[[bytes], None]


class Entry(NamedTuple):
    """What is called, and its bounds.

    ``longest`` octets are given; ``slow_s`` of processor time are too much for one of them, and so is ``most_mb`` of
    memory. ``inputs`` are tried at least, in a campaign that is to count.
    """

    name: str
    judge: Judge
    longest: int
    slow_s: float
    most_mb: int
    inputs: int


ENTRIES: dict[str, Entry] = {}
OUTCOMES: Counter[str] = Counter()

EUI, OTHER = "02005eef10000001", "02005eef10000002"  # RFC 7042's range for documentation
ROOT = "2001:db8::ff:fe00:1"
CONTEXTS: tuple[dict[int, Any], ...] = (
    {},
    {0: "2001:db8::/64"},
    {0: "2001:db8::/64", 1: "2001:db8:1::/48", 3: "2001:db8:3::5eef:0:0/97", 15: "fe80::/10"},
    {0: "2001:db8::ff:fe00:0/112", 2: Context("2001:db8:2::/64", may_compress=False)},
)
LINKS: tuple[tuple[str | None, str | None], ...] = (
    ("0001", "0002"),
    (EUI, OTHER),
    (EUI, "0002"),
    (None, None),
)
KEYS = (bytes(range(0xC0, 0xD0)), bytes.fromhex("5a" * 7 + "a5" * 9))
DEVICES = {0x0A0B: EUI, (0xABCD, 1): OTHER, 1: EUI, 2: OTHER}


def entry(
    name: str,
    *,
    longest: int = 300,
    slow_s: float = 0.25,
    most_mb: int = 8,
    inputs: int = 100_000,
) -> Callable[[Judge], Judge]:
    """Return what adds a function to the entries under ``name``."""

    def add(judge: Judge) -> Judge:
        ENTRIES[name] = Entry(name, judge, longest, slow_s, most_mb, inputs)
        return judge

    return add


def surroundings(choice: int) -> Env:
    source, destination = LINKS[choice & 3]
    root = ROOT if choice & 16 else None
    return Env(source, destination, 0xABCD, CONTEXTS[choice >> 2 & 3], root)


def sampled(data: bytes, one_in: int) -> bool:
    """Return whether what costs much is checked of this input: always the same for the same octets."""
    return crc32(data) % one_in == 0


def refusal(error: RequestError) -> str:
    """What was refused, its figures and what it quotes left out."""
    return re.sub("'[^']*'|0x[0-9a-f]+|[0-9]+", "N", error.message)[:60]


def check_fault(fault: WireError, octets: int) -> None:
    assert isinstance(fault, WireError)
    assert 0 <= fault.offset <= octets
    assert fault.layer
    assert str(fault)


def check_request(error: RequestError) -> None:
    """What is refused is said in words that no terminal obeys."""
    text = str(error)
    assert text.strip()
    assert all(sign.isprintable() or sign == "\n" for sign in text), repr(text)


def written(key: bytes) -> tuple[str, ...]:
    """How a key could stand in a text: in hex with and without marks between octets, as Python or base64 shows it."""
    return (
        key.hex(),
        key.hex(":"),
        key.hex("-"),
        repr(key)[2:-1].lower(),
        b64encode(key).decode().rstrip("=").lower(),
        str(list(key)).replace(" ", "")[1:-1],
        str(int.from_bytes(key, "big")),
    )


WRITTEN = {key: written(key) for key in KEYS}


def check_secrecy(text: str, *seen: bytes | None) -> None:
    """A key stands in no text, but for octets that came from the air."""
    lower = text.lower().replace(" ", "")
    for key, forms in WRITTEN.items():
        if not any(key in octets for octets in seen if octets):
            assert not any(form in lower for form in forms), "a key is told"


class Choices:
    """Octets of an input taken as choices, one after the other; zeros once they are used up."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def __bool__(self) -> bool:
        return self.at < len(self.data)

    def octet(self) -> int:
        self.at += 1
        return self.data[self.at - 1] if self.at <= len(self.data) else 0

    def number(self, octets: int) -> int:
        return int.from_bytes(self.take(octets).ljust(octets, b"\0"), "big")

    def take(self, most: int) -> bytes:
        found = self.data[self.at : self.at + most]
        self.at += most
        return found

    def sized(self, most: int = 255) -> bytes:
        """Return octets led by their length."""
        return self.take(min(self.octet(), most))

    def rest(self) -> bytes:
        return self.take(len(self.data))

    def of(self, choices: Any) -> Any:
        """Return one of a sequence."""
        return choices[self.octet() % len(choices)]
