"""Generated C as a library: compiled in one go, its structures read from the headers, values put in and taken out.

What a member holds is taken from the header alone: its type, its constants, and what the header says of
numbers (value = zero + member * step). The octets of a structure are those of this processor or of another.
"""

import ctypes
import math
import re
import shutil
import struct
import subprocess
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest

from lowpanbudget.payload.c.source import Generated
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.sequence import Sequence as SequenceNumber
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message

STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror")
GCC = shutil.which("gcc")
needs_gcc = pytest.mark.skipif(GCC is None, reason="gcc is not installed")

_FLOATS = {16: "e", 32: "f", 64: "d"}
_TYPES: dict[str, Any] = {
    "bool": ctypes.c_uint8,
    "char": ctypes.c_uint8,
    "float": ctypes.c_float,
    "double": ctypes.c_double,
    **{f"{u}int{n}_t": getattr(ctypes, f"c_{u}int{n}") for u in ("", "u") for n in (8, 16, 32, 64)},
}


def compiled(sources: Sequence[Path], target: Path, *flags: str) -> Path:
    """Return a shared object or program made of all sources, which are one text for the compiler."""
    whole = target.with_suffix(".all.c")
    whole.write_text("".join(f'#include "{source.name}"\n' for source in sources))
    done = subprocess.run(
        [str(GCC), *STRICT, *flags, "-o", str(target), str(whole)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[:4000]
    assert not done.stderr
    return target


def written(files: Generated, folder: Path) -> Path:
    """Write both files and return the source."""
    (folder / files.header.name).write_text(files.header.text)
    source = folder / files.source.name
    source.write_text(files.source.text)
    return source


class Abi(NamedTuple):
    """How a processor lays out structures: its byte order, and the octets to which 64 bits are aligned."""

    name: str
    big: bool = False
    widest: int = 8


HERE = Abi("64 bits")


class Meaningless(ValueError):
    """A member holds what stands for no value."""


class Undefined(Meaningless):
    """A truth is neither 0 nor 1: whoever reads it in C does what the standard does not define."""


class Header:
    """What a header declares: structures, constants, results."""

    def __init__(self, text: str, abi: Abi = HERE) -> None:
        self.prefix = re.search(r"#define (\w+)_MIN_OCTETS", text)[1]  # type: ignore[index]
        self.constants: dict[str, int] = {}
        for name, value in re.findall(r"^#define (\w+) (.+?)(?: /\*.*)?$", text, re.MULTILINE):
            plain = re.sub(r"U?INT\d+_C\((\d+)\)", r"\1", value)
            assert re.fullmatch(r"[-()0-9 ]+", plain), value
            self.constants[name] = int(eval(plain))  # digits, signs and brackets only
        # where 0 of a field has more digits than an integer of C, only a remark says it
        self.zeros = {
            name: Fraction(zero)
            for name, zero in re.findall(
                r"^#define (\w+)_STEP_DENOMINATOR .*\n\n/\* its zero, (\S+), has",
                text,
                re.MULTILINE,
            )
        }
        self.results = {
            int(number): (name, path)
            for name, number, path in re.findall(
                r"^    (\w+) = (\d+),? *(?:/\* (.*) \*/)?$", text, re.MULTILINE
            )
        }
        self.abi = abi
        self.types: dict[str, Any] = {}
        for kind, name, body in re.findall(
            r"^(struct|union) (\w+) \{\n(.*?)^\};", text, re.MULTILINE | re.DOTALL
        ):
            members = [self._member(line) for line in body.splitlines()]
            self.types[f"{kind} {name}"] = _laid_out(abi, kind, name, members)
        lower = re.search(r"enum (\w+)_result \{", text)[1]  # type: ignore[index]
        self.name = lower
        self.message = self.types[f"struct {lower}"]

    def _member(self, line: str) -> tuple[str, str, Any]:
        found = re.fullmatch(r"    ((?:struct |union )?\w+) (\w+)((?:\[[^]]+\])*);.*", line)
        assert found, line
        made = _TYPES.get(found[1]) or self.types[found[1]]
        if self.abi.big and found[1] in _TYPES:
            made = made.__ctype_be__
        for room in reversed(re.findall(r"\[([^]]+)\]", found[3])):
            name, _, more = room.partition(" + ")
            made = made * (self.constants[name] + int(more or 0))
        return found[2], found[1], made

    def constant(self, words: tuple[str, ...], suffix: str, default: int | None = None) -> int:
        """Return a constant of a field."""
        name = "_".join((self.prefix, *words, suffix)).replace("-", "_").upper()
        return self.constants[name] if default is None else self.constants.get(name, default)


def _laid_out(abi: Abi, kind: str, name: str, members: list[tuple[str, str, Any]]) -> Any:
    made: dict[str, Any] = {"_fields_": [(member, held) for member, _, held in members]}
    made["truths"] = frozenset(member for member, declared, _ in members if declared == "bool")
    if abi.widest < 8:
        made["_pack_"] = abi.widest
    return type(name, (ctypes.Structure if kind == "struct" else ctypes.Union,), made)


class Structures:
    """The structure of one message: values put in and taken out."""

    def __init__(
        self, message: Message, header: str, abi: Abi = HERE, *, floats: bool = True
    ) -> None:
        self.format = message
        self.text = header
        self.header = Header(header, abi)
        self.floats = floats
        self.ended = True  # whether a text must have its zero octet

    def filled(self, values: dict[str, Any]) -> Any:
        """Return the structure of values."""
        message = self.header.message()
        self._fill(message, self.format.fields, values, (), {})
        return message

    def read(self, message: Any) -> dict[str, Any]:
        """Return the values of a structure; a member without meaning is ``Meaningless``."""
        return self._read(message, self.format.fields, (), {})

    def told(self, result: int) -> str:
        """Return the path of the field that a result names, without indices and options."""
        return without_places(self.header.results[result][1])

    def _fill(self, at: Any, fields: Any, values: Any, words: Any, outer: dict[str, Any]) -> None:
        known = {**outer, **values}
        for field in fields:
            name, value = field.name.replace("-", "_"), values.get(field.name)
            if isinstance(field, Constant | ReservedBits) or (field.optional and value is None):
                continue
            if field.optional:
                setattr(at, f"has_{name}", True)
            self._set(at, name, field, value, (*words, field.name), known)

    def _set(self, at: Any, name: str, field: Field, value: Any, words: Any, known: Any) -> None:
        """Set the members of one field; elements are fields of a wrapper or of nothing at all."""
        if isinstance(field, Array | Series | Octets):
            count, inner = f"{name}_{'length' if isinstance(field, Octets) else 'count'}", words
            if isinstance(value, str):
                value = value.encode()
            if field.least != field.most:
                setattr(at, count, len(value))
            if isinstance(field, Octets):
                for index, octet in enumerate(value):
                    getattr(at, name)[index] = octet
                return
            element = field.element if isinstance(field, Array) else field.number()
            if isinstance(element, Array | Series | Octets):
                inner = (*words, "item")
            for index, item in enumerate(value):
                self._set_item(getattr(at, name, None), index, element, item, inner, known)
            return
        if isinstance(field, Group):
            self._fill(getattr(at, name), field.fields, value, words, known)
        elif isinstance(field, Union):
            when = known[field.tag]
            option = next(option for option in field.options if option.when == when)
            if option.fields and hasattr(getattr(at, name, None), when):
                self._fill(
                    getattr(getattr(at, name), when), option.fields, value, (*words, when), known
                )
        else:
            setattr(at, name, self._member(field, value, words, known))

    def _set_item(
        self, items: Any, index: int, element: Field, value: Any, words: Any, known: Any
    ) -> None:
        if isinstance(element, Group):
            self._fill(items[index], element.fields, value, words, known)
        elif isinstance(element, Union) and items is not None:
            holder = SimpleNamespace(it=items[index])
            self._set(holder, "it", element, value, words, known)
        elif isinstance(element, Array | Series | Octets):
            if element.least != element.most:
                self._set(items[index], "item", element, value, words, known)
            else:
                self._set(SimpleNamespace(it=items[index]), "it", element, value, words, known)
        elif items is not None:
            items[index] = self._member(element, value, words, known)

    def _member(
        self, field: Field, value: Any, words: tuple[str, ...], known: dict[str, Any]
    ) -> Any:
        if isinstance(field, Number | SequenceNumber | Time | TimeOffset):
            if isinstance(value, str):
                return self.header.constant(words, value)
            number = Fraction(value)
            if isinstance(field, TimeOffset):
                number -= Fraction(known[field.base])
            steps = (number - self._ratio(words, "ZERO")) / self._ratio(words, "STEP")
            assert steps.denominator == 1
            return int(steps)
        if isinstance(field, Enumeration):
            return self.header.constant(words, value)
        if isinstance(field, Flags):
            return sum(self.header.constant(words, name) for name in value)
        if isinstance(field, Table | Logarithmic):
            return field.entries().index(value)
        if isinstance(field, Float) and not self.floats:
            octets = struct.pack(f">{_FLOATS[field.bits]}", value)
            return int.from_bytes(octets, "big")
        return value

    def _ratio(self, words: tuple[str, ...], what: str) -> Fraction:
        """Return an exact number of two constants, or of a remark; 0 if there is neither."""
        name = "_".join((self.header.prefix, *words)).replace("-", "_").upper()
        if what == "ZERO" and name in self.header.zeros:
            return self.header.zeros[name]
        top = self.header.constant(words, f"{what}_NUMERATOR", 0)
        return Fraction(top, self.header.constant(words, f"{what}_DENOMINATOR", 1))

    def _read(self, at: Any, fields: Any, words: Any, outer: dict[str, Any]) -> dict[str, Any]:
        values: dict[str, Any] = {}
        present = {
            field.name: not field.optional or _truth(getattr(at, f"has_{c_name}"), field.name)
            for field in fields
            for c_name in [field.name.replace("-", "_")]
        }
        for field in fields:
            name = field.name.replace("-", "_")
            if isinstance(field, ReservedBits) or not present[field.name]:
                continue
            known = {**outer, **values}
            values[field.name] = self._get(at, name, field, (*words, field.name), known)
        return values

    def _get(self, at: Any, name: str, field: Field, words: Any, known: dict[str, Any]) -> Any:
        if isinstance(field, Array | Series | Octets):
            what = "length" if isinstance(field, Octets) else "count"
            count = field.least if field.least == field.most else getattr(at, f"{name}_{what}")
            if not field.least <= count <= field.most:
                raise Meaningless(name)
            if isinstance(field, Octets):
                return self._octets(bytes(getattr(at, name)), count, field)
            element = field.element if isinstance(field, Array) else field.number()
            inner = (*words, "item") if isinstance(element, Array | Series | Octets) else words
            items = getattr(at, name, None)
            return [self._get_item(items, index, element, inner, known) for index in range(count)]
        if isinstance(field, Group):
            return self._read(getattr(at, name), field.fields, words, known)
        if isinstance(field, Union):
            when = known[field.tag]
            option = next(option for option in field.options if option.when == when)
            inside = getattr(getattr(at, name, None), when, None)
            return self._read(inside, option.fields, (*words, when), known)
        if isinstance(field, Constant):
            return self.header.constant(words, "VALUE")
        return self._value(getattr(at, name), field, words, known)

    def _octets(self, held: bytes, count: int, field: Octets) -> bytes | str:
        if not isinstance(field, Text):
            return held[:count]
        assert not self.ended or held[count] == 0
        try:
            return held[:count].decode(field.encoding)
        except UnicodeDecodeError as fault:
            raise Meaningless(field.name) from fault

    def _get_item(self, items: Any, index: int, element: Field, words: Any, known: Any) -> Any:
        if isinstance(element, Group):
            return self._read(items[index], element.fields, words, known)
        if isinstance(element, Array | Series | Octets) and element.least != element.most:
            return self._get(items[index], "item", element, words, known)
        holder = SimpleNamespace(it=None if items is None else items[index])
        return self._get(holder, "it", element, words, known)

    def _value(self, member: Any, field: Field, words: Any, known: dict[str, Any]) -> Any:
        if isinstance(field, Number | SequenceNumber | Time | TimeOffset):
            for name, _ in getattr(field, "special", ()):
                if member == self.header.constant(words, name):
                    return name
            number = self._ratio(words, "ZERO") + member * self._ratio(words, "STEP")
            if isinstance(field, TimeOffset):
                number += Fraction(known[field.base])
            return exact(number)
        if isinstance(field, Enumeration):
            for name in field.names:
                if self.header.constant(words, name) == member:
                    return name
            raise Meaningless(field.name)
        if isinstance(field, Flags):
            masks = {name: self.header.constant(words, name) for name in field.names}
            if member & ~sum(masks.values()):
                raise Meaningless(field.name)
            return tuple(name for name, mask in masks.items() if mask & member)
        if isinstance(field, Table | Logarithmic):
            if member >= len(field.entries()):
                raise Meaningless(field.name)
            return field.entries()[member]
        if isinstance(field, Boolean):
            return _truth(member, field.name)
        if isinstance(field, Float) and isinstance(member, int):
            return struct.unpack(
                f">{_FLOATS[field.bits]}", member.to_bytes(field.bits // 8, "big")
            )[0]
        return member


class Library(Structures):
    """One message of a shared object."""

    def __init__(self, message: Message, header: str, shared: ctypes.CDLL) -> None:
        super().__init__(message, header)
        name = self.header.name
        self._pack, self._unpack = (
            getattr(shared, f"{name}_pack"),
            getattr(shared, f"{name}_unpack"),
        )
        assert getattr(shared, f"{name}_size")() == ctypes.sizeof(self.header.message)
        self.self_test = getattr(shared, f"{name}_self_test", None)

    def pack(self, values: dict[str, Any]) -> tuple[int, bytes]:
        """Return the result and the octets of values."""
        return self.pack_raw(self.filled(values))

    def pack_raw(self, message: Any, room: int | None = None) -> tuple[int, bytes]:
        """Return the result and the octets of a structure."""
        most = self.header.constant((), "MAX_OCTETS") if room is None else room
        octets, length = (ctypes.c_uint8 * (most + 8))(*b"\xa5" * (most + 8)), ctypes.c_size_t()
        result = self._pack(
            ctypes.byref(message), octets, ctypes.c_size_t(most), ctypes.byref(length)
        )
        assert bytes(octets[most:]) == b"\xa5" * 8
        return result, bytes(octets[: length.value])

    def unpack(self, octets: bytes) -> tuple[int, dict[str, Any]]:
        """Return the result and the values of octets."""
        message = self.header.message()
        result = self._unpack(ctypes.byref(message), octets, ctypes.c_size_t(len(octets)))
        return result, {} if result else self.read(message)


def _truth(member: int, name: str) -> bool:
    if member not in {0, 1}:
        raise Undefined(name)
    return bool(member)


def exact(number: Fraction) -> Decimal:
    """Return a fraction whose denominator has no primes but 2 and 5 as a decimal."""
    places = 0
    while number.denominator != 1:
        number, places = number * 10, places + 1
    sign, digits = number < 0, tuple(map(int, str(abs(int(number)))))
    return Decimal((sign, digits, -places))


def without_places(path: str) -> str:
    """Return a path without what stands in brackets."""
    return re.sub(r"\[[^]]*\]|\([^)]*\)", "", path)


def alike(left: Any, right: Any) -> bool:
    """Return whether values are equal, numbers of any type by value, not-a-numbers as one."""
    if isinstance(left, dict):
        return (
            isinstance(right, dict)
            and left.keys() == right.keys()
            and all(alike(left[k], right[k]) for k in left)
        )
    if isinstance(left, list):
        return isinstance(right, list) and len(left) == len(right) and all(map(alike, left, right))
    if isinstance(left, float) and math.isnan(left):
        return isinstance(right, float) and math.isnan(right)
    return bool(left == right)
