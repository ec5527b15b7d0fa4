"""Knobs of the link: every key of it that may be turned, and every position that a key has.

``link_knobs`` are the changes that may free octets, or protect more; ``link_positions`` are all others.
"""

from collections.abc import Callable, Iterator

from lowpanbudget.bits import StandIn
from lowpanbudget.cites import Cite, ieee
from lowpanbudget.design.knob import Knob, Share, Stage, replacing
from lowpanbudget.design.link import PAN_IDS_CARRIED, AddressForm, Link, PanIds
from lowpanbudget.layers.link.addressing import addressing
from lowpanbudget.layers.link.auxiliary import KEY_ID, KEY_IDS_CITE, LEVELS, LEVELS_CITE, Security
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.values import replace


def link_knobs(link: Link) -> Iterator[Knob[Link]]:
    """Yield every change of a link key that may free octets, or protect more."""
    if link.addresses == "extended":
        yield _addresses(link, "short")
    same = link.pan_id == link.destination_pan_id
    if link.pan_ids == "both" and same:
        yield _pan_ids(link, "one")
    if link.pan_ids != "none" and link.version == 2 and link.addresses == "extended" and same:
        yield _pan_ids(link, "none")
    if link.sequence_number and link.version == 2:
        yield _knob(
            "link.sequence_number", "suppressed", "no sequence number", ieee(2015, "7.2.2.8"),
            replacing(sequence_number=False),
            "acknowledgements must match by other means (enhanced acknowledgements, slots), and a "
            "receiver can no longer tell a retransmission by its number",
            now="carried",
        )  # fmt: skip
    for key, kind in (("header_ies", "header_ie"), ("payload_ies", "payload_ie")):
        if getattr(link, key):
            yield _knob(
                f"link.{kind}", "none", f"no {kind.removesuffix('_ie')} information elements in data frames",
                ieee(2015, "7.4"), replacing(**{key: ()}),
                "what they say can go in beacons or acknowledgements", shares=(Share.ELEMENTS,),
            )  # fmt: skip
    if link.security is not None and link.security.level:
        yield from _security_knobs(link, link.security)
    elif link.version:
        yield from _level_knobs(Security(0, 1, key_index=1))


def link_positions(link: Link) -> Iterator[Knob[Link]]:
    """Yield the other positions that the link's dimensions have: costlier ones, another PHY, less protection."""
    for phy in PHYS.values():
        if phy.name != link.phy:
            yield _knob(
                "link.phy", phy.name, f"the PHY {phy.name}: frames of {phy.largest} octets, an FCS of {phy.fcs}",
                phy.cite, replacing(phy=phy.name, largest=phy.largest, fcs=phy.fcs, data_rate=None, preamble=None),
                "it is another radio: range, data rate, time on air and local rules differ",
                now=link.phy, shares=(Share.LARGEST,),
            )  # fmt: skip
    if link.addresses == "short":
        yield _addresses(link, "extended")
    if link.pan_id == link.destination_pan_id:
        known = {knob.value for knob in link_knobs(link) if knob.dimension == "link.pan_ids"}
        for pan_ids in PAN_IDS_CARRIED:
            if pan_ids not in {link.pan_ids, *known}:
                yield _pan_ids(link, pan_ids)
    if not link.sequence_number:
        yield _knob(
            "link.sequence_number", "carried", "a sequence number", ieee(2015, "7.2.2.8"),
            replacing(sequence_number=True), now="suppressed",
        )  # fmt: skip
    if link.security is not None and link.security.level:
        yield from _security_positions(link.security)


def _addresses(link: Link, form: AddressForm) -> Knob[Link]:
    """Return the change to link addresses of this form."""
    other = "extended" if form == "short" else "short"
    return _knob(
        "link.addresses", form, f"{form} link addresses instead of {other} ones",
        ieee(2015, "7.2.2.9"), replacing(addresses=form),
        "each node needs a short address, given when it joins" if form == "short" else "",
        now=link.addresses, shares=(Share.LINK, Share.NETWORK),
    )  # fmt: skip


def _pan_ids(link: Link, pan_ids: PanIds) -> Knob[Link]:
    """Return the change to so many PAN IDs."""
    text = {
        "both": "two PAN IDs",
        "one": "one PAN ID instead of two",
        "none": "no PAN ID between extended addresses",
    }[pan_ids]
    form = addressing(2, 3, 3, 1) if pan_ids == "none" else addressing(link.version, 2, 2, 1)
    return _knob(
        "link.pan_ids", pan_ids, text, form.layout.cite, replacing(pan_ids=pan_ids),
        now=link.pan_ids,
    )  # fmt: skip


