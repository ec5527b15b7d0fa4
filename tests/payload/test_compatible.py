"""What old receivers read from new octets; each verdict is worked out beside its check."""

import dataclasses
from decimal import Decimal
from functools import partial
from random import Random
from typing import Any

import pytest
from compiled import schemas as formats
from hypothesis import given, settings
from payload.schemas import messages
from work import calls

from lowpanbudget.errors import WireError
from lowpanbudget.payload.c.source import generate
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
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
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.alignment import Alignment, is_in_step
from lowpanbudget.payload.search.compatible import (
    Change,
    FormatComparison,
    compare,
    compare_all,
)
from lowpanbudget.payload.search.course import are_read_right
from lowpanbudget.payload.search.receiver import Outcome
from lowpanbudget.payload.search.sampler import edges, every_message, samples
from lowpanbudget.payload.search.sizes_apart import are_refused_by_size


def message(*fields: Field, name: str = "m", **orders: str) -> Message:
    stated = {"byte_order": "big", "bit_order": "msb-first", "layout": "bit-packed"} | orders
    return Message(name, fields, **stated)


def number(name: str, high: int = 255, **more: Any) -> Number:
    return Number(name, min=Decimal(0), max=Decimal(high), **more)


def only(comparison: FormatComparison) -> Change:
    assert len(comparison.changes) == 1, comparison
    assert comparison.changes[0].safe == comparison.safe
    return comparison.changes[0]


OLD = (Version("v", value=1), ReservedBits("", bits=4), number("a"), Boolean("b"))


def test_nothing_changed() -> None:
    found = compare(message(*OLD), message(*OLD))
    assert (found.safe, found.changes, found.reads) == (True, (), "all its fields right")
    noted = [dataclasses.replace(field, note="new words") for field in OLD]
    assert compare(message(*OLD), message(*noted)).changes == ()
    # a design has many formats of which one changes: nothing is tried for the others
    batch = message(Array("a", element=Group("", fields=OLD[2:]), max_length=200))
    assert calls(partial(compare, batch, batch)) < 5000


def test_an_appended_field_is_read_by_those_that_ignore_what_follows() -> None:
    found = compare(message(*OLD), message(*OLD, number("c")))
    change = only(found)
    assert (change.safe, change.outcome) == (False, Outcome.PREFIX)
    assert (change.path, change.what, change.bits) == ("c", "c appended", 8)
    # 17 bits were 3 octets, 25 bits are 4
    assert (found.old_octets, found.new_octets) == ((3, 3), (4, 4))
    assert "only where it ignores up to 1 octet" in change.reads
    octets = message(*OLD, number("c")).pack({"a": 7, "b": True, "c": 200})
    with pytest.raises(WireError, match="1 octet after it"):
        message(*OLD).unpack(octets)
    assert message(*OLD).unpack(octets, ignore_tail=True)["a"] == 7


def test_bits_that_fall_into_the_padding_disturb_no_receiver() -> None:
    """17 bits fill 3 octets up to 24: 7 bits more are where no receiver looks."""
    found = compare(message(*OLD), message(*OLD, number("c", 127)))
    assert (found.safe, found.outcome) == (True, Outcome.RIGHT)


def test_what_the_greatest_message_hides_in_its_padding_others_send_behind_it() -> None:
    old = Array("s", element=number("", 63), max_length=3)
    least, most = message(old), message(old, number("c", 15))
    # 2, 8, 14 and 20 bits are 1, 1, 2 and 3 octets; with 4 bits more 6, 12, 18 and 24 are 1, 2, 3 and 3
    assert (least.max_octets, most.max_octets) == (3, 3)
    found = compare(least, most)
    assert found.outcome is Outcome.PREFIX
    assert "only where it ignores up to 1 octet" in found.reads


def test_an_appended_optional_field_moves_everything_by_its_presence_bit() -> None:
    change = only(compare(message(*OLD), message(*OLD, number("c", optional=True))))
    assert not change.safe
    assert change.bits == 9


def test_in_an_appended_group_an_optional_field_moves_nothing() -> None:
    """Its presence bit leads the group, which begins where the old format ends."""
    group = Group("more", fields=(number("c", optional=True),))
    change = only(compare(message(*OLD), message(*OLD, group)))
    read = (change.outcome, change.what, change.bits)
    assert read == (Outcome.PREFIX, "more appended", 9)


def test_reserved_bits_may_be_used() -> None:
    new = (OLD[0], Boolean("x"), ReservedBits("", bits=3), *OLD[2:])
    change = only(compare(message(*OLD), message(*new)))
    assert change.safe
    assert change.what == "reserved replaced by x, reserved"
    assert change.bits == 0


def test_more_reserved_bits_move_what_follows() -> None:
    assert not compare(message(*OLD), message(OLD[0], ReservedBits("", bits=5), *OLD[2:])).safe
    # but at the end they are appended
    tail = (number("a"), ReservedBits("", bits=4))
    more = compare(message(*tail), message(tail[0], ReservedBits("", bits=12)))
    assert more.outcome is Outcome.PREFIX


def test_inserted_and_removed_fields_are_not_safe() -> None:
    inserted = only(compare(message(*OLD), message(OLD[0], number("c", 15), *OLD[1:])))
    assert (inserted.safe, inserted.what, inserted.bits) == (False, "c inserted", 4)
    removed = only(compare(message(*OLD), message(OLD[0], OLD[1], OLD[3])))
    assert (removed.safe, removed.what, removed.bits) == (False, "a removed", -8)
    last = only(compare(message(*OLD), message(*OLD[:3])))
    assert not last.safe
    assert "b = False, which was not sent" in last.reads or "refuses" in last.reads


def test_a_new_version_is_refused() -> None:
    change = only(compare(message(*OLD), message(Version("v", value=2), *OLD[1:])))
    assert not change.safe
    assert change.reads == "refuses all messages: field v is 2, and this format has 1"


def test_outcomes_are_told_apart() -> None:
    """A version or a constant in front makes the old format refuse; without one, moved fields are misread."""
    refused = compare(message(*OLD), message(Version("v", value=2), number("c"), *OLD[1:]))
    assert refused.outcome is Outcome.REFUSED
    moved = (message(*OLD), message(OLD[0], number("c"), *OLD[1:]))
    # an octet longer, which a receiver that does not ignore it refuses
    assert compare(*moved).outcome is Outcome.REFUSED
    assert compare(*moved, ignore_tail=True).outcome is Outcome.MISREAD
    both = compare(message(number("a", 200), number("b")), message(number("b", 255), number("a")))
    assert both.outcome is Outcome.MISREAD  # codes above 200 are refused, the others misread
    right = compare(message(*OLD), message(*OLD, number("c")))
    assert right.outcome is Outcome.PREFIX
    assert "m_unpack_prefix of the generated C does, m_unpack and unpack refuse" in right.reads
    header = generate(message(*OLD)).header.text
    assert "m_unpack_prefix(" in header
    assert "m_unpack(" in header


def test_a_name_alone_is_safe() -> None:
    found = compare(message(*OLD), message(OLD[0], OLD[1], number("aa"), OLD[3]))
    change = only(found)
    assert (change.safe, change.what) == (True, "a renamed to aa")
    # no octet tells a new name from another thing of the same shape: both directions say what has to be so
    assert change.reads == "all its fields right; the same octets: right only if aa is what a is"
    assert found.new_receiver_reads.endswith("right only if a is what aa is")
    assert found.new_receiver_outcome is Outcome.RIGHT


@pytest.mark.parametrize(
    ("was", "now", "outcome"),
    [
        ("irigate", "irrigate", Outcome.RIGHT),
        ("recieved", "received", Outcome.RIGHT),
        ("mains-on", "Mains_On", Outcome.RIGHT),
        # a code that is given to something else, or to the opposite
        ("flush", "drain", Outcome.MISREAD),
        ("locked", "unlocked", Outcome.MISREAD),
        ("inactive", "active", Outcome.MISREAD),
        ("mains_on", "mains_off", Outcome.MISREAD),
        ("door1", "door2", Outcome.MISREAD),
        ("period_1h", "period_11h", Outcome.MISREAD),
        ("warming", "warning", Outcome.MISREAD),
        ("low", "slow", Outcome.MISREAD),
    ],
)
def test_a_value_spelled_otherwise_is_the_same_value(was: str, now: str, outcome: Outcome) -> None:
    for make in (partial(Enumeration, "m", bits=3), partial(Flags, "m", bits=3)):
        found = compare(message(make(names=("idle", was))), message(make(names=("idle", now))))
        assert found.outcome is outcome
        assert found.new_receiver_outcome is outcome
        right = f"all its fields right; the same octets: right only if {now} is what {was} is"
        assert outcome is Outcome.MISREAD or found.reads == right


