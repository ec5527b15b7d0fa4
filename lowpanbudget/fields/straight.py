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
    name: str,
    layout: Drawing,
    steps: Sequence[Step],
    value: type,
    wanted: Sequence[str],
) -> tuple[Function | None, int]:
    """Return a function of a reader that gives the values of the first steps by key, and how many steps those are.

    Where those are all, it gives the ``value`` of the ``wanted`` ones. None, and 0, where nothing stands straight; the
    function gives None where octets are missing or a fixed field holds another value.
    """
    source = FunctionSource("straight", name)
    values: dict[str, str] = {}
    taken = 0
    for part, word in steps:
        if isinstance(part, LayoutPart):
            if part.straight:
                values[part.key] = source.part(part, layout)
            elif part.takes_rest and taken == len(steps) - 1:
                values[part.key] = source.rest(part, layout)
            elif part.reads_alone and taken and taken == len(steps) - 1:
                values[part.key] = source.read(part, layout)
            else:
                break
        else:
            if part.name != name or not _is_plain(part) or word is None:
                break
            values |= _values(source, part, word)
        taken += 1
    if not taken:
        return None, 0
    if taken == len(steps) and values.keys() >= set(wanted):
        return source.function(source.value(value, **{key: values[key] for key in wanted})), taken
    told = ", ".join(f"{source.bind(key)}: {value}" for key, value in values.items())
    return source.function(f"{{{told}}}"), taken


def _is_plain(word: Header) -> bool:
    return all(isinstance(field, Bits) for field in word.fields)


def _values(source: FunctionSource, word: Header, keyed: KeyedWord) -> dict[str, str]:
    found = source.fields(word)
    values = dict(zip(keyed.keys, found, strict=True))
    for field in keyed.converted:
        value = values[field.key]
        values[field.key] = f"{value} == 1" if field.flag else f"{value} * {field.unit}"
    return values
