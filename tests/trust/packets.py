"""Random 6LoWPAN payloads along the figures of the RFCs, made without the package and without its second reader.

A maker takes a source of random numbers and returns the payload and what it is read with. Most payloads are sound; what
is not (unknown contexts, reserved codes) is there because the formats allow to write it.
"""

from collections.abc import Callable
from dataclasses import replace
from ipaddress import IPv6Network
from random import Random

from second.payload import Around

PREFIX = bytes.fromhex("20010db8 0000 0000")
SHORT_IID = bytes.fromhex("0000 00ff fe00")
LENGTHS = (0, 1, 32, 48, 63, 64, 65, 112, 128)

Made = tuple[bytes, Around]
Maker = Callable[[Random], Made]


def link(rng: Random) -> bytes:
    return rng.choice(
        [b"\0\1", rng.randbytes(2), rng.randbytes(8), bytes.fromhex("02005eef10000001")]
    )


def node(rng: Random) -> bytes:
    """Return an address under the common prefix, or any."""
    near = PREFIX + SHORT_IID + rng.randbytes(2)
    return rng.choice(
        [near, near, near, PREFIX + rng.randbytes(8), b"\x20\x01" + rng.randbytes(14)]
    )


def around(rng: Random, *, root: bool = True) -> Around:
    prefixes = {0: IPv6Network((PREFIX + bytes(8), 64))}
    for number in rng.sample(range(16), rng.choice([0, 1, 2])):
        start = rng.choice([PREFIX + bytes(8), b"\xfe\x80" + bytes(14), rng.randbytes(16)])
        prefixes[number] = IPv6Network((start, rng.choice(LENGTHS)), strict=False)
    known = [None if rng.random() < 0.04 else link(rng) for _ in range(2)]
    return Around(
        known[0], known[1], prefixes, rng.choice([None, 0xABCD, 0xFFFF, rng.getrandbits(16)]),
        PREFIX + SHORT_IID + b"\0\1" if root and rng.random() < 0.9 else None, rng.choice([0x63, 0x63, 0x23]),
    )  # fmt: skip


def data(rng: Random, most: int = 24) -> bytes:
    """Return octets that a bytecode could shorten, none to ``most`` of them."""
    return bytes(
        rng.choice([0, 0, 1, 0xFE, 0x80, rng.getrandbits(8)]) for _ in range(rng.randint(0, most))
    )


# --- RFC 6282 -------------------------------------------------------------------------------------

IN_LINE_TF = (4, 3, 1, 0)  # figure 2
IN_LINE_SOURCE = {0: (16, 8, 2, 0), 1: (0, 8, 2, 0)}
IN_LINE_DESTINATION = {
    (0, 0): (16, 8, 2, 0),
    (0, 1): (16, 8, 2, 0),
    (1, 0): (16, 6, 4, 1),
    (1, 1): (6, 0, 0, 0),
}


def iphc(rng: Random, contexts: Around, rest: bytes | None = None) -> bytes:
    """Return LOWPAN_IPHC and ``rest``, which is LOWPAN_NHC where it is given; else some next header and octets."""
    tf, hlim, cid = rng.getrandbits(2), rng.getrandbits(2), int(rng.random() < 0.3)
    sac, sam, m, dac, dam = (rng.getrandbits(width) for width in (1, 2, 1, 1, 2))
    if (m, dac) == (1, 1) and rng.random() < 0.95:
        dam = 0
    if (m, dac, dam) == (0, 1, 0) and rng.random() < 0.95:
        dam = 3
    nh = int(rest is not None)
    word = bytes(
        [
            0b011 << 5 | tf << 3 | nh << 2 | hlim,
            cid << 7 | sac << 6 | sam << 4 | m << 3 | dac << 2 | dam,
        ]
    )
    if cid:
        known = [*contexts.prefixes, rng.getrandbits(4)]
        word += bytes([rng.choice(known) << 4 | rng.choice(known)])
    word += rng.randbytes(IN_LINE_TF[tf])
    if rest is None:
        word += bytes([rng.choice([59, 6, 58, rng.getrandbits(8)])])
        rest = data(rng)
    if hlim == 0:
        word += rng.randbytes(1)
    source, destination = IN_LINE_SOURCE[sac][sam], IN_LINE_DESTINATION[m, dac][dam]
    return word + rng.randbytes(source) + rng.randbytes(destination) + rest


