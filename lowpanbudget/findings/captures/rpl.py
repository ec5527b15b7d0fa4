"""RPL and neighbour discovery as a whole: who is the root, which version holds, how much is said about it.

Trickle's parameters, and what resets it, are those of RFC 6550 sections 8.3 and 8.3.1: a multicast DIS, a new version,
and what an implementation takes for an inconsistency besides, for which we count a new rank. That it sends at most once
in each interval, and doubles the intervals, is RFC 6206 from memory.
"""

from collections import deque
from ipaddress import IPv6Address
from statistics import median

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.origins import origin_of
from lowpanbudget.findings.ranks import LEAST_TOLD
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.talk import FACTOR, LEAST_DIOS, NAMES, OFTENER, Talk, ToldMessages
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.rpl.messages import Dao, Dio, Dis
from lowpanbudget.layers.internet.rpl.options import HOP_RANK, DodagConfiguration, Target
from lowpanbudget.values import dataclass, field

RPL = Subject("rpl")

Dodag = tuple[int, IPv6Address]  # instance and DODAGID
_MOST_ROOTS = 8


def _dio(scene: Scene, message: Icmpv6) -> tuple[Dio, IPv6Address] | None:
    """Return a DIO and who sent it; None of other messages."""
    content = message.message
    if not isinstance(content, Dio) or scene.header is None or message.checksum_ok is False:
        return None
    return content, scene.header.source


def _configuration(dio: Dio) -> DodagConfiguration | None:
    return next((one for one in dio.options if isinstance(one, DodagConfiguration)), None)


# --- roots -----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Roots:
    """The rank of the root in each DODAG, who announces it and in which frame; the DODAGs of each instance in a PAN."""

    ranks: FirstNamed[Dodag, int] = field(default_factory=FirstNamed)
    roots: FirstNamed[Dodag, dict[IPv6Address, tuple[int, int]]] = field(default_factory=FirstNamed)
    dodags: FirstNamed[tuple[int | None, int], dict[IPv6Address, int]] = field(
        default_factory=FirstNamed
    )


@RPL.rule("two-roots", Icmpv6, memory=Roots)
def two_roots(memory: Roots, scene: Scene, message: Icmpv6) -> Hits:
    """Compare with the roots and DODAGs before."""
    told = _dio(scene, message)
    if told is None:
        return
    dio, sender = told
    key = (dio.rpl_instance_id, dio.dodag_id)
    configured = _configuration(dio)
    if configured is not None and (key in memory.ranks or len(memory.ranks) < memory.ranks.MOST):
        memory.ranks[key] = configured.min_hop_rank_increase
    pan = None if scene.mac is None else pan_of(scene.mac)
    dodags = memory.dodags.entry((pan, dio.rpl_instance_id), dict)
    if dodags is not None and len(dodags) < _MOST_ROOTS:
        dodags.setdefault(dio.dodag_id, scene.number)
        if len(dodags) > 1:
            names = ", ".join(map(str, sorted(dodags)))
            cause = f"instance {dio.rpl_instance_id} has {len(dodags)} DODAGs: {names}"
            frames = tuple(dodags.values())
            hit = Hit(cause, (), f"instance {dio.rpl_instance_id}", frames, Severity.REMARK)
            yield hit._replace(advice=_SEVERAL, cite=rfc(6550, "3.1.2"))
    if dio.rank != memory.ranks.get(key, HOP_RANK):
        return
    roots = memory.roots.entry(key, dict)
    if roots is not None and (sender in roots or len(roots) < _MOST_ROOTS):
        number, count = roots.get(sender, (scene.number, 0))
        roots[sender] = number, count + 1


_SEVERAL = (
    "Several DODAGs in one instance are allowed, as of border routers that are meant to be several. Where one root is "
    "meant, find the node that starts a DODAG of its own, as when it hears nobody."
)


