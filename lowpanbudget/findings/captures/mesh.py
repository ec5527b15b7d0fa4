"""Frames that a mesh below IPv6 passes on (RFC 4944 sections 5.2 and 11): their hops, and numbers of broadcasts.

A frame is known again by its two ends and by all that stands behind the mesh header, which does not change on its way.
"""

from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.other_prefix import elided_off
from lowpanbudget.findings.passages import MOST_HOPS, WAY_S
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh, decode_broadcast

MESH = Subject("mesh")
_SOME = 3  # broadcasts under the number of the one before; a node that starts anew may do so once: our choice


class MeshHop(NamedTuple):
    """A frame between two nodes of the mesh: the hops that it has left there."""

    source: bytes
    destination: bytes | None
    left: int
    number: int
    time_s: float

    @property
    def text(self) -> str:
        """Return it in words."""
        return f"frame {self.number}: {link_text(self.source)} with {plural(self.left, 'hop')} left"


Ways = Recent[int, tuple[MeshHop, ...]]  # the hops so far, by what is the same on all of them


def _behind(scene: Scene) -> bytes | None:
    """Return what stands behind the mesh header that begins the payload; None where that cannot be read."""
    head = scene.frame.packet.head(Mesh)
    if head is None or scene.payload is None:
        return None
    return scene.payload[head.end - head.start :]


def _step(ways: Ways, scene: Scene, mesh: Mesh) -> tuple[MeshHop, ...]:
    """Return the way of a frame so far, this hop the last; nothing where it begins, or where a hop is tried again."""
    mac, behind = scene.mac, _behind(scene)
    if mac is None or mac.source is None or behind is None or scene.by is None:
        return ()
    now = MeshHop(mac.source, mac.destination, mesh.hops_left, scene.number, scene.time_s)
    mark = hash((mesh.originator, mesh.final, behind))
    way = ways.get(mark, ())
    if way and any(hop[:3] == now[:3] for hop in way):
        return ()
    anew = not way or (now.source == way[0].source and now.left >= way[0].left)
    if anew or not 0 <= now.time_s - way[-1].time_s <= WAY_S:
        ways.renew(mark, (now,))
        return ()
    way = (*way, now)[-MOST_HOPS:]
    ways.renew(mark, way)
    return way


def _is_flooded(scene: Scene, mesh: Mesh) -> bool:
    return mesh.final == BROADCAST or scene.find(Broadcast) is not None


@MESH.rule("mesh-frame-in-a-loop", Mesh, memory=Recent)
def mesh_frame_in_a_loop(memory: Ways, scene: Scene, mesh: Mesh) -> Hits | None:
    """Look for the node among those that sent the frame before; what is flooded comes by from all sides."""
    way = () if _is_flooded(scene, mesh) else _step(memory, scene, mesh)
    if not way:
        return None
    now = way[-1]
    sent = [
        at for at, hop in enumerate(way[:-1]) if hop.source == now.source and hop.left > now.left
    ]
    turn = way[sent[-1] : -1] if sent else ()
    if not any(hop.destination == now.source for hop in turn[1:]):
        return None
    names = [link_text(hop.source) for hop in turn]
    first = names.index(min(names))  # the same circle has one name, wherever it was seen to close
    circle = ", ".join([*names[first:], *names[:first]])
    cause = f"a frame for {link_text(mesh.final)} comes back to a node that sent it before"
    evidence = (f"{turn[0].text}, {now.text}",)
    return (Hit(cause, evidence, circle, (*(hop.number for hop in turn), now.number)),)


@MESH.rule("hops-left-not-lowered", Mesh, memory=Recent)
def hops_left_not_lowered(memory: Ways, scene: Scene, mesh: Mesh) -> Hits | None:
    """Compare with the hop that brought the frame to its sender; of a flood with the one where it begins."""
    way = _step(memory, scene, mesh)
    if not way:
        return None
    before, now = way[0] if _is_flooded(scene, mesh) else way[-2], way[-1]
    is_first = before.source == mesh.originator != now.source and before.destination == BROADCAST
    if now.left < before.left or not (before.destination == now.source or is_first):
        return None
    cause = f"frames come with {plural(before.left, 'hop')} left and are passed on with {now.left}"
    evidence = (f"{before.text}, {now.text}",)
    return (Hit(cause, evidence, link_text(now.source), (before.number, now.number)),)


