"""Bits taken from the front, for the second decoder; nothing here knows a header."""


class Refused(Exception):
    """The octets cannot be expanded."""


class Tape:
    """A text of bits that is taken from the front.

    ``tail`` are octets of the datagram that later fragments brought: they come uncompressed behind the last header.
    """

    def __init__(self, octets: bytes, tail: bytes = b"") -> None:
        self.bits = "".join(f"{octet:08b}" for octet in octets)
        self.at = 0
        self.tail = tail

    def take(self, count: int) -> str:
        if self.at + count > len(self.bits):
            raise Refused("cut short")
        self.at += count
        return self.bits[self.at - count : self.at]

    def number(self, count: int) -> int:
        return int(self.take(count), 2)

    def octets(self, count: int) -> bytes:
        return packed(self.take(count * 8))

    def starts(self, pattern: str) -> bool:
        return self.bits.startswith(pattern, self.at)

    def here(self) -> bytes:
        """Take and return what is left of these octets, without those of later fragments."""
        return packed(self.take(len(self.bits) - self.at))

    def rest(self) -> bytes:
        return self.here() + self.tail


def packed(bits: str) -> bytes:
    return bytes(int(bits[at : at + 8], 2) for at in range(0, len(bits), 8))


def bits_of(octets: bytes) -> str:
    return "".join(f"{octet:08b}" for octet in octets)