@RPL.at_end("two-roots")
def roots_of_a_dodag(memory: Roots, known: Surroundings) -> Hits:
    """Tell the DODAGs where several announce the rank of the root, but for those whose DAOs name a parent."""
    for (instance, dodag), told in memory.roots.items():
        roots = {
            sender: said
            for sender, said in told.items()
            if not _has_parent(known, instance, sender)
        }
        if len(roots) > 1:
            names = " and ".join(map(str, sorted([*roots][:2])))
            cause = f"{names} announce the rank of the root, {memory.ranks.get((instance, dodag), HOP_RANK)}"
            frames = tuple(number for number, _ in roots.values())
            times = sum(count for _, count in [*roots.values()][1:])
            yield Hit(cause, (), f"DODAG {dodag}", frames, times=times)


def _has_parent(known: Surroundings, instance: int, sender: IPv6Address) -> bool:
    """Return whether a node is told as one whose rank is not above its parent's: it is no root."""
    told = known.ranks.get((instance, int(sender) & IID_MASK))
    return told is not None and told.not_above >= LEAST_TOLD


# --- versions --------------------------------------------------------------------------------------------


_OFTEN = 3  # global repairs in one capture; our choice
_DAY_S = 86_400.0  # in which as many are too many; our choice


@dataclass(slots=True)
class _DodagVersion:
    """The version that a DODAG has, the last ones before, and how often it was raised, from when to when.

    ``last_s`` are the times of the last ones; it ``is_often`` where so many were within a day.
    """

    now: int
    number: int
    since_s: float = 0.0
    until_s: float = 0.0
    before: deque[int] = field(default_factory=lambda: deque(maxlen=8))
    raised: int = 0
    last_s: deque[float] = field(default_factory=lambda: deque(maxlen=_OFTEN))
    is_often: bool = False
    frames: Frames = field(default_factory=Frames)

    def note(self, time_s: float, number: int) -> None:
        """Note that it was raised by one."""
        self.raised, self.until_s = self.raised + 1, time_s
        self.last_s.append(time_s)
        if len(self.last_s) == _OFTEN and not self.last_s[-1] - self.last_s[0] > _DAY_S:
            self.is_often = True  # as well where there are no times
        self.frames.note(number)


def _next(version: int) -> int:
    """Return the version after one: a counter that begins in a straight part (RFC 6550 section 7.2)."""
    return 0 if version in {127, 255} else version + 1


@RPL.rule("version-jumps", Icmpv6, memory=FirstNamed)
def version_jumps(memory: FirstNamed[Dodag, _DodagVersion], scene: Scene, message: Icmpv6) -> Hits:
    """Compare with the version before; nodes that lag behind still have that."""
    told = _dio(scene, message)
    if told is None:
        return
    dio, _ = told
    new, number = dio.version, scene.number
    key = (dio.rpl_instance_id, dio.dodag_id)
    version = memory.entry(key, lambda: _DodagVersion(new, number))
    if version is None or new == version.now or new in version.before:
        return
    old, frame = version.now, version.number
    version.before.append(old)
    version.now, version.number = new, number
    if new != _next(old):
        cause = f"the version went from {old} to {new}"
        evidence = f"frame {frame}: {old}; frame {number}: {new}"
        yield Hit(cause, (evidence,), _named(key), (frame, number))
        return
    if not version.raised:
        version.since_s = scene.time_s
    version.note(scene.time_s, number)


def _named(key: Dodag) -> str:
    return f"DODAG {key[1]}"


@RPL.at_end("version-jumps")
def version_raised(memory: FirstNamed[Dodag, _DodagVersion], _known: Surroundings) -> Hits:
    """Tell of each DODAG how often its version was raised, from the first time to the last."""
    for key, version in memory.items():
        if version.raised >= _OFTEN:
            cause, span_s = (
                f"the version was raised {version.raised} times",
                version.until_s - version.since_s,
            )
            if span_s >= 0:  # not without times, or where the clock was put back
                days = f"{span_s / _DAY_S:.3g} days"
                cause += f" in {days if span_s > _DAY_S else seconds_text(span_s)}"
            severity = None if version.is_often else Severity.REMARK
            yield Hit(cause, (), _named(key), tuple(version.frames), severity, times=version.raised)


