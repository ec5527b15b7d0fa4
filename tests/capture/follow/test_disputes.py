"""What the air says against itself: an advertisement, a registration or a DIO that somebody else contradicts."""

from ipaddress import IPv6Address

import pytest
from capture.captures import (
    CONTEXTS,
    KEY,
    PREFIX,
    eui,
    frames_of,
    icmpv6_datagram,
    ip_of,
    records,
    short,
    udp_datagram,
)

from lowpanbudget import Context, Device
from lowpanbudget.capture.follow import devices
from lowpanbudget.capture.follow.devices import MOST_CLAIMS, MOST_DEVICES
from lowpanbudget.capture.follow.repeats import MOST_SOURCES, Repeats
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import AddressRegistration, ContextOption
from lowpanbudget.layers.internet.rpl.messages import Dio

ROUTER, SECOND_ROUTER, STRANGER = eui(9), eui(10), eui(0x66)
ALL = b"\xff\xff"
HERE, ELSEWHERE = f"{PREFIX}/64", "2001:db8:bad::/64"


def announced(
    router: bytes, prefix: str, *, lifetime: int = 10, compresses: bool = True, number: int = 1
) -> bytes:
    """An advertisement of context 0; its lifetime is in minutes (RFC 6775 section 4.2)."""
    option = ContextOption(
        cid=0, prefix=Context(prefix).prefix, valid_lifetime=lifetime, may_compress=compresses
    )
    message = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=1800, options=(option,))
    datagram = icmpv6_datagram(ip_of(router, "fe80::"), IPv6Address("ff02::1"), message)
    return frames_of(datagram, router, ALL, sequence=number, contexts={})[0]


def after(*frames: bytes) -> tuple[str | None, list[str]]:
    """The prefix of context 0 behind these frames, and what was noticed in the last."""
    trace = Trace()
    *_, last = trace.follow(records(frames))
    context = trace.contexts.get(0)
    return context and str(context.prefix), [notice.name for notice in last.notices]


def test_a_context_is_not_changed_by_another_router_than_the_one_that_announced_it() -> None:
    first = announced(ROUTER, HERE)
    assert after(first, announced(STRANGER, ELSEWHERE)) == (HERE, ["context-disputed"])
    assert after(first, announced(STRANGER, HERE, lifetime=0)) == (HERE, ["context-disputed"])
    assert after(first, announced(ROUTER, ELSEWHERE, number=2)) == (ELSEWHERE, ["context-moved"])
    assert after(first, announced(ROUTER, HERE, lifetime=0, number=2)) == (None, [])


def test_a_context_that_is_taken_out_of_use_may_become_another() -> None:
    """RFC 6775 section 7.2: "its dissemination SHOULD continue for at least MIN_CONTEXT_CHANGE_DELAY with C=0"; "the
    new value again SHOULD start with C=0"."""
    ending = announced(ROUTER, HERE, compresses=False)
    begins = announced(SECOND_ROUTER, ELSEWHERE, compresses=False)
    assert after(ending, begins) == (ELSEWHERE, [])
    at_once = announced(SECOND_ROUTER, ELSEWHERE)
    assert after(ending, at_once) == (ELSEWHERE, ["context-moved"])


def test_who_says_the_same_only_makes_a_context_last() -> None:
    """A lifetime of one minute instead of ten, from elsewhere, ends nothing; twice the router lifetime is added."""
    frames = [announced(ROUTER, HERE), announced(STRANGER, HERE, lifetime=1)]
    trace = Trace()
    list(trace.follow(records(frames)))
    (learned,) = trace.learned_contexts
    assert learned.until_ns == (600 + 2 * 1800) * 10**9
    list(trace.follow(records([announced(SECOND_ROUTER, HERE, lifetime=60)], start_ns=5 * 10**9)))
    (learned,) = trace.learned_contexts
    assert learned.until_ns == (5 + 3600 + 2 * 1800) * 10**9


