"""Prefixes that routers announce: for how long, and whether all announce the same."""

from collections import Counter
from collections.abc import Iterator
from ipaddress import IPv6Address, IPv6Network
from math import inf

from lowpanbudget.capture.follow.learning import BorderVersion, border_version
from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, link_text
from lowpanbudget.findings.captures.contexts import CONTEXTS, announced
from lowpanbudget.findings.captures.longer import old_source
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.lifetimes import Granted, Lifetimes
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import AuthoritativeBorderRouter
from lowpanbudget.layers.internet.nd.messages import RouterAdvertisement
from lowpanbudget.layers.internet.nd.options import INFINITE, PrefixInformation
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.values import dataclass, field

PREFIXES = Subject("prefixes")


def _announced(message: Icmpv6) -> Iterator[PrefixInformation]:
    """Yield the prefixes in an advertisement, or a DIO."""
    content = message.message
    if isinstance(content, RouterAdvertisement | Dio) and message.checksum_ok is not False:
        yield from (one for one in content.options if isinstance(one, PrefixInformation))


# --- their time ------------------------------------------------------------------------------------------

_TWO_HOURS_S = (
    7200  # RFC 4862 section 5.5.3: an advertisement shortens the time that is left to that at most
)
_LENGTH = 64  # of a prefix to which nodes put an identifier
_MOST_ROUTERS = (
    16  # who announce one prefix; with more nobody can say that all were heard: our choice
)


class ValidTimes(Lifetimes):
    """The last of each prefix by its upper 64 bits, and the routers that announced it."""

    def __init__(self) -> None:
        super().__init__()
        self.routers: FirstNamed[int, set[bytes]] = FirstNamed()


def _makes_addresses(option: PrefixInformation) -> bool:
    """Return whether nodes make addresses of a prefix, and do not ignore it (RFC 4862 section 5.5.3, a to d)."""
    return (
        option.autonomous
        and not option.address.is_link_local
        and option.preferred_lifetime <= option.valid_lifetime
        and option.prefix_length == _LENGTH
    )


@PREFIXES.rule("prefix-used-too-late", Icmpv6, memory=ValidTimes)
def prefix_announced(memory: ValidTimes, scene: Scene, message: Icmpv6) -> None:
    """Learn for how long addresses may be made of a prefix, whoever announces it."""
    for option in _announced(message):
        router = scene.link_source
        if not _makes_addresses(option) or router is None:
            continue
        prefix, now = int(option.address) >> _LENGTH, scene.time_s
        lifetime_s = inf if option.valid_lifetime == INFINITE else option.valid_lifetime
        new, known = Granted(lifetime_s, now, scene.number, router), memory.get(prefix)
        left_s = -inf if known is None else known.end_s - now
        if lifetime_s > min(left_s, _TWO_HOURS_S):
            memory.grant(prefix, new)
        elif left_s > _TWO_HOURS_S:
            memory.grant(prefix, new._replace(lifetime_s=_TWO_HOURS_S))
        routers = memory.routers.entry(prefix, set)
        if routers is not None and len(routers) < _MOST_ROUTERS:
            routers.add(router)