def test_a_name_that_chooses_an_option_keeps_its_name() -> None:
    def made(name: str) -> Message:
        options = tuple(Option(one, (number("a"),)) for one in ("idle", name))
        return message(Enumeration("m", names=("idle", name)), Union("u", tag="m", options=options))

    assert compare(made("irigate"), made("irrigate")).outcome is Outcome.MISREAD


def test_a_new_receiver_reads_what_is_appended_from_bits_that_only_fill_up() -> None:
    """17 bits of the old format are 3 octets: 7 bits more are there, 8 are not; unpack is asked beside it."""
    old, within, beyond = (
        message(*OLD, *more) for more in ((), (number("c", 127),), (number("c"),))
    )
    read = compare(old, within)
    assert (read.outcome, read.new_receiver_outcome) == (Outcome.RIGHT, Outcome.MISREAD)
    assert read.new_receiver_reads == "c = 0, which was not sent"
    octets = old.pack({"a": 7, "b": True})
    assert within.unpack(octets)["c"] == 0
    assert compare(old, beyond).new_receiver_outcome is Outcome.REFUSED
    with pytest.raises(WireError, match="field c needs 8 bits here and 7 are left"):
        beyond.unpack(octets)
    # a version that counts up with the format tells them apart
    later = compare(old, message(Version("v", value=2), *OLD[1:], number("c", 127)))
    assert (later.outcome, later.new_receiver_outcome) == (Outcome.REFUSED, Outcome.REFUSED)


def test_what_only_a_receiver_misreads_that_ignores_the_tail_others_refuse() -> None:
    """A count of 2 bits, then of 3: 101 = 5 begins with 10 = 2, and the octets behind two elements are left over."""
    old, new = (message(Array("s", element=number(""), max_length=most)) for most in (3, 7))
    octets = new.pack({"s": [0] * 5})
    with pytest.raises(WireError, match="the message ends here, with 3 octets after it"):
        old.unpack(octets)
    assert len(old.unpack(octets, ignore_tail=True)["s"]) == 2
    change = only(compare(old, new))
    # n + 1 octets are sent and n // 2 + 1 read, so that only none are read, and right
    assert change.outcome is Outcome.REFUSED
    assert "m_unpack_prefix ignores them and misreads: s.count = " in change.reads
    found = compare(old, new, ignore_tail=True)
    assert (only(found).outcome, found.outcome) == (Outcome.MISREAD, Outcome.MISREAD)


def test_ranges() -> None:
    # narrower, with the same step and width: old receivers know all the codes
    assert compare(message(number("a", 255)), message(number("a", 200))).safe
    # wider with the same width: codes that the old format does not know
    wider = only(compare(message(number("a", 200)), message(number("a", 255))))
    assert not wider.safe
    assert "refuses some messages" in wider.reads
    step = compare(message(number("a", 200)), message(number("a", 200, step=Decimal(2), bits=8)))
    assert not step.safe
    assert "where" in step.reads


def test_another_unit_is_never_safe() -> None:
    change = only(compare(message(number("a", unit="Cel")), message(number("a", unit="K"))))
    assert not change.safe
    assert "the same octets, but takes K for Cel" in change.reads


def test_another_name_of_the_same_unit_is_safe() -> None:
    """What SenML's registry calls Cel (RFC 8428 section 12.1) people write as degC."""
    for there in ("degC", "°C", "celsius"):
        change = only(compare(message(number("a", unit=there)), message(number("a", unit="Cel"))))
        assert change.safe


PERCENT = number("a", 60, step=Decimal("0.1"), unit="%", special=(("none", None),))
RATIO = Number(
    "a",
    min=Decimal(0),
    max=Decimal("0.6"),
    step=Decimal("0.001"),
    unit="/",
    special=(("none", None),),
)
# each pair says one quantity by one code: the second value is worked out by hand (SI prefixes, RFC 8428 table 6)
RESCALED = {
    "percent": (PERCENT, RATIO, 30, "0.3"),
    "millivolts": (Number("a", min=Decimal(2), max=Decimal("3.6"), step=Decimal("0.05"), unit="V"),
                   Number("a", min=Decimal(2000), max=Decimal(3600), step=Decimal(50), unit="mV"), "2.15", 2150),
    # an hour is 60 minutes, but a minute no exact decimal of an hour
    "hours": (number("a", 4, unit="h"), number("a", 240, step=Decimal(60), unit="min"), 3, 180),
    "a table": (Table("a", values=(Decimal(1), Decimal(5)), unit="kPa"),
                Table("a", values=(Decimal(10), Decimal(50)), unit="hPa"), 5, 50),
    "equal ratios": (Logarithmic("a", min=Decimal("0.3"), max=Decimal(30), steps=7, unit="%"),
                     Logarithmic("a", min=Decimal("0.003"), max=Decimal("0.3"), steps=7, unit="/"), 30, "0.3"),
    "samples": (Series("a", min=Decimal(0), max=Decimal(9), deltas="variable", max_length=3, unit="m"),
                Series("a", min=Decimal(0), max=Decimal(9000), step=Decimal(1000), deltas="variable",
                       max_length=3, unit="mm"), [1, 9], [1000, 9000]),
    "elements": (Array("a", max_length=3, element=dataclasses.replace(PERCENT, name="", special=())),
                 Array("a", max_length=3, element=dataclasses.replace(RATIO, name="", special=())), [1, 60],
                 [Decimal("0.01"), Decimal("0.6")]),
}  # fmt: skip


@pytest.mark.parametrize("case", RESCALED)
def test_the_same_quantity_in_another_unit_is_no_misreading(case: str) -> None:
    field, other, value, same = RESCALED[case]
    old, new = message(OLD[0], field, Boolean("b")), message(OLD[0], other, Boolean("b"))
    given_value, given_same = (
        Decimal(one) if isinstance(one, str) else one for one in (value, same)
    )
    octets = old.pack({"a": given_value, "b": True})
    assert octets == new.pack({"a": given_same, "b": True})
    for before, after in ((old, new), (new, old)):
        found = compare(before, after)
        assert only(found).outcome is found.outcome is Outcome.SCALED
        assert found.new_receiver_outcome is Outcome.SCALED
        assert found.reads.startswith("all its fields right; a")
        assert any("another number for it" in text for text in found.advice)
    # one step more is another code for the same quantity, and a longer message is only right as a prefix
    more = message(OLD[0], other, Boolean("b"), number("more"))
    assert compare(old, more).outcome in {Outcome.PREFIX, Outcome.REFUSED}


def test_a_unit_that_scales_with_numbers_that_do_not_is_misread() -> None:
    """0.3 of "/" is 30 %: where the range stays 0 .. 60, each code says a hundred times as much."""
    for old, new in (
        (PERCENT, dataclasses.replace(PERCENT, unit="/")),
        (PERCENT, dataclasses.replace(RATIO, max=Decimal("1.2"), step=Decimal("0.002"))),
        (Float("a", bits=32, unit="%"), Float("a", bits=32, unit="/")),
        (number("a", unit="mV"), number("a", unit="mA")),
        (number("a", unit="pH"), number("a", unit="H")),
        (number("a", unit="Cel"), number("a", unit="degF")),
    ):
        assert compare(message(old), message(new)).outcome is Outcome.MISREAD
    # what is misread for another reason is not laid on the unit
    flags = [
        message(field, Flags("f", names=names))
        for field, names in ((PERCENT, ("a",)), (RATIO, ("a", "b")))
    ]
    back = compare(*flags)
    assert back.outcome is Outcome.SCALED
    assert back.new_receiver_outcome is Outcome.MISREAD
    assert back.new_receiver_reads == "b of f as not set, which was not sent"
    # equal ratios are rounded to digits: 1 / 60 of them leaves others
    log = Logarithmic("a", min=Decimal(60), max=Decimal(6000), steps=7, unit="s")
    minutes = dataclasses.replace(log, min=Decimal(1), max=Decimal(100), unit="min")
    assert compare(message(log), message(minutes)).outcome is Outcome.MISREAD


def test_a_unit_that_was_only_meant_may_be_stated() -> None:
    """Its octets and values are the same; whether it was meant no octet shows, and the words say so."""
    found = compare(message(number("a")), message(number("a", unit="Cel")))
    right = "all its fields right; the same octets: right only if unit Cel of a is meant by both"
    assert (found.outcome, found.reads) == (Outcome.RIGHT, right)
    assert (found.new_receiver_outcome, found.new_receiver_reads) == (Outcome.RIGHT, right)


