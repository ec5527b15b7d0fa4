"""What the headers of a flow take on a hop: numbers that encoding them has given."""

from typing import NamedTuple


class HeaderSizes(NamedTuple):
    """Octets of all headers behind the link's own: on the air, and in the datagram, the payload of UDP left out.

    ``whole``: every one of them is compressed, so that what each takes does not depend on the others. ``same``: they
    come back octet for octet, so that fragments carry them so.
    """

    on_air: int
    of_datagram: int
    whole: bool
    same: bool
