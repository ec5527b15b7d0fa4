"""lowpanbudget: how many application octets fit in an IEEE 802.15.4 frame, and why.

    capture --> stack --> layers <-- fields          findings --> report --> cli
     (octets     (frames    (octets    (one table       (what is     (terminal,
      in files)   to and     to and     a header)        wrong)       JSON)
                  datagram)  fields)
                    ^
    design ---------+---> room
     (link, flows,        (ledger, knobs)
      messages)

Imports go to the left alone: shown < values < cites < errors < declared < arguments < bits < env < fields < layers <
stack < payload < design < capture < room < deployment < findings < report < cli. Names are loaded when first used.
"""

from typing import TYPE_CHECKING, Any

from lowpanbudget.public_names import NAMES

if TYPE_CHECKING:
    # fmt: off
    from lowpanbudget.bits import (
        Nature as Nature, Place as Place, Reader as Reader, Span as Span, StandIn as StandIn,
        StandInOctets as StandInOctets, Writer as Writer,
    )
    from lowpanbudget.capture.annotation import shortest_form as shortest_form
    from lowpanbudget.capture.captured import (
        CaptureFrames as CaptureFrames, CapturedFrame as CapturedFrame, annotate as annotate, follow as follow,
    )
    from lowpanbudget.capture.columns.choice import CountedFrames as CountedFrames
    from lowpanbudget.capture.expand import LeftOut as LeftOut, decrypt as decrypt, expand as expand
    from lowpanbudget.capture.files.continued import (
        ContinuedCapture as ContinuedCapture, read_continued as read_continued,
    )
    from lowpanbudget.capture.files.key_file import KeyRing as KeyRing, read_keys as read_keys
    from lowpanbudget.capture.files.reading import CaptureFile as CaptureFile, read_capture as read_capture
    from lowpanbudget.capture.files.record import ReadingNotice as ReadingNotice, Record as Record
    from lowpanbudget.capture.files.together import read_together as read_together
    from lowpanbudget.capture.files.writing import write_pcap as write_pcap
    from lowpanbudget.capture.follow.clock import ClockLeap as ClockLeap, ClockPutBack as ClockPutBack
    from lowpanbudget.capture.follow.devices import Device as Device
    from lowpanbudget.capture.follow.fcs_check import FcsVerdict as FcsVerdict
    from lowpanbudget.capture.follow.flows import FlowKey as FlowKey
    from lowpanbudget.capture.follow.learning import LearnedContext as LearnedContext
    from lowpanbudget.capture.follow.matching import Matched as Matched, MessageValue as MessageValue
    from lowpanbudget.capture.follow.receivers import Reception as Reception
    from lowpanbudget.capture.follow.trace_options import TraceOptions as TraceOptions
    from lowpanbudget.capture.rows import FrameRow as FrameRow, frame_rows as frame_rows
    from lowpanbudget.capture.series import Activity as Activity, TimeSeries as TimeSeries
    from lowpanbudget.capture.several import survey_files as survey_files
    from lowpanbudget.capture.shrink import Counters as Counters, Shrinker as Shrinker, shrink as shrink
    from lowpanbudget.capture.survey import Cell as Cell, Survey as Survey
    from lowpanbudget.capture.surveyed_file import SurveyedFile as SurveyedFile
    from lowpanbudget.capture.surveyor import survey as survey
    from lowpanbudget.capture.tally import Tally as Tally
    from lowpanbudget.cites import Cite as Cite
    from lowpanbudget.deployment.airtime import (
        BrokenLimit as BrokenLimit, FrameTimes as FrameTimes, MessageAirtime as MessageAirtime, airtime as airtime,
    )
    from lowpanbudget.deployment.burst import carry_burst as carry_burst
    from lowpanbudget.deployment.burst_plan import (
        BurstPlan as BurstPlan, PacketPlan as PacketPlan, QueueCurve as QueueCurve,
    )
    from lowpanbudget.deployment.carried import (
        CarriedNetwork as CarriedNetwork, CarriedNode as CarriedNode, LimitCheck as LimitCheck, Rhythm as Rhythm,
        SleepWait as SleepWait,
    )
    from lowpanbudget.deployment.carry import carry as carry
    from lowpanbudget.deployment.confidence import (
        MeasuredShare as MeasuredShare, Quantile as Quantile, Spread as Spread,
    )
    from lowpanbudget.deployment.contention import Arrived as Arrived, ContentionResult as ContentionResult
    from lowpanbudget.deployment.delays import Delays as Delays
    from lowpanbudget.deployment.measured import (
        MeasuredBurst as MeasuredBurst, MeasuredFlow as MeasuredFlow, MeasuredLink as MeasuredLink,
        MeasuredNode as MeasuredNode, MeasuredRecovery as MeasuredRecovery, Measurement as Measurement,
        PlanCheck as PlanCheck, PlanNumber as PlanNumber, PlanVerdict as PlanVerdict,
        ReportsTogether as ReportsTogether,
    )
    from lowpanbudget.deployment.measurement import measure as measure
    from lowpanbudget.deployment.numbering import NumberedAnew as NumberedAnew, OldMessage as OldMessage
    from lowpanbudget.deployment.on_the_way import LostOnLink as LostOnLink, RelayWait as RelayWait
    from lowpanbudget.deployment.played_load import HopLoad as HopLoad
    from lowpanbudget.deployment.rhythm import RhythmPart as RhythmPart
    from lowpanbudget.deployment.service import (
        HopService as HopService, QuantileRange as QuantileRange, Quantiles as Quantiles,
    )
    from lowpanbudget.deployment.timeline import (
        FrameAirtime as FrameAirtime, Phase as Phase, RadioState as RadioState, TimedPart as TimedPart,
    )
    from lowpanbudget.design.access import Access as Access, Slots as Slots
    from lowpanbudget.design.application import Application as Application, Coap as Coap, Dtls as Dtls, Oscore as Oscore
    from lowpanbudget.design.cut import CutFrame as CutFrame
    from lowpanbudget.design.estimate import Estimate as Estimate
    from lowpanbudget.design.flow import Flow as Flow, Hop as Hop, Station as Station
    from lowpanbudget.design.goals import Burst as Burst, Limits as Limits
    from lowpanbudget.design.header_sizes import HeaderSizes as HeaderSizes
    from lowpanbudget.design.link import Link as Link
    from lowpanbudget.design.load import (
        design_schema as design_schema, load_design as load_design, parse_design as parse_design,
    )
    from lowpanbudget.design.loss import FrameLoss as FrameLoss, LossRuns as LossRuns
    from lowpanbudget.design.meaning import Design as Design
    from lowpanbudget.design.path import FlowPath as FlowPath
    from lowpanbudget.design.radio import Battery as Battery, Radio as Radio
    from lowpanbudget.design.routing import Routing as Routing
    from lowpanbudget.design.tree import Tree as Tree
    from lowpanbudget.design.upkeep_shape import Upkeep as Upkeep
    from lowpanbudget.design.waiting import SendQueue as SendQueue, Sleep as Sleep
    from lowpanbudget.env import Context as Context, Contexts as Contexts, Env as Env, GoneContext as GoneContext
    from lowpanbudget.errors import (
        BadMic as BadMic, DesignError as DesignError, DoesNotFit as DoesNotFit, Fault as Fault,
        LowpanError as LowpanError, Malformed as Malformed, NoDatagram as NoDatagram, NotSupported as NotSupported,
        RequestError as RequestError, Reserved as Reserved, Truncated as Truncated, WireError as WireError,
    )
    from lowpanbudget.fields.packet import Head as Head, Packet as Packet, Restored as Restored
    from lowpanbudget.fields.tagged import UnknownOption as UnknownOption
    from lowpanbudget.findings.audited import CaptureFindings as CaptureFindings, audit as audit
    from lowpanbudget.findings.finding import Certainty as Certainty, Finding as Finding, Severity as Severity
    from lowpanbudget.findings.helpful import HelpfulChange as HelpfulChange
    from lowpanbudget.findings.helps import changes_that_help as changes_that_help
    from lowpanbudget.findings.listing import (
        FrameList as FrameList, ListedFrame as ListedFrame, list_frames as list_frames,
    )
    from lowpanbudget.findings.review import review as review
    from lowpanbudget.findings.together import (
        ChangesTogether as ChangesTogether, changes_that_help_together as changes_that_help_together,
    )
    from lowpanbudget.hidden import HiddenOctets as HiddenOctets
    from lowpanbudget.layers.internet.aead import Aead as Aead, Nonces as Nonces
    from lowpanbudget.layers.internet.chain import FragmentHeader as FragmentHeader
    from lowpanbudget.layers.internet.coap.block import Block as Block
    from lowpanbudget.layers.internet.coap.codes import CoapType as CoapType, coap_code as coap_code
    from lowpanbudget.layers.internet.coap.flaws import CoapFlaw as CoapFlaw, coap_flaws as coap_flaws
    from lowpanbudget.layers.internet.coap.message import (
        CoapMessage as CoapMessage, coap_path as coap_path, read_coap as read_coap, write_coap as write_coap,
    )
    from lowpanbudget.layers.internet.coap.options import CoapOption as CoapOption
    from lowpanbudget.layers.internet.coap.registry import OptionDefinition as OptionDefinition
    from lowpanbudget.layers.internet.dtls.content import (
        Alert as Alert, ContentType as ContentType, Handshake as Handshake, read_dtls_content as read_dtls_content,
    )
    from lowpanbudget.layers.internet.dtls.protect import open_dtls as open_dtls, seal_dtls as seal_dtls
    from lowpanbudget.layers.internet.dtls.record import (
        DtlsRecord as DtlsRecord, Unified as Unified, read_dtls as read_dtls, write_dtls as write_dtls,
    )
    from lowpanbudget.layers.internet.dtls.seal import OpenedRecord as OpenedRecord
    from lowpanbudget.layers.internet.dtls.sender import DtlsSender as DtlsSender
    from lowpanbudget.layers.internet.dtls.suites import (
        DtlsSuite as DtlsSuite, RecordKeys as RecordKeys, dtls_suite as dtls_suite,
    )
    from lowpanbudget.layers.internet.extension import (
        OptionsHeader as OptionsHeader, OtherHeader as OtherHeader, RoutingHeader as RoutingHeader,
    )
    from lowpanbudget.layers.internet.icmpv6 import (
        Icmpv6 as Icmpv6, write_icmpv6 as write_icmpv6,
    )
    from lowpanbudget.layers.internet.icmpv6_messages import (
        DestinationUnreachable as DestinationUnreachable, EchoReply as EchoReply, EchoRequest as EchoRequest,
        PacketTooBig as PacketTooBig, ParameterProblem as ParameterProblem, TimeExceeded as TimeExceeded,
        Unknown as Unknown,
    )
    from lowpanbudget.layers.internet.ipv6 import Ipv6 as Ipv6
    from lowpanbudget.layers.internet.nd.lowpan_options import (
        AddressRegistration as AddressRegistration, AuthoritativeBorderRouter as AuthoritativeBorderRouter,
        Capabilities as Capabilities, ContextOption as ContextOption,
    )
    from lowpanbudget.layers.internet.nd.messages import (
        DuplicateAddressConfirmation as DuplicateAddressConfirmation,
        DuplicateAddressRequest as DuplicateAddressRequest, NeighborAdvertisement as NeighborAdvertisement,
        NeighborSolicitation as NeighborSolicitation, Redirect as Redirect, RouterAdvertisement as RouterAdvertisement,
        RouterSolicitation as RouterSolicitation,
    )
    from lowpanbudget.layers.internet.nd.options import (
        Mtu as Mtu, PrefixInformation as PrefixInformation, RecursiveDnsServers as RecursiveDnsServers,
        RedirectedHeader as RedirectedHeader, SourceLinkLayerAddress as SourceLinkLayerAddress,
        TargetLinkLayerAddress as TargetLinkLayerAddress,
    )
    from lowpanbudget.layers.internet.oscore.context import SecurityContext as SecurityContext
    from lowpanbudget.layers.internet.oscore.option import (
        OscoreOption as OscoreOption, read_oscore_option as read_oscore_option,
    )
    from lowpanbudget.layers.internet.oscore.protect import (
        OscoreBinding as OscoreBinding, OscoreResult as OscoreResult, open_oscore_request as open_oscore_request,
        open_oscore_response as open_oscore_response, protect_oscore_request as protect_oscore_request,
        protect_oscore_response as protect_oscore_response,
    )
    from lowpanbudget.layers.internet.padding import Pad1 as Pad1, PadN as PadN
    from lowpanbudget.layers.internet.rpi import RplOption as RplOption
    from lowpanbudget.layers.internet.rpl.messages import (
        ConsistencyCheck as ConsistencyCheck, Dao as Dao, DaoAck as DaoAck, Dio as Dio, Dis as Dis, Secure as Secure,
    )
    from lowpanbudget.layers.internet.rpl.metrics import (
        Etx as Etx, HopCount as HopCount, Latency as Latency, LinkColor as LinkColor,
        LinkColorConstraint as LinkColorConstraint, LinkQuality as LinkQuality, Metric as Metric,
        NodeEnergy as NodeEnergy, NodeState as NodeState, Throughput as Throughput,
    )
    from lowpanbudget.layers.internet.rpl.options import (
        DodagConfiguration as DodagConfiguration, MetricContainer as MetricContainer,
        RouteInformation as RouteInformation, SolicitedInformation as SolicitedInformation, Target as Target,
        TargetDescriptor as TargetDescriptor, TransitInformation as TransitInformation,
    )
    from lowpanbudget.layers.internet.rpl.security import RplSecurity as RplSecurity
    from lowpanbudget.layers.internet.source_route import SourceRoute as SourceRoute
    from lowpanbudget.layers.internet.udp import Udp as Udp
    from lowpanbudget.layers.link.auxiliary import Security as Security, SecurityLevel as SecurityLevel
    from lowpanbudget.layers.link.beacon import Beacon as Beacon, GuaranteedSlot as GuaranteedSlot
    from lowpanbudget.layers.link.contents import Command as Command
    from lowpanbudget.layers.link.control import FrameType as FrameType
    from lowpanbudget.layers.link.elements import Element as Element
    from lowpanbudget.layers.link.mac import Mac as Mac
    from lowpanbudget.layers.link.phy import PhyTiming as PhyTiming, TimePart as TimePart
    from lowpanbudget.layers.link.security import Key as Key
    from lowpanbudget.layers.link.timeslots import SlotTemplate as SlotTemplate
    from lowpanbudget.layers.lowpan.addresses import (
        UnknownContext as UnknownContext, UnknownLinkAddress as UnknownLinkAddress, UnknownRoot as UnknownRoot,
    )
    from lowpanbudget.layers.lowpan.escape import Escape as Escape
    from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc as ExtensionNhc
    from lowpanbudget.layers.lowpan.fragment import (
        EndBeyond as EndBeyond, Fragment as Fragment, HeadersCut as HeadersCut, OffsetBeyond as OffsetBeyond,
        SizeImpossible as SizeImpossible, SizeTooSmall as SizeTooSmall,
    )
    from lowpanbudget.layers.lowpan.ghc import (
        CodeStep as CodeStep, CodedOctets as CodedOctets, Expansion as Expansion, read_ghc as read_ghc,
        write_ghc as write_ghc,
    )
    from lowpanbudget.layers.lowpan.ghc_headers import Icmpv6Nhc as Icmpv6Nhc
    from lowpanbudget.layers.lowpan.iphc import Iphc as Iphc
    from lowpanbudget.layers.lowpan.legacy import Legacy as Legacy
    from lowpanbudget.layers.lowpan.lorh import IpInIp as IpInIp, Rpi as Rpi, Skipped as Skipped, SrhLorh as SrhLorh
    from lowpanbudget.layers.lowpan.mesh import Broadcast as Broadcast, Mesh as Mesh
    from lowpanbudget.layers.lowpan.nhc import UdpNhc as UdpNhc
    from lowpanbudget.layers.lowpan.recovery import Rfrag as Rfrag, RfragAck as RfragAck
    from lowpanbudget.payload.bitmap import BitmapEntry as BitmapEntry
    from lowpanbudget.payload.c.source import (
        CodeMemory as CodeMemory, Generated as Generated, GeneratedFile as GeneratedFile, generate as generate,
    )
    from lowpanbudget.payload.codec.order import Order as Order
    from lowpanbudget.payload.forms.encodings import Inexact as Inexact
    from lowpanbudget.payload.forms.senml import (
        read_senml as read_senml, resolve_senml as resolve_senml, write_senml as write_senml,
    )
    from lowpanbudget.payload.kinds.field import Field as Field
    from lowpanbudget.payload.kinds.interfaces import Gain as Gain
    from lowpanbudget.payload.message import Message as Message
    from lowpanbudget.payload.search.compatible import Change as Change, FormatComparison as FormatComparison
    from lowpanbudget.payload.search.options import OptionSize as OptionSize
    from lowpanbudget.payload.search.receiver import Outcome as Outcome
    from lowpanbudget.payload.search.shrink import Candidate as Candidate, Coarsening as Coarsening
    from lowpanbudget.payload.search.worth import PartWorth as PartWorth, Worth as Worth
    from lowpanbudget.report.frame_table import write_frame_table as write_frame_table
    from lowpanbudget.report.notebook import Picture as Picture, show as show
    from lowpanbudget.report.page.pages import page_of_capture as page_of_capture, page_of_design as page_of_design
    from lowpanbudget.report.terms import Explanation as Explanation, explain as explain, terms as terms
    from lowpanbudget.room.by_hops import HopRoom as HopRoom, RoomByHops as RoomByHops, room_by_hops as room_by_hops
    from lowpanbudget.room.carrying import Carrying as Carrying, EnoughChanges as EnoughChanges, carrying as carrying
    from lowpanbudget.room.compatible import compatible as compatible
    from lowpanbudget.room.compute import Budget as Budget, budget as budget
    from lowpanbudget.room.encodings import Alternative as Alternative, OnHop as OnHop, encodings as encodings
    from lowpanbudget.room.fit import Fit as Fit, fit as fit
    from lowpanbudget.room.ledger import Ledger as Ledger
    from lowpanbudget.room.savings import Loss as Loss, Saving as Saving
    from lowpanbudget.room.sweep.compute import sweep as sweep
    from lowpanbudget.room.sweep.swept import (
        SettingChange as SettingChange, Sweep as Sweep, SweptAxis as SweptAxis, SweptSetting as SweptSetting,
        SweptValue as SweptValue,
    )
    from lowpanbudget.room.weigh import Weighing as Weighing, weigh as weigh
    from lowpanbudget.stack.comparison import Comparison as Comparison, Difference as Difference
    from lowpanbudget.stack.contents import ContentLayout as ContentLayout
    from lowpanbudget.stack.convert import (
        Compressed as Compressed, Decompressed as Decompressed, compress as compress, decompress as decompress,
    )
    from lowpanbudget.stack.decoder import (
        Decoder as Decoder, decode_datagram as decode_datagram, decode_frame as decode_frame,
    )
    from lowpanbudget.stack.encoding import Encoded as Encoded, encode_frame as encode_frame
    from lowpanbudget.stack.events import (
        Complete as Complete, Discarded as Discarded, Ignored as Ignored, TimedOut as TimedOut,
    )
    from lowpanbudget.stack.fragment_key import FragmentKey as FragmentKey
    from lowpanbudget.stack.frame import Frame as Frame
    from lowpanbudget.stack.header_octets import write_header as write_header
    from lowpanbudget.stack.incoming import Datagram as Datagram, Notice as Notice
    from lowpanbudget.stack.reassembly import Reassembler as Reassembler
    from lowpanbudget.stack.split import split as split
    from lowpanbudget.values import FrozenDict as FrozenDict
    # fmt: on

_HOMES = {name: home for home, names in NAMES.items() for name in names.split()}
__all__ = sorted(_HOMES)  # noqa: PLE0605  # one list of the public names


def __getattr__(name: str) -> Any:
    """Return a public name; its module is imported when the name is first asked for."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'lowpanbudget' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"lowpanbudget.{home}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