@pytest.mark.parametrize(
    "bare",
    [
        Float("a", bits=32),
        Float("a", bits=64, min=Decimal(0), max=Decimal(100)),
        number("a", 2**24 - 1),
        number("a", step=Decimal("0.001"), coding="twos-complement"),
        Table("a", values=tuple(map(Decimal, range(250)))),
        Logarithmic("a", min=Decimal(1), max=Decimal(1000), steps=4095),
        Series("a", min=Decimal(0), max=Decimal(4095), max_length=16, deltas="variable"),
        Array("a", element=number("", 2**24 - 1), max_length=4),
    ],
    ids=lambda field: field.kind,
)  # fmt: skip
def test_a_unit_moves_no_bit_of_any_kind(bare: Any) -> None:
    """The values have the same codes, of any width; what they are is meant otherwise only where both say it."""

    def made(unit: str) -> Message:
        inner = isinstance(bare, Array)
        field = bare.element if inner else bare
        field = dataclasses.replace(field, unit=unit)
        return message(OLD[0], dataclasses.replace(bare, element=field) if inner else field)

    for sample in samples(made(""), 4):
        assert made("").pack(sample) == made("m").pack(sample)
    for old, new in ((made(""), made("m")), (made("m"), made(""))):
        found = compare(old, new)
        assert (found.outcome, found.new_receiver_outcome) == (Outcome.RIGHT, Outcome.RIGHT)
        assert found.reads.endswith("the same octets: right only if unit m of a is meant by both")
    change = only(compare(made("m"), made("km")))
    assert change.outcome is Outcome.MISREAD
    # a kilometre is 1000 m (SI), and every number of one is read as one of metres
    told = "takes km for m" if isinstance(bare, Float) else "a in m where km was sent"
    told = told.replace("a in", "a[] in") if isinstance(bare, Array) else told
    assert change.reads.endswith(told)
    assert change.what.endswith("unit m becomes km")


def test_what_an_array_is_and_what_is_in_it_are_two_changes() -> None:
    def made(unit: str, most: int) -> Message:
        group = Group("", fields=(number("b", unit=unit),))
        return message(Array("a", element=group, max_length=most))

    changes = compare(made("m", 5), made("km", 6)).changes
    told = [(change.path, change.what, change.outcome) for change in changes]
    assert told == [
        ("a", "max_length 5 becomes 6", Outcome.REFUSED),
        ("a[].b", "unit m becomes km", Outcome.MISREAD),
    ]


def test_names_added_to_an_enumeration() -> None:
    old, new = (message(Enumeration("e", names=tuple("abcde")[:count])) for count in (3, 4))
    change = only(compare(old, new))
    assert not change.safe
    assert "which has no name" in change.reads
    assert change.what == "names d added"


def test_options_of_a_union_are_told_by_name() -> None:
    """A name of the tag alone, or an option alone, would be no format: together they are refused."""

    def union(*names: str) -> Message:
        options = tuple(Option(name, ()) for name in names)
        return message(Enumeration("what", names=names), Union("how", tag="what", options=options))

    found = compare(union("heat", "halt", "tune"), union("heat", "halt", "tune", "test"))
    assert [change.what for change in found.changes] == ["names test added", "options test added"]
    assert found.outcome is Outcome.REFUSED


def test_flags_in_spare_bits_are_ignored() -> None:
    def flags(*names: str) -> Message:
        return message(Flags("f", names=names, bits=8))

    assert compare(flags("a"), flags("a", "b")).safe
    moved = only(compare(flags("a", "b"), flags("b", "a")))
    assert not moved.safe
    # both set are the same set, whatever their order: one alone proves it
    assert moved.reads in {"f = a where b was sent", "f = b where a was sent"}


@pytest.mark.parametrize("bits", [None, 8])
def test_what_a_sender_has_no_bit_for_is_not_read_as_not_set(bits: int | None) -> None:
    """By hand: 0001 10, then zeros that fill up or are kept, of which a receiver makes a flag that is not set.

    One and the same 0 is misread as a flag, as a boolean, and as a number.
    """
    two, three = (Flags("f", names=tuple("abc")[:count], bits=bits) for count in (2, 3))
    less, more = message(OLD[0], two), message(OLD[0], three)
    assert more.unpack(less.pack({"v": 1, "f": ("a",)})) == {"v": 1, "f": ("a",)}
    told = compare(less, more)
    assert (told.outcome, told.new_receiver_outcome) == (Outcome.RIGHT, Outcome.MISREAD)
    assert told.new_receiver_reads == "c of f as not set, which was not sent"
    removed = compare(more, less)
    assert (removed.outcome, removed.new_receiver_outcome) == (Outcome.MISREAD, Outcome.RIGHT)
    for field in (Boolean("c"), number("c", 1)):
        kept = () if bits is None else (ReservedBits("", bits=1),)
        told = compare(message(*OLD[:1], *kept), message(*OLD[:1], field))
        assert told.new_receiver_outcome is Outcome.MISREAD
    # a version says which of the two it is
    changed = message(dataclasses.replace(OLD[0], value=2), three)
    assert compare(less, changed).new_receiver_outcome is Outcome.REFUSED


def test_what_no_octet_shows_matters_only_where_a_message_is_read() -> None:
    """A version that counts up tells the formats apart, whatever else is meant otherwise."""
    old, new = message(OLD[0], number("a", unit="Cel")), message(OLD[0], number("a", unit="K"))
    assert compare(old, new).outcome is Outcome.MISREAD
    found = compare(old, message(dataclasses.replace(OLD[0], value=2), *new.fields[1:]))
    outcomes = found.outcome, found.new_receiver_outcome
    assert outcomes == (Outcome.REFUSED, Outcome.REFUSED)
    assert found.reads == "refuses all messages: field v is 2, and this format has 1"


def test_a_count_that_just_fills_an_octet_leaves_no_zeros_for_what_is_appended() -> None:
    """By hand: presence bit, count in 4 bits, 3 elements of a bit: 8 bits, none is left for a new presence bit.

    With any other count zeros fill up to the octet, and say that what was appended is absent.
    """
    old = message(
        Array("l", element=Number("", min=Decimal(0), max=Decimal(1)), max_length=8, optional=True)
    )
    group = Group("g", fields=(Enumeration("e", names=("a", "b"), optional=True),))
    found = compare(old, message(*old.fields, group))
    assert found.new_receiver_outcome is Outcome.REFUSED
    assert found.new_receiver_reads == "refuses some messages: such as those with 3 in l"


@pytest.mark.parametrize("name", ["high", "burst"])
def test_flags_of_two_fields_may_have_names_alike(name: str) -> None:
    """A flag that one field has already is no name that a receiver has for the other one."""
    inlet = Flags("inlet", names=("low", "high"), bits=8)
    old = message(inlet, Flags("outlet", names=("low",), bits=8))
    new = message(inlet, Flags("outlet", names=("low", name), bits=8))
    assert compare(old, new).outcome is Outcome.RIGHT


def test_changes_inside_groups_arrays_and_unions_have_their_place() -> None:
    def nested(*extra: Field) -> Message:
        return message(
            Enumeration("what", names=("x", "y")),
            Array("r", element=Group("", fields=(number("t"), *extra)), max_length=3),
            Union("u", tag="what", options=(Option("x", (number("p"), *extra)), Option("y", ()))),
        )

    found = compare(nested(), nested(Boolean("new")))
    assert [(change.path, change.what, change.safe) for change in found.changes] == [
        ("r[].new", "new appended", False),
        ("u(x).new", "new appended", True),
    ]
    assert not found.safe


def test_orders() -> None:
    old = message(number("a", 65535))
    change = only(compare(old, message(number("a", 65535), byte_order="little")))
    assert (change.what, change.safe) == ("byte order big becomes little", False)
    # one octet has no byte order
    assert compare(message(number("a")), message(number("a"), byte_order="little")).safe
    assert not compare(
        message(Float("a", bits=16)), message(Float("a", bits=16), byte_order="little")
    ).safe


@pytest.mark.parametrize("bit_order", ["msb-first", "lsb-first"])
@pytest.mark.parametrize("lead", [3, 8])
def test_strings_of_octets_and_flags_have_no_byte_order(bit_order: str, lead: int) -> None:
    fields = (
        ReservedBits("", bits=lead), Octets("o", length=9), Text("t", max_length=9), Octets("v", max_length=5),
        Flags("f", names=tuple(f"n{index}" for index in range(13))), Boolean("x", optional=True),
    )  # fmt: skip
    big, little = (
        message(*fields, byte_order=order, bit_order=bit_order) for order in ("big", "little")
    )
    for sample in samples(big, 50):
        assert big.pack(sample) == little.pack(sample)
    assert only(compare(big, little)).outcome is Outcome.RIGHT
    # a count of more than 8 bits is a number of two octets
    long = Octets("o", max_length=300)
    assert not is_in_step(message(long), message(long, byte_order="little"), {})
    assert is_in_step(message(fields[2]), message(fields[2], byte_order="little"), {})
    # and in another order of bits nothing is the same
    orders = Order("big", "msb-first", "bit-packed"), Order("big", "lsb-first", "bit-packed")
    assert not Alignment(*orders, {}, frozenset()).is_same(fields[1], fields[1], inside=True)
    assert not compare(
        message(long, bit_order=bit_order), message(long, byte_order="little", bit_order=bit_order)
    ).safe


