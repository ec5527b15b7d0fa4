"""The leading fields of a MAC header: frame control, sequence number and addressing fields.

Every frame comes through here, and a network sends few forms of frame control: for those that come again a function is
made of the same layouts.
"""

from typing import cast

from lowpanbudget.bits import Place, Reader
from lowpanbudget.fields.compiled import Compiled
from lowpanbudget.fields.parts import LayoutPart, key_of
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.layers.link.addressing import FIELDS
from lowpanbudget.layers.link.control import CITE, CONTROL, SEQUENCE, FrameForm, no_sequence, shape

# the form; the sequence number; PAN ID and address of the destination and of the source
Leading = tuple[FrameForm, int | None, int | None, bytes | None, int | None, bytes | None]
_KEYS = tuple(map(key_of, FIELDS))


def read_leading(reader: Reader) -> Leading:
    """Return what comes next; raises ``Truncated``, and what the form of the frame control has for a fault."""
    leading: Leading | None = _COMPILED.read(reader)
    return _read(reader) if leading is None else leading


def _read(reader: Reader) -> Leading:
    start = reader.pos
    reader.layer = "MAC"
    form = shape(*reader.ahead(2).ljust(2, b"\0"))
    # a multipurpose frame may begin with a single octet
    if form.octets > reader.left or not reader.left:
        reader.need(CONTROL.octets, "the frame control field", CITE)
    if form.fault is not None:
        error, text, cite = form.fault
        raise error(text, offset=start, layer="MAC", cite=cite)
    reader.raw(form.octets, "the frame control field")
    reader.spans += form.spans_at(start)
    sequence = None
    if not form.suppressed:
        reader.need(1, f"the {SEQUENCE}", CITE)
        sequence = reader.number(1, SEQUENCE, "", CITE, no_sequence(form.version))
        reader.free.append(Place(reader.pos - 1, reader.pos))
    values = form.layout.read(reader)
    return cast("Leading", (form, sequence, *map(values.get, _KEYS)))


def _compile(word: int, at: int) -> Function | None:
    """Return a function that reads what stands behind this frame control as ``_read`` does."""
    form = shape(word & 0xFF, word >> 8)
    if form.fault is not None or form.octets != CONTROL.octets:
        return None
    source = FunctionSource("leading", "MAC", at)
    return source.function(f"({source.bind(form)}, {', '.join(take_up(source, form, at))})")


def take_up(source: FunctionSource, form: FrameForm, at: int = 0) -> list[str]:
    """Take up the leading fields of this form, at octet ``at``; return the values behind the form in ``Leading``."""
    source.take(form.octets, *form.spans_at(at))
    sequence = "None"
    if not form.suppressed:
        sequence = source.let(f"data[{source.octet()}]")
        source.field(1, SEQUENCE, sequence, "", CITE, no_sequence(form.version), free=True)
    values = dict.fromkeys(_KEYS, "None")
    for part in form.layout.parts:
        assert isinstance(part, LayoutPart)
        values[part.key] = source.part(part, form.layout)
    return [sequence, *values.values()]


_COMPILED = Compiled(CONTROL, _compile)