# --- how much --------------------------------------------------------------------------------------------


@RPL.rule("control-out-of-proportion", Icmpv6, memory=Talk)
def control_told(memory: Talk, scene: Scene, message: Icmpv6) -> None:
    """Note each message where it starts, and what resets Trickle."""
    content, header = message.message, scene.header
    kind = type(content)
    if kind not in NAMES or header is None:
        return
    if isinstance(content, Dis) and header.destination.is_multicast:
        memory.asked += 1
    if isinstance(content, Dio):
        if not header.destination.is_multicast:
            return  # an answer to one that asked
        configured = _configuration(content)
        if configured is not None:
            memory.shortest_s = 2.0 ** min(configured.dio_interval_min, 32) / 1000
            memory.doublings = min(configured.dio_interval_doublings, 32)
    now, link = scene.time_s, scene.link_source
    targets = (
        (one.prefix for one in content.options if isinstance(one, Target))
        if isinstance(content, Dao)
        else ()
    )
    key = kind, header.source, next(iter(targets), None)
    told = memory.told.get(key)
    if told is None:
        told = memory.told.entry(key, lambda: ToldMessages(link, now, now))
        if told is not None and kind in OFTENER:
            told.dense.allowed_s = OFTENER[kind][1]
    elif told.link == link and now >= told.last_s:
        told.gaps_s.append(now - told.last_s)
        told.count, told.last_s = told.count + 1, now
    else:
        return
    if told is None:
        return
    told.by = origin_of(scene, header) or told.by
    told.dense.take(now, scene.number)
    if len(told.frames) < _MOST_ROOTS:
        told.frames.note(scene.number)
    if isinstance(content, Dio):
        told.resets += told.rank not in {None, (content.version, content.rank)}
        told.rank = (content.version, content.rank)


@RPL.at_end("control-out-of-proportion")
def control_out_of_proportion(memory: Talk, _known: Surroundings) -> Hits:
    """Judge each kind from each source; what one source sends too often is told together."""
    hits: dict[IPv6Address, list[Hit]] = {}
    for (kind, source, _), told in memory.told.items():
        if not told.gaps_s:
            continue
        often, middle = told.count, median(told.gaps_s)
        evidence = (
            f"median of the last {plural(len(told.gaps_s), 'interval')}: {seconds_text(middle)}"
        )
        if kind is Dio:
            allowed = memory.allowed(told)
            if often < LEAST_DIOS or often <= FACTOR * allowed:
                continue
            evidence += f"; Trickle has room for {allowed:.0f}"
        else:
            least, shortest_s = OFTENER[kind]
            if often < least or middle >= shortest_s or (kind is Dao and told.is_explained):
                continue
        said = f"{plural(often, NAMES[kind])} in {seconds_text(told.last_s - told.first_s)}"
        hit, part = Hit(said, (evidence,), "", tuple(told.frames), times=often), told.densest()
        if part is not None:
            begun = seconds_text(part.since_s - told.first_s)
            dense = f"{part.count} of them in {seconds_text(part.last_s - part.since_s)}, from frame {part.since} on"
            since = f"{dense}, {begun} after the first"
            frames = tuple(part.frames)
            hit = hit._replace(evidence=(evidence, since), frames=frames, times=part.count)
        hits.setdefault(source, []).append(hit)
    for source, ones in hits.items():
        cause = f"{source} sent {', and '.join(one.cause for one in ones)}"
        medians = tuple(text for one in ones for text in one.evidence)
        frames = tuple(number for one in ones for number in one.frames)
        yield Hit(cause, medians, str(source), frames, times=sum(one.times for one in ones))