@PREFIXES.rule("prefix-used-too-late", HeardDatagram)
def prefix_used_too_late(memory: ValidTimes, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look at the source of each datagram where it starts."""
    now = scene.time_s
    if not now > memory.due_s or not memory.is_due(now):
        return None
    source = datagram.header.source
    prefix = int(source) >> _LENGTH
    over = memory.over(prefix, now)
    routers = memory.routers.get(prefix, ())
    if over is None or scene.passage is not None or datagram.link_source in routers:
        return None  # who announces it may have its address from elsewhere
    network = IPv6Network((prefix << _LENGTH, _LENGTH))
    cause = f"addresses of {network} are used, which was valid for {over.lifetime_s} s"
    said = f"{link_text(over.source)} announces it", f"{source} sends"
    return memory.use(prefix, scene, Hit(cause, (), str(source)), said, routers)


@PREFIXES.at_end("prefix-used-too-late")
def prefixes_used_too_late(memory: ValidTimes, known: Surroundings) -> Hits:
    """Tell of the uses that only the end proves."""
    return memory.end(known)


# --- who says otherwise ----------------------------------------------------------------------------------

_Prefixes = frozenset[IPv6Network]


class PrefixVersion(dict[IPv6Address, tuple[_Prefixes, int]]):
    """What each router announces in a version, and the frame; ``is_changed``: one of them announced others before."""

    is_changed = False


class Versions(FirstNamed[tuple[IPv6Address, int], PrefixVersion]):
    """What is announced, by border router and version."""

    MOST = 64


def _differ(ones: _Prefixes, others: _Prefixes) -> bool:
    """Return whether each has a prefix that the other lacks: who only lacks some may have let them run out."""
    return bool(ones - others and others - ones)


def _said(router: IPv6Address, prefixes: _Prefixes, number: int) -> str:
    return f"frame {number}: {', '.join(map(str, sorted(prefixes)))} by {router}"


@PREFIXES.rule("prefix-announced-otherwise", Icmpv6, memory=Versions)
def prefixes_of_version(memory: Versions, scene: Scene, message: Icmpv6) -> Hits | None:
    """Compare with what the router announced in the same version; only an answer to one node must be whole.

    "when responding to a Router Solicitation ... a router SHOULD include all options" (RFC 4861 section 6.2.3).
    """
    content, header = message.message, scene.header
    if not isinstance(content, RouterAdvertisement) or header is None:
        return None
    options = content.options
    border = next((one for one in options if isinstance(one, AuthoritativeBorderRouter)), None)
    prefixes = frozenset(one.prefix for one in _announced(message))
    if border is None or not prefixes or header.destination.is_multicast:
        return None
    router, version = (
        header.source,
        memory.entry((border.border_router, border.version), PrefixVersion),
    )
    if version is None or (router not in version and len(version) >= _MOST_ROUTERS):
        return None
    before, number = version.get(router, (prefixes, 0))
    version[router] = prefixes, scene.number
    if not _differ(before, prefixes):
        return None
    version.is_changed = True
    cause = f"a router changes its prefixes, and the version of its border router stays {border.version}"
    evidence = (_said(router, before, number), _said(router, prefixes, scene.number))
    return (Hit(cause, evidence, str(router), (number, scene.number)),)


@PREFIXES.at_end("prefix-announced-otherwise")
def prefix_announced_otherwise(memory: Versions, _known: Surroundings) -> Hits:
    """Compare the routers: the border router itself is right, else most of them."""
    for (border, number), version in memory.items():
        told = Counter(prefixes for prefixes, _ in version.values())
        by_border = [
            prefixes
            for router, (prefixes, _) in version.items()
            if int(router) & IID_MASK == int(border) & IID_MASK
        ]
        right, count = told.most_common(1)[0]
        is_open = not by_border and any(
            many == count and _differ(other, right) for other, many in told.items()
        )
        right = by_border[0] if by_border else right
        others = [one for one in version.items() if _differ(one[1][0], right)]
        if version.is_changed or not others:
            continue
        example = next(one for one in version.items() if one[1][0] == right)
        cause = f"a router announces other prefixes in version {number} of {border} than that has"
        if is_open:
            cause = f"routers announce different prefixes in version {number} of {border}"
        for router, said in others:
            evidence = _said(router, *said), _said(example[0], *example[1])
            subject = str(border if is_open else router)
            yield Hit(cause, evidence, subject, (said[1], example[1][1]))


# --- the border router they are of -----------------------------------------------------------------------

_BORDERS = 4  # of a router that are told apart; our choice
_KEEP_TOGETHER = "Let routers pass prefixes and contexts on together with the border router option that they came with."
_KEEP_VERSION = (
    "Let the border router keep its version over restarts, and let other routers forget what an older version "
    "said."
)


@dataclass(slots=True)
class _BordersSaid:
    """The last version of each border router that a router announced, and contexts that it announced of none."""

    versions: dict[IPv6Address, tuple[BorderVersion, int]] = field(default_factory=dict)
    without: Frames = field(default_factory=Frames)


# by the router
BordersOfRouters = FirstNamed[IPv6Address, _BordersSaid]


@CONTEXTS.rule("context-announced-otherwise", Icmpv6, memory=FirstNamed)
def contexts_of_border(memory: BordersOfRouters, scene: Scene, message: Icmpv6) -> Hits | None:
    """Compare the version with what the same router announced before: one that is older is ignored."""
    content, header = message.message, scene.header
    if not isinstance(content, RouterAdvertisement) or header is None:
        return None
    said = None if message.checksum_ok is False else memory.entry(header.source, _BordersSaid)
    if said is None:
        return None
    border, has_contexts = border_version(content), any(announced(message))
    if border is None:
        if has_contexts:
            said.without.note(scene.number)
        return None
    before, number = said.versions.get(border.border, (border, 0))
    is_older = before.is_newer_than(border)
    if not is_older and (border.border in said.versions or len(said.versions) < _BORDERS):
        said.versions[border.border] = border, scene.number
    if not has_contexts or not is_older:
        return None
    cause = "a router goes back to an older version of its border router, which all others ignore"
    versions = (
        f"version {before.version} in frame {number}, {border.version} in frame {scene.number}"
    )
    evidence, frames = (f"{border.border}: {versions}",), (number, scene.number)
    return (
        Hit(
            cause, evidence, f"{header.source}: versions", frames, advice=_KEEP_VERSION,
            certainty=Certainty.CAPTURE, cite=rfc(6775, "8.1.3"),
        ),
    )  # fmt: skip


@CONTEXTS.at_end("context-announced-otherwise")
def contexts_of_no_border(memory: BordersOfRouters, _known: Surroundings) -> Hits:
    """Judge routers that announce some contexts with their border router: "If ... not contain an ABRO ... ignored"."""
    for router, said in memory.items():
        if not said.without or not said.versions:
            continue
        cause = "contexts are announced without their border router, and other routers ignore them"
        border, number = next(iter(said.versions.values()))
        evidence = (f"{router} announces others with {border.border} in frame {number}",)
        yield Hit(
            cause, evidence, f"{router}: contexts of no border router", tuple(said.without),
            advice=_KEEP_TOGETHER, times=len(said.without), certainty=Certainty.CAPTURE,
            cite=rfc(6775, "8.1.3"),
        )  # fmt: skip


# --- identifiers -----------------------------------------------------------------------------------------


@PREFIXES.rule("old-identifier-carried", HeardDatagram)
def old_identifier_carried(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look at the source that a node sends in line from the link address it is made of, where the checksum is right."""
    if datagram.is_sum_wrong or not old_source(scene, datagram):
        return None
    link, source = datagram.link_source, datagram.header.source
    if link is not None and link == (int(source) & 0xFFFF).to_bytes(2, "big"):
        cause = "the identifier of its short address is made by RFC 4944 section 6, with the PAN ID, and goes in line"
        evidence = (f"source {source}, 8 octets of it in line",)
        return (Hit(cause, evidence, scene.sender, datagram.numbers),)
    return None
