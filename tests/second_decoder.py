"""A second decompressor, written from the texts of RFC 6282 and RFC 7400 alone; ``second/`` has what may stand before.

It shares nothing with the package: no import, no table, another way of working (texts of "0" and "1", and recursion
where the package keeps a list of pieces). It judges what the package's encoder makes, and what its decoder reads.
"""

from collections.abc import Mapping
from ipaddress import IPv6Network
from typing import NamedTuple

from second.ghc import spelled_out
from second.tape import Refused, Tape, bits_of, packed

LINK_LOCAL = "1111111010" + "0" * 54
SHORT = f"{0x000000FFFE000000 >> 16:048b}"  # 0000:00ff:fe00
KNOWN_EID = {0: 0, 1: 43, 2: 44, 3: 60, 4: 135, 7: 41}  # section 4.2
GHC_EID = {0: 0, 1: 43, 2: 44, 3: 60}  # RFC 7400 figure 6: 10110EEN


class Ends(NamedTuple):
    """Identifiers of 64 bits that elided ones come from: without a context (SAC or DAC 0), and with one."""

    source: str | None
    destination: str | None
    context_source: str | None
    context_destination: str | None


def between(source: str | None, destination: str | None) -> Ends:
    """Return the ends of a link, or of an IPv6 header that encapsulates."""
    return Ends(source, destination, source, destination)


def link_bits(link: bytes | None) -> str | None:
    """Return section 3.2.2's identifier of a link address as 64 bits."""
    if link is None:
        return None
    if len(link) == 2:
        return SHORT + bits_of(link)
    bits = bits_of(link)
    return bits[:6] + ("0" if bits[6] == "1" else "1") + bits[7:]


def expand(
    octets: bytes,
    source: bytes | None = None,
    destination: bytes | None = None,
    contexts: Mapping[int, str | IPv6Network] | None = None,
) -> bytes:
    """Return the IPv6 datagram of a payload that starts with LOWPAN_IPHC; raises ``Refused``."""
    prefixes = {
        number: prefix if isinstance(prefix, IPv6Network) else IPv6Network(prefix)
        for number, prefix in (contexts or {}).items()
    }
    tape = Tape(octets)
    datagram = header(tape, between(link_bits(source), link_bits(destination)), prefixes)
    assert tape.at == len(tape.bits)
    return datagram


def header(tape: Tape, ends: Ends, prefixes: Mapping[int, IPv6Network]) -> bytes:
    """Return the datagram of a LOWPAN_IPHC header and all that follows it."""
    if tape.take(3) != "011":
        raise Refused("no LOWPAN_IPHC")
    tf, nh, hlim, cid = tape.take(2), tape.take(1), tape.take(2), tape.take(1)
    sac, sam, m, dac, dam = (tape.take(width) for width in (1, 2, 1, 1, 2))
    sci, dci = (tape.number(4), tape.number(4)) if cid == "1" else (0, 0)
    ecn, dscp, label = "00", "000000", "0" * 20
    if tf == "00":
        ecn, dscp, _, label = tape.take(2), tape.take(6), tape.take(4), tape.take(20)
    elif tf == "01":
        ecn, _, label = tape.take(2), tape.take(2), tape.take(20)
    elif tf == "10":
        ecn, dscp = tape.take(2), tape.take(6)
    next_header = tape.number(8) if nh == "0" else None
    hop_limit = {"01": 1, "10": 64, "11": 255}.get(hlim) or 0
    if hlim == "00":
        hop_limit = tape.number(8)
    source_iid = ends.source if sac == "0" else ends.context_source
    source = _source(tape, sac, sam, source_iid, prefixes.get(sci))
    destination_iid = ends.destination if dac == "0" else ends.context_destination
    destination = _destination(tape, m + dac + dam, destination_iid, prefixes.get(dci))
    if next_header is None:
        next_header, payload = _next(tape, source, destination, destination, prefixes)
    else:
        payload = tape.rest()
    first = packed("0110" + dscp + ecn + label)
    if len(payload) > 0xFFFF:
        raise Refused("too long")
    return (
        first
        + len(payload).to_bytes(2, "big")
        + bytes([next_header, hop_limit])
        + packed(source)
        + packed(destination)
        + payload
    )


