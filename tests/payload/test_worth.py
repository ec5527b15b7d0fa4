"""What a bit buys, and the search for the smallest loss, against arithmetic and exhaustive search."""

import dataclasses
import struct
from decimal import Decimal
from itertools import pairwise, product
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.steps import with_step, within
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.shrink import Candidate, bit_packed, shrink
from lowpanbudget.payload.search.tree import replaced, walk
from lowpanbudget.payload.search.worth import Worth, worths


def message(*fields: Field, layout: str = "bit-packed") -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout=layout)


def number(
    name: str, low: str, high: str, step: str, tolerance: str | None = None, **more: Any
) -> Number:
    return Number(
        name,
        min=Decimal(low),
        max=Decimal(high),
        step=Decimal(step),
        tolerance=None if tolerance is None else Decimal(tolerance),
        **more,
    )


def smallest_loss(made: Message, octets: int) -> Candidate | None:
    return next((candidate for candidate in shrink(made) if candidate.octets <= octets), None)


def by_path(made: Message) -> dict[str, Worth]:
    return {worth.path: worth for worth in worths(made)}


def test_what_one_bit_of_a_number_buys() -> None:
    made = message(number("t", "-40", "85", "0.01"), Boolean("b"))
    worth = by_path(made)["t"]
    assert (worth.bits, worth.total_bits) == (14, 14)
    # 2^14 - 12501 values; in 13 bits 8192 codes: 12500 / 8191 rounds up to 2 steps, 0.02
    assert worth.spare_codes == 16384 - 12501
    assert (worth.told.step, worth.told.error) == (Decimal("0.01"), Decimal("0.005"))
    assert (worth.told.less_step, worth.told.less_error) == (Decimal("0.02"), Decimal("0.01"))
    # 15 bits are 2 octets; the boolean alone is 1
    assert worth.saves_octets == 1


def test_a_wider_place_than_needed_buys_nothing() -> None:
    field = Number("t", min=Decimal(0), max=Decimal(9), bits=12)
    assert "the same" in by_path(message(field, Boolean("b")))["t"].told.less


def test_a_bit_less_says_what_must_change_with_it() -> None:
    made = message(
        # -50 .. 50 are 101 values, with two names 103 of the 128 codes of 7 bits, which cannot hold the code 128
        number("a", "-5", "5", "0.1", coding="twos-complement", special=(("none", 128),), bits=8),
        # codes 2 .. 5 as it is, 0 .. 3 from min: 2 bits
        number("b", "10", "19", "3", offset=Decimal(4)),
        # -800 .. 1200 in two's complement are 12 bits, 2001 values 11
        number("c", "-40", "60", "0.05", coding="twos-complement"),
        # 0 .. 7 in steps of 2 go on to 8, which makes 5 values; in steps of 3 to 9, which makes 4
        number("d", "0", "7", "1", tolerance="2", special=(("na", 8),)),
    )
    found = by_path(made)
    assert found["a"].told.less.startswith("the same with other special codes: ")
    assert (
        found["b"].told.less == found["c"].told.less == "the same, with codes that count from min"
    )
    assert found["b"].told.less_step == 3
    assert "steps of 2, " in found["d"].told.less
    assert found["d"].told.less.endswith("with a range of 0 .. 8 and other special codes")
    (change,) = shrink(
        message(
            number("d", "0", "7", "1", tolerance="1", special=(("na", 8),)),
            number("e", "0", "31", "1"),
        )
    )[1].changes
    assert (change.step_after, change.also) == (
        Decimal(2),
        "a range of 0 .. 8 and other special codes",
    )


def test_the_last_bit_and_what_others_need() -> None:
    made = message(
        Enumeration("what", names=("a", "b")),
        Union("u", tag="what", options=(Option("a", (Boolean("x"),)), Option("b", ()))),
        number("n", "0", "1", "1"),
        Time("base"),
        TimeOffset("at", base="base", max=Decimal(60)),
        ReservedBits("", bits=3),
    )
    found = by_path(made)
    assert found["n"].told.less == found["what"].told.less == "nothing would be left"
    assert found["what"].total_bits is None
    assert found["base"].total_bits is None
    assert found["u(a).x"].total_bits == 1
    assert found["at"].unit == "s"
    assert found["reserved"].bits == 3


