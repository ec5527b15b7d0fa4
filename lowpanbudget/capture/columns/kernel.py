"""The counting loop: plain functions over arrays of numbers and octets, compiled where numba is there.

A frame is of a class when it agrees with an example in all octets but those on which no reading depends (``places``
tells where they stand in it). Frames of a class differ in sequence number, counter, checksum, tag, time and payload:
what of these counts is looked at here. No survey tells whether a checksum is right. The loop ends at the first frame
that it does not know, before anything of it is counted; whoever called it goes on from there.
"""

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.held import (
    begin_entry,
    begins,
    end_entry,
    entry_of,
    has_part,
    holds,
    keep_part,
    new_entry,
)  # fmt: skip
from lowpanbudget.capture.columns.memory import answer, hear, pair_of, saving_of, was_heard
from lowpanbudget.capture.columns.words import (
    FACTOR_A,
    FACTOR_B,
    Numbers,
    Octets,
    absorbed,
    agree,
    check_sequence,
    digest,
    elements_end,
    is_like,
    mixed,
)  # fmt: skip
from lowpanbudget.capture.follow.repeats import LEAST_COPY
from lowpanbudget.capture.sequences import noted


def count(
    octets: Octets, opened: Octets, starts: Numbers, ends: Numbers, times: Numbers, checks: Numbers, clear: Numbers,
    controls: Numbers, securities: Numbers, elements: Numbers, sums: Numbers, candidates: Numbers, lists: Numbers,
    masks: Numbers, slots: Numbers, classes: Numbers, examples: Octets, destinations: Octets, counts: Numbers,
    pairs: Numbers, heard: Numbers, last: Numbers, chains: Numbers, entries: Numbers, ring: Numbers, parts: Numbers,
    part_octets: Octets, savings: Numbers, s: Numbers, at: int, to: int,
) -> int:  # fmt: skip
    """Count the frames of a batch from one to another; return the first that was not, ``s[STATUS]`` tells why."""
    s[p.STATUS] = p.DONE
    while at < to:
        start, end, time_ns, check = starts[at], ends[at], times[at], checks[at]
        stop = end - check
        if time_ns != p.NO_TIME and time_ns < s[p.NOW] and not s[p.WENT_BACK]:
            s[p.STATUS] = p.BACK
            return at
        if check < 0 or end - start > p.LONGEST or stop - start < 3 or time_ns > s[p.NEXT_END]:
            s[p.STATUS] = p.SCALAR
            return at
        if check and check_sequence(octets, start, stop, sums) != (
            octets[stop] | octets[stop + 1] * 0x100
        ):
            s[p.STATUS] = p.SCALAR
            return at

        # --- the MAC header
        control = octets[start] | octets[start + 1] * 0x100
        form = controls[control]
        if form <= 0:
            s[p.STATUS] = p.SCALAR if form == p.UNKNOWN else p.CONTROL
            s[p.CODE] = control
            return at
        header, sequenced, is_secured = form & 0xFF, (form >> 8) & 1, (form >> 9) & 1
        has_elements = (form >> 10) & 1
        counter = mic = form = 0
        mode = p.CLEAR_MODE
        if is_secured:
            if start + header >= stop:
                s[p.STATUS] = p.SCALAR
                return at
            control = octets[start + header]
            form = securities[control]
            if form <= 0:
                s[p.STATUS] = p.SCALAR if form == p.UNKNOWN else p.SECURITY
                s[p.CODE] = control
                return at
            if form >> 16 & 0xFF:
                counter = header + (form >> 16 & 0xFF)
            header += form & 0xFF
            mic = form >> 8 & 0xFF
        if start + header + mic > stop or clear[at] == p.UNOPENED:
            s[p.STATUS] = p.SCALAR
            return at
        if has_elements:
            header = elements_end(octets, start + header, stop - mic, elements, s) - start
            if header < 0 or header > p.HEAD_OCTETS:
                s[p.STATUS] = p.ELEMENT if s[p.CODE] >= 0 else p.SCALAR
                return at
        body, begin = octets, start + header
        size = stop - mic - begin
        if clear[at] >= 0:
            body, begin, mode = opened, clear[at], p.OPENED_MODE
        elif form >> 24 & 1:
            mode = p.SEALED_MODE

        # --- the class
        seed = check | (mode << 4)
        state = absorbed(seed, octets, start, start + 2)
        if counter:
            state = absorbed(state, octets, start + 2 + sequenced, start + counter)
            state = absorbed(state, octets, start + counter + 4, start + header)
        else:
            state = absorbed(state, octets, start + 2 + sequenced, start + header)
        if mode == p.SEALED_MODE:
            front = p.ALL_SEALED
        elif size >= 2:
            front = body[begin] * 0x100 | body[begin + 1]
        else:
            front = p.EMPTY if size == 0 else 65536 + body[begin]
        found = -1
        place = candidates[front] * p.MASKS_EACH
        after = place + p.MASKS_EACH
        while found < 0 and place < after:
            mask = lists[place] * p.MASK_WIDTH
            place += 1
            if mask < 0:
                break
            tail, ranges = masks[mask + p.TAIL], masks[mask + p.RANGES]
            counted = size
            if tail >= 0:
                counted = 1 if size > tail else 0
            if ranges and masks[mask + 1 + 2 * ranges] > size:
                continue
            key = mixed(mixed(state, mask, FACTOR_A), counted, FACTOR_B)
            for k in range(ranges):
                i, until = masks[mask + 2 + 2 * k], masks[mask + 3 + 2 * k]
                key = absorbed(key, body, begin + i, begin + until)
            slot = key & (p.CLASS_SLOTS - 1)
            while slots[slot] >= 0:
                one = slots[slot] * p.C_FIELDS
                slot = (slot + 1) & (p.CLASS_SLOTS - 1)
                if (
                    classes[one + p.C_HASH] != key
                    or classes[one + p.C_MASK] != mask
                    or classes[one + p.C_COUNT] != counted
                    or classes[one + p.C_FCS] != check
                    or classes[one + p.C_MODE] != mode
                    or classes[one + p.C_HEADER] != header
                    or classes[one + p.C_COUNTER] != counter
                ):
                    continue
                example = one // p.C_FIELDS * p.CLASS_OCTETS
                if not is_like(octets, start, header, sequenced, counter, examples, example):
                    continue
                example += p.HEAD_OCTETS
                is_alike = True
                for k in range(ranges):
                    i, until = masks[mask + 2 + 2 * k], masks[mask + 3 + 2 * k]
                    if not agree(body, begin + i, examples, example + i, until - i):
                        is_alike = False
                if is_alike:
                    found = one
                    break
        if found < 0:
            s[p.STATUS] = p.LEARN
            return at
        longer = size - classes[found + p.C_BASE]

        # --- what was said before
        sequence = octets[start + 2] if sequenced else -1
        source = classes[found + p.C_SOURCE]
        contents, until = begin + classes[found + p.C_CONTENTS], begin + size
        if mode == p.SEALED_MODE:
            until += mic  # what nobody reads is compared with its integrity code
        mark = 0
        repeated, is_copy = -1, False
        if source >= 0 and size:
            one = found // p.C_FIELDS * 8
            mark = digest(
                body,
                contents,
                until,
                destinations,
                one,
                one + classes[found + p.C_DEST_OCTETS],
            )
            copied = classes[found + p.C_COPIED] != 0 and begin + size - contents >= LEAST_COPY
            repeated, is_copy = was_heard(heard, source, time_ns, sequence, mark, copied)
        is_repeat = repeated >= 0

        # --- fragments, and others that end the waiting for them
        now = time_ns
        if time_ns == p.NO_TIME:
            now = s[p.NOW] if s[p.NOW] != p.NO_TIME else 0
        kind = classes[found + p.C_FRAGMENT]
        feeds = classes[found + p.C_FEEDS] != 0 and not is_repeat
        is_untimed = time_ns == p.NO_TIME and s[p.NOW] == p.NO_TIME
        if kind and feeds and (s[p.WENT_BACK] or is_untimed):
            s[p.STATUS] = p.SCALAR
            return at
        counted = found // p.C_FIELDS
        octets_sent = end - start + (0 if check else 2)
        completes = False
        application = max(classes[found + p.C_APPLICATION] + longer, 0)
        avoidable = classes[found + p.C_AVOIDABLE]
        whole_octets = classes[found + p.C_OCTETS] + longer
        if kind and feeds:
            tag = begin + classes[found + p.C_TAG]
            word = (classes[found + p.C_SIZE] << 16) | body[tag] * 0x100 | body[tag + 1]
            ends_at = classes[found + p.C_ENDS]
            entry = entry_of(chains, entries, ends_at, word)
            is_open = entry >= 0 and entries[entry + p.E_STATE] == p.E_OPEN
            if is_open and now - entries[entry + p.E_STARTED] > s[p.TIMEOUT]:
                s[p.STATUS] = p.SCALAR
                return at
            is_again = is_open and holds(
                entries, parts, part_octets, entry, found, body, begin, size
            )
            if is_again:
                entries[entry + p.E_LAST] = now
            elif kind == p.FIRST_FRAGMENT:
                # it may be a late copy, of which nobody counts that it was not completed
                is_late = (
                    entry >= 0
                    and entries[entry + p.E_STATE] == p.E_WHOLE
                    and now - entries[entry + p.E_LAST] <= s[p.COPIED]
                )
                if is_late or not begins(
                    s, entries, ring, parts, chains, entry, now, classes[found + p.C_SIZE]
                ):
                    s[p.STATUS] = p.SCALAR
                    return at
                if entry < 0:
                    entry = new_entry(s, chains, entries, ends_at, word)
                begin_entry(s, entries, parts, entry, found, now)
            else:
                received = 0
                if is_open:
                    received = entries[entry + p.E_RECEIVED] + classes[found + p.C_BROUGHT]
                if (
                    not is_open
                    or entries[entry + p.E_RECEIVED] != classes[found + p.C_OFFSET]
                    or received > classes[found + p.C_SIZE]
                    or not has_part(s, entries, ring, parts, chains)
                ):
                    s[p.STATUS] = p.SCALAR
                    return at
                first = entries[entry + p.E_CLASS]
                completes = received == classes[found + p.C_SIZE]
                around = octets_sent - size
                if completes:
                    application = classes[first + p.C_WHOLE]
                    actual = entries[entry + p.E_OCTETS] + size
                    actual += around * (entries[entry + p.E_PARTS] + 1)
                    avoidable = saving_of(savings, first, around, actual)
                    whole_octets = received
                    if application < 0 or avoidable < 0:
                        s[p.STATUS] = p.SCALAR if application < 0 else p.SAVING
                        s[p.FIRST_CLASS], s[p.AROUND], s[p.ACTUAL] = first, around, actual
                        return at
            if kind == p.NEXT_FRAGMENT:
                counted = pair_of(s, pairs, entries[entry + p.E_CLASS] // p.C_FIELDS, counted)
                if counted < 0:
                    s[p.STATUS] = p.SCALAR
                    return at
            if not is_again:
                keep_part(
                    s, entries, parts, part_octets, entry, body, begin, size, found, end - start,
                    s[p.NUMBER] + at, now,
                )  # fmt: skip
                s[p.OPEN_OCTETS] += classes[found + p.C_BROUGHT]
                entries[entry + p.E_RECEIVED] += classes[found + p.C_BROUGHT]
            if completes:
                end_entry(s, entries, ring, entry, p.E_WHOLE)
        elif kind and not classes[found + p.C_COUNTED]:
            s[p.STATUS] = p.SCALAR
            return at

        # --- nothing ends the loop from here on
        if time_ns != p.NO_TIME:
            s[p.NOW] = time_ns
            s[p.LATEST] = max(s[p.LATEST], time_ns)
        if feeds:
            s[p.FED] = max(s[p.FED], now)
        if octets[start] & 7 == p.ACKNOWLEDGEMENT:
            answer(s, heard, sequence)
        if is_repeat:
            s[p.LAST_HEARD] = repeated
        elif source >= 0 and size:
            hear(s, heard, source, time_ns, sequence, mark, s[p.NUMBER] + at)
        one = counted * p.N_FIELDS
        counts[one + p.N_FRAMES] += 1
        counts[one + p.N_OCTETS] += octets_sent
        counts[one + p.N_LONGER] += longer
        if is_repeat:
            counts[one + p.N_RETRANSMISSIONS] += 1
        elif is_copy:
            counts[one + p.N_DUPLICATES] += 1
        if classes[found + p.C_DATA]:
            is_long = octets_sent > p.USUAL_FRAME
            s[p.SEEN_LONG if is_long else p.SEEN_USUAL] = 1
            left = s[p.LARGEST_LONG if is_long else p.LARGEST] - octets_sent
            if classes[found + p.C_DATAGRAM]:
                left = min(left, s[p.MTU] - whole_octets)
            counts[one + p.N_UNUSED] += max(left, 0)
        if not is_repeat and (completes or classes[found + p.C_DATAGRAM]):
            counts[one + p.N_DATAGRAMS] += 1
            counts[one + p.N_DATAGRAM_OCTETS] += whole_octets
            counts[one + p.N_APPLICATION] += application
            counts[one + p.N_AVOIDABLE] += avoidable
        if kind:
            counts[one + p.N_FRAGMENTS] += 1
            counts[one + p.N_ASSEMBLED] += completes
        numbered = classes[found + p.C_SEQUENCE] * p.L_FIELDS
        if numbered >= 0 and sequenced:
            kept, missing = noted(last[numbered + p.L_NUMBER], sequence, s[p.MOST_MISSING])
            counts[one + p.N_LOST] += missing
            last[numbered + p.L_NUMBER] = kept
            last[numbered + p.L_USED] = s[p.NUMBER] + at
        if time_ns != p.NO_TIME:
            if counts[one + p.N_FRAMES] == 1 or counts[one + p.N_FIRST] == p.NO_TIME:
                counts[one + p.N_FIRST] = counts[one + p.N_LAST] = time_ns
            counts[one + p.N_FIRST] = min(counts[one + p.N_FIRST], time_ns)
            counts[one + p.N_LAST] = max(counts[one + p.N_LAST], time_ns)
        elif counts[one + p.N_FRAMES] == 1:
            counts[one + p.N_FIRST] = counts[one + p.N_LAST] = p.NO_TIME
        at += 1
    return at
