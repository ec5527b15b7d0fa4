"""Every row of every table of the 6LoWPAN layer is hit by a vector: no code is believed without one."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from vector_files import document

from lowpanbudget import Context, Env, Mac, Span, WireError, decode_frame, decompress, encode_frame
from lowpanbudget.fields import Bits, Choice, Header, Pattern, Patterns
from lowpanbudget.layers.lowpan import dispatch, extension_nhc, fragment, iphc, mesh, nhc

VECTORS = Path(__file__).parents[1] / "vectors"
FOLDERS = ("rfc6282", "rfc4944", "rfc8025", "invalid")
MODULES = (iphc, nhc, extension_nhc, dispatch, fragment, mesh)
HEADERS = [
    value for module in MODULES for value in vars(module).values() if isinstance(value, Header)
]
CHOICES = [(header, choice) for header in HEADERS for choice in header.choices]
TABLES = [
    *[v for module in (nhc,) for v in vars(module).values() if isinstance(v, Patterns)],
    dispatch.PAGE_0,
    dispatch.PAGE_1,
]
# Their vectors are whole messages or headers of their own, read by their own tests
ELSEWHERE = {
    "udp-ghc": "rfc7400", "icmpv6-ghc": "rfc7400", "extension-ghc": "rfc7400",
    "critical-6lorh": "rfc8138", "elective-6lorh": "rfc8138",
    "hc1": "rfc4944 section 10", "rfrag": "rfc8931", "rfrag-ack": "rfc8931",
}  # fmt: skip


def cases() -> Iterator[dict[str, Any]]:
    for path in sorted(path for folder in FOLDERS for path in (VECTORS / folder).glob("*.toml")):
        yield from document(path).get("case", [])


def payloads() -> Iterator[tuple[bytes, Env]]:
    for case in cases():
        contexts: dict[int, Any] = {
            int(number): Context(**value) if isinstance(value, dict) else value
            for number, value in case.get("contexts", {}).items()
        }
        env = Env(case.get("link_source"), case.get("link_destination"), contexts=contexts)
        for text in [case["lowpan"]] if "lowpan" in case else case.get("fragments", []):
            yield bytes.fromhex(text), env


def spans_of(octets: bytes, env: Env) -> tuple[Span, ...]:
    """Return the spans of a payload, also of one with a fault: a frame keeps what was read until then."""
    both = env.source is not None and env.destination is not None
    mac = Mac(
        destination=env.destination, destination_pan=None if env.destination is None else 1,
        source=env.source, source_pan=1 if env.destination is None else None,
        pan_id_compression=both,
    )  # fmt: skip
    frame = decode_frame(encode_frame(mac, octets).octets, contexts=env.contexts)
    return frame.spans


@pytest.fixture(scope="module")
def seen() -> dict[tuple[str, str], set[int]]:
    """Return layer and field to the values that the vectors' headers hold."""
    found: dict[tuple[str, str], set[int]] = {}
    for octets, env in payloads():
        if env.source is None and env.destination is None:
            continue
        for span in spans_of(octets, env):
            if isinstance(span.value, int) and not isinstance(span.value, bool):
                found.setdefault((f"{span.layer} {span.bits}", span.name), set()).add(span.value)
    return found


@pytest.mark.parametrize(
    ("header", "choice"), [pytest.param(h, c, id=f"{h.name} {c.name}") for h, c in CHOICES]
)
def test_every_code_is_hit(
    header: Header, choice: Choice, seen: dict[tuple[str, str], set[int]]
) -> None:
    hit = seen[(f"{header.name} {choice.width}", choice.label)]
    assert hit == set(range(1 << choice.width))


@pytest.mark.parametrize("header", [pytest.param(h, id=h.name) for h in HEADERS])
def test_every_named_value_is_hit(header: Header, seen: dict[tuple[str, str], set[int]]) -> None:
    """A field whose values have names of their own is a table too."""
    for part in header.fields:
        if isinstance(part, Bits) and isinstance(part.meaning, dict):
            hit = seen[(f"{header.name} {part.width}", part.name)]
            assert set(part.meaning) - hit <= {15}, part.name  # page 15: see vectors/invalid


def test_every_pattern_is_hit(monkeypatch: pytest.MonkeyPatch) -> None:
    looked_up: set[tuple[str, str]] = set()
    plain = Patterns.__getitem__

    def watched(self: Patterns, octet: int) -> Pattern:
        found = plain(self, octet)
        looked_up.add((self.name, found.key))
        return found

    monkeypatch.setattr(Patterns, "__getitem__", watched)
    for octets, env in payloads():
        try:
            decompress(octets, env)
        except WireError:
            continue
    for table in TABLES:
        keys = {pattern.key for pattern in table.patterns} | {"reserved"}
        missing = {key for key in keys if (table.name, key) not in looked_up}
        assert missing <= set(ELSEWHERE), table.name


def test_tables_are_whole() -> None:
    """2**width rows of each choice, 256 octets of each table of patterns (checked at import as well)."""
    assert len(CHOICES) == 11
    for _, choice in CHOICES:
        assert [row.code for row in choice.rows] == list(range(1 << choice.width))
        assert all(row.cite.document.startswith("RFC ") for row in choice.rows)
        assert all(row.needs for row in choice.rows)
    for table in TABLES:
        assert len(table.table) == 256
