"""What every kind of field must be able to do: one interface for codec, C source, other encodings, texts and searches.

A kind is a class with a ``kind`` of its own; the class definition registers it in ``KINDS``, under the word that design
files use. Everything that differs from kind to kind is a method here, with an answer that suits most kinds.
"""

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar, Self

from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.payload.codec.grid import Stepped, is_nullable, span_text
from lowpanbudget.payload.codec.nodes import Codec, Node
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import digits, exact
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.doubles import Numbers, Real, number_of, value_of
from lowpanbudget.payload.forms.senml_records import Entry, SenmlRecord
from lowpanbudget.payload.forms.shapes import Shape, Unsayable, whole_of
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import drawn_number, furthest, number_edges
from lowpanbudget.payload.kinds.keys import field_kind, key

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
KINDS: "dict[str, type[Field]]" = {}


@field_kind
class Field:
    """A field of a message: its name, a note for people, and whether it may be absent.

    ``at`` states the bit, counted from the start of the message or group, where the field must
    begin; bits left free before it are zero. ``typically_present`` tells whether an optional field
    counts in the typical message.
    """

    name: str = key(
        "The name of the field; elements of arrays have none.", unstated="", kw_only=False
    )
    note: str = key("A note for people.", default="")
    optional: bool = key(
        "May be absent; costs a presence bit at the start of its group.", default=False
    )
    typically_present: bool = key(
        "Whether an optional field is in the typical message.", default=True
    )
    at: int | None = key(
        "The bit where the field must begin, from the start of its group.", default=None
    )

    # The word of design files, what it means, a field as it is written, and where texts list it.
    kind: ClassVar[str] = ""
    about: ClassVar[str] = ""
    wire: ClassVar[str] = ""  # what its bits are
    written: ClassVar[str] = ""
    rank: ClassVar[int] = 1000
    # What programming languages and other description languages call it: a hint, never another name.
    called: ClassVar[tuple[str, ...]] = ()
    # Attributes that are exact decimals; whole numbers, floats and text are converted when a field is made.
    decimals: ClassVar[tuple[str, ...]] = ()
    # False where the message itself knows the value and nobody needs to give it.
    needs_value: ClassVar[bool] = True
    # The value of what a table leaves empty; None where there is none.
    blank: ClassVar[Any] = None
    # False where there is no value at all, only bits.
    carries: ClassVar[bool] = True
    # What later fields may refer to by name keeps its value.
    referable: ClassVar[bool] = False
    # Whether rounding may change its values; only asked of what has no parts.
    rounds: ClassVar[bool] = False
    indexed: ClassVar[bool] = False  # whether its codes are indices of a list of values
    has_flags: ClassVar[bool] = False  # whether its codes have a bit for each name
    # Keys that only say which values there are: where they alone differ, no code stands for another value (of a number:
    # as long as its base and its step stay).
    refusing: ClassVar[tuple[str, ...]] = ()
    # What it tells of the whole message: which format it is, and when it was sent or what was lost before.
    identifies: ClassVar[bool] = False
    dates: ClassVar[bool] = False

    def __init_subclass__(cls) -> None:
        """Register a kind."""
        if cls.__dict__.get("kind"):
            KINDS[cls.kind] = cls

    def __post_init__(self) -> None:
        """Make exact decimals of other numbers."""
        for attribute in self.decimals:
            value = getattr(self, attribute)
            if value is None or isinstance(value, Decimal):
                continue
            try:
                made = tuple(map(exact, value)) if isinstance(value, tuple) else exact(value)
            except Misfit as fault:
                text = f"field {repeated(self.name):.40}: {attribute} {fault.message}"
                raise RequestError(text) from None
            object.__setattr__(self, attribute, made)

    # --- the declaration

    @classmethod
    def declared(cls, **keys: Any) -> Self:
        """Return the field of the keys of a design file, lists as tuples."""
        return cls(**keys)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with this field by itself; paths are keys of the declaration."""
        yield from ()

    def bodies(self) -> tuple[ask.InnerFields, ...]:
        """Return the fields inside this one."""
        return ()

    def with_bodies(self, bodies: "tuple[tuple[Field, ...], ...]") -> Self:
        """Return this field with others inside, one tuple for each of ``bodies``."""
        return self

    def reference(self) -> str:
        """Return the name of the earlier field that this one refers to."""
        return ""

    def coded_names(self) -> dict[int, str]:
        """Return the name that stands for each code, or for each bit, in their order."""
        return {}

    def number_bits(self) -> int:
        """Return the bits of the number of octets, elements or samples in front."""
        return 0

    def number(self) -> Stepped | None:
        """Return the number that the field sends, of a series each sample; None where it sends none."""
        return None

    def sent(self) -> Stepped:
        """Return the number that the field sends; only asked of kinds that send one."""
        number = self.number()
        assert number is not None
        return number

    def time_span(self) -> ask.TimeSpan | None:
        """Return the span that all times in it must lie in, of several the narrowest; None where there is none."""
        return None

    # --- values

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return the compiled field, or None if it is flawed; its own flaws are noted before."""
        raise NotImplementedError

    def single_values(self, held: ask.SingleValue) -> Iterator[ask.SingleValue]:
        """Yield the values without parts that a value of this field is made of."""
        yield held

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the value that stands for one given as a text, or as JSON has it; what is none stays as it is.

        ``before`` has the values and fields before it; ``table``: what a table leaves empty may be an empty value.
        """
        if isinstance(given, str) and _NUMBER.fullmatch(given.strip()):
            return Decimal(given.strip())
        return given

    def exactly(self, value: Any) -> Decimal:
        """Return a number that was given as an exact decimal."""
        return exact(value)

    def drawn(self, random: Random, known: ask.Known) -> Any:
        """Return any value, drawn; those at edges often. ``known`` has the values before it."""
        return drawn_number(self.sent(), random)

    def edges(self) -> Iterator[Any]:
        """Yield the values that differ most; of what repeats lengths or lists."""
        number = self.number()
        yield from () if number is None else number_edges(number)

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> Any:
        """Return the value wished for, where it is here; else the smallest value with it inside."""
        raise NotImplementedError

    # --- words

    def summary(self) -> ask.Summary:
        """Return the values in words."""
        number = self.number()
        if number is None:
            return ask.Summary(self.count_summary())
        words = f"{digits(number.min)} .. {digits(number.max)}"
        return ask.Summary(words, digits(number.step), number.unit)

    def count_summary(self) -> str:
        """Return the allowed numbers of what repeats, with what they number."""
        return ""

    def shown_unit(self) -> str:
        """Return the unit that values are shown with, empty if there is none."""
        return str(getattr(self, "unit", ""))

    def shown_note(self, bits: int) -> str:
        """Return what a bit map says beside the range of a place of so many bits."""
        return self.note

    def meaning(self, value: Any, scope: ask.Scope) -> str:
        """Return what a value means beyond itself."""
        return self.note

    # --- costs

    def value_bits(self) -> int:
        """Return the bits of one value."""
        return self.sent().needed()

    def spare_codes(self, bits: int) -> int:
        """Return how many codes of a place of so many bits mean nothing."""
        return 0

    def gain(self, less: int) -> ask.Gain:
        """Return what the field gives, and what it would give in a smaller place of ``less`` bits."""
        raise NotImplementedError

    def inner_parts(self, order: Order) -> Iterator[ask.InnerPart]:
        """Yield what else a value is made of, and may have in fewer bits."""
        yield from ()

    def bit_packed(self) -> ask.Coarser | None:
        """Return what must change so that bit-packed it takes all values that it takes octet-aligned; no loss."""
        return None

    def coarser(self, order: Order) -> Iterator[ask.Coarser]:
        """Yield the field with ever coarser steps within its tolerance."""
        yield from ()

    def remark(self, order: Order) -> ask.Remark | None:
        """Return what is unusual about the declaration in a message of this order, and what would help."""
        return None

    # --- other encodings

    def converted(self, value: Any, known: ask.Known, form: ask.Conversion) -> Any:
        """Return the data of a value, or the value of data."""
        return form.leaf(self, value, known)

    def coded(self, value: Any, known: ask.Known, code: ask.CodeOf) -> Any:
        """Return a value as encodings of whole numbers send it; ``code`` does one number."""
        return value if (number := self.number()) is None else code(number, value)

    def decoded(self, item: Any, known: ask.Known, value: ask.CodeOf) -> Any:
        """Return the value of what ``coded`` made."""
        return item if (number := self.number()) is None else value(number, item)

    def to_json(self, value: Any) -> Any:
        """Return a value as JSON has it."""
        is_number = isinstance(value, int | Decimal) and not isinstance(value, bool)
        return number_of(value) if is_number else value

    def from_json(self, item: Any) -> Any:
        """Return the value of what ``to_json`` made."""
        number = self.number()
        return item if number is None or isinstance(item, str) else value_of(number, item)

    def shape(self, tags: "Mapping[str, Field]") -> Shape:
        """Return what encodings of integers see; ``tags`` are the fields before it."""
        return whole_of(self.sent())

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return the type in CDDL."""
        number = self.sent()
        names = ("null",) if is_nullable(number) else (f'"{name}"' for name, _ in number.special)
        return " / ".join([span_text(number), *names])

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return the field in the words of the construct library; ``bases`` are the codecs of earlier times."""
        raise NotImplementedError

    def base_time(self) -> Decimal | None:
        """Return the seconds from 1970 to the epoch that values count from, None where there is none."""
        return None

    def own_time(self, base: "Field | None") -> "Field | None":
        """Return the time inside that counts from the base time of a pack."""
        return None

    def records(self, maker: ask.RecordMaker, value: Any, at: ask.RecordPlace) -> Iterator[Entry]:
        """Yield the records of SenML."""
        yield maker.entry(self, value, at)

    def to_senml(self, value: Any, known: ask.Known, real: Real) -> tuple[str, Any]:
        """Return label and value of a record."""
        for kind, label in ((bool, "vb"), (str, "vs"), (bytes, "vd")):
            if isinstance(value, kind):
                return label, value
        return "v", number_of(value)

    def from_records(
        self, reader: ask.RecordReader, records: list[SenmlRecord], at: ask.RecordPlace
    ) -> Any:
        """Return the value that records hold."""
        if not records:
            raise Unsayable(f"{self.name} has no record")
        return self.from_senml(records[0].item, at.known)

    def from_senml(self, item: Any, known: ask.Known) -> Any:
        """Return the value of a record."""
        return item if isinstance(item, str | bytes | bool) else value_of(self.number(), item)

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield values that the longest in an encoding is among, those furthest from 0 first."""
        number = self.sent()
        yield from furthest(number)
        yield from (name for name, _ in number.special)

    # --- where it stands, and C

    def passed(self, walker: ask.FieldWalker, place: ask.ValuePath, tags: dict[str, str]) -> bool:
        """Let a walker pass what a field of no fixed width is made of; return whether its kind knows how."""
        return False

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return the field in C."""
        from lowpanbudget.payload.c.scaled import Scaled

        return Scaled(maker, spot, self.sent())

    def element_spot(self, spot: "Spot") -> "Spot":
        """Return the spot of this field as the element of an array at a spot."""
        return spot._replace(path=f"{spot.path}{ask.ELEMENT}")
