"""Why datagrams in fragments end early: what their sender gave up, or did not send."""

from lowpanbudget.findings.losses import HopLosses


def why_alone(ends: HopLosses) -> tuple[str, str]:
    """Return in words what became of fragments with nothing behind them, and what to do; nothing where nobody knows.

    Acknowledgements tell of the first of them, where they are heard here.
    """
    if not ends.numbers or ends.in_vain is None:
        return "", ""
    given_up = sum(number in ends.in_vain for number in ends.numbers)
    if given_up:
        return f", {given_up} of them given up by its sender", _LINK if 2 * given_up > len(
            ends.numbers
        ) else ""
    if ends.unanswered is None or not ends.unanswered.isdisjoint(ends.numbers):
        return "", ""
    return ", which was acknowledged: its sender sent no more", _SENDER


_LINK = (
    "Look at the link: the sender used up its tries of one fragment, and leaves the others out then. Compare links "
    "with lowpanbudget measure; make the datagram smaller."
)
_SENDER = (
    "Look at the sender: the link took what it sent, and by its numbers it sent no more. Its queue may be too short "
    "for all fragments, or it gives a datagram up for another; make the datagram smaller."
)