def test_reserved_bits_without_a_name_are_not_needed() -> None:
    """Each is taken out by itself, of several as well; sizes are counted below."""
    made = message(
        number("n", "0", "100", "1"),
        ReservedBits("", bits=4),
        ReservedBits("", bits=5),
        Group("g", fields=(ReservedBits("", bits=6), Boolean("b"))),
    )
    found = worths(made)
    # 7 + 4 + 5 + 6 + 1 = 23 bits, 3 octets; less 4 they are 19, less 5 they are 18, less 6 they are 17: all 3 octets
    assert [(one.path, one.total_bits, one.saves_octets) for one in found] == [
        ("n", 7, 1),
        ("reserved", 4, 0),
        ("reserved", 5, 0),
        ("g.reserved", 6, 0),
        ("g.b", 1, 0),
    ]
    # 4 + 11 + 1 = 16 bits, less 11 they are 5: an octet
    made = message(Version("v", value=1), ReservedBits("", bits=11), Boolean("b"))
    assert by_path(made)["reserved"].saves_octets == 1


def test_every_kind_has_words() -> None:
    made = message(
        Version("v", value=1),
        Sequence("s"),
        Float("f", bits=32),
        Logarithmic("l", min=Decimal(1), max=Decimal(1000), steps=3),
        Table("t", values=(Decimal(1), Decimal(5), Decimal(7))),
        Flags("g", names=("a",)),
        Octets("o", max_length=3),
        Array("r", element=number("", "0", "7", "1"), length=4),
        Series("z", min=Decimal(0), max=Decimal(7), deltas="variable", length=3),
    )
    found = by_path(made)
    assert list(found) == ["v", "s", "f", "l", "t", "g", "o", "r[]", "z"]
    assert found["f"].told.gives.startswith("off by at most about 6.0e-8")  # 2^-24, IEEE 754
    assert "each value 900 % above the last" in found["l"].told.gives  # ratio 10
    assert found["t"].told.error == 2  # half of 5 - 1


def test_what_each_kind_gives_and_what_with_a_bit_less() -> None:
    made = message(
        Constant("k", value=5, bits=3),
        Time("base", bits=9, step=Decimal(675)),
        Time("long", bits=9, step=Decimal("246543.75")),
        TimeOffset("at", base="base", max=Decimal(60)),
        Series("z", min=Decimal(0), max=Decimal(100), deltas="variable", length=3),
        Enumeration("e", names=("a", "b", "c"), bits=4),
        Octets("o", max_length=3),
        Float("f", bits=64),
        Logarithmic("l", min=Decimal(1), max=Decimal(1000), steps=3),
        Table("t", values=tuple(map(Decimal, (1, 5, 7, 8, 9)))),
        Flags("g", names=("a", "b")),
        ReservedBits("", bits=3),
        Boolean("b"),
    )
    found = by_path(made)
    assert all(worth.told.gives and worth.told.less for worth in found.values())
    numbers = {path: worth.told[2:] for path, worth in found.items() if worth.told.step is not None}
    # rounding errs by half a step; 32 codes for 61 values leave steps of 2 (60 / 31), 64 for 101 as well (100 / 63)
    assert numbers == {
        "base": (675, Decimal("337.5"), None, None),
        "long": (Decimal("246543.75"), Decimal("123271.875"), None, None),
        "at": (1, Decimal("0.5"), 2, 1),
        "z": (1, Decimal("0.5"), 2, 1),
    }
    spare = {path: worth.spare_codes for path, worth in found.items() if worth.spare_codes}
    # codes of so many bits, less those that mean something
    assert spare == {"at": 64 - 61, "z": 128 - 101, "e": 16 - 3, "t": 8 - 5}
    words = {path: (worth.told.gives, worth.told.less) for path, worth in found.items()}
    for path, gives, less in (
        ("base", "for 4 days", "for 2 days"),  # 2^9 * 675 s
        ("long", "for 4 years", "for 2 years"),  # of 365.25 days
        ("k", "apart from others", "half as many"),  # a bit less tells half as many apart
        ("e", "3 names", "the same: 3 bits for 8 names"),  # 2^(4 - 1) codes
        ("o", "3 octets", "an octet less"),
        ("f", "off by at most about 1.1e-16", "32 bits, off by at most about 6.0e-8"),  # 2^-53, 2^-24 (IEEE 754)
        ("l", "4 values", "2 values, each 9.99e+04 % above"),  # 1 and 1000: a ratio of 1000 is 99900 % more
        ("t", "5 values, off by at most 2", "at most 4 values"),
        ("g", "2 flags", "1 flag less"),
    ):  # fmt: skip
        assert gives in words[path][0], path
        assert less in words[path][1], path


