"""Generated C as a library: compiled in one go, its structures read from the headers, values put in and taken out.

What a member holds is taken from the header alone: its type, its constants, and what the header says of
numbers (value = zero + member * step).
"""

import ctypes
import re
import shutil
import subprocess
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from lowpanbudget.payload.c.source import Generated
from lowpanbudget.payload.kinds.binary_float import Float
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

_TYPES: dict[str, Any] = {
    "bool": ctypes.c_bool,
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


class Header:
    """What a header declares: structures, constants, results."""

    def __init__(self, text: str) -> None:
        self.prefix = re.search(r"#define (\w+)_MIN_OCTETS", text)[1]  # type: ignore[index]
        self.constants: dict[str, int] = {}
        for name, value in re.findall(r"^#define (\w+) (.+?)(?: /\*.*)?$", text, re.MULTILINE):
            plain = re.sub(r"U?INT\d+_C\((\d+)\)", r"\1", value)
            assert re.fullmatch(r"[-()0-9 ]+", plain), value
            self.constants[name] = int(eval(plain))  # digits, signs and brackets only
        self.results = {
            int(number): (name, path)
            for name, number, path in re.findall(
                r"^    (\w+) = (\d+),? *(?:/\* (.*) \*/)?$", text, re.MULTILINE
            )
        }
        self.types: dict[str, Any] = {}
        for kind, name, body in re.findall(
            r"^(struct|union) (\w+) \{\n(.*?)^\};", text, re.MULTILINE | re.DOTALL
        ):
            base = ctypes.Structure if kind == "struct" else ctypes.Union
            members = [self._member(line) for line in body.splitlines()]
            self.types[f"{kind} {name}"] = type(name, (base,), {"_fields_": members})
        lower = re.search(r"enum (\w+)_result \{", text)[1]  # type: ignore[index]
        self.name = lower
        self.message = self.types[f"struct {lower}"]

    def _member(self, line: str) -> tuple[str, Any]:
        found = re.fullmatch(r"    ((?:struct |union )?\w+) (\w+)((?:\[[^]]+\])*);.*", line)
        assert found, line
        made = _TYPES.get(found[1]) or self.types[found[1]]
        for room in reversed(re.findall(r"\[([^]]+)\]", found[3])):
            name, _, more = room.partition(" + ")
            made = made * (self.constants[name] + int(more or 0))
        return found[2], made

    def constant(self, words: tuple[str, ...], suffix: str, default: int | None = None) -> int:
        """Return a constant of a field."""
        name = "_".join((self.prefix, *words, suffix)).replace("-", "_").upper()
        return self.constants[name] if default is None else self.constants.get(name, default)


class Library:
    """One message of a shared object."""

    def __init__(self, message: Message, header: str, shared: ctypes.CDLL) -> None:
        self.format = message
        self.header = Header(header)
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

    def filled(self, values: dict[str, Any]) -> Any:
        """Return the structure of values."""
        message = self.header.message()
        self._fill(message, self.format.fields, values, (), {})
        return message

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
        return result, {} if result else self._read(message, self.format.fields, (), {})

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
        return value

    def _ratio(self, words: tuple[str, ...], what: str) -> Fraction:
        """Return an exact number of two constants; 0 if there are none."""
        top = self.header.constant(words, f"{what}_NUMERATOR", 0)
        return Fraction(top, self.header.constant(words, f"{what}_DENOMINATOR", 1))

    def _read(self, at: Any, fields: Any, words: Any, outer: dict[str, Any]) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for field in fields:
            name = field.name.replace("-", "_")
            if isinstance(field, ReservedBits) or (
                field.optional and not getattr(at, f"has_{name}")
            ):
                continue
            known = {**outer, **values}
            values[field.name] = self._get(at, name, field, (*words, field.name), known)
        return values

    def _get(self, at: Any, name: str, field: Field, words: Any, known: dict[str, Any]) -> Any:
        if isinstance(field, Array | Series | Octets):
            what = "length" if isinstance(field, Octets) else "count"
            count = field.least if field.least == field.most else getattr(at, f"{name}_{what}")
            if isinstance(field, Octets):
                items = getattr(at, name)
                octets = bytes(memoryview(items).cast("B")[:count])
                if isinstance(field, Text):
                    assert memoryview(items).cast("B")[count] == 0
                    return octets.decode(field.encoding)
                return octets
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
            return next(name for name in field.names if self.header.constant(words, name) == member)
        if isinstance(field, Flags):
            return tuple(name for name in field.names if self.header.constant(words, name) & member)
        if isinstance(field, Table | Logarithmic):
            return field.entries()[member]
        if isinstance(field, Float):
            return float(member)
        return member


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
