"""Fields of any width one after the other, across the ends of octets."""

from lowpanbudget.bits import Reader, Span
from lowpanbudget.cites import Cite


class FieldStream:
    """Takes fields of any width from a reader that stands at an octet's start, and aligns it at the end."""

    def __init__(self, reader: Reader, places: dict[str, tuple[int, int]]) -> None:
        self.reader = reader
        self.places = places
        self.at = reader.pos * 8

    def take(self, width: int, name: str, cite: Cite, meaning: object = "") -> int:
        """Return the next ``width`` bits, leaving their span."""
        end = self.at + width
        self.reader.need((end + 7) // 8 - self.reader.pos, f"the {name}", cite)
        octets = self.reader.data[self.at // 8 : (end + 7) // 8]
        value = int.from_bytes(octets, "big") >> (-end % 8) & ((1 << width) - 1)
        text = meaning(value) if callable(meaning) else ""
        self.reader.spans.append(Span(self.at, width, self.reader.layer, name, value, text, cite))
        self.places[name] = (self.at, width)
        self.at = end
        self.reader.pos = self.at // 8
        return value

    def align(self, cite: Cite) -> None:
        """Pass the bits up to the next octet, leaving them as padding."""
        if self.at % 8:
            self.take(-self.at % 8, "pad", cite)
