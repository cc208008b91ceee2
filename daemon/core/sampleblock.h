/*
 * sampleblock: a run of samples of one channel as a compact blob, for the dive's database.
 *
 * Lossless: what is decoded equals what was encoded, bit for bit, times and values (NaN and infinities are refused). Feeds send decimal numbers
 * of few digits and clocks tick evenly, and that is where the room is saved.
 *
 * Layout, version 1. All integers are LEB128 varints, signed ones zigzag first.
 *
 *   byte 0        version, 1
 *   byte 1        value code: 0..12 decimal, values are integers / 10^code; 255 raw, values are 8 bytes IEEE 754 little-endian
 *   byte 2        time unit: 0 ns, 1 us, 2 ms; times are whole multiples of it
 *   varint        count of samples, 1 or more
 *   signed        first time, in units
 *   signed        first value (decimal), or 8 bytes (raw)
 *   per further sample:
 *     signed      change of the time step (the first step is against 0)
 *     signed      change of value (decimal), or 8 bytes (raw)
 *   4 bytes       CRC-32/ISO-HDLC of all before, little-endian
 *
 * The encoder takes the smallest code and the largest unit that lose nothing. Times need not rise.
 * A damaged, cut or newer blob is refused when opened; nothing of it is handed out. Pure; no allocation.
 */
#ifndef BELLROPE_CORE_SAMPLEBLOCK_H
#define BELLROPE_CORE_SAMPLEBLOCK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/instant.h"

struct sampleblock_sample {
    mono_ns at;
    double value;
};

enum {
    SAMPLEBLOCK_OVERHEAD = 32,   /* head and check, at most */
    SAMPLEBLOCK_SAMPLE_MAX = 20, /* bytes of a sample, at most */
    SAMPLEBLOCK_COUNT_MAX = 1 << 20
};

/* Room that always suffices for `count` samples. */
#define SAMPLEBLOCK_ROOM(count) (SAMPLEBLOCK_OVERHEAD + (size_t)(count)*SAMPLEBLOCK_SAMPLE_MAX)

enum sampleblock_verdict {
    SAMPLEBLOCK_OK,
    SAMPLEBLOCK_NO_ROOM,
    SAMPLEBLOCK_BAD_COUNT, /* 0, or above SAMPLEBLOCK_COUNT_MAX */
    SAMPLEBLOCK_BAD_VALUE, /* not finite */
    SAMPLEBLOCK_DAMAGED,   /* cut, or the check does not match, or the content contradicts itself */
    SAMPLEBLOCK_NEWER      /* a version that this program does not know */
};

enum sampleblock_verdict sampleblock_encode(const struct sampleblock_sample *samples, size_t count,
                                            uint8_t *out, size_t room, size_t *used);

struct sampleblock_reader {
    const uint8_t *bytes;
    size_t at, end;
    uint32_t count, done;
    uint8_t code, unit;
    int64_t time, step, value;
};

/* Checks the whole blob; the bytes must stay in place while it is read. */
enum sampleblock_verdict sampleblock_open(struct sampleblock_reader *reader, const void *blob, size_t len);

/* The next sample; false at the end. */
bool sampleblock_next(struct sampleblock_reader *reader, struct sampleblock_sample *out);

const char *sampleblock_verdict_name(enum sampleblock_verdict verdict);

#endif