def _knob(
    key: str,
    value: str,
    text: str,
    cite: Cite,
    turn: Callable[[Link], Link],
    condition: str = "",
    caution: str = "",
    *,
    stronger: bool = False,
    now: str = "as designed",
    shares: tuple[Share, ...] = (Share.LINK,),
    protects: tuple[int, ...] = (),
) -> Knob[Link]:
    return Knob(
        key, value, key, text, cite, turn, condition, caution, stronger, Stage.LINK, now, shares,
        protects,
    )  # fmt: skip


def _securing(change: Callable[[Security], Security], start: Security) -> Callable[[Link], Link]:
    return lambda link: replace(link, security=change(link.security or start))


def _security_knobs(link: Link, security: Security) -> Iterator[Knob[Link]]:
    if security.frame_counter is not None and link.version == 2 and link.slotted:
        yield _knob(
            "link.security.frame_counter",
            "suppressed",
            "no frame counter: the nonce comes from the absolute slot number",
            ieee(2015, "9.3.2"),
            _securing(replacing(frame_counter=None, asn_in_nonce=True), security),
            "all nodes share the slot number, and none sends twice in one slot under one key",
            now="carried",
            shares=(Share.PROTECTION,),
        )
    for mode in range(security.key_id_mode):
        yield _key_id_mode(security, mode)
    yield from _level_knobs(security)


def _security_positions(security: Security) -> Iterator[Knob[Link]]:
    """Yield the other positions: a frame counter, longer key identifiers, levels that protect less in some respect."""
    if security.frame_counter is None:
        yield _knob(
            "link.security.frame_counter",
            "carried",
            "a frame counter: the nonce comes from it",
            ieee(2015, "9.3.2"),
            _securing(replacing(frame_counter=StandIn(0), asn_in_nonce=False), security),
            now="suppressed",
            shares=(Share.PROTECTION,),
        )
    for mode in range(security.key_id_mode + 1, len(_KEY_ID_MODES)):
        yield _key_id_mode(security, mode)
    offered = {knob.value for knob in _level_knobs(security)}
    for level in range(len(LEVELS)):
        if level != security.level and str(level) not in offered:
            yield _level(security, level, _UNPROTECTED)


# what each names and what must hold for it
_KEY_ID_MODES = (
    (
        "no key identifier",
        "both sides know the key from the addresses alone, also while an old key gives way to a new one",
    ),
    ("a key index without key source", "one default key source serves all nodes"),
    ("a 4-octet key source", "key sources are PAN ID and short address"),
    ("an 8-octet key source", "key sources are extended addresses"),
)


def _key_id_mode(security: Security, mode: int) -> Knob[Link]:
    """Return the change to this key identifier mode."""
    text, condition = _KEY_ID_MODES[mode]
    source = bytes(KEY_ID.rows[mode].inline - 1) if mode > 1 else None
    return _knob(
        "link.security.key_id_mode",
        str(mode),
        f"key id mode {mode}: {text}",
        KEY_IDS_CITE,
        _securing(
            replacing(key_id_mode=mode, key_source=source, key_index=1 if mode else None),
            security,
        ),
        condition,
        now=str(security.key_id_mode),
        shares=(Share.PROTECTION,),
    )


_SHORTER = "a shorter integrity code is easier to forge; this weakens protection and is no advice"
_UNPROTECTED = "without encryption anyone near can read, without integrity code anyone can forge; this is no advice"


def _level_knobs(security: Security) -> Iterator[Knob[Link]]:
    """Yield other security levels: stronger ones, also from none at all, and shorter codes with their caution."""
    now = security.protection
    for level, other in enumerate(LEVELS):
        if not other.mic or level == security.level or other.encrypted < now.encrypted:
            continue
        if other.encrypted > now.encrypted and other.mic < now.mic:
            continue  # stronger in one thing, weaker in the other
        yield _level(security, level, _SHORTER if other.mic < now.mic else "")


def _level(security: Security, level: int, caution: str) -> Knob[Link]:
    """Return the change to this security level; ``caution`` where it is weaker in some respect."""
    now, other = security.protection, LEVELS[level]
    return _knob(
        "link.security.level",
        str(level),
        f"level {level}: {other.name} instead of {now.name}",
        LEVELS_CITE,
        _securing(replacing(level=level), security) if level else replacing(security=None),
        caution=caution,
        stronger=not caution,
        now=str(security.level),
        shares=(Share.PROTECTION,),
        protects=(other.encrypted - now.encrypted, other.mic - now.mic),
    )