# min, max and typical of a float of 32 bits, and whether 16 bits hold them as well as the error told: by struct below
FLOATS = [
    ("30000", "110000", "101325", "16 bits hold at most 65504 Pa"),  # IEEE 754-2019 table 3.5: (2 - 2^-10) * 2^15
    (None, None, "1e6", "16 bits hold at most 65504 Pa"),
    ("-70000", "5", None, "16 bits hold at most 65504 Pa"),
    # below 2^-14 = 6.1e-5 numbers are 2^-24 apart: off by up to 2^-25 = 3.0e-8, which is all of a value of 1e-9
    ("1e-9", "1e-7", "5e-8", "16 bits are off by up to 3.0e-8 below 6.1e-5 Pa"),
    ("-1e-7", "1e-7", None, "16 bits are off by up to 3.0e-8 below 6.1e-5 Pa"),
    ("0.00001", "10", None, "16 bits are off by up to 3.0e-8 below 6.1e-5 Pa"),
    ("1", "65504", "2", ""),
    ("-300", "-0.001", None, ""),
    ("0", "100", "20", " or 3.0e-8 below 6.1e-5 Pa"),
    (None, None, "20", " up to 65504 Pa, or 3.0e-8 below 6.1e-5 Pa"),
    ("1", None, None, " up to 65504 Pa"),
    (None, "-1", None, " up to 65504 Pa"),
]  # fmt: skip


@pytest.mark.parametrize(("low", "high", "typical", "limit"), FLOATS)
def test_a_narrower_float_is_offered_where_it_holds_what_is_sent(
    low: str | None, high: str | None, typical: str | None, limit: str
) -> None:
    """Source: Python's struct module, whose "e" is binary16 and refuses what that does not hold."""
    limits = {"min": low, "max": high, "typical": typical}
    stated: dict[str, Any] = {key: Decimal(one) for key, one in limits.items() if one is not None}
    told = by_path(message(Float("f", bits=32, unit="Pa", **stated)))["f"].told
    assert "6.0e-8 of the value" in told.gives  # 2^-24, IEEE 754

    def is_held(value: float) -> bool:
        try:
            sent: float = struct.unpack("e", struct.pack("e", value))[0]
        except OverflowError:
            return False
        return abs(sent - value) <= abs(value) * 2**-11

    ends = [float(one) for one in stated.values()]
    known = [end + (ends[-1] - end) * part / 97 for end in ends for part in range(97)]
    if limit.startswith("16"):
        assert not all(map(is_held, known))
        assert told.less == f"no narrower floating point: {limit}"
    else:
        assert all(map(is_held, known))
        words = "16 bits, off by at most about 4.9e-4 of the value"
        assert told.less == words + ("," if limit.startswith(" or") else "") + limit


def test_a_float_tells_its_own_error_near_0() -> None:
    """Below 2^-14 binary16 numbers are 2^-24 apart (IEEE 754-2019 table 3.5); 5e-8 is sent as 2^-24 = 5.96e-8."""
    tiny = Float("f", bits=16, min=Decimal("1e-9"), max=Decimal("1e-7"))
    assert by_path(message(tiny))["f"].told.gives == "off by at most about 3.0e-8"
    wide = Float("f", bits=16, min=Decimal("1e-9"), max=Decimal(9))
    gives = by_path(message(wide))["f"].told.gives
    assert gives == "off by at most about 4.9e-4 of the value, or 3.0e-8 below 6.1e-5"
    double = by_path(message(Float("f", bits=64)))["f"].told
    assert (
        double.gives == "off by at most about 1.1e-16 of the value"
    )  # 2^-53; its limits nobody can state
    assert double.less == "32 bits, off by at most about 6.0e-8 of the value up to 3.4028e+38"
    far = Float("f", bits=64, typical=Decimal("12345678912345e26"))  # beyond (2 - 2^-23) * 2^127
    assert by_path(message(far))["f"].told.less.endswith(": 32 bits hold at most 3.4028e+38")


PACKED, ALIGNED = "bit-packed", "octet-aligned"
ONE, TWO = Decimal(1), Decimal(2)


