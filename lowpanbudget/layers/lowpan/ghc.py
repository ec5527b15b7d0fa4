"""Generic header compression: the byte machine of RFC 7400 section 2.

    0kkkkkkk  literal   k octets follow as they are, k < 96
    1000nnnn  zeros     nnnn + 2 octets of zero
    10010000  stop      end of the code
    101nssss  set       na += n000, sa += ssss000, for the next back-reference
    11nnnkkk  backref   n = na + nnn + 2 octets, from s = sa + kkk + n to the left; na = sa = 0

Decoder, encoder and explanation read one table; running the machine is plain code beside it.
"""

from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.arguments import whole_number, with_flags
from lowpanbudget.bits import as_octets
from lowpanbudget.cites import rfc
from lowpanbudget.env import address
from lowpanbudget.errors import Malformed, RequestError, Reserved, Truncated, plural
from lowpanbudget.fields import Pattern, Patterns
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.shown import shown_named

_TABLE_1 = rfc(7400, "2")
_LAYER = "GHC"

LEAST = 2  # "Append 0b0000nnnn+2 bytes of zeroes", "n = na+0b00000nnn+2"
STRIDE = 8  # "sa += 0b0ssss000, na += 0b0000n000": the registers count in eights
LARGEST = fragment.LARGEST  # no payload is longer than datagram_size can say
STATIC_DICTIONARY = bytes.fromhex("16fefd17fefd00010000000000010000")  # figure 1
_ADDRESS = 16
_WINDOW = 256  # how far back the compressor looks in something longer than LARGEST


LITERAL = Pattern("0kkkkkkk", "literal", "literal: n octets as they are", _TABLE_1)
RESERVED_011 = Pattern("011xxxxx", "reserved", "reserved: at this time", _TABLE_1)
ZEROS = Pattern("1000nnnn", "zeros", "zeros: n octets of zero", _TABLE_1)
RESERVED_1001 = Pattern("1001nnnn", "reserved", "reserved: at this time", _TABLE_1)
STOP = Pattern("10010000", "stop", "stop: end of the code", rfc(7400, "3.2"))
SET = Pattern(
    "101nssss", "set", "set: the next copy: n octets longer, s octets further to the left", _TABLE_1
)
BACKREF = Pattern(
    "11nnnkkk", "backref", "backref: n octets copied, from s octets to the left", _TABLE_1
)
CODES = Patterns(
    "GHC",
    _TABLE_1,
    (LITERAL, RESERVED_011, ZEROS, RESERVED_1001, STOP, SET, BACKREF),
    nested=True,
)


class CodedOctets(bytes):
    """Octets that a code stands for (RFC 7400 section 2), as the value of its span; a code may lay out none."""

    __slots__ = ()


class CodeStep(NamedTuple):
    """What one code does (RFC 7400 section 2); the ``octets`` of all steps tile ``code[:consumed]``.

    ``n`` octets are laid out, a copy's from ``s`` to the left; a ``set`` adds both to the next copy's.
    """

    offset: int
    octets: bytes
    code: Pattern
    n: int
    s: int
    output: bytes = b""
    from_dictionary: bool = False

    def __repr__(self) -> str:
        return shown_named(self)

    @property
    def meaning(self) -> str:
        """Return what the code does, in words."""
        text = self.code.name.removeprefix(f"{self.code.key}: ")
        text = text.replace("n octets", plural(self.n, "octet"))
        text = text.replace("s octets", plural(self.s, "octet"))
        return f"{text}, in the dictionary" if self.from_dictionary else text


class Expansion(NamedTuple):
    """What ``consumed`` octets of code stand for (RFC 7400 section 2), a stop code among them if ``stopped``."""

    octets: bytes
    consumed: int
    stopped: bool
    steps: tuple[CodeStep, ...]

    def __repr__(self) -> str:
        return shown_named(self)


def dictionary(source: bytes, destination: bytes) -> bytes:
    """Return the 48 octets that copies see to the left of the first octet (RFC 7400 section 2).

    The addresses are those of the restored IPv6 header, 16 octets each; else a RequestError.
    """
    if len(source) != _ADDRESS or len(destination) != _ADDRESS:
        raise RequestError("an IPv6 address has 16 octets", cite=_TABLE_1)
    return source + destination + STATIC_DICTIONARY


def read_ghc(
    code: bytes, source: object, destination: object, *, limit: int = LARGEST
) -> Expansion:
    """Return what a GHC code stands for, between two IPv6 addresses (RFC 7400 section 2).

    ``source`` and ``destination`` are those of the restored IPv6 header, as text, 16 octets or ``IPv6Address``. At most
    ``limit`` octets come out. Raises ``Truncated``, ``Reserved`` or ``Malformed`` at the code octet that is wrong,
    ``RequestError`` for arguments that cannot be used.
    """
    between = _between(source, destination)
    return decompress(as_octets(code), between, limit=whole_number(limit, "limit"))


