"""All rules about captures, in the order of the layers they look at: one tuple, nothing found by magic."""

from lowpanbudget.findings.application import (
    BlockStillFragmented,
    CoapMessageForbidden,
    FloatWiderThanNeeded,
    TokenLongerThanUseful,
)
from lowpanbudget.findings.compression import (
    ChecksumElidedWithoutCover,
    HopLimitForbidden,
    PageOneNotAnswered,
    PrefixMulticastWrong,
    SolicitationToWrongGroup,
)
from lowpanbudget.findings.contexts import ContextLengthUnusual, ContextUnknown, ContextUsedTooSoon
from lowpanbudget.findings.exchanges import RequestAnsweredTwice, RequestRepeatedEarly
from lowpanbudget.findings.extension_headers import (
    ChecksumElidedBehindUnknownRoute,
    ExtensionBitsNotZero,
)
from lowpanbudget.findings.fragment_losses import (
    FragmentRepeated,
    FragmentsMeet,
    FragmentsOverlap,
    FragmentsTooSlow,
    FragmentsUnfinished,
    RecoverableFragmentsFailed,
)
from lowpanbudget.findings.fragment_waste import (
    AdvertisementFragmented,
    FragmentedWithoutNeed,
    GroupDatagramFragmented,
    LastFragmentNeedless,
)
from lowpanbudget.findings.fragments import (
    DatagramSizeImpossible,
    DatagramSizeTooSmall,
    FragmentOffsetWrong,
)
from lowpanbudget.findings.lengths import LengthsDisagree
from lowpanbudget.findings.link import (
    CheckSequence,
    ElementsEndedForNothing,
    FrameTooLong,
    HeaderElementsUnreadable,
    SequenceSuppressionMisused,
)
from lowpanbudget.findings.link_addresses import (
    AddressOctetsReversed,
    PanIdCarriedTwice,
    PanIdRuleOfOtherVersion,
    ShortAddressUnusable,
)
from lowpanbudget.findings.network import (
    CaptureDamaged,
    CheckSequenceNotAsSaid,
    ContextAnnouncedOtherwise,
    RplInformationAsOption,
    RplOptionLeavesNetwork,
    RplOptionNotAsAnnounced,
)
from lowpanbudget.findings.plan import (
    FragmentsNotPlanned,
    LongerThanBudgeted,
    PanNotInDesign,
    PortNotInDesign,
    SecurityNotAsPlanned,
)
from lowpanbudget.findings.plan_messages import (
    IntervalOffPlan,
    MessageLengthWrong,
    MessageValuesImplausible,
)
from lowpanbudget.findings.protection import (
    EncryptedWithoutIntegrity,
    ExtendedAddressUnknown,
    IntegrityCodeWrong,
    KeyMissing,
    NotReadFurther,
)
from lowpanbudget.findings.readings import (
    AddressReversedInChecksum,
    ChecksumCountsExtensions,
    ChecksumOverOtherDestination,
    ChecksumWrong,
    ContextTableDiffers,
    IdentifierBitWrong,
    IdentifierByOldRule,
)
from lowpanbudget.findings.repeats import (
    FrameCounterUsedTwice,
    FrameCounterWentBack,
    SentAgainAsNew,
)
from lowpanbudget.findings.rule import Rule
from lowpanbudget.findings.shortest import HeaderNotShortest, HopLimitInLine, PortsNotShortest
from lowpanbudget.findings.unreadable import (
    ContentsUnreadable,
    ExtensionHeaderNotWhole,
    FrameCutShort,
    NotALowpanFrame,
    OctetsContradict,
    OldHeaderCompression,
    ReservedCodeUsed,
)

RULES: tuple[type[Rule], ...] = (
    PanIdCarriedTwice,
    SequenceSuppressionMisused,
    HeaderElementsUnreadable,
    ElementsEndedForNothing,
    CheckSequence,
    AddressOctetsReversed,
    FrameTooLong,
    ShortAddressUnusable,
    PanIdRuleOfOtherVersion,
    FrameCounterUsedTwice,
    FrameCounterWentBack,
    IntegrityCodeWrong,
    ExtendedAddressUnknown,
    KeyMissing,
    EncryptedWithoutIntegrity,
    SentAgainAsNew,
    NotReadFurther,
    ContextUnknown,
    ContextUsedTooSoon,
    ContextLengthUnusual,
    SolicitationToWrongGroup,
    PrefixMulticastWrong,
    ReservedCodeUsed,
    OctetsContradict,
    FrameCutShort,
    ExtensionHeaderNotWhole,
    HopLimitForbidden,
    HopLimitInLine,
    HeaderNotShortest,
    PortsNotShortest,
    ChecksumElidedWithoutCover,
    ChecksumElidedBehindUnknownRoute,
    ExtensionBitsNotZero,
    PageOneNotAnswered,
    NotALowpanFrame,
    OldHeaderCompression,
    ContentsUnreadable,
    ContextTableDiffers,
    IdentifierByOldRule,
    AddressReversedInChecksum,
    IdentifierBitWrong,
    ChecksumCountsExtensions,
    ChecksumOverOtherDestination,
    ChecksumWrong,
    DatagramSizeImpossible,
    DatagramSizeTooSmall,
    FragmentOffsetWrong,
    LastFragmentNeedless,
    FragmentedWithoutNeed,
    FragmentsTooSlow,
    FragmentsUnfinished,
    FragmentRepeated,
    FragmentsOverlap,
    FragmentsMeet,
    RecoverableFragmentsFailed,
    GroupDatagramFragmented,
    AdvertisementFragmented,
    LengthsDisagree,
    RplOptionNotAsAnnounced,
    RplOptionLeavesNetwork,
    RplInformationAsOption,
    ContextAnnouncedOtherwise,
    CaptureDamaged,
    CheckSequenceNotAsSaid,
    CoapMessageForbidden,
    TokenLongerThanUseful,
    BlockStillFragmented,
    RequestRepeatedEarly,
    RequestAnsweredTwice,
    FloatWiderThanNeeded,
    LongerThanBudgeted,
    FragmentsNotPlanned,
    SecurityNotAsPlanned,
    PanNotInDesign,
    PortNotInDesign,
    MessageLengthWrong,
    MessageValuesImplausible,
    IntervalOffPlan,
)