def scale(high: int, steps: int, bits: int | None = None) -> Logarithmic:
    return Logarithmic("x", min=ONE, max=Decimal(high), steps=steps, bits=bits)


SMALLER = [
    # flags: 3 in 8 bits, 7 hold them; 3 in 3 bits, 2 hold two of them; 11 in 12 bits take 2 octets, and one holds 8
    (Flags("x", names=("a", "b", "c"), bits=8), PACKED, 7, "the same: the width is more than the flags need"),
    (Flags("x", names=("a", "b", "c")), PACKED, 2, "1 flag less"),
    (Flags("x", names=tuple("abcdefghijk"), bits=12), ALIGNED, 8, "3 flags less"),
    (Flags("x", names=("a", "b", "c")), ALIGNED, 0, "nothing would be left"),
    # tables: 3 values have the codes 0, 1, 2; 5 bits have 32 codes, 2 bits 4, and 1 bit 2
    (Table("x", values=(ONE, TWO, Decimal(3)), bits=6), PACKED, 5, "the same: 5 bits for 32 values"),
    (Table("x", values=(ONE, TWO, Decimal(3))), PACKED, 1, "at most 2 values"),
    (Table("x", values=(ONE, TWO)), PACKED, 0, "nothing would be left"),
    # 11 values on a scale: 8 bits have 256 codes; 256 values in 9 bits are 2 octets, and one octet has as many codes
    (scale(100, 10, bits=9), PACKED, 8, "the same: 8 bits for 256 values"),
    (scale(100, 255, bits=9), ALIGNED, 8, "the same: 8 bits for 256 values"),
    # 8 values in 3 bits, 4 in 2: three steps from 1 to 1000, each times 10
    (scale(1000, 7), PACKED, 2, "4 values, each 900 % above the last"),
    # names: 3 in 3 bits, 2 bits have 4 codes, but not the code 7; 5 names do not fit in 2 bits
    (Enumeration("x", names=("a", "b", "c"), bits=3), PACKED, 2, "the same: 2 bits for 4 names"),
    (Enumeration("x", names=("a", "b", "c"), codes=(0, 1, 7)), PACKED, 2,
     "the same with other codes: 2 bits for 4 names"),
    (Enumeration("x", names=tuple("abcde")), PACKED, 2, "at most 4 names"),
    (Enumeration("x", names=("a", "b")), ALIGNED, 0, "nothing would be left"),
    # 24001 values from 0 to 120 take 15 bits and so 2 octets; 255 steps of 0.475 are 121.125, of 0.47 only 119.85
    (number("x", "0", "120", "0.005"), ALIGNED, 8,
     "steps of 0.475, off by at most 0.2375, with a range of 0 .. 120.175"),
    (number("x", "0", "200", "1", bits=12), ALIGNED, 8, "the same: the width is more than the range needs"),
    (number("x", "0", "200", "1"), ALIGNED, 0, "nothing would be left"),
    (Sequence("x", bits=8), PACKED, 7, "up to 126 messages lost in a row"),
    (Sequence("x", bits=12), ALIGNED, 8, "up to 254 messages lost in a row"),
    (Version("x", value=1, bits=4), PACKED, 3, "half as many formats or versions"),
    (Constant("x", value=5, bits=3), PACKED, 2, "half as many formats or versions, and another value"),
    (Version("x", value=1, bits=16), ALIGNED, 8, "at most 256 formats or versions"),
    (Version("x", value=1, bits=4), ALIGNED, 0, "nothing would be left"),
    (Time("x", bits=32), ALIGNED, 24, "the same steps for 194 days"),  # 2^24 s / 86400 s
    (ReservedBits("", bits=3), PACKED, 2, "2 bits of it"),
    (ReservedBits("", bits=1), PACKED, 0, "nothing would be left"),
    (Octets("x", length=1), ALIGNED, 0, "nothing would be left"),
]  # fmt: skip


