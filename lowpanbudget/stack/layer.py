"""What the headers of a frame on the air may be, outermost first: of the link, 6LoWPAN, IPv6, and what it carries."""

from lowpanbudget.layers.internet.chain import FragmentHeader
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.extension import OptionsHeader, OtherHeader, RoutingHeader
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.beacon import Beacon
from lowpanbudget.layers.link.contents import Command
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.lowpan.escape import Escape
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.ghc_headers import Icmpv6Nhc
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp, Rpi, Skipped, SrhLorh
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck

Layer = (
    Mac | Beacon | Command
    | Mesh | Broadcast | Fragment | Rfrag | RfragAck | Escape | SrhLorh | Rpi | IpInIp | Skipped
    | Iphc | UdpNhc | ExtensionNhc | Icmpv6Nhc | Legacy
    | Ipv6 | OptionsHeader | SourceRoute | RoutingHeader | FragmentHeader | OtherHeader | Udp | Icmpv6
    | CoapMessage | DtlsRecord | Unified
)  # fmt: skip
