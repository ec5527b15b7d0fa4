"""Fields under one name."""

import dataclasses
from collections.abc import Iterator
from typing import ClassVar

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import Field


@dataclasses.dataclass(frozen=True, slots=True)
class Group(Field):
    """Fields under one name; the value is a dictionary. Presence bits of optional fields lead the group."""

    _: dataclasses.KW_ONLY
    fields: tuple[Field, ...]

    kind: ClassVar[str] = "group"

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield a flaw if there are no fields; the fields are judged by themselves."""
        del order
        if not self.fields:
            yield Flaw(("field",), "a group without fields", "Give it a field or remove it")