def udp_nhc(rng: Random) -> bytes:
    c, p = rng.getrandbits(1), rng.getrandbits(2)
    ports = rng.randbytes((4, 3, 3, 1)[p])
    return bytes([0b11110 << 3 | c << 2 | p]) + ports + (b"" if c else rng.randbytes(2)) + data(rng)


def options(rng: Random) -> bytes:
    """Return options of RFC 8200 section 4.2, without care for alignment."""
    out = b""
    for _ in range(rng.randint(0, 3)):
        body = data(rng, 6)
        out += rng.choice(
            [b"\0", bytes([1, len(body)]) + bytes(len(body)), bytes([0x1E, len(body)]) + body]
        )
    return out


def routing(rng: Random) -> bytes:
    """Return a routing header behind its length octet: any, or RFC 6554's."""
    if rng.random() < 0.5:
        return bytes([rng.choice([0, 2, 4, 3]), rng.randint(0, 2), *bytes(4)]) + rng.randbytes(
            8 * rng.randint(0, 3)
        )
    cmpr_i, cmpr_e, count = rng.randint(0, 15), rng.randint(0, 15), rng.randint(1, 3)
    addresses = rng.randbytes((16 - cmpr_i) * (count - 1) + 16 - cmpr_e)
    pad = -len(addresses) % 8
    head = bytes([3, rng.randint(0, count), cmpr_i << 4 | cmpr_e, pad << 4, 0, 0])
    return head + addresses + bytes(pad)


def extension_body(rng: Random, eid: int) -> bytes:
    """Return what follows the length octet of an extension header with this EID."""
    if eid == 1:
        return routing(rng)
    if eid in (0, 3):
        body = options(rng)
        missing = -(2 + len(body)) % 8
        if rng.random() < 0.5:  # the pad in line
            body += b"\0" * missing if missing < 2 else bytes([1, missing - 2]) + bytes(missing - 2)
        return body
    return rng.randbytes(8 * rng.randint(0, 2) + 6)


def nhc_chain(rng: Random, contexts: Around, depth: int) -> bytes:
    """Return a chain of LOWPAN_NHC headers, at most ``depth`` extension headers before the last."""
    if depth == 0 or rng.random() < 0.2:
        return udp_nhc(rng)
    eid = rng.choice([0, 1, 2, 3, 4, 7])
    if eid == 7:
        return b"\xee" + iphc(
            rng, contexts, nhc_chain(rng, contexts, depth - 1) if rng.random() < 0.6 else None
        )
    more = rng.random() < 0.7
    if eid == 2:  # an atomic or first fragment where headers follow it
        offset = 0 if more else rng.getrandbits(13)
        body = rng.choice([b"\0", rng.randbytes(1)]) + (offset << 3 | rng.getrandbits(1)).to_bytes(
            2, "big"
        )
        body += rng.randbytes(4)
    else:
        body = extension_body(rng, eid)
        body = bytes([len(body)]) + body
    octet = bytes([0xE0 | eid << 1 | more])
    if more:
        return octet + body + nhc_chain(rng, contexts, depth - 1)
    return octet + bytes([rng.choice([59, 6, 58])]) + body + data(rng)


def alone(rng: Random) -> Made:
    surroundings = around(rng)
    return iphc(rng, surroundings), surroundings


def with_udp(rng: Random) -> Made:
    surroundings = around(rng)
    return iphc(rng, surroundings, udp_nhc(rng)), surroundings