@pytest.mark.parametrize(("field", "layout", "less_bits", "less"), SMALLER)
def test_what_a_smaller_place_would_give(
    field: Any, layout: str, less_bits: int, less: str
) -> None:
    """A bit less than the place, or an octet less where fields take whole octets; sizes counted by hand above.

    What is "the same" packs every value in the smaller place, in as many bits less; anything else is refused there,
    unless the number alone counts less far.
    """
    made = message(field, Flags("more", names=("m",)), layout=layout)
    worth = worths(made)[0]
    assert (worth.less_bits, worth.told.less) == (less_bits, less)
    if not hasattr(field, "bits") or not less_bits or "another value" in less:
        return
    changes: dict[str, Any] = {"bits": less_bits}
    if less.startswith("the same with other codes"):
        changes["codes"] = None
    try:
        smaller = message(
            dataclasses.replace(field, **changes), Flags("more", names=("m",)), layout=layout
        )
    except FlawedMessage:  # the format itself says that the values have no place there
        assert not less.startswith("the same:")
        return
    assert made.max_bits - smaller.max_bits == worth.bits - less_bits
    if less.startswith("the same") and "steps" not in less:
        for value in field.edges():
            values = {"x": value, "more": ()}
            assert smaller.unpack(smaller.pack(values)) == made.unpack(made.pack(values))
    elif field.kind not in {"sequence", "version", "time", "reserved"}:
        pytest.fail("the smaller format holds all values, and that is not said")


@pytest.mark.parametrize(("bits", "gives"), [
    (1, "tells a new message from the last"),
    (2, "counts up to 2 messages lost in a row"),
    (8, "counts up to 254 messages lost in a row"),
])  # fmt: skip
def test_as_many_lost_messages_as_no_repeated_one_looks_like(bits: int, gives: str) -> None:
    """Counted: behind number 0 and ``lost`` messages more, the number is another one for each, and not 0 again."""
    assert worths(message(Sequence("s", bits=bits)))[0].told.gives == gives
    most = next(lost for lost in range(1 << bits) if (lost + 1) % (1 << bits) == 0) - 1
    assert most == (1 << bits) - 2
    assert (f"up to {most} " in gives) is (most > 0)


def test_octets_of_a_fixed_number_are_not_up_to_so_many() -> None:
    fixed, fewer = Octets("o", length=8), Octets("o", max_length=8)
    told = [worths(message(octets))[0].told.gives for octets in (fixed, fewer)]
    assert told == ["8 octets as they are", "up to 8 octets as they are"]


@settings(max_examples=60)
@given(
    st.integers(1, 5000), st.integers(-50, 50), st.integers(1, 13), st.booleans(), st.integers(0, 3)
)
@example(4, -9, 2, True, 2)  # steps of 5 fit and steps of 6 do not
def test_the_finest_step_within_some_bits(
    count: int, low: int, bits: int, signed: bool, specials: int
) -> None:
    """Against trying every step from the finest on."""
    coding = "twos-complement" if signed else "offset"
    names = tuple((f"s{number}", None) for number in range(specials))
    field = Number("n", min=Decimal(low), max=Decimal(low + count), coding=coding, special=names)
    found = within(field, bits)
    expected = None
    for times in range(1, max(count, -low, low + count) + 1):
        base = 0 if signed else low
        least, most = (low - base) // times, -((base - low - count) // times)
        signed_fits = -(2 ** (bits - 1)) <= least and most < 2 ** (bits - 1)
        if (signed_fits or not signed) and most - least + 1 + specials <= 2**bits:
            expected = times
            break
    assert (found and int(found.step)) == expected
    if found:
        assert found.min <= field.min < field.max <= found.max


def exhaustive(made: Message, octets: int) -> Decimal | None:
    """Return the smallest worst loss of any combination of widths with at most so many octets."""
    options = []
    for place, field in walk(made.fields):
        if isinstance(field, Number) and field.tolerance:
            coarser = [field]
            for bits in range(field.needed() - 1, 0, -1):
                found = within(field, bits)
                if found and found.step / 2 <= field.tolerance:
                    coarser.append(found)
            options.append(
                [(place, choice, choice.step / 2 / field.tolerance) for choice in coarser]
            )
    best = None
    for combination in product(*options):
        changed = replaced(made, {place: choice for place, choice, _ in combination})
        if changed.max_octets <= octets:
            first = made.fields
            losses = [loss for (_, choice, loss) in combination if choice not in first]
            worst = max(losses, default=Decimal(0))
            best = worst if best is None else min(best, worst)
    return best