@with_flags
def write_ghc(octets: bytes, source: object, destination: object, *, stop: bool = False) -> bytes:
    """Return the shortest GHC code for octets between two IPv6 addresses (RFC 7400).

    ``stop`` adds the stop code. A code's length can tell a listener about secrets that stand beside octets of his
    choice (RFC 7400 section 5). Raises ``RequestError`` for arguments that cannot be used.
    """
    return compress(as_octets(octets), _between(source, destination), stop=stop)


def _between(source: object, destination: object) -> bytes:
    return dictionary(address(source, "source").packed, address(destination, "destination").packed)


def _read(code: bytes) -> Iterator[CodeStep]:
    """Yield each code up to the stop code, without its output."""
    na = sa = offset = 0
    while offset < len(code):
        octet = code[offset]
        row = CODES[octet]
        n = s = argument = 0
        if row is LITERAL:
            n = argument = row.number(octet, "k")
            if (left := len(code) - offset - 1) < argument:
                text = f"a literal of {plural(argument, 'octet')} has {left} left"
                raise Truncated(text, offset=offset, layer=_LAYER, cite=row.cite)
        elif row is ZEROS:
            n = row.number(octet, "n") + LEAST
        elif row is SET:
            n, s = (STRIDE * row.number(octet, letter) for letter in "ns")
            na, sa = na + n, sa + s
        elif row is BACKREF:
            n = na + row.number(octet, "n") + LEAST
            s = sa + row.number(octet, "k") + n
            na = sa = 0
        elif row is not STOP:
            text = f"the code octet {octet:#04x} is reserved"
            raise Reserved(text, offset=offset, layer=_LAYER, cite=row.cite)
        yield CodeStep(offset, code[offset : offset + 1 + argument], row, n, s)
        if row is STOP:
            return
        offset += 1 + argument


def decompress(code: bytes, dictionary: bytes, *, limit: int = LARGEST) -> Expansion:
    """Return what the code stands for, read up to its stop code or its end.

    At most ``limit`` octets come out, 2047 by default (``datagram_size``, RFC 4944 section 5.3, has
    11 bits); time and memory are linear in ``len(code) + limit``. Codes without effect (a literal
    of 0 octets, a ``set`` without a copy) are legal: nothing forbids them.

    Errors point at the code octet: Truncated (a literal ends early), Reserved, Malformed (a copy
    from before the dictionary, more than ``limit`` octets).
    """
    base = len(dictionary)
    buffer = bytearray(dictionary)
    steps = []
    for step in _read(code):
        end = len(buffer)
        if step.code is LITERAL:
            buffer += step.octets[1:]
        elif step.code is ZEROS:
            buffer += bytes(step.n)
        elif step.code is BACKREF:
            if step.s > end:
                text = f"a copy from {plural(step.s, 'octet')} to the left, where {end} are"
                raise Malformed(text, offset=step.offset, layer=_LAYER, cite=step.code.cite)
            # s >= n: a copy never reads what it writes
            buffer += buffer[end - step.s : end - step.s + step.n]
        if len(buffer) - base > limit:
            text = f"the code stands for more than {plural(limit, 'octet')}"
            raise Malformed(text, offset=step.offset, layer=_LAYER, cite=rfc(7400, "5"))
        inside = step.code is BACKREF and end - step.s < base
        steps.append(step._replace(output=bytes(buffer[end:]), from_dictionary=inside))
    consumed = sum(len(step.octets) for step in steps)
    stopped = bool(steps) and steps[-1].code is STOP
    return Expansion(bytes(buffer[base:]), consumed, stopped, tuple(steps))


_LONGEST_LITERAL = LITERAL.number(CODES.octets(LITERAL)[-1], "k")
_LONGEST_ZEROS = ZEROS.largest("n") + LEAST
_REACH = SET.largest("s")
_OCTET = 1 << 16
_CODE = _OCTET + 1


def compress(octets: bytes, dictionary: bytes, *, stop: bool = False) -> bytes:
    """Return the shortest code for the octets, followed by the stop code if asked.

    No shorter code exists for up to 2047 octets; of more, which no datagram has, copies come from
    the last 256 only, so that time stays linear. The code is longer than the octets by at most one
    for each 95 begun (and the stop code). Whether to send it is the caller's: its length can tell
    a listener about secrets that stand beside octets of his choice (RFC 7400 section 5).
    """
    buffer = dictionary + octets
    here = len(dictionary)
    code = bytearray()
    for row, n, s in _plan(buffer, here):
        if row is LITERAL:
            code.append(row.octet(k=n))
            code += buffer[here : here + n]
        elif row is ZEROS:
            code.append(row.octet(n=n - LEAST))
        else:
            longer, further = (n - LEAST) // STRIDE, (s - n) // STRIDE
            for _ in range(_sets(n, s)):
                part = min(further, _REACH)
                code.append(SET.octet(n=int(longer > 0), s=part))
                longer, further = longer - 1, further - part
            code.append(row.octet(n=(n - LEAST) % STRIDE, k=(s - n) % STRIDE))
        here += n
    return bytes(code) + (bytes([STOP.octet()]) if stop else b"")


