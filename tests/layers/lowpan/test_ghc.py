"""The byte machine of RFC 7400: its figures, the corners of its table, oracles for "shortest"."""

import sys
from heapq import heapify, heappop, heappush
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import settings as tuned
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget.errors import Malformed, RequestError, Truncated, WireError
from lowpanbudget.fields import Pattern, Patterns
from lowpanbudget.layers.lowpan import ghc

VECTORS = Path(__file__).parents[3] / "vectors" / "rfc7400"


def load(name: str) -> list[Any]:
    cases = document(VECTORS / name)["case"]
    return [pytest.param(case, id=case["id"]) for case in cases]


def octets_of(case: dict[str, Any], key: str) -> bytes:
    return bytes.fromhex(case[key])


FIGURES = load("appendix-a.toml")
CORNERS = load("section-2.toml")
# RFC 7400 figure 1, typed here once more
STATIC = "16 fe fd 17 fe fd 00 01 00 00 00 00 00 01 00 00"
CORNER_DICTIONARY = bytes.fromhex(
    "10 11 12 13 14 15 16 17 18 19 1a 1b 1c 1d 1e 1f"
    "20 21 22 23 24 25 26 27 28 29 2a 2b 2c 2d 2e 2f" + STATIC
)


def dictionary_of(case: dict[str, Any]) -> bytes:
    return ghc.dictionary(octets_of(case, "source_address"), octets_of(case, "destination_address"))


def attempt(code: bytes, dictionary: bytes, limit: int = ghc.LARGEST) -> ghc.Expansion | WireError:
    """Return what decompressing ends in; any other exception fails the test."""
    try:
        return ghc.decompress(code, dictionary, limit=limit)
    except WireError as fault:
        return fault


def expanded_size(code: bytes) -> int:
    """Return how many octets a code stands for, by the steps of a run without a limit that would stop it."""
    return len(ghc.decompress(code, CORNER_DICTIONARY, limit=1 << 40).octets)


# --- the figures of RFC 7400 appendix A -------------------------------------------------------


@pytest.mark.parametrize("case", FIGURES)
def test_figure_decodes_to_the_printed_octets(case: dict[str, Any]) -> None:
    code = octets_of(case, "code")
    expansion = ghc.decompress(code, dictionary_of(case))
    assert expansion.octets == octets_of(case, "octets")
    assert expansion.consumed == len(code)
    assert not expansion.stopped
    assert [len(expansion.octets), len(code)] == case["sizes"]


@pytest.mark.parametrize("case", FIGURES)
def test_steps_read_as_the_figure_reads_its_code(case: dict[str, Any]) -> None:
    """The figures join set codes and back-reference in one line; ``ref(s)`` is its s."""
    lines: list[list[Any]] = []
    sets = b""
    for step in ghc.decompress(octets_of(case, "code"), dictionary_of(case)).steps:
        if step.code.key == "set":
            sets += step.octets
            continue
        lines.append([(sets + step.octets).hex(" "), step.s, step.output.hex(" ")])
        sets = b""
    assert lines == case["steps"]


@pytest.mark.parametrize("case", FIGURES)
def test_compressor_is_as_good_as_the_figure(case: dict[str, Any]) -> None:
    octets, printed = case["sizes"]
    code = ghc.compress(octets_of(case, "octets"), dictionary_of(case))
    assert len(code) <= printed < octets
    assert ghc.decompress(code, dictionary_of(case)).octets == octets_of(case, "octets")


def test_all_ten_figures_are_there() -> None:
    sources = [case.values[0]["source"] for case in FIGURES]
    assert sources == [f"RFC 7400 appendix A figure {number}" for number in range(8, 18)]


@pytest.mark.parametrize("case", [case for case in FIGURES if "ipv6" in case.values[0]])
def test_checksum_of_the_printed_datagram(case: dict[str, Any]) -> None:
    """RFC 1071 sum over the pseudo-header of RFC 8200 section 8.1; figure 14 contradicts itself."""
    ipv6, octets = octets_of(case, "ipv6"), octets_of(case, "octets")
    assert ipv6[4:6] == len(octets).to_bytes(2, "big")
    assert ipv6[8:40] == dictionary_of(case)[:32]
    assert ipv6[40:] == octets
    assert (icmpv6_sum(ipv6) == 0xFFFF) is case.get("checksum_ok", True)
    if not case.get("checksum_ok", True):
        assert ipv6[16:18] == bytes.fromhex("10 34")
        assert icmpv6_sum(ipv6[:16] + bytes(2) + ipv6[18:]) == 0xFFFF


