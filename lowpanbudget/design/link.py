"""The link of a design: PHY, frame form, security; it writes the MAC header of each frame.

The knobs that turn a link key stand in ``link_knobs``.
"""

from functools import lru_cache
from typing import Literal

from lowpanbudget.arguments import explains
from lowpanbudget.bits import StandIn, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import DoesNotFit, RequestError
from lowpanbudget.layers.internet.ipv6 import MINIMUM_MTU
from lowpanbudget.layers.link.addressing import MODE_OCTETS, Addressing, addressing, pan_ids
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.elements import Element, header_ie
from lowpanbudget.layers.link.header_contents import TIME_CORRECTION
from lowpanbudget.layers.link.mac import BROADCAST, BROADCAST_PAN, LARGEST_FRAME, FrameType, Mac
from lowpanbudget.layers.link.phy import PhyTiming, timing
from lowpanbudget.layers.link.security import Key
from lowpanbudget.stack.encoding import SIZES_KEY, STAND_IN_KEY, Encoded, encode_frame
from lowpanbudget.values import HashedOnce, dataclass, replace

AddressForm = Literal["short", "extended"]
PanIds = Literal["both", "one", "none"]
PAN_IDS_CARRIED: dict[PanIds, int] = {"both": 2, "one": 1, "none": 0}
ADDRESS_MODES: dict[AddressForm, int] = {"short": 2, "extended": 3}