def test_what_nodes_send_is_read_though_others_announce_another_context() -> None:
    datagram = udp_datagram(ip_of(eui(1)), ip_of(eui(2)), b"21.5 degrees")
    frames = [announced(ROUTER, HERE)]
    for number in range(20):
        frames += frames_of(datagram, eui(1), eui(2), sequence=number)
        frames.append(announced(STRANGER, f"2001:db8:{number + 1:x}::/64", number=number))
    sightings = list(Trace().follow(records(frames)))
    assert [one.datagram for one in sightings[1::2]] == [datagram] * 20


def registered(link: bytes, device: bytes, number: int) -> bytes:
    """RFC 6775 section 5.5, without security: anybody can send it for any short address."""
    message = nd.NeighborSolicitation(
        target=ip_of(ROUTER, "fe80::"),
        options=(AddressRegistration(registration_lifetime=10, rovr=device),),
    )
    datagram = icmpv6_datagram(ip_of(link), ip_of(ROUTER, "fe80::"), message)
    return frames_of(datagram, link, ROUTER, sequence=number, room=110)[0]


def sealed(link: bytes, device: bytes, number: int) -> bytes:
    datagram = udp_datagram(ip_of(link), ip_of(ROUTER), b"21.5 degrees")
    devices = {int.from_bytes(link, "big"): device}
    frames = frames_of(
        datagram, link, ROUTER, sequence=number, key=KEY, counter=number, devices=devices
    )
    return frames[0]


@pytest.mark.parametrize("others", [1, 3, 50])
def test_a_node_is_opened_though_others_register_its_short_address(others: int) -> None:
    """What opens a frame decides, and who was said to be it first is not forgotten for those who come later."""
    link = short(0x42)
    frames, number = [registered(link, eui(7), 0)], 0
    for _ in range(3):
        for _ in range(others):
            number += 1
            frames.append(registered(link, eui(0x1000 + number), number & 0xFF))
        frames.append(sealed(link, eui(7), number & 0xFF))
    trace = Trace(contexts=CONTEXTS, keys=KEY)
    last = [one for one in trace.follow(records(frames)) if one.mic]
    assert [one.verified for one in last] == [True] * 3
    (device,) = trace.learned_devices
    assert device.eui64 == eui(7)


def test_a_short_address_that_is_given_to_another_device_is_opened_with_that() -> None:
    link = short(0x42)
    frames = [registered(link, eui(7), 0), sealed(link, eui(7), 1), registered(link, eui(8), 2)]
    frames += [sealed(link, eui(8), 3), sealed(link, eui(7), 4), sealed(link, eui(8), 5)]
    last = [one for one in Trace(contexts=CONTEXTS, keys=KEY).follow(records(frames)) if one.mic]
    assert [one.verified for one in last] == [True] * 4


def registered_from_afar(
    link: bytes, device: bytes, number: int, *, answered: bool = False
) -> bytes:
    """RFC 6775 sections 5.5.1 and 5.5.2: a node registers with its EUI-64 as link address, or a router agrees."""
    option = AddressRegistration(registration_lifetime=10, rovr=device)
    asks = nd.NeighborSolicitation(target=ip_of(ROUTER, "fe80::"), options=(option,))
    agrees = nd.NeighborAdvertisement(target=ip_of(ROUTER, "fe80::"), options=(option,))
    ends = ip_of(link), ip_of(ROUTER, "fe80::")
    if answered:
        datagram = icmpv6_datagram(ends[1], ends[0], agrees)
        return frames_of(datagram, ROUTER, link, sequence=number, room=110)[0]
    return frames_of(icmpv6_datagram(*ends, asks), device, ROUTER, sequence=number, room=110)[0]