def _with_context(prefix: IPv6Network | None, iid: str | None) -> str:
    """Return bits covered by the context, else those of the identifier, else zero."""
    if prefix is None:
        raise Refused("unknown context")
    covered = f"{int(prefix.network_address):0128b}"[: prefix.prefixlen]
    if iid is None:
        if prefix.prefixlen < 128:
            raise Refused("unknown link address")
        iid = "0" * 64
    return covered + ("0" * 64 + iid)[prefix.prefixlen :]


def _source(tape: Tape, sac: str, sam: str, iid: str | None, prefix: IPv6Network | None) -> str:
    if sam == "00":
        return tape.take(128) if sac == "0" else "0" * 128
    if sam == "01":
        iid = tape.take(64)
    elif sam == "10":
        iid = SHORT + tape.take(16)
    if sac == "0":
        if iid is None:
            raise Refused("unknown link address")
        return LINK_LOCAL + iid
    return _with_context(prefix, iid)


def _destination(tape: Tape, mode: str, iid: str | None, prefix: IPv6Network | None) -> str:
    if mode in ("0100", "1101", "1110", "1111"):
        raise Refused("reserved")
    if mode[0] == "0":
        return _source(tape, mode[1], mode[2:], iid, prefix)
    if mode == "1000":
        return tape.take(128)
    if mode == "1100":
        flags_scope, reserved, group = tape.take(8), tape.take(8), tape.take(32)
        if prefix is None or prefix.prefixlen > 64:
            raise Refused("no context that such an address can hold")
        network = f"{int(prefix.network_address):0128b}"[:64]
        return "1" * 8 + flags_scope + reserved + f"{prefix.prefixlen:08b}" + network + group
    if mode == "1011":
        return f"{0xFF02:016b}" + "0" * 104 + tape.take(8)
    flags_scope = tape.take(8)
    group = tape.take(40 if mode == "1001" else 24)
    return "1" * 8 + flags_scope + group.rjust(112, "0")


def _whole_options(body: bytes) -> bool:
    """Return whether options (RFC 8200 section 4.2) fill the octets: a Pad1, or a type, a length and as many octets."""
    while body:
        if len(body) == 1 and body[0]:
            return False
        size = 1 if body[0] == 0 else 2 + body[1]
        if size > len(body):
            return False
        body = body[size:]
    return True


def _next(
    tape: Tape, source: str, destination: str, final: str, prefixes: Mapping[int, IPv6Network]
) -> tuple[int, bytes]:
    """Return the next header's number and everything from there on, expanded.

    ``final`` is the pseudo-header's destination, which a routing header may change.
    """
    if tape.starts("1110") or tape.starts("10110"):
        generic = tape.take(4) == "1011"
        eid, nh = tape.number(3), tape.take(1)
        if eid not in (GHC_EID if generic else KNOWN_EID):
            raise Refused("reserved")
        kind = KNOWN_EID[eid]
        if kind == 41:
            return kind, header(tape, between(source[64:], destination[64:]), prefixes)
        number = tape.number(8) if nh == "0" and not generic else None
        if generic:
            # RFC 7400 section 3.2: "no easy way to extract the Length field from the GHC-encoded header", so that the
            # whole header is code, its Next Header too; "completely elide the Length field"
            body = spelled_out(tape, source, destination, stops=True)
            if nh == "0":
                if not body:
                    raise Refused("no Next Header")
                number, body = body[0], body[1:]
        elif kind == 44:
            body = tape.octets(7)
        else:
            body = tape.octets(tape.number(8))
        after = _extension(kind, body)
        final = _final(kind, after, final)
        if number is None:
            number, rest = _next(tape, source, destination, final, prefixes)
        else:
            rest = tape.rest()
        return kind, bytes([number]) + after + rest
    if tape.starts("11011111"):
        tape.take(8)
        return 58, spelled_out(tape, source, destination, stops=False) + tape.tail
    return 17, _udp(tape, source, destination, final)