@settings(max_examples=12)
@given(
    st.lists(
        st.tuples(st.integers(3, 4000), st.sampled_from(["0.5", "3", "8", "20"])),
        min_size=1,
        max_size=3,
    )
)
def test_the_front_is_that_of_exhaustive_search(parts: list[tuple[int, str]]) -> None:
    fields = [
        number(f"n{k}", "0", str(high), "1", tolerance) for k, (high, tolerance) in enumerate(parts)
    ]
    made = message(*fields, Flags("f", names=("a", "b", "c")))
    front = shrink(made)
    assert front[0].message == made
    for octets in range(made.max_octets + 1):
        found = smallest_loss(made, octets)
        best = exhaustive(made, octets)
        if best is None:
            assert found is None
        else:
            assert found is not None
            assert float(found.loss) == pytest.approx(float(best), abs=1e-8)
    for before, after in pairwise(front):
        assert before.octets > after.octets
        assert before.loss < after.loss <= 1


def coarsenings(field: Number) -> list[tuple[Number, Decimal]]:
    """Return a number with every whole multiple of its step within its tolerance, and the share of it used up."""
    assert field.tolerance is not None
    times = range(2, int(2 * field.tolerance) + 1)
    share = Decimal(2) * field.tolerance
    return [(field, Decimal(0)), *((with_step(field, count), count / share) for count in times)]


@settings(max_examples=15)
@given(st.data())
def test_no_step_whatever_reaches_a_size_with_less_loss(data: st.DataObject) -> None:
    """Against all multiples of the steps, not only those that the search takes into account."""
    fields = []
    for name in "abc"[: data.draw(st.integers(1, 3))]:
        low = data.draw(st.sampled_from([0, -7, 5, -20]))
        more: dict[str, Any] = data.draw(
            st.sampled_from([{}, {"coding": "twos-complement"}, {"offset": Decimal(low - 11)}])
        )
        high = low + data.draw(st.integers(3, 60))
        tolerance = data.draw(st.sampled_from(["1", "2", "4"]))
        fields.append(number(name, str(low), str(high), "1", tolerance, **more))
    made = message(*fields)
    sizes: dict[int, Decimal] = {}
    for combination in product(*(coarsenings(field) for field in fields)):
        changed: dict[FieldPath, Field | None] = {(other.name,): other for other, _ in combination}
        octets = replaced(made, changed).max_octets
        loss = max(loss for _, loss in combination)
        sizes[octets] = min(loss, sizes.get(octets, loss))
    for octets in range(1, made.max_octets + 1):
        best = min((loss for size, loss in sizes.items() if size <= octets), default=None)
        found = smallest_loss(made, octets)
        assert (found is None) == (best is None)
        if found is not None and best is not None:
            assert float(found.loss) == pytest.approx(float(best), abs=1e-8)


def test_a_range_away_from_zero_takes_steps_wider_than_itself() -> None:
    """-7 to -4 in two's complement: steps of 3 are -3 to -1, three bits; steps of 4 are -2 and -1, two bits."""
    field: Any = number("n", "-7", "-4", "1", "2", coding="twos-complement")
    coarser = [one.field for one in field.coarser(message(field).order)]
    assert [(str(one.step), one.needed()) for one in coarser] == [("2", 3), ("4", 2)]


def test_steps_that_save_no_octet_are_given_back() -> None:
    # 8 + 8 + 1 bits are 3 octets. One bit less of either makes 2; the cheaper loss is that of b.
    made = message(
        number("a", "0", "255", "1", "1.5"), number("b", "0", "255", "1", "10"), Boolean("x")
    )
    front = shrink(made)
    assert [(found.octets, [change.path for change in found.changes]) for found in front] == [
        (3, []),
        (2, ["b"]),
    ]
    change = front[1].changes[0]
    # 255 / 127 rounds up to steps of 3: off by 1.5 of the 10 allowed
    assert (change.step_after, change.error, change.loss) == (
        Decimal(3),
        Decimal("1.5"),
        Decimal("0.15"),
    )


def test_of_steps_that_save_no_octet_the_worst_is_given_back_first() -> None:
    """0 to 3 in steps of 3 is one bit for two, off by 1.5. Eleven bits fall to eight without three of four.

    Losses are 0.05, 0.1, 0.15 and 0.15 of what is allowed, so all four are coarser before there is an octet less.
    """
    numbers = [
        number(name, "0", "3", "1", most) for name, most in zip("abcd", ["30", "15", "10", "10"], strict=True)
    ]  # fmt: skip
    front = shrink(message(*numbers, Flags("f", names=("x", "y", "z"))))
    assert [(found.octets, [change.path for change in found.changes]) for found in front] == [
        (2, []),
        (1, ["a", "b", "d"]),
    ]
    assert front[1].loss == Decimal("0.15")