@pytest.mark.parametrize("answered", [False, True])
@pytest.mark.parametrize("given", [{}, {0x42: eui(7)}], ids=["learned", "given"])
def test_a_node_that_was_replaced_is_opened(given: dict[int, bytes], answered: bool) -> None:
    """The EUI-64 of the new one is in its registration and in the answer; the frames of both open, as they come."""
    link = short(0x42)
    frames = [registered(link, eui(7), 0), sealed(link, eui(7), 1)]
    frames += [registered_from_afar(link, eui(8), 2, answered=answered), sealed(link, eui(8), 3)]
    frames += [sealed(link, eui(7), 4), sealed(link, eui(8), 5), sealed(link, eui(7), 6)]
    trace = Trace(contexts=CONTEXTS, keys=KEY, devices=given)
    last = [one for one in trace.follow(records(frames)) if one.mic]
    assert [one.verified for one in last] == [True] * 5


def test_a_claim_that_opens_nothing_leaves_what_was_given() -> None:
    link = short(0x42)
    frames = [
        registered_from_afar(link, eui(9), 0),
        sealed(link, eui(8), 1),
        sealed(link, eui(7), 2),
    ]
    trace = Trace(contexts=CONTEXTS, keys=KEY, devices={0x42: eui(7)})
    last = [one for one in trace.follow(records(frames)) if one.mic]
    assert [one.verified for one in last] == [False, True]
    assert not trace.learned_devices
    assert dict(trace.knowledge.devices) == {0x42: eui(7)}


def test_who_is_said_to_have_addresses_is_bounded() -> None:
    trace = Trace()
    learned = trace.knowledge.learned_devices
    assert (MOST_DEVICES, MOST_CLAIMS) == (8192, 4)  # as the module tells
    (device,) = _devices(registered(short(1), eui(7), 0))
    for number in range(3 * 8192):
        learned.learn(device._replace(short=number % 8200, eui64=eui(number % 60_000)))
    assert len(learned.known) == len(learned.table) == 8192
    assert all(len(learned.claims(device.pan, short(n))) <= 4 for n in range(8200))
    assert len(learned._claims) <= 8192


def test_who_opened_a_frame_stays_when_others_are_told_without_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(devices, "MOST_DEVICES", 4)
    link = short(0x42)
    frames = [registered(link, eui(7), 0), sealed(link, eui(7), 1)]
    frames += [registered(short(0x100 + n), eui(0x1000 + n), n) for n in range(2, 20)]
    trace = Trace(contexts=CONTEXTS, keys=KEY)
    *_, last = trace.follow(records([*frames, sealed(link, eui(7), 20)]))
    assert last.verified
    assert [one.short for one in trace.learned_devices] == [0x42, 0x111, 0x112, 0x113]


def _devices(frame: bytes) -> tuple[Device, ...]:
    trace = Trace(contexts=CONTEXTS)
    list(trace.follow(records([frame])))
    return trace.learned_devices


def announced_root(router: bytes, root: bytes) -> bytes:
    message = Dio(rpl_instance_id=1, version=0, rank=256, dodag_id=ip_of(root))
    datagram = icmpv6_datagram(ip_of(router, "fe80::"), IPv6Address("ff02::1a"), message)
    return frames_of(datagram, router, ALL, contexts={})[0]


def test_the_root_is_not_changed_by_who_never_announced_it() -> None:
    """RFC 6550 section 6.3.1: the DODAGID is an address of the root. Routers that joined another take it along."""
    trace = Trace()
    list(trace.follow(records([announced_root(ROUTER, eui(0x100))])))
    list(trace.follow(records([announced_root(STRANGER, eui(0x101))])))
    assert trace.knowledge.root == ip_of(eui(0x100))
    list(trace.follow(records([announced_root(ROUTER, eui(0x102))])))
    assert trace.knowledge.root == ip_of(eui(0x102))


def test_sources_without_end_push_out_nobody_who_sends_meanwhile() -> None:
    repeats = Repeats()
    honest = 0xABCD, b"\0\x01"
    for number in range(3 * MOST_SOURCES):
        repeats.see((None, number.to_bytes(8, "big")), number, None, 1, b"x")
        if number % 1000 == 0:
            repeats.see(honest, number, None, number % 256, b"%d" % number)
    again = repeats.see(honest, 99, None, 12_000 % 256, b"12000")
    assert again.repeats == 12_000
    assert len(repeats._sources) == MOST_SOURCES
