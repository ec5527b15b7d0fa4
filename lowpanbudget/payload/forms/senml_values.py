"""The values of a message from the SenML pack that ``senml_pack`` made."""

from decimal import Decimal

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.forms.doubles import value_of
from lowpanbudget.payload.forms.senml import Entry, SenmlRecord, by_part, resolve
from lowpanbudget.payload.forms.senml_pack import BASE_NAME, base_field
from lowpanbudget.payload.forms.shapes import Values
from lowpanbudget.payload.kinds.field import Field, members
from lowpanbudget.payload.kinds.group import own_time
from lowpanbudget.payload.kinds.interfaces import Known
from lowpanbudget.payload.message import Message


def from_pack(message: Message, pack: list[Entry]) -> Values:
    """Return the values of records that ``to_pack`` made."""
    timed = [entry for entry in pack if "bt" in entry]
    base = base_field(message.fields) if timed else None
    start = exact(timed[0]["bt"]) if timed else Decimal(0)
    records = [
        SenmlRecord(
            tuple(entry["n"].removeprefix(BASE_NAME).split("/")),
            EXACT.subtract(entry.get("t", start), start),
            next(entry[label] for label in ("v", "vs", "vb", "vd") if label in entry),
        )
        for entry in resolve(pack)
    ]
    return _Reader(base, start).group(message.fields, records, {}, outermost=True)


class _Reader:
    """Reads records back into values."""

    def __init__(self, base: Field | None, start: Decimal) -> None:
        self._base, self._start = base, start

    def group(
        self, fields: tuple[Field, ...], records: list[SenmlRecord], known: Known,
        time: Decimal | None = None, *, outermost: bool = False,
    ) -> Values:  # fmt: skip
        """Return the fields that have records; ``time`` is that of the array's element around them."""
        values: Values = {}
        inside = by_part(records)
        own = own_time(fields, self._base) if time is not None else None
        for field in members(fields):
            mine = inside.get(field.name, [])
            seen = {**known, **values}
            if outermost and field is self._base:
                seconds = EXACT.subtract(self._start, exact(field.base_time()))
                values[field.name] = value_of(field.number(), seconds)
            elif own is not None and field is own:
                values[field.name] = own.after(seen, time)
            elif mine or not field.optional:
                values[field.name] = field.from_records(self, mine, seen, outermost=outermost)
        return values