def test_messages_that_come_and_go() -> None:
    one, two = message(Boolean("a"), name="one"), message(Octets("o", length=2), name="two")
    found = compare_all([one], [two])
    assert [(part.message, part.safe, part.old_octets, part.new_octets) for part in found] == [
        ("one", False, (1, 1), None),
        ("two", True, None, (2, 2)),
    ]
    # what is new to old receivers, new ones wait for
    assert found[0].new_receiver_reads == found[1].reads
    assert found[1].new_receiver_reads == found[0].reads


@pytest.mark.parametrize("high", [101, 127])
def test_what_one_option_of_many_holds_has_its_turn(high: int) -> None:
    """8 options of 7 bits: the codes from 101 on stand for no value in the old format."""

    def chosen(greatest: int) -> Message:
        names = tuple("abcdefgh")
        options = tuple(Option(n, (number("v", greatest if n == "d" else 100),)) for n in names)
        return message(Enumeration("k", names=names), Union("u", tag="k", options=options))

    change = only(compare(chosen(100), chosen(high)))
    assert not change.safe
    assert change.reads.startswith("refuses some messages: field u.v has code 1")
    assert change.reads.endswith("which stands for no value")


def test_a_key_that_comes_or_goes_is_told_as_such() -> None:
    bound, free = Float("f", bits=32, max=Decimal(10)), Float("f", bits=32)
    assert only(compare(message(bound), message(free))).what == "max 10 left out"
    assert only(compare(message(free), message(bound))).what == "max 10 stated"
    assert only(compare(message(free), message(bound))).safe
    # 10.5 is read by who knows no limit, and refused by who does
    assert only(compare(message(bound), message(free))).outcome is Outcome.REFUSED
    for limit in ("2000", "1e20"):  # the greatest of 32 bits is 3.4e38 (IEEE 754 table 3.2)
        far = dataclasses.replace(bound, max=Decimal(limit))
        assert only(compare(message(far), message(free))).outcome is Outcome.REFUSED
    still, jumps = (
        Series(
            "s",
            min=Decimal(0),
            max=Decimal(99),
            deltas="fixed",
            delta_bits=4,
            escape=escape,
            length=3,
        )
        for escape in (False, True)
    )
    assert only(compare(message(still), message(jumps))).what == "escape false becomes true"


@pytest.mark.parametrize("high", [10, 20])
def test_what_was_an_escape_is_a_plain_difference(high: int) -> None:
    """Of 3 bits 100 is -4, or led a whole sample: four bits more, which the next field loses."""

    def series(*, escape: bool) -> Message:
        bits: dict[str, Any] = {"deltas": "fixed", "delta_bits": 3, "escape": escape}
        return message(
            Series("s", min=Decimal(0), max=Decimal(high), max_length=5, **bits), number("z")
        )

    assert only(compare(series(escape=True), series(escape=False))).outcome is Outcome.MISREAD
    assert only(compare(series(escape=False), series(escape=True))).outcome is Outcome.MISREAD


def test_an_escape_makes_every_message_too_long_for_those_who_know_none() -> None:
    """By hand: 3 bits of count, a sample of 7, j differences of 4, and 4 bits: 14 + 4 j bits, of none 7.

    18, 22, 26 and 30 bits are 3, 3, 4 and 4 octets. With e of the differences as escapes there are 7 e bits more:
    25; 29, 36; 33, 40, 47; 37, 44, 51, 58, which is at least an octet more each time.
    """
    bits: dict[str, Any] = {"deltas": "fixed", "delta_bits": 4, "max_length": 5}
    still, jumps = (
        message(
            Series("s", min=Decimal(0), max=Decimal(100), escape=escape, **bits), number("z", 15)
        )
        for escape in (False, True)
    )
    found = compare(still, jumps)
    assert (found.outcome, found.new_receiver_outcome) == (Outcome.REFUSED, Outcome.REFUSED)
    assert "nothing proves" not in found.reads
    for *sent, is_read in (
        (0, 7, 0, True),
        (0, 8, False),
        (50, 50, 90, False),
        (9, 9, 9, 9, 1, False),
        (9, 9, 9, 9, 2, True),
    ):
        octets = jumps.pack({"s": sent, "z": 5})
        if is_read:
            assert still.unpack(octets) == {"s": sent, "z": 5}
        else:
            with pytest.raises(WireError):
                still.unpack(octets)


def test_escapes_of_many_differences_are_followed_by_their_number() -> None:
    """By hand: a sample takes 10 bits, so that each escape is an octet more at least, wherever it stands.

    Who knows none is left with octets, and who takes the most negative difference for one misses them. Which of 39
    differences are escapes are 2^39 ways; two such series are not followed.
    """
    bits: dict[str, Any] = {
        "deltas": "fixed",
        "delta_bits": 5,
        "min": Decimal(0),
        "max": Decimal(1000),
    }
    still, jumps = (Series("s", max_length=40, escape=escape, **bits) for escape in (False, True))
    found = compare(message(OLD[0], still), message(OLD[0], jumps))
    assert (found.outcome, found.new_receiver_outcome) == (Outcome.REFUSED, Outcome.REFUSED)
    assert "nothing proves" not in found.reads + found.new_receiver_reads
    two = [message(one, dataclasses.replace(one, name="z")) for one in (still, jumps)]
    assert compare(*two).outcome in {Outcome.OPEN, Outcome.MISREAD}
    # of 4 bits a sample fits into the octet that is begun
    low = {**bits, "max": Decimal(15), "delta_bits": 4}
    near = (message(Series("s", max_length=40, escape=escape, **low)) for escape in (False, True))
    assert compare(*near).outcome is Outcome.MISREAD


def test_a_time_after_another_is_followed() -> None:
    """By hand: 16 bits, 2 of a count that is 0, 6: 3 octets are read where 16 + 2 + 16 + 6 bits, 5 octets, are sent.

    Where the same 6 bits count from another time, they are another time.
    """
    base, other, after = (
        Time("t", bits=16),
        Time("u", bits=16),
        TimeOffset("at", base="t", max=Decimal(63)),
    )
    sender = message(base, ReservedBits("", bits=2), number("n", 65535), after)
    found = compare(message(base, Octets("o", max_length=3), after), sender)
    assert (found.outcome, found.reads[:21]) == (Outcome.REFUSED, "refuses all messages:")
    two = message(base, other, after)
    assert are_read_right(two, two, {}, ignore_tail=False)
    since = message(base, other, dataclasses.replace(after, base="u"))
    assert not are_read_right(two, since, {}, ignore_tail=False)
    assert compare(two, since).outcome is Outcome.MISREAD
    renamed = message(
        dataclasses.replace(base, name="s"), other, dataclasses.replace(after, base="s")
    )
    assert are_read_right(two, renamed, {"t": "s"}, ignore_tail=False)


def test_bits_that_no_flag_has_are_sent_as_zeros() -> None:
    """By hand: 4 bits with two flags and 16 bits are 3 octets; 2 bits, and a count of 2 that is 0, fill one alone."""
    sender = message(Flags("f", names=("a", "b"), bits=4), number("n", 65535))
    receiver = message(ReservedBits("", bits=2), Octets("o", max_length=3))
    found = compare(receiver, sender)
    assert found.outcome is Outcome.REFUSED
    assert found.reads.startswith("refuses all messages")


@pytest.mark.parametrize("code", [77, 150, 254])
def test_what_was_a_special_code_is_a_plain_number(code: int) -> None:
    """Amid a wider range: one code of 256, which no end and hardly any draw meets."""
    old = message(number("a", 60, bits=8, special=(("none", code),)))
    change = compare(old, message(number("a", bits=8)))
    assert (change.outcome, change.reads) == (
        Outcome.MISREAD,
        f"a = none where {code} was sent",
    )


def test_one_entry_amid_a_long_table_has_its_turn() -> None:
    """600 entries, of which only the one with code 301 stands for another value."""

    def table(value: str) -> Message:
        entries = [Decimal(index) for index in range(600)]
        entries[301] = Decimal(value)
        return message(Table("t", values=tuple(entries)))

    assert compare(table("301"), table("301.5")).reads == "t = 301 where 301.5 was sent"


