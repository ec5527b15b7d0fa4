"""The bytecode of RFC 7400 section 2, read once more from its table 1 alone."""

from second.tape import Refused, Tape, packed

# figure 1
STATIC = bytes.fromhex("16 fe fd 17 fe fd 00 01 00 00 00 00 00 01 00 00")
LARGEST = 0xFFFF  # no IPv6 payload holds more


def spelled_out(tape: Tape, source: str, destination: str, *, stops: bool) -> bytes:
    """Return what the code lays out; with ``stops`` it goes to its stop code (section 3.2), else to the end."""
    before = packed(source + destination) + STATIC
    out = bytearray(before)
    reach = longer = 0  # "sa" and "na"
    while stops or tape.at < len(tape.bits):
        code = tape.take(8)
        if code[0] == "0":
            count = int(code[1:], 2)
            if count >= 96:
                raise Refused("reserved")
            out += tape.octets(count)
        elif code.startswith("1000"):
            out += bytes(int(code[4:], 2) + 2)
        elif code == "10010000":
            if not stops and tape.at < len(tape.bits):
                raise Refused("end of compressed data, and octets behind it")
            break
        elif code.startswith("1001"):
            raise Refused("reserved")
        elif code.startswith("101"):
            reach += int(code[4:] + "000", 2)
            longer += int(code[3] + "000", 2)
        else:
            count = longer + int(code[2:5], 2) + 2
            back = int(code[5:], 2) + reach + count
            if back > len(out):
                raise Refused("out of area")
            start = len(out) - back
            out += out[start : start + count]
            reach = longer = 0
        if len(out) - len(before) > LARGEST:
            raise Refused("too long")
    return bytes(out[len(before) :])
