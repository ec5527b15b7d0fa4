"""How much of what nodes send a capture misses, by the numbers of their frames; whether a silence may be no more."""

from lowpanbudget.deployment.confidence import CONFIDENCE, upper
from lowpanbudget.findings.senders import HeardSender, Senders

_SELDOM = 1e-4  # the chance from which nobody is told to be silent; our choice


def may_be_unheard(
    senders: Senders, pan: int | None, by: HeardSender, since: int, seconds: float
) -> bool:
    """Return whether a capture may have missed all that a node sent in so many seconds, from frame ``since`` on.

    It misses of one as much as of others of the PAN meanwhile. What these sent behind their last frame has no number
    yet, so that the share is told as high as it may be (95 %).
    """
    if by.gaps_s <= 0:
        return True  # times went back further than they went on: that is no rhythm to be broken
    sent = seconds * by.gaps / by.gaps_s
    others = [one for (of, _), one in senders.items() if of == pan and one is not by]
    share = _missed(others, since, max(one.shown for one in senders.values()))
    chance: float = share**sent
    return chance > _SELDOM


def _missed(others: list[HeardSender], since: int, last: int) -> float:
    """Return which share of the frames of nodes is missed between two frames; where holes are forgotten, behind those.

    A capture has other records as well: as many between these two as before.
    """
    for one in others:
        if one.holes is not None and len(one.holes) == one.holes.maxlen:
            since = max(since, one.holes[0].before)
    missing = sum(hole.missing for one in others for hole in one.holes or () if hole.after > since)
    if not missing:
        return 0.0
    heard = sum(one.frames for one in others) * (last - since) // last
    return upper(missing, missing + heard, 1 - CONFIDENCE)