def lengths(octets: bytes, dictionary: bytes, most: int) -> list[int]:
    """Return how long the shortest code for the first 0, 1, 2 ... of these octets is, where that is ``most`` or less.

    Where it is longer than that, some number above ``most`` stands. The steps are those of ``compress``, worked from
    the beginning.
    """
    buffer, begin = dictionary + octets, len(dictionary)
    end = len(buffer)
    longest = _longest_copy(end)
    length = [most + 1] * (len(octets) + 1)
    length[0] = 0
    for i in range(begin, end + 1):
        at = i - begin
        for n in range(1, min(at, _LONGEST_LITERAL) + 1):
            length[at] = min(length[at], length[at - n] + 1 + n)
        if length[at] > most or i == end:
            continue
        ahead = buffer[i : i + _LONGEST_ZEROS]
        for n in range(LEAST, len(ahead) - len(ahead.lstrip(b"\0")) + 1):
            length[at + n] = min(length[at + n], length[at] + 1)
        start = i
        for n in range(LEAST, min(longest, end - i) + 1):
            start = buffer.rfind(buffer[i : i + n], 0, min(i, start + n))
            if start < 0:
                break
            length[at + n] = min(length[at + n], length[at] + 1 + _sets(n, i - start))
    return length


def _sets(n: int, s: int) -> int:
    """Return how many ``set`` codes a copy needs: each adds one eight to n and up to 15 to s."""
    return max((n - LEAST) // STRIDE, -((s - n) // STRIDE // -_REACH))


def _longest_copy(size: int) -> int:
    """Return the length beyond which one copy is never shorter than two, in so large a buffer.

    A copy costs 1 + max(A, B): A = (n - 2) // 8 for its length, B for its reach, B <= b =
    ceil(size // 8 / 15). Cut off its first m = 8b + 9 octets: they cost 1 + b. If m or more are
    left, their A is at least b, so they cost 1 + (n - m - 2) // 8. The sum is 1 + (n - 3) // 8.
    """
    return 2 * (STRIDE * _sets(0, size) + STRIDE + 1) - 1


def _plan(buffer: bytes, begin: int) -> Iterator[tuple[Pattern, int, int]]:
    """Yield the codes (row, n, s) of the shortest code for ``buffer[begin:]``, of these the fewest.

    The price of the rest depends on the position alone: ``set`` codes lose nothing by standing
    directly before their copy, so both registers are zero at every choice. Worked from the end:
    ``price[i]`` is the least for ``buffer[i:]``, where an octet outweighs any number of codes.
    """
    end = len(buffer)
    window = end if end - begin <= LARGEST else _WINDOW
    longest = _longest_copy(window)
    price = [0] * (end + 1)
    from_zero = [_OCTET * i for i in range(end + 1)]  # the price, were all before it literal
    choice = [(STOP, 0, 0)] * end
    zeros = 0
    for i in range(end - 1, begin - 1, -1):
        ahead = from_zero[i + 1 : i + 1 + _LONGEST_LITERAL]
        best = _CODE + min(ahead) - _OCTET * i
        choice[i] = (LITERAL, ahead.index(min(ahead)) + 1, 0)

        zeros = 0 if buffer[i] else zeros + 1
        if zeros >= LEAST:
            ahead = price[i + LEAST : i + min(zeros, _LONGEST_ZEROS) + 1]
            if _CODE + min(ahead) <= best:
                best = _CODE + min(ahead)
                choice[i] = (ZEROS, ahead.index(min(ahead)) + LEAST, 0)

        # of the copies of n octets the nearest is the cheapest; a longer one starts no nearer
        low, start = max(0, i - window), i
        for n in range(LEAST, min(longest, end - i) + 1):
            start = buffer.rfind(buffer[i : i + n], low, min(i, start + n))
            if start < 0:
                break
            # its ``set`` codes are counted as in ``_sets``: calls would cost as much as all the rest
            longer, further = (n - LEAST) // STRIDE, -((i - start - n) // STRIDE // -_REACH)
            sets = longer if longer > further else further  # noqa: FURB136
            cost = _CODE * (1 + sets) + price[i + n]
            if cost < best:
                best, choice[i] = cost, (BACKREF, n, i - start)

        price[i], from_zero[i] = best, _OCTET * i + best
    while begin < end:
        yield choice[begin]
        begin += choice[begin][1]