def with_extensions(rng: Random) -> Made:
    surroundings = around(rng)
    return iphc(rng, surroundings, nhc_chain(rng, surroundings, 4)), surroundings


def tunnelled(rng: Random) -> Made:
    surroundings = around(rng)
    inner = iphc(rng, surroundings, nhc_chain(rng, surroundings, 1) if rng.random() < 0.5 else None)
    return iphc(rng, surroundings, b"\xee" + inner), surroundings


# --- RFC 7400 -------------------------------------------------------------------------------------


def bytecode(rng: Random, most: int = 6) -> bytes:
    """Return code of table 1; one in fifty is reserved."""
    out, there = b"", 48
    for _ in range(rng.randint(0, most)):
        kind = rng.random()
        if kind < 0.35:
            literal = data(rng, 12)
            out, there = out + bytes([len(literal)]) + literal, there + len(literal)
        elif kind < 0.55:
            count = rng.getrandbits(4)
            out, there = out + bytes([0x80 | count]), there + count + 2
        elif kind < 0.98:
            n, k = rng.getrandbits(3), rng.getrandbits(3)
            sets = [rng.getrandbits(5) for _ in range(rng.choice([0, 1, 1, 2, 3]))]
            long, back = (
                8 * sum(part) for part in ([one >> 4 for one in sets], [one & 15 for one in sets])
            )
            if back + k + long + n + 2 <= there or rng.random() < 0.02:
                out += bytes([0xA0 | one for one in sets]) + bytes([0xC0 | n << 3 | k])
                there += long + n + 2
        else:
            out += bytes([rng.choice([0x60, 0x7F, 0x91, 0x9F])])
    return out


def ghc_udp(rng: Random) -> bytes:
    plain = udp_nhc(rng)
    c, p = plain[0] >> 2 & 1, plain[0] & 3
    size = 1 + (4, 3, 3, 1)[p] + (0 if c else 2)
    return bytes([0b11010 << 3 | c << 2 | p]) + plain[1:size] + bytecode(rng)


def literal(octets: bytes) -> bytes:
    return b"".join(
        bytes([len(part)]) + part
        for part in (octets[at : at + 95] for at in range(0, len(octets), 95))
    )


def ghc_extension(rng: Random, last: bytes) -> bytes:
    """Return an extension header as code: 10110EEN, and ``last`` behind it where N is set."""
    eid = rng.choice([0, 1, 2, 3])
    more = rng.random() < 0.6
    fragment = rng.randbytes(1) + b"\0\0" + rng.randbytes(4)
    body = fragment if eid == 2 else extension_body(rng, eid)
    number = b"" if more else bytes([rng.choice([59, 6])])
    code = bytecode(rng) if rng.random() < 0.2 else literal(number + body)
    return bytes([0xB0 | eid << 1 | more]) + code + b"\x90" + (last if more else data(rng))


def with_ghc_udp(rng: Random) -> Made:
    surroundings = around(rng)
    return iphc(rng, surroundings, ghc_udp(rng)), surroundings


def with_ghc_icmpv6(rng: Random) -> Made:
    surroundings = around(rng)
    return iphc(rng, surroundings, b"\xdf" + bytecode(rng)), surroundings


def with_ghc_extensions(rng: Random) -> Made:
    surroundings = around(rng)
    last = rng.choice([ghc_udp(rng), udp_nhc(rng), b"\xdf" + bytecode(rng)])
    if rng.random() < 0.3:
        last = ghc_extension(rng, last)
    return iphc(rng, surroundings, ghc_extension(rng, last)), surroundings


# --- RFC 8138 and RFC 8025 --------------------------------------------------------------------------


def rpi(rng: Random) -> bytes:
    low = rng.getrandbits(5)
    instance = b"" if low & 2 else rng.randbytes(1)
    return bytes([0x80 | low, 5]) + instance + rng.randbytes(1 if low & 1 else 2)