def test_readings_of_a_batch_are_tuned_inside_the_array() -> None:
    reading = Group(
        "", fields=(number("t", "-40", "60", "0.01", "0.05"), number("h", "0", "100", "0.1", "0.5"))
    )
    made = message(Sequence("s"), Array("r", element=reading, max_length=20))
    found = smallest_loss(made, made.max_octets - 10)
    assert found is not None
    assert found.message.max_octets == found.octets <= made.max_octets - 10
    assert {change.path for change in found.changes} == {"r[].t", "r[].h"}
    # as a question about a batch: how small can twelve readings be
    batch = shrink(made, lambda one: len(one.pack(one.batch_example(12))))
    assert batch[-1].octets < batch[0].octets
    assert smallest_loss(made, 3) is None


def test_a_width_that_the_values_do_not_need_is_given_back_without_loss() -> None:
    """Counted: 20 bits are 3 octets, and 101 values take 7, one octet; a sample of 10 and 20 differences two each.

    Without any tolerance 3 + 2 + 40 octets become 1 + 2 + 40.
    """
    wide = number("a", "0", "100", "1", bits=20)
    samples = Series(
        "zz", min=Decimal(0), max=Decimal(1000), deltas="fixed", delta_bits=16, length=21
    )
    made = message(wide, samples, layout=ALIGNED)
    first, last = shrink(made)
    assert (first.octets, last.octets, last.loss) == (45, 43, Decimal(0))
    (change,) = last.changes
    assert (change.bits_before, change.bits_after) == (20, 7)
    for value in wide.edges():
        values = {"a": value, "zz": [0, 1000] * 10 + [0]}
        assert last.message.unpack(last.message.pack(values)) == made.unpack(made.pack(values))
    # bit-packed the differences of 16 bits need 11: 7 + 10 + 20 * 11 = 237 bits instead of 20 + 10 + 20 * 16 = 350
    packed, closer = bit_packed(made)
    assert (packed.octets, closer.octets, closer.loss) == (44, 30, Decimal(0))
    assert [one.also for one in closer.changes] == ["", "differences of 11 bits instead of 16"]
    # steps that stay use nothing of a tolerance
    made = message(number("a", "0", "100", "1", "0.5", bits=20), layout=ALIGNED)
    assert [(one.octets, one.loss) for one in shrink(made)] == [
        (3, Decimal(0)),
        (1, Decimal(0)),
    ]


def test_bit_packed_an_octet_aligned_message_is_shorter_without_loss() -> None:
    """Counted: 24001 values take 15 bits, 12001 take 14, a flag 1: 2 + 2 + 1 octets aligned, 30 bits and so 4 packed.

    With 3 octets and so 23 bits for the numbers, 0 .. 120 in steps of 0.03 are 4001 values, 12 bits, and in steps of
    0.06 2001 values, 11 bits: off by 0.015 of 0.05, and by 0.03 of 0.1.
    """
    numbers = (number("w", "0", "120", "0.005", "0.05"), number("v", "0", "120", "0.01", "0.1"))
    made = message(*numbers, Boolean("b"), layout=ALIGNED)
    packed = bit_packed(made)[0].message
    assert (made.max_octets, packed.max_octets) == (5, 4)
    values = {"w": Decimal("119.995"), "v": Decimal("0.01"), "b": True}
    assert packed.unpack(packed.pack(values)) == made.unpack(made.pack(values)) == values
    first, last = bit_packed(made)
    assert (first.octets, first.changes, last.octets) == (4, (), 3)
    assert [str(one.step_after) for one in last.changes] == ["0.030", "0.06"]
    assert [one.octets for one in shrink(made)] == [5]
    assert bit_packed(packed) == ()
    # in 8 bits the code 100 is beyond 50, in the 7 bits that -50 .. 50 take it is 100 - 128 = -28
    special = number("n", "-50", "50", "1", coding="twos-complement", special=(("none", 100),))
    assert bit_packed(message(special, layout=ALIGNED)) == ()


@pytest.mark.parametrize("layout", ["bit-packed", "octet-aligned"])
def test_without_tolerances_nothing_is_changed(layout: str) -> None:
    made = message(number("a", "0", "255", "1"), Float("f", bits=32), layout=layout)
    assert len(shrink(made)) == 1
