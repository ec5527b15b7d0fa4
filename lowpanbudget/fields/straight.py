"""A layout that is read at any place: what stands straight at its beginning as one function.

Straight are words of plain fields, and parts that are always there in a number of octets of their own. What is behind
them, and hangs on what was read, the layout reads part by part.
"""

from collections.abc import Sequence

from lowpanbudget.fields.choice import Bits
from lowpanbudget.fields.keyed import KeyedWord, Step
from lowpanbudget.fields.parts import Drawing, LayoutPart
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.fields.word import Header


def straight_start(
    name: str, layout: Drawing, steps: Sequence[Step]
) -> tuple[Function | None, int]:
    """Return a function of a reader that gives the values of the first steps by key, and how many steps those are.

    None, and 0, where nothing stands straight; the function gives None where octets are missing or a fixed field holds
    another value.
    """
    source = FunctionSource("straight", name)
    values: list[str] = []
    taken = 0
    for part, word in steps:
        if isinstance(part, LayoutPart):
            if not part.straight:
                break
            values.append(f"{source.bind(part.key)}: {source.part(part, layout)}")
        else:
            if part.name != name or not _is_plain(part) or word is None:
                break
            values += _values(source, part, word)
        taken += 1
    if not taken:
        return None, 0
    return source.function(f"{{{', '.join(values)}}}"), taken


def _is_plain(word: Header) -> bool:
    return all(isinstance(field, Bits) for field in word.fields)


def _values(source: FunctionSource, word: Header, keyed: KeyedWord) -> list[str]:
    found = source.fields(word)
    values = dict(zip(keyed.keys, found, strict=True))
    for field in keyed.converted:
        value = values[field.key]
        values[field.key] = f"{value} == 1" if field.flag else f"{value} * {field.unit}"
    return [f"{source.bind(key)}: {value}" for key, value in values.items()]