def icmpv6_sum(ipv6: bytes) -> int:
    pseudo = ipv6[8:40] + len(ipv6[40:]).to_bytes(4, "big") + bytes([0, 0, 0, 58])
    words = pseudo + ipv6[40:] + bytes(len(ipv6) % 2)
    total = sum(int.from_bytes(words[i : i + 2], "big") for i in range(0, len(words), 2))
    while total > 0xFFFF:
        total = (total & 0xFFFF) + (total >> 16)
    return total


# --- table 1, its corners and its faults ------------------------------------------------------


@pytest.mark.parametrize("case", [c for c in CORNERS if c.values[0]["result"] == "valid"])
def test_corner_decodes(case: dict[str, Any]) -> None:
    code = octets_of(case, "code")
    expansion = ghc.decompress(code, CORNER_DICTIONARY)
    assert expansion.octets == octets_of(case, "octets")
    assert expansion.consumed == case.get("consumed", len(code))
    assert expansion.stopped is (b"\x90" in code)


@pytest.mark.parametrize("case", [c for c in CORNERS if c.values[0]["result"] == "invalid"])
def test_fault_is_named_and_located(case: dict[str, Any]) -> None:
    code, limit = octets_of(case, "code"), case.get("limit", ghc.LARGEST)
    with pytest.raises(WireError) as caught:
        ghc.decompress(code, CORNER_DICTIONARY, limit=limit)
    fault = caught.value
    assert [type(fault).__name__, fault.offset, fault.layer] == [
        case["error"],
        case["offset"],
        "GHC",
    ]
    assert fault.cite is not None
    assert fault.cite.document == "RFC 7400"


@pytest.mark.parametrize(
    "case",
    [
        case
        for case in CORNERS
        if case.values[0]["result"] == "invalid" and "limit" in case.values[0]
    ],
)
def test_a_limit_of_just_enough_lets_the_bomb_through(case: dict[str, Any]) -> None:
    code = octets_of(case, "code")
    size = expanded_size(code)
    assert size > case["limit"]
    assert len(ghc.decompress(code, CORNER_DICTIONARY, limit=size).octets) == size


def test_every_row_of_table_1_is_hit_by_a_vector() -> None:
    hit: set[Pattern] = set()
    for case in FIGURES + CORNERS:
        values = case.values[0]
        code = octets_of(values, "code")
        known = dictionary_of(values) if "source_address" in values else CORNER_DICTIONARY
        outcome = attempt(code, known)
        if isinstance(outcome, WireError):
            octet = code[outcome.offset]
            hit.add(ghc.CODES[octet])
        else:
            hit.update(step.code for step in outcome.steps)
    assert hit == set(ghc.CODES.patterns)


def test_every_code_octet_means_what_table_1_says() -> None:
    """The text of RFC 7400 section 2, spelled out a second time as bit strings."""
    for octet in range(256):
        bits = f"{octet:08b}"
        expected: tuple[str, int, int]
        if bits[0] == "0" and octet < 96:
            expected = ("literal", octet, 0)
        elif bits.startswith("1000"):
            expected = ("zeros", int(bits[4:], 2) + 2, 0)
        elif bits == "10010000":
            expected = ("stop", 0, 0)
        elif bits.startswith("101"):
            expected = ("set", int(bits[3] + "000", 2), int(bits[4:] + "000", 2))
        elif bits.startswith("11"):
            n = int(bits[2:5], 2) + 2
            expected = ("backref", n, int(bits[5:], 2) + n)
        else:
            with pytest.raises(WireError, match="reserved"):
                ghc.decompress(bytes([octet]), CORNER_DICTIONARY)
            continue
        argument = bytes(octet) if expected[0] == "literal" else b""
        (step,) = ghc.decompress(bytes([octet]) + argument, CORNER_DICTIONARY).steps
        assert (step.code.key, step.n, step.s) == expected


def test_a_table_with_an_overlap_is_refused() -> None:
    """Rows that say the same octet: the one with more fixed bits is the exception to the other, and comes later."""
    rows = ghc.CODES.patterns
    for wrong in (rows[::-1], (*rows, ghc.LITERAL), (*rows, ghc.BACKREF._replace(bits="1nnnnkkk"))):
        with pytest.raises(TypeError, match="two patterns"):
            Patterns("GHC", ghc.CODES.cite, wrong, nested=True)
    with pytest.raises(TypeError, match="two patterns"):
        Patterns("GHC", ghc.CODES.cite, rows)
    assert {len(ghc.CODES.octets(row)) for row in (ghc.LITERAL, ghc.STOP)} == {96, 1}