def test_what_only_all_changes_do_is_told_so() -> None:
    """Behind o's presence bit stand 0001; with a second one before it 0010 begins a bit later, and reads 0001."""
    old = message(Version("v", value=1), number("a", 127), number("o", 15, optional=True))
    new = message(
        Version("v", value=2),
        number("a", 127),
        number("o", 15, optional=True),
        number("p", 15, optional=True),
    )
    found = compare(old, new)
    assert {change.outcome for change in found.changes} == {Outcome.REFUSED}
    assert found.outcome is Outcome.MISREAD
    assert found.reads.endswith("; no change alone does that")


def test_messages_that_are_misread_are_searched_for_where_drawn_ones_are_refused() -> None:
    """A flag more moves a peak by a bit, and of what follows some messages have a size of the old format as well."""

    def made(*names: str) -> Message:
        return message(
            Version("v", value=2, bits=3),
            number("t", 2**28 - 1),
            Flags("alarm", names=names, optional=True),
            Table("peak", values=tuple(map(Decimal, range(61))), optional=True),
            Text("label", max_length=11, encoding="ascii"),
            Series(
                "trend", min=Decimal(0), max=Decimal(210), max_length=12, deltas="variable",
                group_bits=3,
            ),
        )  # fmt: skip

    alarms = ("shock", "tilted", "light", "low_battery", "clock_lost")
    old, new = made(*alarms), made(*alarms, "frost")
    octets = new.pack({"t": 0, "alarm": (), "peak": 32, "label": "", "trend": []})
    # presence 11, version 010, 28 bits of t, 6 of alarm, 100000 of peak, 0000 and 0000: 53 bits
    assert octets.hex() == "d0000000010000"
    # a bit earlier stand 5 of alarm, 010000 of peak, 0000 of label, 0000 of trend: 52 bits, 7 octets as well
    assert old.unpack(octets)["peak"] == 16
    found = compare(old, new)
    assert (found.outcome, found.new_receiver_outcome) == (Outcome.MISREAD, Outcome.MISREAD)


def test_what_is_refused_or_right_is_proven_and_else_left_open() -> None:
    """Each proof with a near miss; the bits are counted beside it."""
    told = Text("s", max_length=3)
    old = message(number("a"), Version("v", value=5), told)
    # v stands at bit 8 in both: 0101 and 0110
    other = message(number("a"), Version("v", value=6), number("b"), told)
    assert compare(old, other).outcome is Outcome.REFUSED
    # 2 octets at least, 5 at most, and always 6
    assert compare(old, message(Octets("o", length=6))).outcome is Outcome.REFUSED
    assert compare(old, message(Octets("o", length=5))).outcome is Outcome.MISREAD
    # two bits of count in both, and 3 is one more than the old format allows
    few, more, wider = (message(Text("s", max_length=most), number("a")) for most in (2, 3, 4))
    assert compare(few, more).outcome is Outcome.REFUSED
    assert compare(more, few).outcome is Outcome.RIGHT
    # flags and a group at the end: nobody looks at what is behind, and zeros say that nothing is there
    last = [Flags("f", names=tuple("abcdef")[:count]) for count in (5, 6)]
    group = Group("g", fields=(Boolean("b", optional=True),))
    assert compare(message(last[0]), message(last[1])).outcome is Outcome.RIGHT
    assert compare(message(last[0]), message(last[0], group)).new_receiver_outcome is Outcome.RIGHT
    # three bits of count: text and number move by one
    assert compare(few, wider).outcome not in {Outcome.REFUSED, Outcome.RIGHT}


ZIGZAG = Series("w", min=Decimal(-40), max=Decimal(85), max_length=24, deltas="variable")
ALIGNED = {"layout": "octet-aligned"}


def _refused_or_right(receiver: Message, sender: Message) -> set[str]:
    """Return what becomes of many messages of the sender, each told by reading it."""
    found = set()
    for sent in [*samples(sender, 300), *edges(sender)]:
        try:
            got = receiver.unpack(sender.pack(sent))
        except WireError:
            found.add("refused")
        else:
            assert got == {name: sent[name] for name in got}
            found.add("right")
    return found


@pytest.mark.parametrize(
    ("old", "new", "outcomes", "seen"),
    [
        # the first octet is to be 1: 5 bits of count, of 0 samples, and zeros that fill up are 0
        (
            message(Version("v", value=1, bits=8), ZIGZAG),
            message(ZIGZAG),
            (Outcome.REFUSED, None),
            {"refused"},
        ),
        # behind differences of any length there is always an octet more, or less
        (
            message(ZIGZAG, number("a", 1000), **ALIGNED),
            message(ZIGZAG, number("b"), number("a", 1000), **ALIGNED),
            (Outcome.REFUSED, Outcome.REFUSED),
            {"refused"},
        ),
        # the presence bit was a zero that filled up: what is always sent is read as absent, and an octet is left
        (
            message(ZIGZAG, number("c", optional=True), number("a"), **ALIGNED),
            message(ZIGZAG, number("c", optional=True), number("a", optional=True), **ALIGNED),
            (Outcome.REFUSED, Outcome.REFUSED),
            {"refused", "right"},
        ),
        # a is to be 1 where the version was, and then v stands where a was
        (
            message(Version("v", value=1, bits=8), number("a"), number("b", 2**24 - 1)),
            message(number("a"), Version("v", value=1, bits=8), number("b", 2**24 - 1)),
            (Outcome.REFUSED, Outcome.REFUSED),
            {"refused", "right"},
        ),
        # 12 bits of whole steps, and a zero that fills up: 13 bits of half ones
        (
            message(Version("v", value=1, bits=8), number("a", 4000)),
            message(Version("v", value=1, bits=8), number("a", 4000, step=Decimal("0.5"))),
            (Outcome.MISREAD, Outcome.RIGHT),
            None,
        ),
        # whole octets have all codes of an octet, whatever of them was asked for
        (
            message(dataclasses.replace(ZIGZAG, deltas="fixed", delta_bits=3), **ALIGNED),
            message(dataclasses.replace(ZIGZAG, deltas="fixed", delta_bits=4), **ALIGNED),
            (Outcome.RIGHT, Outcome.RIGHT),
            {"right"},
        ),
    ],
)
def test_what_stands_behind_fields_that_are_alike_is_proven_alone(
    old: Message, new: Message, outcomes: tuple[Outcome, Outcome | None], seen: set[str] | None
) -> None:
    found = compare(old, new)
    assert found.outcome is outcomes[0]
    assert outcomes[1] in {None, found.new_receiver_outcome}
    if seen:
        assert _refused_or_right(old, new) == seen


@pytest.mark.parametrize(
    ("old", "new"),
    [
        # of a single sample, level absent and temp 3 of 1: 00 hum 4 temp 00 x xx lux are 10 octets, as many as wanted
        (
            message(
                Series("level", min=Decimal(0), max=Decimal(1000), max_length=4, deltas="fixed", delta_bits=3,
                       optional=True),
                number("hum"), Array("temp", element=Boolean(""), length=4),
                Series("co2", min=Decimal(0), max=Decimal(1000), min_length=1, max_length=15, deltas="fixed",
                       delta_bits=4),
                number("lux"), **ALIGNED,
            ),
            1,
        ),
        (message(Version("v", value=1, bits=8), ZIGZAG, number("a"), Text("t", max_length=8), **ALIGNED), 0),
    ],
)  # fmt: skip
def test_layouts_that_suit_both_are_found(old: Message, new: int) -> None:
    """The message that is told is packed, read, and misread."""
    shorter = dataclasses.replace(old, fields=old.fields[1:])
    found = compare(old, shorter)
    read = found.new_receiver_reads if new else found.reads
    outcome = found.new_receiver_outcome if new else found.outcome
    assert outcome is Outcome.MISREAD
    octets = bytes.fromhex(read.split("(octets ")[1].rstrip(")"))
    sender, receiver = (old, shorter) if new else (shorter, old)
    sent, got = sender.unpack(octets), receiver.unpack(octets)
    assert sender.pack(sent) == octets
    assert {name: sent.get(name) for name in got} != got


def _counts_read(old: Message, new: Message, name: str, most: int, element: Any) -> set[int]:
    """Return the counts at which an old receiver refuses nothing, by packing a message of each."""
    read = set()
    for count in range(most + 1):
        items = element * count if isinstance(element, str) else [element] * count
        try:
            old.unpack(new.pack({name: items}))
        except WireError:
            continue
        read.add(count)
    return read


