"""Numbers and octets in JSON (RFC 8259): what text and readers hold of them; and in CBOR (RFC 8949).

Readers are taken to hold numbers as IEEE 754 doubles (RFC 8259 section 6), so that digits beyond those are lost.
Floating point of 16 and 32 bits is written in the fewest digits that restore it. JSON has no infinities and no "not a
number".
"""

import base64
import math
import re
import struct
from collections.abc import Callable
from decimal import Decimal
from io import BytesIO
from typing import Any, Literal, NoReturn

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.grid import Stepped
from lowpanbudget.payload.exact import EXACT, FLOAT_LETTERS, exact
from lowpanbudget.payload.forms.shapes import Unsayable

Real = Callable[
    [str, int, float], int | float
]  # name, bits and value of a float: a number of JSON or CBOR
# How an encoding writes numbers: in places of a fixed width, as whole steps, as decimal text, as integers and doubles.
Numbers = Literal["fixed", "steps", "text", "real"]
MOST_DIGITS = {
    16: 5,
    32: 9,
    64: 17,
}  # that any value of the width needs (IEEE 754, table 5.1 and text)
_BASE64URL = r"[A-Za-z0-9_-]*"  # RFC 4648 table 2
_NO_NUMBER = r'"(?:[^"\\]|\\.)*"|(NaN|-?Infinity)'  # texts hold any words
_WHOLE = 10**16  # from here on the library writes an exponent; below, a whole number needs no point


def text_of(plain: Any) -> bytes:
    """Return compact JSON in UTF-8."""
    import json  # noqa: PLC0415  # few messages are written in it

    text = json.dumps(plain, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode()


def read_text(octets: bytes) -> Any:
    """Return what JSON text says, with every number as a double holds it; a name twice in an object is a ValueError.

    So are the words for no finite number that the library reads: JSON has none (RFC 8259 section 6).
    """
    import json  # noqa: PLC0415

    def refuse(word: str) -> NoReturn:
        text = octets.decode(json.detect_encoding(octets))
        at = next(found.start(1) for found in re.finditer(_NO_NUMBER, text) if found[1])
        raise json.JSONDecodeError(f"{word} is no number of JSON", text, at)

    return json.loads(
        octets, parse_int=_integer, parse_constant=refuse,
        object_pairs_hook=_once,
    )  # fmt: skip


def _integer(digits: str) -> float | int:
    """Return a whole number as a double holds it, infinite where none does; JSON's are as long as they are."""
    double = float(digits)
    return as_double(int(digits)) if math.isfinite(double) else double


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return an object whose names differ: of two alike nobody knows which one counts (RFC 8259 section 4)."""
    made = dict(pairs)
    if len(made) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in made if names.count(name) > 1)
        raise ValueError(f"{twice[:40]!r} stands twice in an object")
    return made


def cbor_of(plain: Any) -> bytes:
    """Return CBOR of definite length, numbers in the shortest form that keeps them (RFC 8949 section 4.1)."""
    import cbor2  # noqa: PLC0415 - loaded where it is used

    return bytes(cbor2.dumps(plain, canonical=True))


def read_cbor(octets: bytes) -> Any:
    """Return what CBOR says, of which nothing stands behind the one item; the library's errors are of many kinds.

    Of two keys alike in a map nobody knows which one counts (RFC 8949 section 5.6).
    """
    import cbor2  # noqa: PLC0415 - loaded where it is used

    stream = BytesIO(octets)
    decoder = cbor2.CBORDecoder(stream, read_size=1, allow_duplicate_keys=False)
    item, end = decoder.decode(), stream.tell()
    if left := len(octets) - end:
        stands = "stands" if left == 1 else "stand"
        raise ValueError(f"{plural(left, 'octet')} {stands} behind the one item")
    return item


def as_double(number: Any) -> Any:
    """Return a number as a receiver has it that keeps doubles only; whole numbers stay whole."""
    return int(float(number)) if isinstance(number, int) else float(number)


def number_of(value: Any) -> int | float:
    """Return an exact number as an integer or the nearest double."""
    return int(value) if value == int(value) else float(value)


def times(item: float, factor: Decimal) -> int | float:
    """Return a number of JSON or CBOR multiplied: the nearest double, an integer of an integer where it is whole."""
    made = EXACT.multiply(exact(item), factor)
    return number_of(made) if isinstance(item, int) else float(made)


def value_of(number: Stepped | None, item: Any) -> Any:
    """Return the value of a number field from an integer or a double (read by its shortest text)."""
    value = exact(item)
    whole = number is not None and number.whole and value == int(value)
    return int(value) if whole else value


def real_of(name: str, bits: int, value: float) -> int | float:
    """Return a float of so many bits as the number with the fewest digits that restores it."""
    if not math.isfinite(value):
        raise Unsayable(f"{name} is {value}, and JSON has no such number (RFC 8259 section 6)")
    letter = ">" + FLOAT_LETTERS[bits]
    for digits in range(1, MOST_DIGITS[bits] + 1):
        short = float(f"{value:.{digits}g}")
        if abs(short) < math.inf and _same(letter, short, value):
            break
    negative_zero = short == 0 and math.copysign(1, short) < 0
    return (
        int(short) if abs(short) < _WHOLE and short == int(short) and not negative_zero else short
    )


def real_from(bits: int, item: float) -> float:
    """Return the value that a float of the field's width takes from a double; ``OverflowError`` beyond the greatest.

    The byte order is stated, for in the machine's own the library makes infinity of what 32 bits do not hold.
    """
    letter = ">" + FLOAT_LETTERS[bits]
    value: float = struct.unpack(letter, struct.pack(letter, item))[0]
    return value


def _same(letter: str, short: float, value: float) -> bool:
    try:
        return struct.pack(letter, short) == struct.pack(letter, value)
    except OverflowError:  # rounded up beyond the greatest value of the width
        return False


def octets_text(octets: bytes) -> str:
    """Return octets in base64url without padding (RFC 4648 section 5)."""
    return base64.urlsafe_b64encode(octets).decode().rstrip("=")


def octets_from(text: str) -> bytes:
    """Return the octets of base64url text without padding; ``ValueError`` for any other letter, "+" and "/" as well."""
    if not re.fullmatch(_BASE64URL, text):
        raise ValueError("letters, digits, - and _ make base64url")
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
