"""LOWPAN_HC1 and HC_UDP, read once more from RFC 4944 sections 6 and 10."""

from second.tape import Refused, Tape, bits_of, packed

LINK_LOCAL = "1111111010" + "0" * 54


def identifier(link: bytes | None, pan_id: int | None) -> str:
    """Return section 6's identifier: a short address as 16_bit_PAN:16_zero_bits:short, through RFC 2464."""
    if link is None:
        raise Refused("unknown link address")
    if len(link) == 2:
        pan = (pan_id or 0).to_bytes(2, "big")
        # U/L "SHALL be set to zero"
        return bits_of(bytes([pan[0] & ~2, pan[1], 0, 0xFF, 0xFE, 0]) + link)
    return bits_of(bytes([link[0] ^ 2]) + link[1:])


def expanded(
    tape: Tape, source: bytes | None, destination: bytes | None, pan_id: int | None
) -> bytes:
    """Return the datagram of what follows the dispatch LOWPAN_HC1."""
    addresses = tape.take(2), tape.take(2)
    plain, next_header, more = tape.take(1), tape.take(2), tape.take(1)
    udp = tape.take(8) if more == "1" else None
    if udp is not None and next_header != "01":
        raise Refused(
            "HC_UDP 'only applies if bits 5 and 6 in HC1 indicate that the protocol [...] is UDP'"
        )
    hop_limit = tape.octets(1)
    whole = ""
    for form, link in zip(addresses, (source, destination), strict=True):
        whole += tape.take(64) if form[0] == "0" else LINK_LOCAL
        whole += tape.take(64) if form[1] == "0" else identifier(link, pan_id)
    traffic = tape.take(28) if plain == "0" else "0" * 28
    number = {"01": 17, "10": 58, "11": 6}.get(next_header) or tape.number(8)
    if udp is None:
        _align(tape)
        payload = tape.rest()
    else:
        ports = [
            tape.take(16) if flag == "0" else "111100001011" + tape.take(4) for flag in udp[:2]
        ]
        length = tape.take(16) if udp[2] == "0" else None
        checksum = tape.take(16)
        _align(tape)
        data = tape.rest()
        payload = packed("".join(ports) + (length or f"{8 + len(data):016b}") + checksum) + data
    size = len(payload).to_bytes(2, "big")
    return packed("0110" + traffic) + size + bytes([number]) + hop_limit + packed(whole) + payload


def _align(tape: Tape) -> None:
    """Leave out section 10's pad: "zero bits SHOULD be added as appropriate to align to an octet boundary"."""
    tape.take(-tape.at % 8)
