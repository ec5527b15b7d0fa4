"""A ledger: the spans of one frame, tiling it exactly; the room is what they leave over."""

from collections.abc import Iterator

from lowpanbudget.bits import Span, tiles
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Ledger:
    """The ``spans`` of a frame of ``octets`` octets; ``frame`` are these, with stand-ins where spans say so.

    Raises ``AssertionError`` when the spans leave a gap or overlap: then an encoder is wrong.
    """

    spans: tuple[Span, ...]
    octets: int
    frame: bytes = b""

    def __post_init__(self) -> None:
        assert tiles(self.spans, self.octets * 8), "spans do not tile the frame"

    def __iter__(self) -> Iterator[Span]:
        """Return the spans one by one, as they stand in the frame."""
        return iter(self.spans)

    def __len__(self) -> int:
        return len(self.spans)

    def __getitem__(self, index: int) -> Span:
        return self.spans[index]

    def layers(self) -> list[tuple[str, int]]:
        """Return each layer with its bits, in the order of the frame; a layer that comes back later is listed again."""
        totals: list[tuple[str, int]] = []
        for span in self.spans:
            if totals and totals[-1][0] == span.layer:
                totals[-1] = (span.layer, totals[-1][1] + span.bits)
            else:
                totals.append((span.layer, span.bits))
        return totals
