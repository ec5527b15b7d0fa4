"""What every field of one fixed width must be able to do."""

from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.grid import number_codec, special_codes
from lowpanbudget.payload.codec.nodes import Case, Codec, LeafNode, Node
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.forms.senml_records import SenmlRecord, read_back
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind

MAX_BITS = 64  # the widest integer that C99 promises


def codes_left(count: int, bits: int, what: str) -> str:
    """Return in words what a place of so many bits leaves of ``count`` names, or values, with a code each."""
    if not bits:
        return ask.NOTHING
    most = plural(1 << bits, what)
    return (
        f"the same: {plural(bits, 'bit')} for {most}" if count <= 1 << bits else f"at most {most}"
    )


@field_kind
class Leaf(Field):
    """A field of one fixed width."""

    # A string of bits or octets has no byte order; a number has.
    ordered: ClassVar[bool] = True

    def needed(self) -> int:
        """Return the bits that the field's values (or its author) ask for."""
        return self.sent().needed()

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec for a place of ``width`` bits, at least ``needed()``."""
        number = self.sent()
        return number_codec(number.grid(), width, special_codes(number, width))

    def example(self, case: Case) -> Any:
        """Return a value of the least, typical or greatest message."""
        return self.sent().example(case)

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return a place of fixed width."""
        return LeafNode(planner.place(self))

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> Any:
        """Return the value wished for, or that of the least message."""
        return wish.value if wish.path == here else self.example("least")

    def value_bits(self) -> int:
        """Return the bits of the field."""
        return self.needed()

    def from_records(
        self, reader: ask.RecordReader, records: list[SenmlRecord], at: ask.RecordPlace
    ) -> Any:
        """Return the value that records hold, in the unit of the field."""
        own = read_back(getattr(self, "unit", ""), records)
        return Field.from_records(self, reader, own, at)  # the class is made anew: no super()

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return a number of some bits."""
        import construct as cs

        from lowpanbudget.payload.forms import construct_parts as parts

        if not self.carries:
            return cs.Padding(order.rounded(self.needed()))
        form = parts.leaf_form(self, order)
        return form if self.needs_value else cs.Default(form, self.example("least"))