@dataclass(frozen=True, slots=True)
class Link(HashedOnce):
    """How every frame of the design is built.

    ``largest`` is the PSDU of the PHY in octets, FCS included; ``security`` is None for an open network.
    ``recoverable``: RFC 8931 cuts datagrams, else RFC 4944. ``data_rate`` in kb/s and ``preamble`` in octets are None
    where the PHY's own are meant. ``slot_us``: the microseconds that a slot leaves for a frame, preamble included; None
    where the design says nothing of slots. ``answered_us``: those for a frame and its acknowledgement together; None
    where the longest of both go into the slot.
    """

    phy: str = "o-qpsk-2450"
    largest: int = LARGEST_FRAME
    fcs: int = 2
    version: int = 1
    addresses: AddressForm = "short"
    pan_id: int = 0
    destination_pan_id: int = 0
    pan_ids: PanIds = "one"
    sequence_number: bool = True
    acknowledged: bool = True
    slotted: bool = False
    security: Security | None = None
    mtu: int = MINIMUM_MTU
    header_ies: tuple[Element, ...] = ()
    payload_ies: tuple[Element, ...] = ()
    recoverable: bool = False
    data_rate: int | None = None
    preamble: int | None = None
    slot_us: float | None = None
    answered_us: float | None = None

    @property
    def bare(self) -> "Link":
        """Return a link that has of this one what the headers behind its own depend on, and nothing else."""
        return _bare(self.addresses, self.mtu, self.recoverable)

    @property
    def network(self) -> int:
        """Return the PAN ID of the network."""
        return self.pan_id

    def is_of_network(self, pan: int | None) -> bool:
        """Return whether a frame of this PAN may be one of the network: it names its own, all PANs, or none."""
        return pan in {None, self.pan_id, self.destination_pan_id, BROADCAST_PAN}

    @property
    def timing(self) -> PhyTiming:
        """Return how long things take on the link's PHY; raises ``RequestError`` where that is not known."""
        return timing(self.phy, self.data_rate, self.preamble)

    @property
    def has_integrity_code(self) -> bool:
        """Return whether its frames carry a message integrity code (MIC)."""
        return self.security is not None and self.security.protection.mic > 0

    @property
    def in_slot(self) -> int | None:
        """Return the octets of the longest frame that a slot has time for; None where the PHY's largest is no longer.

        What acknowledges it ends within the slot as well. None too where it is not known how long an octet takes on the
        PHY.
        """
        if self.slot_us is None:
            return None
        try:
            timing = self.timing
        except RequestError:
            return None
        left = self.slot_us
        if self.answered_us is not None and self.acknowledged:
            answer = timing.airtime(_acknowledgement_octets(self))
            left = min(left, self.answered_us - float(answer))
        longest = timing.longest(left)
        return longest if longest < self.largest else None

    @property
    def largest_sent(self) -> int:
        """Return the octets of the largest frame that nodes send: the PHY's, or what a slot has time for."""
        in_slot = self.in_slot
        return self.largest if in_slot is None else in_slot

    @explains
    def mac(self, source: bytes, destination: bytes) -> Mac:
        """Return the MAC header of a data frame between two link addresses."""
        bit, layout = self.pan_form(len(destination), len(source))
        destination_pan, source_pan = pan_ids(layout)
        return Mac(
            FrameType.DATA,
            self.version,
            StandIn(0) if self.sequence_number else None,
            self.destination_pan_id if destination_pan else None,
            destination,
            self.pan_id if source_pan else None,
            source,
            pan_id_compression=bool(bit),
            ack_request=self.acknowledged and destination != BROADCAST,
            security=self.security,
            header_ies=self.header_ies,
            payload_ies=self.payload_ies,
        )

    def pan_form(self, destination: int, source: int) -> tuple[int, Addressing]:
        """Return the compression bit that carries as many PAN IDs as wished, or the nearest, and its layout."""
        wanted = PAN_IDS_CARRIED[self.pan_ids]
        if destination not in MODE_OCTETS or source not in MODE_OCTETS:
            raise RequestError(
                f"link addresses of {source} and {destination} octets have no place in a MAC header",
                hint="They have 2 octets (short) or 8 (extended)",
            )
        modes = (MODE_OCTETS.index(destination), MODE_OCTETS.index(source))
        forms = ((bit, addressing(self.version, *modes, bit).layout) for bit in (0, 1))
        return min(forms, key=lambda form: abs(sum(pan_ids(form[1])) - wanted))

    @explains
    def frame(self, source: bytes, destination: bytes, payload: Writer | bytes) -> Encoded:
        """Return a frame of this link, sealed under a stand-in key when the link is secured.

        The key and the numbers in it are stand-ins; their sizes are real.
        """
        return self.complete(self.mac(source, destination), payload)

    def complete(self, mac: Mac, payload: Writer | bytes, key: Key = STAND_IN_KEY) -> Encoded:
        """Return a frame with a header of its own, sealed as ``frame`` does."""
        source = mac.source or b""
        return encode_frame(
            mac,
            payload,
            key=key,
            asn=0 if self.slotted else None,
            fcs=self.fcs,
            devices={int.from_bytes(source, "big"): bytes(8)} if len(source) == 2 else None,
        )

    @explains
    def acknowledgement(self, source: bytes, destination: bytes) -> Encoded | None:
        """Return what acknowledges a frame between two link addresses; None where nothing does.

        Versions 0 and 1 are acknowledged by a number alone, version 2 by an enhanced acknowledgement: secured as the
        frame was, between the same addresses, and in slots with what the sender's clock was off (IEEE 802.15.4-2015
        clause 6.7.4.3 and RFC 8180 section 4.5.3, both from memory).
        """
        acknowledged = self.mac(source, destination)
        if not acknowledged.ack_request:
            return None
        kind = FrameType.ACKNOWLEDGEMENT
        if self.version < 2:
            return self.complete(Mac(kind, 0, acknowledged.sequence), b"")
        correction = header_ie(TIME_CORRECTION, time_correction=0)
        answer = replace(
            self.mac(destination, source),
            frame_type=kind,
            ack_request=False,
            header_ies=(correction,) if self.slotted else (),
            payload_ies=(),
        )
        return self.complete(answer, b"")

    def must_take(self, datagram: int) -> None:
        """Raise ``DoesNotFit`` where a datagram of so many octets is over the MTU."""
        if datagram > self.mtu:
            raise DoesNotFit(
                f"the datagram has {datagram} octets, the MTU is {self.mtu}",
                by=datagram - self.mtu,
                cite=rfc(4944, "4"),
            )

    @explains
    def room(self, source: bytes, destination: bytes) -> int:
        """Return the octets left in one frame behind MAC header, MIC and FCS: the rest of a real frame.

        That frame carries an octet: elements that end before a payload are not in an empty one.
        """
        one = b"\0"
        frame = self.complete(self.mac(source, destination), one, SIZES_KEY)
        return self.largest_sent + len(one) - len(frame.octets)


@lru_cache(maxsize=1024)
def _acknowledgement_octets(link: Link) -> int:
    """Return the octets of what acknowledges a frame between two nodes; 0 where nothing does."""
    address = bytes(MODE_OCTETS[ADDRESS_MODES[link.addresses]])
    answer = link.acknowledgement(address, address)
    return 0 if answer is None else len(answer.octets)


def pan_ids_possible(version: int, form: AddressForm) -> list[PanIds]:
    """Return how many PAN IDs a frame between two addresses of this form can carry, in the design file's words."""
    mode = ADDRESS_MODES[form]
    layouts = [addressing(version, mode, mode, bit).layout for bit in (0, 1)]
    possible = {sum(pan_ids(layout)) for layout in layouts}
    return [word for word, count in PAN_IDS_CARRIED.items() if count in possible]


@lru_cache(maxsize=64)  # whoever looks at many links asks what they have alike
def _bare(addresses: AddressForm, mtu: int, recoverable: bool) -> Link:  # as lru_cache knows them
    return Link(addresses=addresses, mtu=mtu, recoverable=recoverable)