def test_counts_are_run_through_where_they_are_all_that_varies() -> None:
    """An old receiver of n elements wants other octets than were sent for each n but those where it reads right."""

    def pairs(*more: Field) -> Message:
        group = Group("", fields=(number("a"), number("b"), *more))
        return message(Version("v", value=1), Array("r", element=group, max_length=8),
                       layout="octet-aligned")  # fmt: skip

    old, new = pairs(), pairs(number("c"))
    # 2 + 2n octets wanted, 2 + 3n sent: n = 0 alone is read, and right
    assert _counts_read(old, new, "r", 8, {"a": 1, "b": 2, "c": 3}) == {0}
    assert compare(old, new).outcome is Outcome.REFUSED
    assert compare(old, new, ignore_tail=True).outcome is Outcome.MISREAD

    def words(most: int) -> Message:
        return message(
            Version("v", value=1), Array("x", element=number("", 65535), max_length=most)
        )

    # 1 + 2 (n >> 1) octets wanted, which is odd, and 2 + 2n sent
    assert _counts_read(words(8), words(16), "x", 16, 0) == set()
    found = compare(words(8), words(16))
    assert found.outcome is Outcome.REFUSED
    assert found.reads.startswith("refuses all messages: ")

    def label(most: int) -> Message:
        return message(Version("v", value=1), number("t", 1250), Text("x", max_length=most))

    # 4 + 11 + 4 and 4 + 11 + 5 bits before the text: 3 + (n >> 1) wanted, 3 + n sent
    assert compare(label(15), label(31)).outcome is Outcome.REFUSED


def test_a_proof_that_takes_too_much_is_given_up() -> None:
    """61 counts, 64 presence patterns, and 256 codes of each element: 30 million of these."""
    elements = Array("a", element=number("", 250), max_length=60)
    made = message(elements, *(Boolean(f"b{place}", optional=True) for place in range(6)))
    proof = partial(are_read_right, made, made, {}, ignore_tail=False)
    assert calls(proof) < 1_500_000


def test_zeros_that_fill_up_are_certain() -> None:
    """What a new receiver finds in them is what an old sender meant: that nothing is there."""
    optional = [number("h", 100, optional=True), number("p", 100, optional=True)]
    aligned = [message(OLD[0], *optional[:count], layout="octet-aligned") for count in (1, 2)]
    # presence 80 or 00 before, and 40 would be p
    assert aligned[0].pack({"v": 1, "h": 50}) == bytes.fromhex("80 01 32")
    assert aligned[1].unpack(bytes.fromhex("80 01 32")) == {"v": 1, "h": 50}
    assert compare(*aligned).new_receiver_outcome is Outcome.RIGHT
    # the low bits are the first: 3 bits of 0 to 5, and a fourth that is zero
    low = {"byte_order": "little", "bit_order": "lsb-first"}
    assert (
        compare(*(message(number("n", high), **low) for high in (5, 15))).new_receiver_outcome
        is Outcome.RIGHT
    )
    # the high bits first, it is the last one: 101 is 5, 1010 is 10
    assert (
        compare(*(message(number("n", high)) for high in (5, 15))).new_receiver_outcome
        is Outcome.MISREAD
    )


