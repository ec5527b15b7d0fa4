"""Line and column of every key and value: by hand for awkward texts, and by a library that keeps the layout."""

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
import tomlkit
from design.designs import EXAMPLE_TEXTS, SMALL, place

from lowpanbudget.design.places import Places

Path = tuple[str | int, ...]
MARK = "~mark~"


def leaves(value: Any, path: Path = ()) -> Iterator[Path]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from leaves(inner, (*path, index))
    else:
        yield path


def by_marking(document: tomlkit.TOMLDocument, path: Path) -> tuple[int, int]:
    """Return the place of a value, found with tomlkit: mark the value, write the text, look for the mark."""
    table: Any = document
    for part in path[:-1]:
        table = table[part]
    before = table[path[-1]]
    table[path[-1]] = MARK
    marked = tomlkit.dumps(document)
    table[path[-1]] = before
    return place(marked, f'"{MARK}"')


@pytest.mark.parametrize("text", [SMALL, *EXAMPLE_TEXTS], ids=["small", "archive", "footbridge"])
def test_values_are_where_marks_turn_up(text: str) -> None:
    places = Places(text)
    paths = list(leaves(tomllib.loads(text)))
    assert len(paths) > 50
    step = max(1, len(paths) // 30)  # tomlkit writes the whole text for each
    document = tomlkit.parse(text)
    for path in paths[::step]:
        assert places.of(path) == by_marking(document, path), path
    assert tomlkit.dumps(document) == text


_AWKWARD = (
    '"quoted key" = 1',
    "'literal.key' = 2",
    'a.b . "c d" = 3',
    "time = 1979-05-27 07:32:00  # a blank inside a value",
    'long = """',
    'one "quoted" \\" line, two quotes at the end"""""',
    'none = """"""  # empty',
    r"path = 'C:\'",
    "lines = '''",
    "a 'b' '''",
    "list = [ # comment ]",
    '  [1, 2], "]", # ] }',
    '  { x = "}", y.z = [ { w = 4 } ] },',
    "]",
    '[ table . "sub ü" ]',
    '"ä" = "bare keys are ASCII"',
    "[[rows]]",
    "v = 1",
    "[rows.inner]",
    "v = 2",
    "[[rows.deep]]",
    "v = 3",
    "[[rows]]",
    "v = 4",
    "[[rows.deep]]",
    "v = 5",
    "[[rows.deep]]",
    "v = 6",
    "[table]",
    "late = 7",
)
AWKWARD = "\n".join(_AWKWARD)


def test_awkward_texts() -> None:
    data = tomllib.loads(AWKWARD)
    places = Places(AWKWARD)
    for path in leaves(data):
        line, column = places.of(path)
        at = sum(len(row) for row in AWKWARD.splitlines(keepends=True)[: line - 1]) + column - 1
        value: Any = data
        for part in path:
            value = value[part]
        rest = AWKWARD[at:]
        if isinstance(value, int):
            assert rest.startswith(str(value)), path
        else:  # what the value's own text says: read it again
            end = min(end for end in range(1, len(rest) + 1) if _reads(rest[:end], value))
            assert end > 0, path
    line, _ = places.of(("rows", 1, "deep", 1, "v"))
    assert AWKWARD.splitlines()[line - 1] == "v = 6"


def _reads(text: str, value: object) -> bool:
    try:
        return bool(tomllib.loads(f"x = {text}")["x"] == value)
    except tomllib.TOMLDecodeError:
        return False


def test_keys_headers_and_what_is_missing() -> None:
    places = Places(SMALL)
    assert places.of(("link", "pan_id"), key=True) == place(SMALL, "pan_id")
    assert places.of(("link", "pan_id")) == place(SMALL, "0x1a2b")
    assert places.of(("link", "security")) == place(SMALL, "[link.security]")
    assert places.of(("link", "security", "key_id_mode")) == place(SMALL, "[link.security]")
    assert places.of(("message", 0, "field", 2, "element", "stepp")) == place(
        SMALL, '{ kind = "number"'
    )
    assert places.of(("message", 0, "field", 3, "option", 1)) == (
        place(SMALL, 'when = "open"')[0] - 1, 1,
    )  # fmt: skip
    assert places.of(("nowhere", 3)) == (1, 1)
    assert places.of(()) == (1, 1)


def test_line_ends_of_both_kinds() -> None:
    text = 'a = 1\r\n# x\r\nb = "two"\r\n'
    assert Places(text).of(("b",)) == (3, 5)


@pytest.mark.parametrize(
    "text", ["a = [", "a = ", '"', 'a = "', "[", "a", "[[x]", "a = {b", "= 3", "a.=1", "\x00"]
)
def test_texts_that_are_no_toml_end(text: str) -> None:
    assert Places(text).of(("b",)) == (1, 1)