def srh(rng: Random) -> bytes:
    kind, hops = rng.randint(0, 4), rng.choice([1, 1, 2, 3, rng.randint(1, 32)])
    if kind == 4:
        hops = min(hops, 4)
        return bytes([0x80 | hops - 1, kind]) + b"".join(node(rng) for _ in range(hops))
    return bytes([0x80 | hops - 1, kind]) + rng.randbytes((1, 2, 4, 8)[kind] * hops)


def ip_in_ip(rng: Random) -> bytes:
    size = rng.choice([0, 0, 0, 1, 2, 4, 8, 16, rng.randint(0, 16)])
    address = node(rng)[16 - size :] if size else b""
    return bytes([0xA0 | 1 + size, 6]) + rng.randbytes(1) + address


def elective(rng: Random) -> bytes:
    size = rng.randint(0, 31)
    return bytes([0xA0 | size, rng.choice([0, 5, 7, 255])]) + rng.randbytes(size)


def inner(rng: Random, surroundings: Around) -> bytes:
    return iphc(rng, surroundings, rng.choice([None, udp_nhc(rng), udp_nhc(rng), ghc_udp(rng)]))


def with_rpi(rng: Random) -> Made:
    surroundings = around(rng)
    return b"\xf1" + rpi(rng) + inner(rng, surroundings), surroundings


def to_the_last_hop(surroundings: Around, last: bytes) -> bytes:
    """Return LOWPAN_IPHC whose destination, in line, is the last hop of the route before it."""
    source = bytes.fromhex("7a 50 3b") if 0 in surroundings.prefixes else bytes.fromhex("7a 10 3b")
    return source + last[8:] + last + b"\xaa\xbb"


def with_srh(rng: Random) -> Made:
    surroundings = around(rng)
    route = b"".join(srh(rng) for _ in range(rng.randint(0, 2)))
    last = node(rng)
    information = rpi(rng) if rng.random() < 0.5 else b""
    if rng.random() < 0.2:
        route += b"\x80\x04" + last
        return b"\xf1" + route + information + to_the_last_hop(surroundings, last), surroundings
    return b"\xf1" + route + srh(rng) + information + inner(rng, surroundings), surroundings


def with_ip_in_ip(rng: Random) -> Made:
    surroundings = around(rng)
    route = b"".join(srh(rng) for _ in range(rng.choice([0, 0, 1, 2])))
    information = rpi(rng) if rng.random() < 0.7 else b""
    return b"\xf1" + route + information + ip_in_ip(rng) + inner(rng, surroundings), surroundings


def mixed(rng: Random) -> Made:
    """Return several encapsulations, elective headers that nobody knows, pages switched."""
    surroundings = around(rng)
    octets = b"" if rng.random() < 0.8 else bytes([0xF0 | rng.getrandbits(4)])
    octets += b"\xf1"
    for _ in range(rng.randint(0, 2)):
        octets += srh(rng) if rng.random() < 0.5 else b""
        octets += rpi(rng) if rng.random() < 0.5 else b""
        octets += elective(rng) if rng.random() < 0.2 else b""
        octets += ip_in_ip(rng)
        octets += b"\xf0\xf1" if rng.random() < 0.1 else b""
    octets += srh(rng) if rng.random() < 0.3 else b""
    octets += rpi(rng) if rng.random() < 0.3 else b""
    octets += rng.choice([b"", b"", b"", b"\xf0", b"\xf1"])
    return octets + inner(rng, surroundings), surroundings


# --- RFC 4944 -------------------------------------------------------------------------------------


def uncompressed(rng: Random) -> Made:
    body = data(rng)
    head = bytes([0x60 | rng.getrandbits(4)]) + rng.randbytes(3) + len(body).to_bytes(2, "big")
    return b"\x41" + head + bytes([59, rng.getrandbits(8)]) + node(rng) + node(rng) + body, around(
        rng
    )


