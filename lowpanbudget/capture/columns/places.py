"""Where each number of the counting loop stands in its arrays: the loop and those who fill and read them share it."""

from lowpanbudget.layers.link.control import FrameType
from lowpanbudget.layers.link.mac import LARGEST_FRAME

# how the loop ended
DONE, LEARN, SCALAR, CONTROL, SECURITY, ELEMENT, SAVING, BACK = range(8)

# the largest frame by default (LARGEST) and of PHYs with longer ones (LARGEST_LONG), of a design both are alike
USUAL_FRAME = LARGEST_FRAME

NO_TIME = -(1 << 62)
NEVER = 1 << 62
LONGEST = 2048  # longer frames are followed one by one

# the state, a number each
(
    STATUS, CODE, NEXT_END, NOW, FED, LARGEST, NUMBER, ROOM, ROOM_OCTETS, OPEN, OPEN_OCTETS, TIMEOUT, FREE_ENTRY,
    FREE_PART, OLDEST, NEWEST, PAIRS, FIRST_CLASS, AROUND, ACTUAL, MOST_MISSING, LATEST, WENT_BACK,
    LAST_HEARD, LARGEST_LONG, SEEN_USUAL, SEEN_LONG, MTU, COPIED, STATES,
) = range(30)  # fmt: skip

# frames of a batch: where their payload stands in the clear
SEALED, UNOPENED = -1, -2
CLEAR_MODE, SEALED_MODE, OPENED_MODE = range(3)

# forms of frame control, security control and heads of header IEs, packed; 0: not known, -1: not asked yet
UNKNOWN, UNASKED = 0, -1

# which octets of a payload are kept: by their first two, the masks that may fit; of each mask its ranges
EMPTY, ALL_SEALED, CANDIDATES = 65536 + 256, 65536 + 257, 65536 + 258
MASKS_EACH, MOST_LISTS, MOST_MASKS, MOST_RANGES = 24, 1024, 1024, 12
TAIL, RANGES, MASK_WIDTH = 0, 1, 2 + 2 * MOST_RANGES

# the type of an acknowledgement, in the first three bits of a frame; the loop wants a plain number
ACKNOWLEDGEMENT = int(FrameType.ACKNOWLEDGEMENT)

# classes: frames that are alike
MOST_CLASSES = 4096
CLASS_SLOTS = 4 * MOST_CLASSES
HEAD_OCTETS, KEPT_OCTETS = 96, 160
CLASS_OCTETS = HEAD_OCTETS + KEPT_OCTETS
(
    C_HASH, C_HEADER, C_COUNTER, C_MASK, C_COUNT, C_FCS, C_MODE, C_COUNTED, C_SOURCE, C_DEST_OCTETS, C_CONTENTS,
    C_SEQUENCE, C_DATA, C_DATAGRAM, C_FEEDS, C_FRAGMENT, C_BASE, C_APPLICATION, C_AVOIDABLE, C_OCTETS, C_ENDS,
    C_SIZE, C_OFFSET, C_BROUGHT, C_TAG, C_WHOLE, C_COPIED, C_FIELDS,
) = range(28)  # fmt: skip
NO_FRAGMENT, FIRST_FRAGMENT, NEXT_FRAGMENT = range(3)
WHOLE_UNKNOWN = (
    -1
)  # in C_WHOLE: nobody knows without reading what the application sent in a whole datagram

# what is counted of frames: of a class, or of later fragments of one class behind first ones of another
MOST_PAIRS = 4096
PAIR_SLOTS = 4 * MOST_PAIRS
(
    N_FRAMES, N_OCTETS, N_LONGER, N_DATAGRAMS, N_DATAGRAM_OCTETS, N_APPLICATION, N_UNUSED, N_AVOIDABLE, N_FRAGMENTS,
    N_RETRANSMISSIONS, N_DUPLICATES, N_LOST, N_FIRST, N_LAST, N_ASSEMBLED, N_FIELDS,
) = range(16)  # fmt: skip

# the last frames of each source, and the last number of each sequence
DEPTH, H_TIME, H_SEQUENCE, H_CONTENTS, H_NUMBER, H_ANSWERED, H_FIELDS = 8, 0, 1, 2, 3, 4, 5
L_NUMBER, L_USED, L_FIELDS = 0, 1, 2

# datagrams in fragments
MOST_ENTRIES, CHAINS, RING = 1024, 1024, 2048
MOST_ENDS = 1 << 14  # pairs of who sends fragments to whom
(
    E_NEXT, E_ENDS, E_KEY, E_STATE, E_STARTED, E_LAST, E_CLASS, E_RECEIVED, E_FIRST, E_NEWEST, E_OCTETS, E_PARTS,
    E_FIELDS,
) = range(13)  # fmt: skip
E_FREE, E_OPEN, E_WHOLE, E_OWNED = range(4)
MOST_PARTS, PART_OCTETS = 8192, 192
P_NEXT, P_NUMBER, P_TIME, P_CLASS, P_LENGTH, P_FRAME, P_FIELDS = range(7)
SAVINGS, S_CLASS, S_AROUND, S_ACTUAL, S_VALUE, S_FIELDS = 8192, 0, 1, 2, 3, 4

# records of a file
AT = 0
AT_ONCE = 4096  # records of a batch
ENHANCED = 6  # the type of a block of pcapng
MOST_HIGH = 1 << 30  # of the upper half of a time stamp
PLAIN, TAPPED, BEHIND_ETHERNET = range(3)
CLAIMS = (None, 0, 2, 4)  # octets of FCS that a frame or its link type may claim
