"""A decoder with all that is known at one moment, made once and used for many frames."""

from dataclasses import dataclass
from ipaddress import IPv6Address

from lowpanbudget.env import Contexts, Env
from lowpanbudget.layers.internet import rpi
from lowpanbudget.layers.link.security import Devices, Key
from lowpanbudget.stack.frame import Frame, decode_lowpan, decode_prepared


@dataclass(frozen=True, slots=True)
class Decoder:
    """Contexts, keys, devices and root that hold at one moment of a capture."""

    contexts: Contexts
    keys: tuple[Key, ...]
    devices: Devices
    root: IPv6Address | None
    rpi_type: int = rpi.OLD

    def frame(self, octets: bytes, fcs: int, asn: int | None) -> Frame:
        """Return a frame decoded; ``fcs`` octets of it are its FCS."""
        return decode_prepared(
            octets, fcs, self.contexts, self.keys, self.devices, asn, self.root, self.rpi_type
        )

    def lowpan(self, octets: bytes, source: bytes | None, destination: bytes | None) -> Frame:
        """Return a 6LoWPAN payload decoded that came between two addresses of another link."""
        return decode_lowpan(octets, self.env(source, destination))

    def env(self, source: bytes | None = None, destination: bytes | None = None) -> Env:
        """Return what is known beside two link addresses."""
        return Env(source, destination, None, self.contexts, self.root, self.rpi_type)
