"""The value of a field that takes most room in an encoding, and how much more any value could take at the most.

Sizes do not fall as a number grows away from 0, so the ends of a range are the longest whole numbers. Of decimals an
end or the value beside it is: of two neighbours one at least has all the decimals of its step. Where a range hides
the longest value (floating point, decimals that a double rounds) a proven limit is put beside a value that comes near.
"""

import math
from collections.abc import Callable
from decimal import Decimal
from typing import Any, NamedTuple

from lowpanbudget.payload.codec.grid import Stepped
from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.forms.binary_formats import FORMATS
from lowpanbudget.payload.forms.doubles import Numbers, cbor_of, number_of, real_of, text_of, times
from lowpanbudget.payload.forms.long_floats import longest_text
from lowpanbudget.payload.forms.shapes import Unsayable
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.field import Field

Length = Callable[[Field, Any], int | None]  # None: cannot be said

_ONE = Decimal(1)
_DOUBLE_DIGITS = 15  # that every double keeps (IEEE 754: DBL_DIG)
_DOUBLE_TEXT = len(
    repr(-2.2250738585072014e-308)
)  # a sign, 17 digits, a point, and an exponent of three digits


class Longest(NamedTuple):
    """A value that takes most room; ``slack``: by how many octets another could exceed it, 0 where none can.

    Where it is a special code, ``number`` is the longest number, ``loss`` octets shorter at the least.
    """

    value: Any
    slack: int = 0
    number: Any = None
    loss: int = 0

    def times(self, factor: Decimal) -> "Longest":
        """Return the same with its numbers multiplied."""
        value, number = (
            EXACT.multiply(exact(one), factor) if isinstance(one, int | Decimal) else one
            for one in (self.value, self.number)
        )
        return self._replace(value=value, number=number)


class NumberRange(NamedTuple):
    """What a number field writes: least and greatest number, and the numbers that make up all others.

    ``step``: the distance of neighbours, None where it is not the same everywhere.
    """

    low: Decimal
    high: Decimal
    parts: tuple[Decimal, ...]
    step: Decimal | None = None

    def plus(self, other: "NumberRange") -> "NumberRange":
        """Return the span of sums."""
        low, high = EXACT.add(self.low, other.low), EXACT.add(self.high, other.high)
        step = self.step if other.step == 0 else None
        return NumberRange(low, high, (*self.parts, *other.parts), step)

    @property
    def places(self) -> int:
        """Return the decimals that all these numbers have at the most."""
        return max(0, *(-int(part.normalize().as_tuple().exponent) for part in self.parts))


def span_of(number: Stepped) -> NumberRange:
    """Return the span of a number's values."""
    return NumberRange(number.min, number.max, (number.min, number.step), number.step)


def longest(
    field: Field, numbers: Numbers, length: Length, *, base: Any, span: NumberRange | None,
    shift: Decimal, factor: Decimal = _ONE,
) -> Longest:  # fmt: skip
    """Return the longest value of a field without fields of its own; of a series the longest sample.

    ``base``: the time that a time offset counts from. ``span``: what a number field writes, ``shift`` more than its
    value. ``factor``: what a floating-point number is multiplied with when it is written. Raises ``Unsayable`` where
    the encoding can say none of the values.
    """
    values = list(field.longest_values(numbers, base))
    if numbers == "fixed":
        return Longest(values[0])
    sizes = [(size, value) for value in values if (size := length(field, value)) is not None]
    if not sizes:
        raise Unsayable(f"no value of {field.name} can be said")
    size, value = max(sizes, key=lambda pair: pair[0])
    if isinstance(field, Float):
        return Longest(value, _float_slack(field, numbers, length, value, factor))
    if span is None or numbers == "steps":
        return Longest(value)
    # a special code's name may be the longest, and still be shorter than some number
    near, number = max(
        (pair for pair in sizes if not isinstance(pair[1], str)), key=lambda pair: pair[0]
    )
    over = longest_number(span, numbers) - written(EXACT.add(exact(number), shift), numbers)
    if not isinstance(value, str):
        return Longest(value, over)
    return Longest(value, max(over - (size - near), 0), number, max(size - near - over, 0))


def _float_slack(
    field: Float, numbers: Numbers, length: Length, value: float, factor: Decimal
) -> int:
    """Return how many octets longer than the value's another could be."""
    is_text = numbers == "text"
    if factor != 1:  # then it may be any double
        item = times(real_of(field.name, field.bits, value) if is_text else value, factor)
        return (
            _DOUBLE_TEXT - len(text_of(item)) if is_text else len(cbor_of(0.1)) - len(cbor_of(item))
        )
    if is_text:
        return longest_text(field) - len(text_of(real_of(field.name, field.bits, value)))
    widest = length(Float(field.name, bits=field.bits), 1 + 2.0 ** -FORMATS[field.bits].fraction)
    taken = length(field, value)
    assert widest is not None
    assert taken is not None
    return widest - taken


def longest_number(span: NumberRange, numbers: Numbers) -> int:
    """Return the octets that no number of a span exceeds, as text or as a CBOR integer or double."""
    if numbers == "text":
        return _longest_digits(span)
    whole = max(len(cbor_of(int(end))) for end in (span.low, span.high))
    places = span.places
    if not places:
        return whole
    most = max(abs(span.low), abs(span.high))
    bits = math.ceil(EXACT.multiply(most, Decimal(2**places))).bit_length()
    scaled = (EXACT.multiply(part, Decimal(2**places)) for part in span.parts)
    binary = all(part == part.to_integral_value() for part in scaled)
    if not binary or bits > FORMATS[64].fraction:
        return max(whole, len(cbor_of(0.1)))
    # as many significant bits as the greatest can have, the last at the place of the least
    return max(whole, len(cbor_of(math.ldexp((1 << bits) - 1, -places))))


def _longest_digits(span: NumberRange) -> int:
    places = span.places
    ends = [f"{end:.{places}f}" for end in (span.low, span.high)]
    digits = max(len(text.strip("-").replace(".", "").lstrip("0")) for text in ends)
    if not places:
        return max(map(len, ends))
    if digits > _DOUBLE_DIGITS:
        return max(_DOUBLE_TEXT, *(len(text.split(".")[0]) for text in ends))
    # written with an exponent a number below 0.0001 is no longer than with all its zeros
    if span.step is None:
        return max(map(len, ends))
    # an end may be whole; all others lie within its neighbour
    inner = EXACT.add(span.low, span.step), EXACT.subtract(span.high, span.step)
    return max(
        *(len(f"{end:.{places}f}") for end in inner),
        *(written(end, "text") for end in (span.low, span.high)),
    )


def written(value: Any, numbers: Numbers) -> int:
    """Return the octets of a number as text or as a CBOR integer or double."""
    return len((text_of if numbers == "text" else cbor_of)(number_of(value)))
