/* Any bytes as a tape: the reader ends, and every byte is accounted for once: header, sound records, damage, torn end. */
#include "io/tape.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct input {
    const uint8_t *bytes;
    size_t len, at;
};

/* In pieces of changing size, as a pipe might. */
static long give(void *ctx, void *bytes, size_t size)
{
    struct input *input = ctx;
    size_t piece = 1 + input->at % 97;
    if (piece > size)
        piece = size;
    if (piece > input->len - input->at)
        piece = input->len - input->at;
    memcpy(bytes, input->bytes + input->at, piece);
    input->at += piece;
    return (long)piece;
}

static void read_all(const uint8_t *bytes, size_t len)
{
    char error[128];
    struct input input = {bytes, len, 0};
    struct tape_record record;
    struct tape_reader *reader = tape_reader_from(give, &input, error, sizeof error);
    if (reader == NULL)
        return;
    uint64_t total = 16;
    int64_t last = 0;
    while (tape_reader_next(reader, &record)) {
        if (record.offset < last || record.len > TAPE_BYTES_MAX || tape_kind_name(record.kind) == NULL)
            abort();
        last = record.offset + 24 + (int64_t)record.len;
        total += 24 + record.len;
    }
    const struct tape_damage *damage = tape_reader_damage(reader);
    total += damage->bytes + damage->torn_bytes;
    if (damage->unknown_kinds == 0 ? total != len : total > len)
        abort();
    if ((damage->places == 0) != (damage->first_offset < 0) || (damage->places == 0) != (damage->bytes == 0))
        abort();
    tape_reader_close(reader);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t len);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t len)
{
    static const uint8_t header[16] = {'B', 'E', 'L', 'L', 'T', 'A', 'P', 'E', 1};
    uint8_t *tape = malloc(sizeof header + len);
    if (tape == NULL)
        return 0;
    memcpy(tape, header, sizeof header);
    memcpy(tape + sizeof header, bytes, len);
    read_all(tape, sizeof header + len);
    read_all(bytes, len);
    free(tape);
    return 0;
}