class _Originators(Recent[int, tuple[bytes, MeshHop]]):
    """Who each frame was from where it was heard last, and how many a name took over."""

    def __init__(self) -> None:
        super().__init__()
        self.taken = Recent[str, int]()

    def take_over(self, name: str) -> int:
        """Count a frame of a name that was of another before; return how many there are."""
        count = self.taken.get(name, 0) + 1
        self.taken.renew(name, count)
        return count


@MESH.rule("mesh-originator-changed", Mesh, least=_SOME, memory=_Originators)
def mesh_originator_changed(memory: _Originators, scene: Scene, mesh: Mesh) -> Hits | None:
    """Compare with the hop that brought its sender a frame for the same node with all the same behind the header."""
    mac, behind = scene.mac, _behind(scene)
    if mac is None or mac.source is None or behind is None or _is_flooded(scene, mesh):
        return None
    now = MeshHop(mac.source, mac.destination, mesh.hops_left, scene.number, scene.time_s)
    first = memory.renew(hash((mesh.final, behind)), (mesh.originator, now))
    if first is None or scene.by is None:
        return None
    originator, before = first
    # a node that says the same of its own begins with its hops anew
    if originator == mesh.originator or before.destination != now.source or now.left >= before.left:
        return None
    if not 0 <= now.time_s - before.time_s <= WAY_S:
        return None
    name, sent = link_text(now.source), link_text(mesh.originator)
    if (
        memory.take_over(sent) >= _SOME
    ):  # then it is told, and that their sums are wrong follows from it
        off = elided_off(originator, mesh.originator)
        scene.known.sums.rename(scene.known.home.name(mesh.originator, mac), off)
    cause = f"{name} passes frames on as frames of {sent} that came to it as those of others"
    evidence = (f"{before.text}, from {link_text(originator)}; {now.text}, from {sent}",)
    return (Hit(cause, evidence, name, (before.number, now.number)),)


@MESH.rule("hops-left-run-out", Mesh)
def hops_left_run_out(scene: Scene, mesh: Mesh) -> Hits | None:
    """Look for a frame that goes to another than its final destination, who must not forward it."""
    to = None if scene.mac is None else scene.mac.destination
    # an address of another length may be of the same node
    if not mesh.is_last_hop or to is None or to == mesh.final or len(to) != len(mesh.final):
        return None
    if _is_flooded(scene, mesh):
        return None  # it goes no further than that
    left, name = plural(mesh.hops_left, "hop"), link_text(to)
    cause = f"frames for {link_text(mesh.final)} come to {name} with {left} left, which must not forward them"
    return (Hit(cause, (), link_text(mesh.originator), (scene.number,)),)


class SentBroadcast(NamedTuple):
    """The last broadcast of a node: its number, what stands for its contents, and the frame."""

    sequence: int
    mark: int
    number: int


@MESH.rule("broadcast-number-stands-still", Mesh, least=_SOME, memory=Recent)
def broadcast_number_stands_still(
    memory: Recent[bytes, SentBroadcast], scene: Scene, mesh: Mesh
) -> Hits | None:
    """Compare with the broadcast before; whether fragments of one datagram share a number is left open."""
    behind = None if scene.is_fragment else _behind(scene)
    if behind is None or scene.find(Broadcast) is None:
        return None
    reader = Reader(behind)
    sequence = decode_broadcast(reader).sequence
    new = SentBroadcast(sequence, hash(behind[reader.pos :]), scene.number)
    before = memory.renew(mesh.originator, new)
    if before is None or before.sequence != sequence or before.mark == new.mark:
        return None
    cause = "several broadcasts go out under one number"
    evidence = (f"frame {before.number} and frame {new.number}: number {sequence}",)
    return (Hit(cause, evidence, link_text(mesh.originator), (before.number, new.number)),)
