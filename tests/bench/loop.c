/* What a loop by hand costs: the records of a pcap file, their check sequences, and octets by layer of plain frames.
   Constants of IEEE 802.15.4 and RFC 6282 stand here by hand (the first from memory): only time is taken of it. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

static uint16_t table[256];
static uint64_t mac, lowpan, rest, right, frames;

static uint16_t check(const uint8_t *at, uint32_t n)
{
    uint16_t sum = 0;
    while (n--)
        sum = (uint16_t)((sum >> 8) ^ table[(sum ^ *at++) & 255]);
    return sum;
}

static uint32_t address(uint32_t mode) { return mode == 3 ? 8 : mode == 2 ? 2 : 0; }

static void frame(const uint8_t *at, uint32_t n)
{
    frames++;
    right += n > 2 && check(at, n - 2) == (at[n - 2] | at[n - 1] << 8);
    uint32_t word = at[0] | (uint32_t)at[1] << 8, to = address(word >> 10 & 3), from = address(word >> 14 & 3);
    uint32_t head = 3 + to + from + (to ? 2 : 0) + (from && !(word >> 6 & 1) ? 2 : 0);
    if ((word & 7) != 1 || n < head + 4) {
        mac += n;
        return;
    }
    static const uint8_t flow[4] = {4, 3, 1, 0}, iid[4] = {16, 8, 2, 0};
    uint32_t here = head, type = at[here] >> 3;
    if (type == 24 || type == 28)
        here += type == 24 ? 4 : 5;
    if (at[here] >> 5 == 3 && n >= here + 4) {
        uint32_t one = at[here], two = at[here + 1];
        here += 2 + flow[one >> 3 & 3] + !(one >> 2 & 1) + !(one & 3) + (two >> 7) + iid[two >> 4 & 3] + iid[two & 3];
    }
    mac += head + 2;
    lowpan += here - head;
    rest += n > here + 2 ? n - here - 2 : 0;
}

int main(int count, char **names)
{
    for (uint32_t i = 0; i < 256; i++) {
        uint32_t sum = i;
        for (int bit = 0; bit < 8; bit++)
            sum = sum & 1 ? sum >> 1 ^ 0x8408 : sum >> 1;
        table[i] = (uint16_t)sum;
    }
    FILE *file = count > 1 ? fopen(names[1], "rb") : NULL;
    if (!file)
        return 1;
    fseek(file, 0, SEEK_END);
    long size = ftell(file);
    rewind(file);
    uint8_t *octets = malloc((size_t)size);
    if (!octets || fread(octets, 1, (size_t)size, file) != (size_t)size)
        return 1;
    for (long at = 24; at + 16 <= size;) {
        uint32_t n = octets[at + 8] | octets[at + 9] << 8 | octets[at + 10] << 16;
        if (at + 16 + (long)n > size)
            break;
        frame(octets + at + 16, n);
        at += 16 + (long)n;
    }
    printf("%llu %llu %llu %llu %llu\n", (unsigned long long)frames, (unsigned long long)right, (unsigned long long)mac,
           (unsigned long long)lowpan, (unsigned long long)rest);
    fclose(file);
    free(octets);
    return 0;
}
