/* Packs and unpacks what standard input asks for, and writes what came of it to standard output.
 *
 * Requests and answers are octets in one order, whatever the processor's is. A message travels as the octets of its
 * structure. All memory handed to the generated code has exactly the size that it is told, so that the sanitizers see
 * one octet too many; without them GUARD octets behind it are looked at. The table `formats` is written by the run.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void fail(const char *what)
{
    fprintf(stderr, "driver: %s\n", what);
    exit(9);
}

static unsigned long take(int octets)
{
    unsigned long number = 0;
    for (int index = 0; index < octets; index++) {
        int octet = getchar();
        if (octet == EOF) {
            fail("a request is cut");
        }
        number |= (unsigned long)octet << (8 * index);
    }
    return number;
}

static void give(unsigned long number, int octets)
{
    for (int index = 0; index < octets; index++) {
        putchar((int)(number >> (8 * index) & 0xff));
    }
}

/* Memory of exactly this size; of size 0 it is the place behind one octet. */
static uint8_t *room_of(size_t size, uint8_t **block)
{
    *block = malloc(size + GUARD + 1);
    if (*block == NULL) {
        fail("no memory");
    }
    memset(*block, 0xa5, size + GUARD + 1);
    return *block + 1;
}

static void let_go(uint8_t *block, size_t size)
{
    size_t end = 1 + size + GUARD;
    for (size_t index = 1 + size; index < end; index++) {
        if (block[index] != 0xa5) {
            fail("an octet was written behind the room");
        }
    }
    free(block);
}

/* A structure begins where malloc says, for its alignment. */
static void *structure_of(size_t size)
{
    void *made = malloc(size);
    if (made == NULL) {
        fail("no memory");
    }
    memset(made, 0x5a, size);
    return made;
}

static void pack(const struct format *format)
{
    size_t room = take(4);
    size_t length = 0;
    uint8_t *block;
    uint8_t *octets = room_of(room, &block);
    void *message = structure_of(format->size);
    int result;

    if (fread(message, 1, format->size, stdin) != format->size) {
        fail("a request is cut");
    }
    result = format->pack(message, octets, room, &length);
    give((unsigned long)result, 2);
    if (result == 0) {
        if (length > room) {
            fail("longer than its room");
        }
        give(length, 4);
        fwrite(octets, 1, length, stdout);
    }
    let_go(block, room);
    free(message);
}

static void unpack(const struct format *format)
{
    size_t length = take(4);
    size_t used = 0;
    uint8_t *block;
    uint8_t *octets = room_of(length, &block);
    void *message = structure_of(format->size);
    void *prefix = structure_of(format->size);
    int result;

    if (length > 0 && fread(octets, 1, length, stdin) != length) {
        fail("a request is cut");
    }
    result = format->unpack(message, octets, length);
    give((unsigned long)result, 2);
    result = format->unpack_prefix(prefix, octets, length, &used);
    give((unsigned long)result, 2);
    if (result == 0) {
        if (used > length || memcmp(message, prefix, format->size) != 0) {
            fail("unpack and unpack_prefix differ");
        }
        give(used, 4);
        fwrite(message, 1, format->size, stdout);
    }
    let_go(block, length);
    free(message);
    free(prefix);
}

int main(int count, char **words)
{
    int operation;

    (void)words;
    while ((operation = getchar()) != EOF) {
        const struct format *format = formats + take(2);
        switch (operation) {
        case 'S':
            give(format->size, 4);
            give(format->self_test != NULL ? (unsigned long)format->self_test() : 0, 2);
            break;
        case 'P':
            pack(format);
            break;
        case 'U':
            unpack(format);
            break;
        default:
            fail("a request of no kind");
        }
        if (count > 1) { /* to find the request that ends it */
            fflush(stdout);
        }
    }
    return 0;
}