def _extension(kind: int, body: bytes) -> bytes:
    """Return an extension header behind its Next Header octet, with length and pad."""
    if kind == 44:
        if len(body) != 7:
            raise Refused("no fragment header")
        return body
    missing = -(2 + len(body)) % 8
    if missing:
        if kind not in (0, 60):
            raise Refused("not aligned")
        if not _whole_options(body):
            raise Refused("no place for a pad option")
        body += b"\0" if missing == 1 else bytes([1, missing - 2]) + bytes(missing - 2)
    if len(body) > 2046 or len(body) < 6:
        raise Refused("no length that can be told")
    return bytes([(2 + len(body)) // 8 - 1]) + body


def _final(kind: int, behind: bytes, final: str) -> str:
    """Return the pseudo-header's destination (RFC 8200 section 8.1) behind this header, of the one before it."""
    if kind != 43 or behind[2] == 0:
        return final
    units, left = behind[0], behind[2]
    # "the last element of the Routing header": of whole addresses there is one, however many segments are left
    if behind[1] in (0, 2) and units and units % 2 == 0:
        return bits_of(behind[-16:])
    if behind[1] != 3:
        return final
    # RFC 6554 section 3: CmprI, CmprE, Pad; the last address elides CmprE octets
    elided, pad = behind[3] & 15, behind[4] >> 4
    shown = behind[7 : len(behind) - pad][-(16 - elided) :]
    middle, before = 16 - (behind[3] >> 4), len(behind) - 7 - pad - (16 - elided)
    # section 4.2: n addresses, of which no more than n are left; a router drops all other headers
    sound = before >= 0 and before % middle == 0 and left <= before // middle + 1
    if not sound or (pad and behind[3] == 0):
        return final
    return final[: elided * 8] + bits_of(shown)


def _udp(tape: Tape, source: str, destination: str, final: str) -> bytes:
    """Return a UDP header and what it carries; 11110CPP as it is, 11010CPP in RFC 7400's code."""
    generic = tape.starts("11010")
    if tape.take(5) not in ("11110", "11010"):
        raise Refused("no LOWPAN_NHC")
    c, p = tape.take(1), tape.take(2)
    f0, f0b = "11110000", "111100001011"
    if p == "00":
        ports = tape.take(16), tape.take(16)
    elif p == "01":
        ports = tape.take(16), f0 + tape.take(8)
    elif p == "10":
        ports = f0 + tape.take(8), tape.take(16)
    else:
        ports = f0b + tape.take(4), f0b + tape.take(4)
    checksum = tape.octets(2) if c == "0" else None
    data = (
        spelled_out(tape, source, destination, stops=False) + tape.tail if generic else tape.rest()
    )
    if len(data) + 8 > 0xFFFF:
        raise Refused("too long")
    head = packed("".join(ports)) + (8 + len(data)).to_bytes(2, "big")
    if checksum is None:
        checksum = udp_checksum(packed(source), packed(final), head + b"\0\0" + data)
    return head + checksum + data


def udp_checksum(source: bytes, destination: bytes, segment: bytes) -> bytes:
    """Return the checksum of RFC 8200 section 8.1, word by word; zero goes as 0xffff."""
    text = source + destination + len(segment).to_bytes(4, "big") + bytes([0, 0, 0, 17]) + segment
    text += bytes(len(text) % 2)
    total = 0
    for at in range(0, len(text), 2):
        total += text[at] << 8 | text[at + 1]
        total = (total & 0xFFFF) + (total >> 16)
    return (0xFFFF - total or 0xFFFF).to_bytes(2, "big")