@pytest.mark.parametrize("count", [1, 12])
def test_an_optional_field_more_or_less_whose_presence_bit_only_filled_up(count: int) -> None:
    """In whole octets its presence bit is a zero of the same octet: what is not sent is never there."""
    optional = [number(f"o{place}", 255, optional=True) for place in range(count + 1)]
    less, more = (message(*optional[:end], layout="octet-aligned") for end in (count, count + 1))
    sent = less.pack({"o0": 7})
    assert sent == bytes([0x80, *bytes((count + 7) // 8 - 1), 7])
    assert more.unpack(sent) == {"o0": 7}
    assert compare(less, more).new_receiver_outcome is Outcome.RIGHT
    assert compare(more, less).outcome is Outcome.RIGHT


def test_a_field_that_may_be_left_out_from_now_on_is_read_as_left_out() -> None:
    """00 07 has no presence bit for o1, whose value is sent all the same."""
    fields = number("o0", 255, optional=True), number("o1", 255)
    always = message(*fields, layout="octet-aligned")
    maybe = message(
        fields[0], dataclasses.replace(fields[1], optional=True), layout="octet-aligned"
    )
    assert maybe.unpack(always.pack({"o1": 7}), ignore_tail=True) == {}
    assert compare(always, maybe).new_receiver_outcome not in {Outcome.RIGHT, Outcome.PREFIX}


def test_presence_bits_that_only_fill_up_are_no_version() -> None:
    """The ninth optional field takes a second octet, 80 or 00, where an old receiver looks for its version."""
    optional = [number(f"o{place}", 255, optional=True) for place in range(9)]
    old, new = (message(OLD[0], *optional[:end], layout="octet-aligned") for end in (8, 9))
    assert new.pack({"o8": 5}) == bytes.fromhex("00 80 01 05")
    found = compare(old, new)
    assert found.outcome is Outcome.REFUSED
    assert "refuses all messages" in found.reads
    assert found.new_receiver_outcome is Outcome.REFUSED  # an octet is missing, whatever is there


def test_a_version_that_a_presence_bit_moves_is_refused_where_it_comes_out_as_none() -> None:
    """Behind a presence bit of 1 version 2 is read as 1001, 9; with one of 0 12 bits are 2 octets, and 3 are wanted."""
    t, h = number("t", 100), number("h", 100)
    maybe = dataclasses.replace(h, optional=True)
    old, new = message(Version("v", value=1), t, h), message(Version("v", value=2), t, maybe)
    assert len(new.pack({"t": 9})) == 2
    assert compare(old, new).outcome is Outcome.REFUSED


@pytest.mark.parametrize("most", [13, 50])
def test_elements_that_grow_are_refused_but_for_none(most: int) -> None:
    """2 + 3n octets where 2 + 2n are wanted: of any n elements only none comes out."""
    old, new = (
        message(OLD[0], _elements(most, fields), layout="octet-aligned") for fields in (2, 3)
    )
    assert compare(old, new).outcome is Outcome.REFUSED
    assert compare(old, new).new_receiver_outcome is Outcome.REFUSED


def _elements(most: int, fields: int) -> Array:
    inside = tuple(number(f"g{place}", 100) for place in range(fields))
    return Array("r", element=Group("", fields=inside), max_length=most)


def test_a_lost_group_or_list_is_lost() -> None:
    """00 has no presence bit for what is sent without one: a new receiver reads nothing where all was sent."""
    inside = (Enumeration("mode", names=("a", "b")), Boolean("on"))
    for field in (Group("g", fields=inside), Array("l", element=number("", 3), length=2)):
        maybe = dataclasses.replace(field, optional=True)
        old, new = message(field), message(maybe)
        sent = old.example("least")
        assert new.unpack(old.pack(sent), ignore_tail=True) == {}
        found = compare(old, new, ignore_tail=True)
        assert found.new_receiver_outcome is Outcome.MISREAD
        assert found.new_receiver_reads == f"no {field.name} where it was sent"


def test_a_list_inside_a_list_of_groups_is_missed_as_well() -> None:
    """The presence bit of m reads as absent what is always sent: 2 bits of count and 1 of a flag that is false."""
    old = message(Array("r", element=Group("", fields=(Boolean("m"), Boolean("n"))), length=2))
    fields = (Boolean("m", optional=True), Boolean("n"))
    new = message(Array("r", element=Group("", fields=fields), length=2))
    sent = {"r": [{"m": False, "n": True}, {"m": False, "n": False}]}
    assert new.unpack(old.pack(sent)) == {"r": [{"n": True}, {"n": False}]}
    found = compare(old, new)
    assert found.new_receiver_outcome is Outcome.MISREAD


def test_small_formats_are_tried_whole() -> None:
    """Version 0 and a number of 0 to 7 change places: of eight messages the one that is all zeros is read."""
    old = message(Version("v", value=0), number("q", 7))
    new = message(number("q", 7), Version("v", value=0))
    read = [octets for octets in range(256) if _is_read(old, new, octets)]
    assert read == [0]
    found = compare(old, new)
    assert (found.outcome, found.new_receiver_outcome) == (Outcome.REFUSED, Outcome.REFUSED)
    # two messages: without its presence bit a door that is open asks for a number that is not there
    door = Boolean("door")
    more = message(door, number("light", 255, optional=True))
    assert message(door).pack({"door": True}) == b"\x80"
    assert more.unpack(b"\0") == {"door": False}
    assert compare(message(door), more).new_receiver_outcome is Outcome.REFUSED


def _is_read(receiver: Message, sender: Message, octet: int) -> bool:
    try:
        values = sender.unpack(bytes([octet]))
        return sender.pack(values) == bytes([octet]) and receiver.unpack(bytes([octet])) == values
    except WireError:
        return False


def small_formats(random: Random) -> tuple[Message, Message]:
    """Two formats that differ in a field or two: one that comes, goes, may be left out, or stands elsewhere."""

    def a_field(name: str) -> Field:
        optional = random.random() < 0.3
        return random.choice(
            (
                number(name, random.choice((1, 3, 5, 7)), optional=optional),
                Boolean(name, optional=optional),
                Array(name, element=number("", 1), max_length=random.randint(1, 2), optional=optional),
                ReservedBits("", bits=random.randint(1, 4)),
                Version("v", value=1),
            )
        )  # fmt: skip

    def changed(fields: list[Field]) -> list[Field]:
        place = random.randrange(len(fields))
        was = fields[place]
        other = dataclasses.replace(was, optional=not was.optional) if was.carries else was
        put = random.choice(
            ([], [a_field("x"), was], [was, a_field("x")], [other], [a_field(was.name)])
        )
        left = [*fields[:place], *put, *fields[place + 1 :]]
        return random.sample(left, len(left)) if random.random() < 0.2 else left

    old = [a_field(name) for name in "abc"[: random.randint(1, 3)]]
    layout = random.choice(("bit-packed", "bit-packed", "octet-aligned"))
    return message(*old, layout=layout), message(*changed(old), layout=layout)


@pytest.mark.parametrize("seed", range(4))
def test_what_is_proven_holds_for_every_message_of_small_formats(seed: int) -> None:
    """All messages of one octet are tried, at each other's receivers: what a proof says of them has to be so."""
    random, proven = Random(seed), 0
    for _ in range(120):
        try:
            one, other = small_formats(random)
        except FlawedMessage:  # two fields of one name, a version that may be left out
            continue
        for receiver, sender in ((one, other), (other, one)):
            if sender.max_octets > 1:
                continue
            for ignore_tail in (False, True):
                read, wrong = 0, []
                for sent in every_message(sender):
                    try:
                        got = receiver.unpack(sender.pack(sent), ignore_tail=ignore_tail)
                    except WireError:
                        continue
                    read += 1
                    wrong += [sent] * any(
                        name not in sent or sent[name] != it for name, it in got.items()
                    )
                ends = receiver, sender
                refused = are_refused_by_size(*ends, ignore_tail=ignore_tail)
                right = are_read_right(*ends, {}, ignore_tail=ignore_tail)
                is_refused = refused or right is False
                assert not (is_refused and read), ends
                sure = is_in_step(*ends, {}) or refused is False or right is not None
                assert not (sure and wrong), (ends, wrong)
                proven += sure
    assert proven > 50


def test_a_series_that_just_fills_an_octet_leaves_no_presence_bit() -> None:
    """3 bits, a count of 2, a sample of 6, and differences in groups of 1 and 2 bits: 32 with seven groups in all."""
    series = Series(
        "w", min=Decimal(0), max=Decimal(63), deltas="variable", group_bits=2, max_length=3
    )
    old = message(number("q", 7), series)
    group = Group("g", fields=(Boolean("z", optional=True),))
    new = message(*old.fields, group)
    octets = bytes.fromhex("5f564332")
    assert new_is_refused(new, octets)
    assert old.unpack(octets) == {"q": 2, "w": [58, 25, 45]}
    assert compare(old, new).new_receiver_outcome is Outcome.REFUSED
    # the same of a number behind a list and 16 bits: of whole octets none is left, and no more is said than is known
    most = message(Array("l", element=number(""), max_length=8), number("n", 65535))
    read = compare(most, message(*most.fields, number("x"))).new_receiver_reads
    assert read.startswith("refuses all messages")
    # behind a text and two half octets no bit is ever left: what a series needs more is missing in every message
    whole = message(Text("t", max_length=15), number("n", 15))
    assert compare(whole, message(*whole.fields, series)).new_receiver_outcome is Outcome.REFUSED


def new_is_refused(receiver: Message, octets: bytes) -> bool:
    with pytest.raises(WireError, match="0 are left"):
        receiver.unpack(octets)
    return True


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        # each element has a bit more: no group keeps it from moving those behind it
        (
            (Version("v", value=1), Array("r", element=Group("", fields=(number("a", 15),)), max_length=6)),
            (
                Version("v", value=1),
                Array("r", element=Group("", fields=(number("a", 15), Boolean("b"))), max_length=6),
            ),
            ["moves all that stands behind it"],
        ),
        # the presence bit stands before the version, which counts up in vain
        (
            (Version("v", value=1), number("a", 255)),
            (Version("v", value=2), number("a", 127), number("b", 255, optional=True)),
            ["in a group behind it"],
        ),
        (
            (Version("v", value=1), number("a", 255)),
            (Version("v", value=1), number("a", 127)),
            ["The version is the same"],
        ),
        # a name among others moves the codes of those behind it
        (
            (Enumeration("m", names=("a", "b", "c")),),
            (Enumeration("m", names=("a", "x", "b", "c")),),
            ["Appended at the end", "A version in front"],
        ),
        # a flag more moves what is behind, and no name has another bit; both take two octets
        (
            (Flags("m", names=tuple("abcde")), number("n", 127)),
            (Flags("m", names=tuple("abcdef")), number("n", 127)),
            ["the old width is full", "A version in front"],
        ),
        (
            (Enumeration("m", names=("a", "b")), number("n", 63)),
            (Enumeration("m", names=("a", "b", "c")), number("n", 63)),
            ["the old width is full", "A version in front"],
        ),
    ],
)  # fmt: skip
def test_advice_is_about_what_was_changed(
    old: tuple[Field, ...], new: tuple[Field, ...], words: list[str]
) -> None:
    found = compare(message(*old), message(*new))
    assert len([text for text in found.advice if any(one in text for one in words)]) == len(words)


def test_text_outside_ascii_is_no_ascii() -> None:
    ascii_text, utf8 = (Text("t", max_length=8, encoding=name) for name in ("ascii", "utf-8"))
    assert not compare(message(ascii_text), message(utf8)).safe
    assert compare(message(utf8), message(ascii_text)).safe  # ASCII is UTF-8 (RFC 3629 section 1)


def test_another_order_of_fields_is_one_change() -> None:
    old = message(number("a"), number("b"), number("c"))
    change = only(compare(old, message(number("c"), number("a"), number("b"))))
    assert (change.safe, change.what) == (False, "order a, b, c becomes c, a, b")
    found = compare(old, message(number("b"), number("a", 200), Boolean("x"), number("c")))
    assert [(one.what, one.safe) for one in found.changes] == [
        ("order a, b, c becomes b, a, c", False),
        ("max 255 becomes 200", True),  # alone: every code of it is known
        ("x inserted", False),
    ]


def test_what_stands_twice_for_a_moment_is_judged() -> None:
    """All reversed: a field goes to the other side of reserved bits, where it is put in before it is taken out.

    4 bits of version, 4 reserved, 8 and 1; the other way round the first octet holds b and 7 bits of a: no version 1
    where both are 0, but where a is 32: 0 0010000|0 0000 000|1 has a version 1, an a of 0 and a b of 1.
    """
    old, new = message(*OLD), message(*reversed(OLD))
    octets = new.pack({"b": False, "a": 32})
    assert octets == bytes([0b00010000, 0b00000000, 0b10000000])
    assert old.unpack(octets) == {"v": 1, "a": 0, "b": True}
    found = compare(old, new)
    assert (found.safe, found.outcome) == (False, Outcome.MISREAD)
    assert [one.what for one in found.changes] == [
        "order v, a, b becomes b, a, v", "a inserted", "a removed",
    ]  # fmt: skip


def test_an_optional_field_that_is_read_as_absent() -> None:
    """7 bits and their presence bit become 7 bits after a bit that is always zero: a is never read."""
    old = message(number("a", 127, optional=True))
    new = message(ReservedBits("", bits=1), number("a", 127))
    assert not compare(old, new).safe


def test_an_option_without_fields_is_read_as_nothing_whether_or_not_it_was_sent() -> None:
    """An octet of presence bits, one of a and one of the tag, where there are octets of their own: 80 07 00.

    The second bit of the first says whether the union was sent; for the receiver it fills up, and its option has none.
    """
    front = number("a", optional=True), Enumeration("m", names=("calm", "storm"))
    options = Option("calm", ()), Option("storm", (number("w"),))
    ours, theirs = (
        message(*front, Union("u", tag="m", options=options, optional=one), layout="octet-aligned")
        for one in (False, True)
    )
    read = {"a": 7, "m": "calm", "u": {}}
    for sent, octets in (({"a": 7, "m": "calm"}, "800700"), (read, "c00700")):
        assert theirs.pack(sent).hex() == octets
        assert ours.unpack(bytes.fromhex(octets)) == read
    # a storm that is not sent lacks an octet at the receiver
    assert compare(ours, theirs).outcome is Outcome.REFUSED


def zigzag(**lengths: Any) -> Series:
    return Series(
        "w", min=Decimal(0), max=Decimal(1000), deltas="variable", group_bits=7, **lengths
    )


def octets_of(*fields: Field) -> Message:
    return message(*fields, layout="octet-aligned")


@pytest.mark.parametrize(
    ("old", "new", "sent", "octets", "reads"),
    [
        # an octet counts from the least length, a sample takes two and each difference one or two: one is left or lacks
        (
            (zigzag(min_length=1, max_length=4),), (zigzag(min_length=2, max_length=4),), {"w": [0, 0]},
            "00000000", "refuses all messages",
        ),
        # behind differences of any length, which both read alike, one more and an octet: at least one is left or lacks
        (
            (zigzag(length=3), number("n")), (zigzag(length=4), number("n")), {"w": [0, 0, 0, 0], "n": 9},
            "000000000009", "refuses all messages",
        ),
        # where the list is not there, nothing is to be read: an octet of presence bits
        (
            (zigzag(length=3, optional=True),), (zigzag(length=4, optional=True),), {}, "00",
            "refuses some messages",
        ),
    ],
)  # fmt: skip
def test_a_list_of_other_lengths_leaves_octets_or_lacks_them(
    old: tuple[Field, ...],
    new: tuple[Field, ...],
    sent: dict[str, Any],
    octets: str,
    reads: str,
) -> None:
    """However long the differences before it are: what is behind the elements that both read alike is counted."""
    ours, theirs = octets_of(*old), octets_of(*new)
    assert theirs.pack(sent).hex() == octets
    found = compare(ours, theirs)
    assert (found.outcome, found.new_receiver_outcome) == (Outcome.REFUSED, Outcome.REFUSED)
    assert [text.startswith(reads) for text in (found.reads, found.new_receiver_reads)] == [
        True
    ] * 2
    if "some" in reads:
        assert ours.unpack(bytes.fromhex(octets)) == sent
    # who ignores what is left reads fewer
    assert compare(ours, theirs, ignore_tail=True).outcome is not Outcome.REFUSED


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        # 1 octet and 1 of count, or 2 and 1; then 4 for each element: one more or three less never are another element
        ((number("s"),), (number("s", 65535),)),
        # behind differences of any length: an octet or two
        ((zigzag(max_length=15), number("s")), (zigzag(max_length=15), number("s", 65535))),
    ],
)
def test_sizes_behind_an_alike_front_never_meet(
    ours: tuple[Field, ...], theirs: tuple[Field, ...]
) -> None:
    floats = Array("c", element=Float("", bits=32), max_length=8)
    found = compare(octets_of(*ours, floats), octets_of(*theirs, floats))
    assert (found.outcome, found.new_receiver_outcome) == (Outcome.REFUSED, Outcome.REFUSED)
    # with an element of an octet they may meet
    texts = Array("c", element=number(""), max_length=8)
    assert (
        are_refused_by_size(octets_of(*ours, texts), octets_of(*theirs, texts), ignore_tail=False)
        is None
    )


