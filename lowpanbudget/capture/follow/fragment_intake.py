"""The reassembler of a trace, which takes fragments without a frame made of each."""

from lowpanbudget.stack.reassembly import Reassembler


class FragmentIntake(Reassembler):
    """A reassembler for those who know of a fragment all that its frame would say, from another that is alike."""

    __slots__ = ()

    take = Reassembler._put_in  # noqa: SLF001  # without a call between
    marks_of = Reassembler._marks_of  # noqa: SLF001