def old(rng: Random) -> Made:
    """Return LOWPAN_HC1 and mostly HC_UDP: bits in a row, zero bits behind the last header."""
    surroundings = around(rng)
    word = rng.getrandbits(8)
    if rng.random() < 0.5:
        word = word & 0xF8 | 0b011
    bits = f"{word:08b}"
    hc2 = rng.getrandbits(3) << 5 if bits[7] == "1" else None
    if hc2 is not None:
        bits += f"{hc2:08b}"

    def more(count: int) -> str:
        return f"{rng.getrandbits(count):0{count}b}"

    bits += more(8)
    bits += "".join(more(64) for bit in f"{word >> 4:04b}" if bit == "0")
    bits += more(28) if not word & 8 else ""
    bits += more(8) if word >> 1 & 3 == 0 else ""
    if hc2 is not None and word >> 1 & 3 == 1:
        bits += more(4 if hc2 & 0x80 else 16) + more(4 if hc2 & 0x40 else 16)
        bits += "" if hc2 & 0x20 else more(16)
        bits += more(16)
    bits += "0" * (-len(bits) % 8)
    head = bytes(int(bits[at : at + 8], 2) for at in range(0, len(bits), 8))
    return b"\x42" + head + data(rng), surroundings


def mesh_header(rng: Random) -> bytes:
    v, f, hops = rng.getrandbits(1), rng.getrandbits(1), rng.getrandbits(4)
    deep = rng.randbytes(1) if hops == 15 else b""
    ends = rng.randbytes(2 if v else 8) + rng.randbytes(2 if f else 8)
    broadcast = b"\x50" + rng.randbytes(1) if rng.random() < 0.3 else b""
    return bytes([0x80 | v << 5 | f << 4 | hops]) + deep + ends + broadcast


def meshed(rng: Random) -> Made:
    octets, surroundings = rng.choice(
        [alone, with_udp, with_rpi, uncompressed, old, with_ghc_icmpv6]
    )(rng)
    return mesh_header(rng) + octets, surroundings


KINDS: dict[str, Maker] = {
    "LOWPAN_IPHC (RFC 6282 section 3)": alone,
    "UDP NHC (RFC 6282 section 4.3)": with_udp,
    "extension headers in NHC (RFC 6282 section 4.2)": with_extensions,
    "IPv6 in IPv6 in NHC (RFC 6282 section 4.2)": tunnelled,
    "UDP in GHC (RFC 7400)": with_ghc_udp,
    "ICMPv6 in GHC (RFC 7400)": with_ghc_icmpv6,
    "extension headers in GHC (RFC 7400)": with_ghc_extensions,
    "RPI-6LoRH (RFC 8138 section 6)": with_rpi,
    "SRH-6LoRH, types 0 to 4 (RFC 8138 section 5)": with_srh,
    "IP-in-IP-6LoRH (RFC 8138 section 7)": with_ip_in_ip,
    "rows of 6LoRH and pages (RFC 8138, RFC 8025)": mixed,
    "uncompressed IPv6 (RFC 4944 section 5.1)": uncompressed,
    "HC1 and HC_UDP (RFC 4944 section 10)": old,
    "mesh and broadcast (RFC 4944 sections 5.2 and 11)": meshed,
}


def damaged(rng: Random, made: Made) -> Made:
    """Return the payload with one octet changed, taken out, put in, or with its end cut off."""
    octets, surroundings = made
    place = rng.randrange(len(octets))
    kind = rng.random()
    if kind < 0.5:
        octets = (
            octets[:place] + bytes([octets[place] ^ 1 << rng.getrandbits(3)]) + octets[place + 1 :]
        )
    elif kind < 0.7:
        octets = octets[:place] + octets[place + 1 :]
    elif kind < 0.85:
        octets = octets[:place] + rng.randbytes(1) + octets[place:]
    else:
        octets = octets[:place]
    return octets, replace(surroundings)