def test_steps_say_in_words_what_they_do() -> None:
    code = bytes.fromhex("01 aa 81 a1 cf c0 90")
    steps = ghc.decompress(code, CORNER_DICTIONARY).steps
    assert [step.meaning for step in steps] == [
        "1 octet as they are",
        "3 octets of zero",
        "the next copy: 0 octets longer, 8 octets further to the left",
        "3 octets copied, from 18 octets to the left, in the dictionary",
        "2 octets copied, from 2 octets to the left",
        "end of the code",
    ]
    assert [str(step.code.cite) for step in steps[-2:]] == ["RFC 7400 §2", "RFC 7400 §3.2"]


def test_dictionary_is_both_addresses_and_figure_1() -> None:
    built = ghc.dictionary(CORNER_DICTIONARY[:16], CORNER_DICTIONARY[16:32])
    assert built == CORNER_DICTIONARY
    with pytest.raises(RequestError, match="16 octets"):
        ghc.dictionary(bytes(16), bytes(15))


# --- shortest: judged by an oracle that knows only the text of section 2 ------------------------


UNREACHED = 1 << 30
# what a set code of table 1 adds to na and sa: 101nssss
SETS = [(n8, s8) for n8 in (0, 8) for s8 in range(0, 128, 8) if n8 + s8]


def fewest(octets: bytes, dictionary: bytes) -> int:
    """Return the length of the shortest code there is, by walking the decoder's states.

    A state is what the decompressor knows: how much is laid out, ``na`` and ``sa``. Every code
    octet of table 1 is tried in every state; nothing of the compressor's reasoning (where ``set``
    codes stand, which copy is nearest, how long a copy need be) is used. Only states are left out from
    which a code shorter than one that is known cannot be reached, whatever ``na`` and ``sa`` are.
    """
    buffer = dictionary + octets
    begin, end = len(dictionary), len(buffer)
    known = fewest_with_every_copy(octets, dictionary)
    least = at_least(buffer, begin)
    reached: list[dict[tuple[int, int], int]] = [{} for _ in range(end + 1)]
    reached[begin][0, 0] = 0

    def reach(place: int, state: tuple[int, int], cost: int) -> None:
        if cost < reached[place].get(state, UNREACHED):
            reached[place][state] = cost

    for here in range(begin, end):
        states, left = reached[here], end - here
        zeros = [n for n in range(2, 18) if buffer[here : here + n] == bytes(n)]
        waiting = list(states)
        heapify(waiting)
        while waiting:
            # set codes only ever add, so in this order each state is final when taken
            state = na, sa = heappop(waiting)
            cost = states[state]
            if cost + least[here] >= known:
                continue
            for n8, s8 in SETS:
                # leave out what only makes copies longer than the rest or reach too far
                if na + n8 <= left and na + n8 + sa + s8 <= end:
                    more = (na + n8, sa + s8)
                    if more not in states:
                        heappush(waiting, more)
                    reach(here, more, cost + 1)
            for price, literal in enumerate(reached[here + 1 : here + 96], start=cost + 2):
                if price < literal.get(state, UNREACHED):
                    literal[state] = price
            for n in zeros:
                reach(here + n, state, cost + 1)
            for n in range(na + 2, min(na + 9, left) + 1):
                copied = buffer[here : here + n]
                for s in range(sa + n, min(sa + n + 7, here) + 1):
                    if buffer[here - s : here - s + n] == copied:
                        reach(here + n, (0, 0), cost + 1)
    return min([known, *reached[end].values()])


def at_least(buffer: bytes, begin: int) -> list[int]:
    """Return for each place how many code octets the rest takes at least: were all copies to cost one octet."""
    end = len(buffer)
    least = [0] * (end + 1)
    for here in range(end - 1, begin - 1, -1):
        costs = [n + least[here + n] for n in range(1, min(95, end - here) + 1)]
        for n in range(2, end - here + 1):
            piece = buffer[here : here + n]
            if any(piece) and piece not in buffer[:here]:
                break
            costs.append(least[here + n])
        least[here] = 1 + min(costs)
    return least


LIKE_HEADERS = st.lists(
    st.one_of(
        st.binary(min_size=1, max_size=3),
        st.integers(1, 20).map(bytes),
        st.sampled_from([CORNER_DICTIONARY[i : i + n] for i in range(47) for n in range(2, 21)]),
        st.sampled_from([piece * n for piece in (b"\xff", b"ab", b"abc") for n in range(1, 10)]),
    ),
    max_size=12,
).map(b"".join)


