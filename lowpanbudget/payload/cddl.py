"""The CBOR form of a message in CDDL (RFC 8610), so that others can check and generate it."""

from collections.abc import Iterator
from decimal import Decimal

from lowpanbudget.payload.cbor_form import is_nullable
from lowpanbudget.payload.codec.grid import zero_of
from lowpanbudget.payload.exact import nearest, plain
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.whole_codes import members, number_in


def cddl(message: Message, *, keyed: bool) -> str:
    """Return CDDL text for the map with integer keys (``keyed``) or the array that ``cbor_form`` makes.

    A dot joins the names of inner rules, for no field has one in its name.
    """
    rules: list[str] = []
    body = _members(message.fields, (message.name,), keyed, rules)
    head = f"; {_comment(message.note)}\n" if message.note else ""
    return "\n\n".join([f"{head}message-{message.name} = {body}", *rules]) + "\n"


def _members(
    fields: tuple[Field, ...], path: tuple[str, ...], keyed: bool, rules: list[str]
) -> str:
    opening, closing = "{}" if keyed else "[]"
    lines = [opening]
    for key, field in enumerate(members(fields)):
        kind = _type(field, (*path, field.name), keyed, rules)
        if field.optional and not keyed:
            kind += " / null"
        name = f"{key}: " if keyed else f"{field.name}: "
        mark = "? " if field.optional and keyed else ""
        lines.append(f"  {mark}{name}{kind},{_remark(field)}")
    return "\n".join([*lines, closing])


def _type(field: Field, path: tuple[str, ...], keyed: bool, rules: list[str]) -> str:
    """Return the type of a field; what needs a name of its own goes to ``rules``."""
    number = number_in(field)
    if isinstance(field, Series):
        assert number is not None
        return f"[{_times(field.least, field.most)} {_span(number)}]"
    if number is not None:
        return " / ".join([_span(number), *_specials(number)])
    if isinstance(field, Table | Logarithmic):
        return f"0..{len(field.entries()) - 1}"
    if isinstance(field, Boolean):
        return "bool"
    if isinstance(field, Constant):
        return str(field.value)
    if isinstance(field, Float):
        return f"float{field.bits}"
    if isinstance(field, Octets):
        size = str(field.least) if field.least == field.most else f"({field.least}..{field.most})"
        return f"{'tstr' if isinstance(field, Text) else 'bstr'} .size {size}"
    rule = ".".join(path)
    return _named_type(field, path, rule, keyed, rules)


def _named_type(
    field: Field, path: tuple[str, ...], rule: str, keyed: bool, rules: list[str]
) -> str:
    if isinstance(field, Enumeration):
        names = zip(field.names, field.numbers(), strict=True)
        rules.append(f"{rule} = &({', '.join(f'{name}: {code}' for name, code in names)})")
        return rule
    if isinstance(field, Flags):
        bits = ", ".join(f"{name}: {index}" for index, name in enumerate(field.names))
        rules.append(f"{rule}.bits = &({bits})")
        return f"uint .bits {rule}.bits"
    if isinstance(field, Array):
        element = _type(field.element, (*path, "element"), keyed, rules)
        inner = f"({element})" if " / " in element else element
        return f"[{_times(field.least, field.most)} {inner}]"
    if isinstance(field, Group):
        rules.append(f"{rule} = {_members(field.fields, path, keyed, rules)}")
        return rule
    assert isinstance(field, Union)
    options = []
    for option in field.options:
        name = f"{rule}.{option.when}"
        body = _members(option.fields, (*path, option.when), keyed, rules)
        rules.append(f"; where {_comment(field.tag)} is {option.when}\n{name} = {body}")
        options.append(name)
    return " / ".join(options)


def _span(number: Number) -> str:
    zero = zero_of(number)
    return f"{nearest(number.min, zero, number.step)}..{nearest(number.max, zero, number.step)}"


def _specials(number: Number) -> Iterator[str]:
    if is_nullable(number):
        yield "null"
    else:
        yield from (f'"{name}"' for name, _ in number.special)


def _times(least: int, most: int) -> str:
    return f"{least}*{most}"


def _remark(field: Field) -> str:
    """Return a comment with the name and what the integer counts."""
    words, number = field.summary(), number_in(field)
    parts = [field.name]
    if number is not None:
        zero = zero_of(number)
        start = "" if zero == Decimal(0) else f" from {plain(zero)}"
        parts.append(f"steps of {plain(number.step)} {words.unit}".rstrip() + start)
    elif isinstance(field, Table | Logarithmic):
        parts.append(f"index, {words.range} {words.unit}".rstrip())
    if field.note:
        parts.append(field.note)
    return f" ; {_comment(': '.join(parts))}"


def _comment(text: str) -> str:
    return " ".join(text.split())