def test_an_option_that_grows_is_refused_and_others_are_read_right() -> None:
    """An octet of the tag, then differences of any length, or an octet that becomes two."""
    storms = (number("w"),), (number("x"), number("w"))
    old, new = (
        octets_of(
            Enumeration("m", names=("calm", "storm")),
            Union(
                "u", tag="m", options=(Option("calm", (zigzag(length=3),)), Option("storm", storm))
            ),
        )
        for storm in storms
    )
    calm = {"m": "calm", "u": {"w": [0, 0, 0]}}
    assert new.pack(calm).hex() == "0000000000"
    assert old.unpack(bytes(5)) == calm
    assert new.pack({"m": "storm", "u": {"x": 1, "w": 2}}).hex() == "010102"
    found = compare(old, new)
    for outcome, text in (
        (found.outcome, found.reads),
        (found.new_receiver_outcome, found.new_receiver_reads),
    ):
        assert (outcome, text.startswith("refuses some messages: ")) == (Outcome.REFUSED, True)
    assert not are_refused_by_size(old, new, ignore_tail=False)
    assert are_refused_by_size(old, new, ignore_tail=True) is None


def test_a_list_of_other_lengths_may_leave_bits_that_fill_up() -> None:
    """2 bits of count and one of 1 bit: where it counts from 0 none is read, and 6 bits fill up, not 5."""
    flags = (
        Array("a", element=Boolean(""), min_length=least, max_length=least + 3) for least in (0, 1)
    )
    old, new = map(message, flags)
    assert new.pack({"a": [False]}).hex() == "00"
    assert old.unpack(b"\0") == {"a": []}
    assert compare(old, new).outcome is Outcome.MISREAD
    assert are_refused_by_size(old, new, ignore_tail=False) is None


@pytest.mark.long
@pytest.mark.parametrize(("seed", "counts"), [(7, range(60)), (100, range(28, 29))])
def test_what_is_proven_no_drawn_message_refutes(seed: int, counts: range) -> None:
    """A second opinion by trying: messages of formats drawn at random and changed in one place, each at the other."""
    random, proven = Random(seed), 0
    for count in range(counts.stop):
        made = formats.message(seed, count)
        field = random.choice(made.fields)
        more = random.choice((Boolean("zz"), number("zz"), ReservedBits("", bits=3)))
        changes = (
            (*made.fields, more),
            (more, *made.fields),
            tuple(one for one in made.fields if one is not field),
            tuple(
                dataclasses.replace(one, optional=not one.optional) if one is field else one
                for one in made.fields
            ),
        )
        try:
            other = dataclasses.replace(made, fields=random.choice(changes))
        except FlawedMessage:
            continue
        for receiver, sender in ((made, other), (other, made)) if count in counts else ():
            if compare(receiver, sender).outcome in {Outcome.MISREAD, Outcome.OPEN}:
                continue
            proven += 1
            known = {field.name for field in receiver.fields if field.carries}
            for sent in samples(sender, 150, seed=count):
                try:
                    got = receiver.unpack(sender.pack(sent))
                except WireError:
                    continue
                kept = {name: value for name, value in sent.items() if name in known}
                # of a union whose option has no fields nothing is read, whether or not it was sent
                said = {name: value for name, value in got.items() if name in kept or value != {}}
                assert repr(said) == repr({name: kept[name] for name in said if name in kept})
    assert proven > len(counts) // 3


@settings(max_examples=20)
@given(messages())
def test_edges_of_any_format_fit_it(made: Message) -> None:
    for values in edges(made):
        assert made.unpack(made.pack(values)) == values


@settings(max_examples=20)
@given(messages())
def test_any_format_is_compatible_with_itself_and_its_samples_fit(made: Message) -> None:
    assert compare(made, made).safe
    for values in samples(made, 20):
        assert made.unpack(made.pack(values)) == values


@pytest.mark.parametrize("count", [1, 5])
def test_samples_are_the_same_each_time(count: int) -> None:
    made = message(*OLD)
    assert list(samples(made, count)) == list(samples(made, count))
    assert len(list(samples(made, count))) == 3 + count


def test_a_misreading_is_told_where_both_values_look_alike() -> None:
    """Counted: version and flags are 0001 000, then the number; of an empty text the count is 000.

    So the same bits say no flag and no text; and the code 0 of a boolean is that of the first name.
    """
    flags = (Version("v", value=1), Flags("f", names=("x", "y", "z")), number("n"))
    text = (Version("v", value=1), Text("f", max_length=6), number("n"))
    told = compare(message(*flags), message(*text))
    assert only(told).reads == "f = no flag where an empty text was sent"
    assert told.new_receiver_reads == "f = an empty text where no flag was sent"
    names = message(Enumeration("k", names=("false", "true")), number("n"))
    told = compare(message(Boolean("k"), number("n")), names)
    assert only(told).reads == 'k = false where "false" was sent'


def test_fields_of_one_name_are_told_by_their_kinds() -> None:
    old = message(Version("v", value=1), ReservedBits("spare", bits=2), ReservedBits("", bits=2))
    new = message(
        Version("v", value=1), Flags("spare", names=("a", "b")), ReservedBits("", bits=10)
    )
    assert [change.what for change in compare(old, new).changes] == [
        "reserved spare of 2 bits, reserved of 2 bits replaced by flags spare, reserved of 10 bits"
    ]
