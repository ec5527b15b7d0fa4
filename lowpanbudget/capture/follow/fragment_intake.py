"""The reassembler of a trace, which takes fragments without a frame made of each."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.events import Event
from lowpanbudget.stack.fragment_key import KeyFields, fields_of
from lowpanbudget.stack.pieces import sent_fragment
from lowpanbudget.stack.reassembly import Reassembler


class FragmentIntake(Reassembler):
    """A reassembler for those who know of a fragment all that its frame would say, from another that is alike."""

    __slots__ = ()

    take = Reassembler._put_in  # noqa: SLF001  # without a call between
    marks_of = Reassembler._marks_of  # noqa: SLF001

    def bring(
        self, sighting: Sighting, octets: bytes, time_s: float, mark: object
    ) -> tuple[list[Event], KeyFields]:
        """Return what a fragment of these octets causes, in a frame read after a template, and its key's fields."""
        template, payload = sighting.template, sighting.payload
        assert template is not None
        assert template.tag is not None
        assert payload is not None
        like, part = template.example, template.example.fragment
        assert isinstance(part, Fragment)
        key = fields_of(like, part, template.tag.number(payload))
        sent = sent_fragment(part.offset, octets, time_s, mark, first=part.first)
        return self.take(key, sent, octets, like), key
