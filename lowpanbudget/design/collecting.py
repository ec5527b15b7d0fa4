"""Messages that collect readings, at the rhythm of their flow."""

from collections.abc import Iterator

from lowpanbudget.design.flow import Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.payload.kinds.lengths import Repeated
from lowpanbudget.payload.message import Message


def unspanned(design: Design, flow: Flow) -> Iterator[tuple[Message, Repeated]]:
    """Yield the messages that the flow names and nobody can make, with their readings: times do not span the fewest."""
    for message in design.messages:
        readings = message.batch_field if message.name in flow.messages else None
        if readings is not None and readings.spanned(flow.every_s) is not None:
            yield message, readings
