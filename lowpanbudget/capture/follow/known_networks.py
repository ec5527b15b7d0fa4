"""What is known of each network: contexts, root and the type of the RPL option are its own; devices name their PAN."""

from collections.abc import Mapping
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any, NamedTuple

from lowpanbudget.bits import Place
from lowpanbudget.capture.follow.learning import Knowledge, LearnedContext, Lesson
from lowpanbudget.env import Contexts, Env
from lowpanbudget.layers.internet import rpi
from lowpanbudget.layers.link.mac import BROADCAST_PAN
from lowpanbudget.layers.link.nonces import Devices, devices_of
from lowpanbudget.layers.link.security import Key
from lowpanbudget.layers.link.stations import network_in, network_of, network_place
from lowpanbudget.stack.applications import REGISTERED, Applications
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import Notice

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design

MOST_NETWORKS = 64  # that teach something


class Given(NamedTuple):
    """What is known before the first frame: contexts, root, the type of the RPL option, what ports carry.

    None where nobody knows; ``is_told``: somebody gave the type, and no design has it only.
    """

    contexts: Contexts
    root: IPv6Address | None
    rpi_type: int | None
    is_told: bool
    applications: Applications = REGISTERED

    def beside(self, design: "Design") -> "Given":
        """Return the same with what a design has in the gaps."""
        from lowpanbudget.capture.follow.matching import (  # noqa: PLC0415  # heavy
            applications_of,
            root_of,
            rpi_type_of,
        )

        table = Contexts({**design.contexts, **self.contexts})
        planned = rpi_type_of(design) if self.rpi_type is None else self.rpi_type
        applications = applications_of(design)
        return Given(table, self.root or root_of(design), planned, self.is_told, applications)

    def knowledge(self, devices: Devices) -> Knowledge:
        """Return it as what the air may add to; raises ``RequestError`` for a type that is none."""
        contexts, root, rpi_type, is_told, applications = self
        if rpi_type is not None:
            Env(rpi_type=rpi_type)
        return Knowledge(
            contexts, devices, root, rpi.OLD if rpi_type is None else rpi_type, applications,
            root_configured=root is not None, rpi_type_configured=is_told, rpi_type_assumed=rpi_type is None,
        )  # fmt: skip


class KnownNetworks:
    """What is known of the network of the frame at hand (``now``), and of the others.

    What is given is known of all, what a ``design`` has beside that of its own PANs alone: a context is of one network
    (RFC 6775 section 7.2). What the air teaches holds in the PAN that taught it, and of frames that name none while no
    other was heard. ``decoder`` is with what is known now.
    """

    def __init__(
        self,
        given: Given,
        devices: Mapping[Any, Any] | None,
        keys: tuple[Key, ...],
        design: "Design | None" = None,
    ) -> None:
        self._design, self._keys = design, keys
        self._elsewhere = self.now = given.knowledge(Devices(devices_of(devices)))
        if design is not None:
            self.now = given.beside(design).knowledge(self._elsewhere.devices)
            self._elsewhere.learned_devices = self.now.learned_devices
        self._given, self._untaught = self.now, self.now.untaught()
        self.decoder = self.now.decoder(keys)
        self._of: dict[int, Knowledge] = {}
        self._decoders: dict[int, Decoder] = {}
        self._places: dict[bytes, Place | None] = {}
        self.is_taught = design is not None  # there is what is not known of all networks
        self.next_end_ns: int | None = None  # of a context, in the capture's nanoseconds
        self.changes = 0  # how often frames were to be read otherwise than those alike before

    @property
    def _all(self) -> tuple[Knowledge, ...]:
        return (*self._of.values(),) or (self.now,)

    @property
    def learned_contexts(self) -> tuple[LearnedContext, ...]:
        """Return the contexts seen on the air that hold now."""
        return tuple(entry for one in self._all for entry in one.learned.values())

    def turn_to(self, octets: bytes) -> bool:
        """Take a frame; return whether another network's knowledge counts than for the one before."""
        front = octets[:2]
        if front not in self._places:
            self._places[front] = network_place(octets)
        place = self._places[front]
        pan = None if place is None or len(octets) < place.end else place.number(octets)
        if pan == BROADCAST_PAN:
            pan = network_in(octets)  # who joins names the network as its destination's
        if pan is None:
            return False
        return self._turn(self._of.get(pan) or self._at_first(pan))

    def learn(
        self, frame: Frame | None, lesson: Lesson, number: int, time_ns: int | None
    ) -> tuple[bool, list[Notice]]:
        """Take in what a frame teaches; return whether it changes how frames are read, and what to notice."""
        pan = None if frame is None or frame.mac is None else network_of(frame.mac)
        turned = False
        if lesson.of_network and pan is not None and pan not in self._of:
            if len(self._of) >= MOST_NETWORKS:
                return False, []
            knowledge = self._of[pan] = self._begun(pan)
            turned, self.is_taught = self._turn(knowledge), True
        changed, notices = self.now.learn(lesson, number, time_ns)
        self._plan()
        if changed:
            self._renew()
        return changed or turned, notices

    def _at_first(self, pan: int) -> Knowledge:
        """Return what is known of a network before it teaches anything."""
        if self._design is not None and not self._design.link.is_of_network(pan):
            return self._elsewhere
        return self._untaught if self._of else self._given

    def _begun(self, pan: int) -> Knowledge:
        """Return what is known of a network that begins to teach."""
        known = self._at_first(pan)
        return known if known is self._given else known.untaught()

    def expire(self, time_ns: int) -> bool:
        """Forget contexts whose time is over, or that they compress; return whether there were any."""
        if self.next_end_ns is None or self.next_end_ns >= time_ns:
            return False
        over = [
            one.expire(time_ns)
            for one in self._all
            if one.next_end_ns is not None and one.next_end_ns < time_ns
        ]
        self._plan()
        if any(over):
            self._renew()
        return any(over)

    def _plan(self) -> None:
        ends = [one.next_end_ns for one in self._all if one.next_end_ns is not None]
        self.next_end_ns = min(ends, default=None)

    def _renew(self) -> None:
        """Make the decoders anew, with what is known now."""
        self._decoders.clear()
        self.changes += 1
        self.decoder = self._decoders[id(self.now)] = self.now.decoder(self._keys)

    def _turn(self, knowledge: Knowledge) -> bool:
        if knowledge is self.now:
            return False
        self.now = knowledge
        known = self._decoders.get(id(knowledge))
        if known is None:
            known = self._decoders[id(knowledge)] = knowledge.decoder(self._keys)
        self.decoder = known
        return True
