"""Classes of frames, learned from one frame of each: read as any frame is, with nothing of it counted.

A frame read may stand for others that agree in all octets but the free ones (``follow.templates``), or, where that
cannot be told, for those that agree in all but sequence number and counter. What the frames of a class add to a survey
is found out once.
"""

from typing import Any, NamedTuple

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.describing import is_part_described
from lowpanbudget.capture.columns.state import Front, State, front_octets
from lowpanbudget.capture.follow.memo import kept_ranges
from lowpanbudget.capture.follow.parts import part_of
from lowpanbudget.capture.follow.repeats import is_sealed, link_ends, may_be_copied
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import Template
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.sequences import sequence_of
from lowpanbudget.capture.tally_place import NO_APPLICATION, code_of, counted_application
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.ghc_headers import CodeSize
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck
from lowpanbudget.stack.fragment_key import FragmentKey


class FrameClass(NamedTuple):
    """A class: its template, the bits by layer of a frame as long as the first, and why it cannot be read, if so.

    ``code`` is the byte code in each of its frames.
    """

    template: Template
    layers: dict[str, int]
    reason: str
    code: CodeSize


class Learner:
    """Fills the tables of the loop."""

    def __init__(
        self, trace: Trace, surveyor: Any, state: State, repeats: Any, sequences: Any
    ) -> None:
        self._trace, self._surveyor, self._state = trace, surveyor, state
        self._repeats, self._sequences = repeats, sequences
        self.classes: list[FrameClass] = []
        self.tallies: list[
            Any
        ] = []  # None for later fragments of which none was counted alone so far
        self._numbers: dict[int, int] = {}  # by template, which the class keeps alive
        self._unnamed: dict[int, tuple[Any, int]] = {}
        self._waiting: tuple[int, Sighting] | None = None
        self._savings = 0
        self.is_wrong = False  # classes may be, by what was taught
        self._masks: dict[tuple[int, ...], int] = {}
        self._lists: dict[int, list[int]] = {}
        self._ends: dict[tuple[int | None, bytes | None, bytes | None], int] = {}
        self._taught: dict[int, bytes] = {}
        self.headers = 0  # read for a class of their own

    def clear(self) -> None:
        """Forget all classes: what was counted of them must have been taken up."""
        self._state.forget_classes()
        self.classes.clear()
        self.tallies.clear()
        self._numbers.clear()
        self._unnamed.clear()
        self._savings = 0
        self.is_wrong = False
        self._masks.clear()
        self._lists.clear()

    def ends(self, key: FragmentKey) -> int:
        """Return the number of who sends to whom; -1 when there are too many, which ends the loop for good."""
        ends = key.pan, key.source, key.destination
        number = self._ends.get(ends)
        if number is None:
            if len(self._ends) >= p.MOST_ENDS:
                self._state.is_full = True
                return -1
            number = self._ends[ends] = len(self._ends)
        return number

    @property
    def is_full(self) -> bool:
        """Return whether no more classes can be kept."""
        return (
            len(self.classes) >= p.MOST_CLASSES
            or len(self._masks) >= p.MOST_MASKS
            or len(self._lists) + 1 >= p.MOST_LISTS
        )

    # --- one frame ---------------------------------------------------------------------------------

    def learn(self, sighting: Sighting, front: Front, body: bytes, mode: int) -> int | None:
        """Read a frame and make a class of it; return its number, or None where it must be followed on its own.

        ``body`` is what stands behind its header, up to the MIC; ``mode`` tells whether it was opened, or stays sealed.
        """
        frame = self._trace.reader.read(sighting)
        template = sighting.template
        assert template is not None
        sighting.flow, sighting.notices, sighting.fault = (
            template.flow,
            template.notices,
            template.example.fault,
        )
        if (
            frame is not None
        ):  # the waiting for others has ended, as it does whenever a frame is read in full
            self._state.s[p.FED] = max(self._state.s[p.FED], self._state.now)
        if self.is_full or self._is_followed_alone(sighting):
            return None
        fields = [0] * p.C_FIELDS
        fields[p.C_MODE], fields[p.C_COUNTER] = mode, front.counter
        if not self._is_described(fields, sighting, front.header, sealed=mode == p.SEALED_MODE):
            return None
        return self._keep(fields, sighting, front, body)

    def _is_followed_alone(self, sighting: Sighting) -> bool:
        """Return whether a frame may change what is known, or what other frames mean."""
        template = sighting.template
        assert template is not None
        example, part = template.example, template.example.fragment
        if template.lesson is not None and not self._is_known(template.lesson):
            return True
        if isinstance(part, Rfrag) or any(isinstance(layer, RfragAck) for layer in example.layers):
            return True
        if part is None and template.fragment is not None:
            return True  # one that begins what nobody can read
        return part is not None and template.free is None

    def _is_known(self, lesson: Any) -> bool:
        """Return whether a lesson teaches nothing but devices, and those that are known already."""
        if lesson.contexts or lesson.root is not None or lesson.rpi_type is not None:
            return False
        devices = self._trace.knowledge.devices
        for device in lesson.devices:
            key = device.short if device.pan is None else (device.pan, device.short)
            known = devices.get(key, devices.get(device.short))
            if (
                known != device.eui64
                or self._taught.setdefault(device.short, device.eui64) != device.eui64
            ):
                return False
        return True

    def _note(self, lesson: Any) -> None:
        """Note what a frame taught: where it contradicts another, frames that teach are followed one by one."""
        for device in lesson.devices:
            before = self._taught.setdefault(device.short, device.eui64)
            if before and before != device.eui64:
                # several claim it: their frames are followed one by one
                self._taught[device.short] = b""
                self.is_wrong = True

    def _is_described(
        self, fields: list[int], sighting: Sighting, start: int, *, sealed: bool
    ) -> bool:
        """Fill in what the loop must know of frames that are like this one; return whether it can."""
        template = sighting.template
        assert template is not None
        example, mac = template.example, template.example.mac
        if mac is None:
            return False
        payload = sighting.payload
        size = sighting.end - sighting.mic - start
        if sealed != (payload is None) or size < 0 or (payload is not None and len(payload) > size):
            return False
        is_shared = template.free is not None and mac.header_length == start and payload is not None
        free = template.free if is_shared and template.free is not None else ()
        ranges = () if sealed else kept_ranges(free, size)
        tail = template.tail if is_shared else None
        if ranges and (ranges[-1][1] > p.KEPT_OCTETS or len(ranges) > p.MOST_RANGES):
            return False
        fields[p.C_MASK] = self._mask(ranges, tail)
        fields[p.C_COUNT] = size if tail is None else int(size > tail)
        fields[p.C_HEADER] = start
        fields[p.C_FCS], fields[p.C_BASE] = sighting.fcs_octets, size
        fields[p.C_CONTENTS] = 0 if payload is None else size - len(payload)
        fields[p.C_SOURCE] = fields[p.C_SEQUENCE] = -1
        source, destination = link_ends(example)
        if source is not None and (payload or is_sealed(mac, payload)):
            fields[p.C_SOURCE] = self._repeats.source(source)
        fields[p.C_COPIED] = may_be_copied(mac) and not sealed
        fields[p.C_DEST_OCTETS] = len(destination)
        numbered = sequence_of(mac)
        if numbered is not None:
            fields[p.C_SEQUENCE] = self._sequences.place(numbered)
        if self._state.is_full:
            return False
        fields[p.C_DATA] = mac.frame_type == FrameType.DATA
        fields[p.C_DATAGRAM] = sighting.datagram is not None and example.fragment is None
        fields[p.C_FEEDS] = example.fragment is not None or (
            sighting.datagram is None and not is_shared
        )
        part = example.fragment
        if isinstance(part, Fragment):
            ends = self.ends(FragmentKey.of(example, part))
            if ends < 0:
                return False
            return is_shared and is_part_described(fields, sighting, part, ends)
        return True

    def _mask(self, ranges: tuple[tuple[int, int], ...], tail: int | None) -> int:
        """Return the place of a mask, a new one where there is none such."""
        numbers = (
            -1 if tail is None else tail,
            len(ranges),
            *(end for one in ranges for end in one),
        )
        place = self._masks.get(numbers)
        if place is None:
            place = self._masks[numbers] = len(self._masks) * p.MASK_WIDTH
            for at, number in enumerate(numbers):
                self._state.masks[place + at] = number
        return place

    # --- what its frames add -----------------------------------------------------------------------

    def _keep(self, fields: list[int], sighting: Sighting, front: Front, body: bytes) -> int | None:
        """Keep a class with what its frames add to the survey; None where there is no more room for its mask."""
        template, state = sighting.template, self._state
        assert template is not None
        number = len(self.classes)
        example = template.example
        if not self._offer(fields[p.C_MASK], fields[p.C_MODE], body):
            return None
        surveyor = self._surveyor
        surveyor.natures.see(sighting)
        tally = None
        if fields[p.C_FRAGMENT] != p.NEXT_FRAGMENT:
            place = surveyor.place(sighting)
            tally = place.tally
            fields[p.C_COUNTED] = 1
            if fields[p.C_DATAGRAM]:
                self._weigh(fields, sighting, place)
        self._wait_for_name(number, fields, sighting)
        _, destination = link_ends(example)
        state.set_class(number, fields, front, sighting.octets, body, destination)
        code = code_of(template)
        self.classes.append(FrameClass(template, sighting.layer_bits, sighting.reason, code))
        self.tallies.append(tally)
        self._numbers[id(template)] = number
        return number

    # --- what is known only later ------------------------------------------------------------------

    def _wait_for_name(self, number: int, fields: list[int], sighting: Sighting) -> None:
        """Let a flow of a design have its name from the first datagram that is counted, as it always has."""
        names, flow = self._surveyor.names, sighting.flow
        if not sighting.has_design or flow is None or flow in names or self._surveyor.has_all_names:
            return
        if fields[p.C_DATAGRAM]:
            self._waiting = number, sighting
        elif fields[p.C_FRAGMENT] == p.FIRST_FRAGMENT:
            self._unnamed[number] = flow, fields[p.C_WHOLE]
            fields[p.C_WHOLE] = p.WHOLE_UNKNOWN

    @property
    def is_waiting(self) -> bool:
        """Return whether the next frame alone is to be counted, for the name of its flow."""
        return self._waiting is not None

    def name_flow(self) -> None:
        """Name the flow of a frame that was counted alone; a class whose frame brought no datagram is given up."""
        if self._waiting is None:
            return
        (number, sighting), self._waiting = self._waiting, None
        if self._state.counts[number * p.N_FIELDS + p.N_DATAGRAMS]:
            self._surveyor.name(sighting)
            self._name_fragments()
        else:
            self._state.classes[number * p.C_FIELDS + p.C_HASH] = -1

    def _name_fragments(self) -> None:
        for number, (flow, whole) in list(self._unnamed.items()):
            if flow in self._surveyor.names:
                self._state.classes[number * p.C_FIELDS + p.C_WHOLE] = whole
                del self._unnamed[number]

    def followed(self, sighting: Sighting, wanted: tuple[int, int, int] | None) -> None:
        """Take up what a frame tells that was followed on its own; ``wanted`` is what was asked."""
        template = sighting.template
        if template is None:
            return
        if template.lesson is not None:
            self._note(template.lesson)
        if self._unnamed:
            self._name_fragments()
        number = self._numbers.get(id(template))
        if number is not None and self.tallies[number] is None and sighting.flow is template.flow:
            self.tallies[number] = self._surveyor.place(sighting).tally
            self._state.classes[number * p.C_FIELDS + p.C_COUNTED] = 1
        headers, datagram = sighting.headers_template, sighting.datagram
        if wanted is not None and headers is not None and datagram is not None:
            known = headers.facts.get(self._surveyor.savings)
            first, around, actual = wanted
            value = known.get((len(datagram), around, actual)) if isinstance(known, dict) else None
            if value is not None and self._savings < p.SAVINGS // 2:
                self._savings += 1
                self._state.set_saving(first, around, actual, value)

    def _offer(self, mask: int, mode: int, body: bytes) -> bool:
        """Let a mask be tried for payloads that begin like this one; return whether it is, or can be."""
        state, at = self._state, front_octets(mode, body)
        masks = self._lists.setdefault(at, [])
        if mask in masks:
            return True
        if len(masks) >= p.MASKS_EACH:
            return False
        number = list(self._lists).index(at) + 1 if not masks else int(state.candidates[at])
        state.candidates[at] = number
        state.lists[number * p.MASKS_EACH + len(masks)] = mask // p.MASK_WIDTH
        masks.append(mask)
        return True

    def _weigh(self, fields: list[int], sighting: Sighting, place: Any) -> None:
        """Fill in what the datagram in such a frame counts."""
        template, datagram = sighting.template, sighting.datagram
        assert template is not None
        assert datagram is not None
        sighting.parts = (part_of(sighting.number, sighting.payload, template, sighting.octets),)
        fields[p.C_OCTETS] = len(datagram)
        fields[p.C_APPLICATION] = counted_application(sighting, datagram, place) or NO_APPLICATION
        if fields[p.C_DATA]:
            octets = len(sighting.octets) + (0 if sighting.fcs_octets else 2)
            fields[p.C_AVOIDABLE] = self._surveyor.savings.of(sighting, octets)
