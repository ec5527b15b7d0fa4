"""Random formats in C: the same octets, the same values and the same verdicts as in Python.

All formats of a run become one shared object, compiled once; it is loaded with ctypes. The compiler
and the processor are the judges: what is compared went through both.
"""

import ctypes
import functools
import re
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any

import pytest
from compiled.shared import SharedHelpers
from hypothesis import HealthCheck, Phase, given, settings
from payload.c_library import Library, alike, compiled, needs_gcc, without_places, written
from payload.schemas import filled_messages
from payload.unusual import unusual_messages

from lowpanbudget.errors import RequestError, Truncated, WireError
from lowpanbudget.payload.c.source import generate
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.sampler import samples

pytestmark = needs_gcc

FORMATS = 50  # of each strategy in a run
DRAWN = 8  # values of each format, besides those of the strategy and the three examples
GARBLED = 4  # wrong octets made of each right ones

Filled = tuple[Message, list[dict[str, Any]]]


@functools.cache
def drawn(count: int = FORMATS) -> tuple[Filled, ...]:
    """Return random formats with values."""
    found: list[Filled] = []
    quiet = settings(
        max_examples=count, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip

    @quiet
    @given(filled_messages())
    def usual(filled: tuple[Message, dict[str, Any]]) -> None:
        message, values = filled
        found.append((message, [values, *samples(message, DRAWN, seed=len(found))]))

    @quiet
    @given(unusual_messages())
    def unusual(message: Message) -> None:
        found.append((message, list(samples(message, DRAWN, seed=len(found)))))

    usual()
    unusual()
    return tuple(found)


@pytest.fixture(scope="module")
def libraries(
    tmp_path_factory: pytest.TempPathFactory,
) -> list[tuple[Library, list[dict[str, Any]]]]:
    return built(drawn(), tmp_path_factory.mktemp("c"))


def built(formats: tuple[Filled, ...], folder: Path) -> list[tuple[Library, list[dict[str, Any]]]]:
    """Return the formats as libraries of one shared object; functions that are alike are compiled once."""
    sources, headers, helpers = [], [], SharedHelpers()
    for index, (message, _) in enumerate(formats):
        files = generate(message, prefix=f"m{index}")
        source, size = written(files, folder), f"size_t m{index}_size(void)"
        source.write_text(
            helpers.source(files.source.text, f"m{index}")
            + f"{size};\n{size} {{ return sizeof(struct m{index}); }}\n"
        )
        sources.append(source)
        headers.append(files.header.text)
    shared = ctypes.CDLL(str(compiled(sources, folder / "all.so", "-shared", "-fPIC", "-O0")))
    return [
        (Library(message, header, shared), values)
        for (message, values), header in zip(formats, headers, strict=True)
    ]


@pytest.mark.long
def test_the_header_says_how_much_memory_a_structure_takes(
    libraries: list[tuple[Library, list[dict[str, Any]]]],
) -> None:
    """The compiler says it as well: ``Library`` asks it for the size of each structure, on this processor."""
    for library, _ in libraries:
        told = re.search(r"struct \w+ (\d+) \(fewer", library.text)
        assert told is not None
        assert int(told[1]) == ctypes.sizeof(library.header.message)


@pytest.mark.long
def test_same_octets_and_values(libraries: list[tuple[Library, list[dict[str, Any]]]]) -> None:
    for library, many in libraries:
        for values in many:
            octets = library.format.pack(values)
            result, packed = library.pack(values)
            assert (result, packed) == (0, octets), (library.format, values)
            result, read = library.unpack(octets)
            assert result == 0, (library.format, octets.hex())
            assert alike(library.format.unpack(octets), read), (library.format, octets.hex())


def test_same_verdict_on_wrong_octets(
    libraries: list[tuple[Library, list[dict[str, Any]]]],
) -> None:
    random = Random(7)
    kinds = {"right": 0, "short": 0, "long": 0, "field": 0}
    for library, many in libraries:
        for values in many:
            octets = library.format.pack(values)
            for _ in range(GARBLED):
                kinds[verdict(library, garbled(octets, random))] += 1
    assert all(kinds.values()), kinds  # every kind of verdict was met


def garbled(octets: bytes, random: Random) -> bytes:
    """Return octets cut, extended, with other bits, or wholly random."""
    kind = random.randrange(4)
    if kind == 0:
        return octets[: random.randrange(len(octets))]
    if kind == 1:
        return octets + random.randbytes(random.randint(1, 5))
    if kind == 2:
        wrong = bytearray(octets)
        for _ in range(random.randint(1, 3)):
            wrong[random.randrange(len(wrong))] ^= 1 << random.randrange(8)
        return bytes(wrong)
    return random.randbytes(len(octets) + random.randint(-1, 3))


def verdict(library: Library, octets: bytes) -> str:
    """Return what Python says of octets, after checking that C says the same."""
    message = library.format
    result, read = library.unpack(octets)
    name = library.header.results[result][0].removeprefix(f"{library.header.prefix}_")
    told = (message, octets.hex(), name)
    try:
        values = message.unpack(octets)
    except Truncated:
        # Python looks for all fields of a run before it judges the first; C takes them one by one
        assert name == "TOO_SHORT" or name.startswith("BAD_"), told
        return "short"
    except WireError as fault:
        if fault.message.startswith("the message ends here"):
            assert name == "TOO_LONG", told
            return "long"
        assert name.startswith("BAD_"), told
        path = fault.message.removeprefix("field ").split(" ")[0]
        assert library.told(result) == without_places(path), told
        return "field"
    assert name == "OK", told
    assert alike(values, read), told
    return "right"


def test_same_verdict_on_numbers_at_the_edges(
    libraries: list[tuple[Library, list[dict[str, Any]]]],
) -> None:
    """A member may hold more than the range: what is outside is refused, and the result names the field."""
    refused = 0
    for library, many in libraries:
        message, values = library.format, many[0]
        for field in message.fields:
            if not isinstance(field, Number) or field.optional:
                continue
            words = (field.name,)
            ends = [library.header.constant(words, end) for end in ("MIN", "MAX")]
            for raw in {ends[0] - 1, ends[0], ends[1], ends[1] + 1}:
                made = library.filled(values)
                name = field.name.replace("-", "_")
                setattr(made, name, raw)
                if getattr(made, name) != raw:  # the type of the member is as small as the range
                    continue
                result, octets = library.pack_raw(made)
                value = number_of(library, words, raw, field)
                try:
                    expected = message.pack({**values, field.name: value})
                except RequestError:
                    assert library.told(result) == field.name
                    refused += 1
                else:
                    assert (result, octets) == (0, expected)
    assert refused


def number_of(library: Library, words: tuple[str, ...], raw: int, field: Number) -> Decimal | str:
    for name, _ in field.special:
        if library.header.constant(words, name) == raw:
            return name
    number = library._value(raw, field, words, {})
    assert Fraction(number).denominator > 0
    return number  # type: ignore[no-any-return]


def test_no_octet_is_written_beyond_the_room(
    libraries: list[tuple[Library, list[dict[str, Any]]]],
) -> None:
    for library, many in libraries:
        made = library.filled(many[0])
        size = len(library.format.pack(many[0]))
        for room in {0, size // 2, size - 1}:
            result, _ = library.pack_raw(made, room)
            assert library.header.results[result][0].endswith("_NO_ROOM")
        assert library.pack_raw(made, size)[0] == 0