@tuned(max_examples=60)
@given(octets=LIKE_HEADERS.map(lambda octets: octets[:40]))
@example(octets=b"")
@example(octets=b"a" * 40)
@example(octets=CORNER_DICTIONARY)
@example(octets=CORNER_DICTIONARY[:32])
@example(octets=bytes(35))
def test_no_shorter_code_exists(octets: bytes) -> None:
    assert len(ghc.compress(octets, CORNER_DICTIONARY)) == fewest(octets, CORNER_DICTIONARY)


@pytest.mark.parametrize("case", FIGURES)
def test_no_shorter_code_exists_for_a_figure(case: dict[str, Any]) -> None:
    """So the printed sizes are the least there are, figure 9's among them."""
    octets, dictionary = octets_of(case, "octets"), dictionary_of(case)
    code = ghc.compress(octets, dictionary)
    assert fewest(octets, dictionary) == len(code) == case["sizes"][1]


@tuned(max_examples=100)
@given(octets=LIKE_HEADERS | st.binary(max_size=400), stop=st.booleans())
@example(octets=bytes(range(1, 97)), stop=False)
@example(octets=bytes(18), stop=True)
def test_round_trip_and_cost(octets: bytes, stop: bool) -> None:
    code = ghc.compress(octets, CORNER_DICTIONARY, stop=stop)
    expansion = ghc.decompress(code + b"\x60" * stop, CORNER_DICTIONARY)
    assert expansion.octets == octets
    assert expansion.consumed == len(code)
    assert expansion.stopped is stop
    assert len(code) <= len(octets) + -(-len(octets) // 95) + stop


@given(octets=LIKE_HEADERS, known=st.binary(max_size=5))
def test_any_dictionary_will_do(octets: bytes, known: bytes) -> None:
    assert ghc.decompress(ghc.compress(octets, known), known).octets == octets


def fewest_with_every_copy(octets: bytes, dictionary: bytes) -> int:
    """Return the length of the shortest code, with copies of every length from every place.

    For inputs too long for ``fewest``; here each ``set`` code stands before its copy.
    """
    buffer = dictionary + octets
    begin, end = len(dictionary), len(buffer)
    cost = [1 << 30] * begin + [0] + [1 << 30] * len(octets)
    for here in range(begin, end):
        for n in range(1, min(95, end - here) + 1):
            cost[here + n] = min(cost[here + n], cost[here] + 1 + n)
        for n in range(2, 18):
            if buffer[here : here + n] == bytes(n):
                cost[here + n] = min(cost[here + n], cost[here] + 1)
        for source in range(here - 1):
            n = 2
            while source + n <= here and here + n <= end:
                if buffer[source + n - 2 : source + n] != buffer[here + n - 2 : here + n]:
                    break
                reach, sets = (here - source - n) // 8, (n - 2) // 8
                while sets * 15 < reach:
                    sets += 1
                cost[here + n] = min(cost[here + n], cost[here] + 1 + sets)
                n += 1
    return cost[end]


@pytest.mark.long
@pytest.mark.parametrize(
    "octets",
    [b"\xff" * 180, b"abcde" * 36, bytes(range(1, 91)) * 2, bytes(range(1, 75)) * 3, bytes(200)]
    # a long copy from far: two shorter ones would need the set codes for the reach twice
    + [bytes(range(100, 230)) + CORNER_DICTIONARY[:n] for n in (24, 32, 40, 48)],
)
def test_copies_that_are_not_tried_would_gain_nothing(octets: bytes) -> None:
    """The compressor tries no copy of more than 65 octets here, and of each length only one."""
    best = fewest_with_every_copy(octets, CORNER_DICTIONARY)
    assert len(ghc.compress(octets, CORNER_DICTIONARY)) == best


@tuned(max_examples=20)
@given(octets=LIKE_HEADERS)
def test_both_oracles_agree_with_the_compressor(octets: bytes) -> None:
    best = fewest_with_every_copy(octets, CORNER_DICTIONARY)
    assert len(ghc.compress(octets, CORNER_DICTIONARY)) == best


@pytest.mark.parametrize(("octets", "code"), [(1, 2), (95, 96), (96, 98), (190, 192), (191, 194)])
def test_without_repetition_a_literal_octet_for_each_95(octets: int, code: int) -> None:
    """RFC 7400 table 1: k < 96."""
    assert len(ghc.compress(bytes(range(1, 1 + octets)), b"")) == code


def test_largest_payload_round_trips() -> None:
    octets = b"\xff" * 2047
    code = ghc.compress(octets, CORNER_DICTIONARY)
    assert ghc.decompress(code, CORNER_DICTIONARY).octets == octets


def test_zeros_are_never_dearer_than_17_a_code() -> None:
    """RFC 7400 section 5: the worst-case amplification is 17."""
    assert len(ghc.compress(bytes(17 * 60), b"")) == 60


def test_longer_than_a_datagram_is_legal() -> None:
    octets = bytes(range(256)) * 12
    code = ghc.compress(octets, CORNER_DICTIONARY)
    assert ghc.decompress(code, CORNER_DICTIONARY, limit=len(octets)).octets == octets
    assert len(code) < len(octets) / 2
    with pytest.raises(WireError, match="2047"):
        ghc.decompress(code, CORNER_DICTIONARY)


# --- any octets at all ------------------------------------------------------------------------


@tuned(max_examples=400)
@given(
    code=st.binary(max_size=127)
    | st.lists(st.sampled_from([b"\xc0", b"\xbf", b"\xff", b"\x8f", b"\x01z", b"\x90"])).map(
        b"".join
    ),
    limit=st.integers(0, 200),
)
def test_garbage_gives_a_result_or_a_wire_error(code: bytes, limit: int) -> None:
    expansion = attempt(code, CORNER_DICTIONARY, limit)
    if isinstance(expansion, WireError):
        assert 0 <= expansion.offset < len(code)
        assert expansion.layer == "GHC"
        assert str(expansion)
        return
    assert len(expansion.octets) <= limit
    assert b"".join(step.octets for step in expansion.steps) == code[: expansion.consumed]
    assert b"".join(step.output for step in expansion.steps) == expansion.octets
    offsets = [step.offset for step in expansion.steps]
    assert offsets == [
        sum(len(step.octets) for step in expansion.steps[:i]) for i in range(len(offsets))
    ]
    assert all(step.meaning and step.code.cite for step in expansion.steps)


@pytest.mark.parametrize("case", FIGURES)
def test_cut_at_every_octet(case: dict[str, Any]) -> None:
    code, octets = octets_of(case, "code"), octets_of(case, "octets")
    for cut in range(len(code)):
        expansion = attempt(code[:cut], dictionary_of(case))
        if isinstance(expansion, WireError):
            assert isinstance(expansion, Truncated)
            assert expansion.offset < cut
        else:
            assert octets.startswith(expansion.octets)
            assert expansion.octets != octets


@pytest.mark.parametrize("code", [b"\x8f", b"\xb0\xff"])
def test_a_bomb_is_refused_early(code: bytes) -> None:
    bomb = attempt(code * 50_000, CORNER_DICTIONARY)
    assert isinstance(bomb, Malformed)
    # 17 or 17 octets each: 121 of them pass 2047 (RFC 4944 section 5.3: 11 bits)
    assert bomb.offset == 121 * len(code) - 1


@pytest.mark.parametrize("code", [b"\x00", b"\xbf"])
def test_codes_without_effect_cost_linear_work(code: bytes) -> None:
    """Ten times as many take about ten times the lines of code; a hundred would show a square."""

    def lines(count: int) -> int:
        run = 0

        def trace(_frame: FrameType, event: str, _arg: object) -> object:
            nonlocal run
            run += event == "line"
            return trace

        before = sys.gettrace()
        sys.settrace(trace)  # type: ignore[arg-type]  # it returns itself
        try:
            ghc.decompress(code * count, CORNER_DICTIONARY)
        finally:
            sys.settrace(before)
        return run

    assert 5 * lines(200) < lines(2_000) < 15 * lines(200)


@pytest.mark.parametrize(
    ("dictionary", "octets", "code"),
    [
        # RFC 7400 table 1: set is 101n ssss, a copy 11nn nkkk; n = na + nnn + 2, s = sa + kkk + n.
        # 10 octets from 200 to the left: s - n = 190 = 8 * (15 + 8) + 6, so two sets, of which one adds to n
        (bytes([*range(1, 11), *range(20, 210)]), bytes(range(1, 11)), "bf a8 c6"),
    ],
)
def test_sets_that_a_far_copy_needs(dictionary: bytes, octets: bytes, code: str) -> None:
    expected = bytes.fromhex(code)
    assert ghc.compress(octets, dictionary) == expected
    assert ghc.decompress(expected, dictionary).octets == octets
