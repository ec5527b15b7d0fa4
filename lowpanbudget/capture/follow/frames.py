"""One frame read: after the template of one that was alike, or decoded in full with all that is known."""

from collections import deque
from collections.abc import Callable

from lowpanbudget.bits import Place
from lowpanbudget.capture.follow.acknowledgers import FRAMES, alone, asked
from lowpanbudget.capture.follow.devices import LearnedDevices
from lowpanbudget.capture.follow.flows import flow_of
from lowpanbudget.capture.follow.learning import lesson_of
from lowpanbudget.capture.follow.memo import Memo, Regulars
from lowpanbudget.capture.follow.reckoned_slots import ReckonedSlots, told_slot
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import (
    HeaderTemplate,
    Template,
    header_template,
    share,
    shifted,
    template_of,
)
from lowpanbudget.capture.follow.wrong_sums import is_as_right, wrong_sum_of
from lowpanbudget.errors import WireError
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.security import unseal
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.frame import Frame, decode_prepared
from lowpanbudget.values import replace


class FrameReader:
    """Reads frames with a decoder, and remembers the kinds of frames that it decoded under it.

    Acknowledgements that name no sender are opened as those of whoever a frame that was just read went to, and frames
    whose nonce is a slot number that the capture does not tell with what beacons before tell. Who looks at some frames
    alone sets ``acknowledgers`` to False: they stay sealed then, and the former say so.

    Who does not want to know whether checksums are right sets ``checksums`` to False: no notice tells it then, and
    frames that differ in that are alike. Who does not want to know what else is odd in a damaged frame sets ``damage``
    to False: one that is like a frame before in the clear brings the same headers, in a template of its own.
    """

    def __init__(self, decoder: Decoder, learned: LearnedDevices) -> None:
        self.decoder, self.checksums, self.damage, self.acknowledgers = decoder, True, True, True
        self._learned = learned
        self.regulars = Regulars()
        self._headers: Memo[HeaderTemplate] = Memo()
        self._templates: Memo[Template] = Memo()
        # both at once, of frames in the clear that came again
        self._frames: Memo[tuple[HeaderTemplate, Template]] = Memo()
        self._last: deque[Sighting] = deque(maxlen=FRAMES)
        self._slots = ReckonedSlots()

    def renew(self, decoder: Decoder) -> None:
        """Decode with this from now on: what was learned of frames under another one is void."""
        self.decoder = decoder
        self._templates.clear()
        self._frames.clear()

    def read(self, sighting: Sighting) -> Frame | bytes | None:
        """Read a frame; return it where it may bring or end a datagram, or what a fragment after a template brings."""
        self._last.append(sighting)
        alike = None
        if sighting.fcs_ok is False:
            if not self.checksums or (sighting.damaged and not self.damage):
                alike = self._alike_in_all(sighting)
            if alike is not None and alike.is_wrong:
                alike = alike.beside
            if alike is not None and self.checksums:
                sighting.template = replace(alike, facts={})  # what others prove is not its own
                return None
        elif not sighting.left_out:
            alike = self._alike_in_all(sighting) or self._alike(sighting)
        return self._in_full(sighting) if alike is None else self._after(sighting, alike)

    @property
    def known(self) -> Callable[[bytes, int], tuple[HeaderTemplate, Template] | None]:
        """Return what gives the templates of octets with so much FCS that are like a frame before in the clear."""
        return self._frames.get

    def read_lowpan(self, sighting: Sighting) -> Frame | None:
        """Read a 6LoWPAN payload that came without a MAC header, as ``read`` does."""
        body = sighting.body
        frame = self.decoder.lowpan(body.octets, body.source, body.destination)
        sighting.template = template_of(frame, len(body.octets))
        sighting.payload = body.octets
        self._keep(sighting, frame, sighting.template)
        return None if frame.fragment is None else frame

    def _alike(self, sighting: Sighting) -> Template | None:
        """Return the template of the payload of a frame like one before, opened; None of another."""
        header = self._headers.get(sighting.octets)
        template = None if header is None else self._alike_inside(sighting, header)
        if header is not None and template is not None and header.mac.security is None:
            self._keep_frame(sighting, header, template)
        return template

    def _alike_in_all(self, sighting: Sighting) -> Template | None:
        """Return the template of a frame in the clear that agrees with one before in all octets that count."""
        octets, fcs = sighting.octets, sighting.fcs_octets
        alike = self._frames.get(octets, fcs)
        if alike is None:
            return None
        header, template = alike
        sighting.payload = octets[header.mac.header_length : len(octets) - fcs]
        if header.sequence is not None:
            sighting.sequence = octets[header.sequence.start]  # its one octet
        return template

    def _alike_inside(self, sighting: Sighting, header: HeaderTemplate) -> Template | None:
        """Open a frame with this header; return the template of one with such a payload, or None."""
        octets, mac = sighting.octets, header.mac
        start, end = mac.header_length, sighting.end
        security = mac.security
        if start > end:
            return None
        counter = None if header.counter is None else header.counter.number(octets)
        if security is None or not security.level:
            payload = octets[start:end]
        else:
            mic = security.protection.mic
            opened = None
            if end - start >= mic:
                opened = self._opened(sighting, header, counter, octets[start:end])
            if opened is None:
                return None
            payload = opened[: end - start - mic]
            sighting.verified, sighting.mic = bool(mic), mic
        sighting.payload, sighting.frame_counter = payload, counter
        if header.sequence is not None:
            sighting.sequence = header.sequence.number(octets)
        return self._templates.get(payload, header)

    def _keep_frame(self, sighting: Sighting, header: HeaderTemplate, template: Template) -> None:
        """Remember the templates of a frame in the clear by all its octets that count."""
        start, octets = header.mac.header_length, len(sighting.octets)
        free = [] if header.sequence is None else [header.sequence]
        free += [shifted(place, start) for place in template.free or ()]
        tail = None if template.tail is None else start + template.tail + sighting.fcs_octets
        if tail is not None:
            free[-1] = free[-1]._replace(end=octets)
        elif sighting.fcs_octets:
            free.append(Place(sighting.end, octets))
        known = header, template
        self._frames.put(sighting.octets, free, known, sighting.fcs_octets, tail)

    def _opened(
        self, sighting: Sighting, header: HeaderTemplate, counter: int | None, sealed: bytes
    ) -> bytes | None:
        mac = header.mac
        slots = self._slots.of(sighting, mac) if self.acknowledgers else (sighting.body.asn,)
        for slot in slots:
            for key in header.keys:
                try:
                    octets = unseal(
                        mac, sighting.octets[: mac.header_length], sealed, key,
                        asn=slot, devices=self.decoder.devices, counter=counter,
                    )  # fmt: skip
                except WireError:
                    continue
                sighting.reckoned = slot
                self._slots.tried(opened=True)
                return octets
        return None

    def _after(self, sighting: Sighting, template: Template) -> Frame | bytes | None:
        """Read a frame after its template; in full one whose checksum is not as right or wrong as in any before."""
        payload, example = sighting.payload, template.example
        assert payload is not None
        built = template.build(payload)
        if built is None:
            return self._in_full(sighting)
        if not is_as_right(template, built):
            if template.beside is None:
                return self._in_full(sighting, template)
            template = template.beside
        if template.is_wrong:
            notices = wrong_sum_of(template, built)
            if len(notices) > 1:
                return self._in_full(sighting)
            sighting.notices = notices
        self.regulars.again += 1
        sighting.template = template
        if example.fragment is not None:
            return built
        sighting.datagram = None if example.datagram is None else built
        return None

    def _in_full(self, sighting: Sighting, beside: Template | None = None) -> Frame | None:
        """Decode a frame in full, and remember its kind, or that it is alike but for its checksum."""
        frame = self._decoded(sighting)
        mac = frame.mac
        start = end = sighting.end
        if mac is not None:
            start = mac.header_length
            security = mac.security
            sighting.sequence = mac.sequence
            sighting.frame_counter = None if security is None else security.frame_counter
            # behind information elements that could not be read to their end nobody looks for an integrity code
            if security is not None and security.level and mac.fault is None:
                sighting.mic = len(security.mic)
                end -= sighting.mic
        sighting.verified = frame.verified
        sighting.payload = frame.payload
        sighting.template = template = template_of(frame, end)
        if sighting.left_out and frame.values:
            # the headers that are there tell the flow, as those of a first fragment do
            template.flow = flow_of(b"".join([bytes(value) for value in frame.values]))
        alike = frame.link_source, frame.link_destination, template.flow
        if mac is not None and not sighting.left_out and self.regulars.is_worth(alike):
            self._remember(sighting, template, start, end, beside)
        self._keep(sighting, frame, template)
        return frame if frame.fragment is not None or frame.datagram is None else None

    def _remember(
        self, sighting: Sighting, template: Template, start: int, end: int, beside: Template | None
    ) -> None:
        """Remember a frame, for others that are alike; none is like a damaged one."""
        if sighting.fcs_ok is False:
            return
        frame = template.example
        share(template, start, end, checksums=self.checksums)
        header = self._header(sighting.octets, frame)
        if beside is not None and template.free is not None:
            template.beside, beside.beside = beside, template
        elif template.free is not None and header is not None and frame.payload is not None:
            self._templates.put(frame.payload, template.free, template, header, template.tail)

    def _decoded(self, sighting: Sighting) -> Frame:
        """Decode a frame; where its integrity code is wrong, with others that were said to have its short address."""
        octets, ending, asn = sighting.octets, sighting.fcs_octets, sighting.body.asn
        frame = self.decoder.frame(octets, ending, asn, left_out=sighting.left_out)
        mac = frame.mac
        if asn is None and mac is not None and self.acknowledgers:
            frame = self._reckoned(sighting, frame, mac)
            asn = sighting.slot
        if mac is None or mac.security is None or sighting.fcs_ok is False or sighting.left_out:
            return frame
        is_acknowledgement = mac.frame_type == FrameType.ACKNOWLEDGEMENT
        if mac.source is None and is_acknowledgement:
            if self.acknowledgers:
                return self._acknowledgement(sighting, mac) or frame
            return alone(frame, asn)
        if mac.source is None or len(mac.source) != 2 or not mac.security.protection.mic:
            return frame
        if frame.verified:
            self._learned.opens(mac.pan_id, mac.source)
            return frame
        for device in self._learned.claims(mac.pan_id, mac.source):
            before = self._learned.try_claim(device)
            opened = self.decoder.frame(octets, ending, asn)
            if opened.verified:
                self._learned.prove(device, before)
                self._learned.opens(mac.pan_id, mac.source)
                return opened
            self._learned.take_back(before)
        sighting.device = self._learned.learned(mac.pan_id, mac.source)
        return frame

    def _reckoned(self, sighting: Sighting, frame: Frame, mac: Mac) -> Frame:
        """Return a frame whose slot the capture does not tell, opened where beacons do; note what a beacon tells."""
        if sighting.fcs_ok is False or sighting.left_out:
            return frame
        told, security = told_slot(mac), mac.security
        by_slot = security is not None and security.is_by_slot and bool(security.protection.mic)
        wanted = by_slot and any(one.name == "nonce-unknown" for one in frame.notices)
        for slot in self._slots.of(sighting, mac, told) if wanted else ():
            opened = self.decoder.frame(sighting.octets, sighting.fcs_octets, slot)
            if opened.verified or mac.source is None:  # without a sender no slot opens it
                sighting.reckoned = slot
                frame = sighting.told_slot(opened) if opened.verified else opened
                break
        if wanted and told is None and mac.source is not None:
            self._slots.tried(opened=frame.verified)
        if told is not None:
            self._slots.take(sighting, mac, sighting.reckoned or told, is_sure=frame.verified)
        return frame

    def _acknowledgement(self, sighting: Sighting, mac: Mac) -> Frame | None:
        """Return an acknowledgement that names no sender as one of the destination of the frame with its number.

        The integrity code proves who sent it. None where no such frame was heard, or its destination did not seal it.
        """
        known = self.decoder
        slots = self._slots.of(sighting, mac)
        for receiver in asked(self._last, sighting, mac):
            for slot in slots:
                opened = decode_prepared(
                    sighting.octets, sighting.fcs_octets, known.contexts, known.keys, known.devices,
                    slot, known.root, known.rpi_type, sender=receiver,
                )  # fmt: skip
                if opened.verified:
                    sighting.reckoned = slot
                    return sighting.told_slot(opened)
        return None

    def _header(self, octets: bytes, frame: Frame) -> HeaderTemplate | None:
        made = header_template(frame, self.decoder.keys)
        if made is None:
            return None
        known = self._headers.get(octets)
        if known is not None:
            return known
        free = [place for place in (made.sequence, made.counter) if place is not None]
        length = made.mac.header_length
        self._headers.put(octets[:length], free, made, tail=length - 1)
        return made

    @staticmethod
    def _keep(sighting: Sighting, frame: Frame, template: Template) -> None:
        template.lesson = lesson_of(frame)
        sighting.decoded(frame)
        if frame.datagram is not None:
            sighting.datagram = frame.datagram.octets
