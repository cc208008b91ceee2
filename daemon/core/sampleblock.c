/*
 * sampleblock: see sampleblock.h for the layout.
 *
 * Rejected: bit packing and exclusive-or of doubles as in time-series databases (smaller on full doubles, but ours are short
 * decimals, where differences of integers do better and can be read by hand); general compressors (a dependency).
 */
#include "core/sampleblock.h"

#include <math.h>
#include <string.h>

#include "core/crc.h"

enum { VERSION = 1, RAW = 255, CODE_MAX = 12, CRC_LEN = 4, HEAD = 3 };

static const double power_of_ten[CODE_MAX + 1] = {1e0, 1e1, 1e2, 1e3,  1e4,  1e5, 1e6,
                                                  1e7, 1e8, 1e9, 1e10, 1e11, 1e12};
static const int64_t unit_ns[] = {1, NS_PER_US, NS_PER_MS};
/* What fits into an instant, in units. */
static const int64_t time_most[] = {INT64_MAX, INT64_MAX / NS_PER_US, INT64_MAX / NS_PER_MS};
static const int64_t time_least[] = {INT64_MIN, INT64_MIN / NS_PER_US, INT64_MIN / NS_PER_MS};

const char *sampleblock_verdict_name(enum sampleblock_verdict verdict)
{
    switch (verdict) {
    case SAMPLEBLOCK_OK:
        return "ok";
    case SAMPLEBLOCK_NO_ROOM:
        return "no room";
    case SAMPLEBLOCK_BAD_COUNT:
        return "bad count";
    case SAMPLEBLOCK_BAD_VALUE:
        return "bad value";
    case SAMPLEBLOCK_DAMAGED:
        return "damaged";
    case SAMPLEBLOCK_NEWER:
        return "newer version";
    }
    return "unknown";
}

/* ---- writing ---- */

struct writer {
    uint8_t *out;
    size_t used, room;
    bool full;
};

static void put(struct writer *w, const uint8_t *bytes, size_t len)
{
    if (w->full || w->room - w->used < len) {
        w->full = true;
        return;
    }
    memcpy(w->out + w->used, bytes, len);
    w->used += len;
}

static void put_varint(struct writer *w, uint64_t value)
{
    uint8_t bytes[10];
    size_t len = 0;

    while (value >= 0x80) {
        bytes[len++] = (uint8_t)(value | 0x80);
        value >>= 7;
    }
    bytes[len++] = (uint8_t)value;
    put(w, bytes, len);
}

/* Differences of 64-bit integers wrap, and wrap back when they are summed; hence unsigned. */
static void put_signed(struct writer *w, uint64_t value)
{
    put_varint(w, (value << 1) ^ (value >> 63 != 0 ? UINT64_MAX : 0));
}

static void put_le(struct writer *w, uint64_t value, size_t len)
{
    uint8_t bytes[8];

    for (size_t i = 0; i < len; i++) {
        bytes[i] = (uint8_t)(value >> (8 * i));
    }
    put(w, bytes, len);
}

static void put_double(struct writer *w, double value)
{
    uint64_t bits;

    memcpy(&bits, &value, sizeof bits);
    put_le(w, bits, 8);
}

/* Whether value = integer / 10^code to the last bit; 2^53 bounds what a double holds as an integer. */
static bool fits(double value, int code, int64_t *integer)
{
    double scaled = value * power_of_ten[code];

    if (!(fabs(scaled) < 9007199254740992.0)) {
        return false;
    }
    *integer = (int64_t)llround(scaled);
    return (double)*integer / power_of_ten[code] == value;
}

static uint8_t choose_code(const struct sampleblock_sample *samples, size_t count)
{
    int64_t unused;
    int code = 0;

    for (size_t i = 0; i < count; i++) {
        while (!fits(samples[i].value, code, &unused)) {
            if (++code > CODE_MAX) {
                return RAW;
            }
        }
    }
    /* What fitted a small code may overflow the final one. */
    for (size_t i = 0; i < count; i++) {
        if (!fits(samples[i].value, code, &unused)) {
            return RAW;
        }
    }
    return (uint8_t)code;
}

static uint8_t choose_unit(const struct sampleblock_sample *samples, size_t count)
{
    uint8_t unit = 2;

    for (size_t i = 0; i < count && unit > 0; i++) {
        while (unit > 0 && samples[i].at.ns % unit_ns[unit] != 0) {
            unit--;
        }
    }
    return unit;
}

static void put_samples(struct writer *w, const struct sampleblock_sample *samples, size_t count,
                        uint8_t code, uint8_t unit)
{
    uint64_t time = 0;
    uint64_t step = 0;
    uint64_t value = 0;

    for (size_t i = 0; i < count; i++) {
        uint64_t now = (uint64_t)(samples[i].at.ns / unit_ns[unit]);
        if (i == 0) {
            put_signed(w, now);
        } else {
            put_signed(w, now - time - step);
            step = now - time;
        }
        time = now;
        if (code == RAW) {
            put_double(w, samples[i].value);
        } else {
            int64_t integer = 0;
            (void)fits(samples[i].value, code, &integer);
            put_signed(w, (uint64_t)integer - value);
            value = (uint64_t)integer;
        }
    }
}

enum sampleblock_verdict sampleblock_encode(const struct sampleblock_sample *samples, size_t count,
                                            uint8_t *out, size_t room, size_t *used)
{
    struct writer w = {.out = out, .room = room};

    if (count == 0 || count > SAMPLEBLOCK_COUNT_MAX) {
        return SAMPLEBLOCK_BAD_COUNT;
    }
    for (size_t i = 0; i < count; i++) {
        if (!isfinite(samples[i].value)) {
            return SAMPLEBLOCK_BAD_VALUE;
        }
    }
    uint8_t head[HEAD] = {VERSION, choose_code(samples, count), choose_unit(samples, count)};
    put(&w, head, HEAD);
    put_varint(&w, count);
    put_samples(&w, samples, count, head[1], head[2]);
    if (!w.full) {
        put_le(&w, crc_iso_hdlc(0, out, w.used), CRC_LEN);
    }
    if (w.full) {
        return SAMPLEBLOCK_NO_ROOM;
    }
    *used = w.used;
    return SAMPLEBLOCK_OK;
}

/* ---- reading ---- */

/* Kept apart from the reader until it is whole, so that its place stays in a register. */
static inline bool get_varint(struct sampleblock_reader *r, uint64_t *out)
{
    uint64_t value = 0;
    size_t at = r->at;

    for (unsigned shift = 0; shift < 64; shift += 7) {
        if (at >= r->end) {
            return false;
        }
        uint8_t byte = r->bytes[at++];
        if (shift == 63 && byte > 1) {
            return false;
        }
        value |= (uint64_t)(byte & 0x7F) << shift;
        if (byte < 0x80) {
            r->at = at;
            *out = value;
            return true;
        }
    }
    return false;
}

static inline bool get_signed(struct sampleblock_reader *r, uint64_t *out)
{
    uint64_t coded;

    if (!get_varint(r, &coded)) {
        return false;
    }
    *out = (coded >> 1) ^ ((coded & 1) != 0 ? UINT64_MAX : 0);
    return true;
}

static inline bool get_double(struct sampleblock_reader *r, double *out)
{
    uint64_t bits = 0;

    if (r->end - r->at < 8) {
        return false;
    }
    for (unsigned i = 0; i < 8; i++) {
        bits |= (uint64_t)r->bytes[r->at++] << (8 * i);
    }
    memcpy(out, &bits, sizeof bits);
    return isfinite(*out);
}

static inline bool get_time(struct sampleblock_reader *r, mono_ns *at)
{
    uint64_t change;

    if (!get_signed(r, &change)) {
        return false;
    }
    if (r->done == 0) {
        r->time = (int64_t)change;
    } else {
        r->step = (int64_t)((uint64_t)r->step + change);
        r->time = (int64_t)((uint64_t)r->time + (uint64_t)r->step);
    }
    if (r->time > time_most[r->unit] || r->time < time_least[r->unit]) {
        return false;
    }
    at->ns = r->time * unit_ns[r->unit];
    return true;
}

static inline bool get_value(struct sampleblock_reader *r, double *value)
{
    uint64_t change;

    if (r->code == RAW) {
        return get_double(r, value);
    }
    if (!get_signed(r, &change)) {
        return false;
    }
    r->value = (int64_t)((uint64_t)r->value + change);
    *value = (double)r->value / power_of_ten[r->code];
    return true;
}

static inline bool next(struct sampleblock_reader *reader, struct sampleblock_sample *out)
{
    if (reader->done >= reader->count || !get_time(reader, &out->at) || !get_value(reader, &out->value)) {
        return false;
    }
    reader->done++;
    return true;
}

bool sampleblock_next(struct sampleblock_reader *reader, struct sampleblock_sample *out)
{
    return next(reader, out);
}

static bool check_matches(const uint8_t *bytes, size_t len)
{
    uint32_t found = 0;

    for (unsigned i = 0; i < CRC_LEN; i++) {
        found |= (uint32_t)bytes[len - CRC_LEN + i] << (8 * i);
    }
    return found == crc_iso_hdlc(0, bytes, len - CRC_LEN);
}

/* Reads a copy to the end: whatever passes the check by chance or by malice is still bounded. */
static bool consistent(struct sampleblock_reader reader)
{
    struct sampleblock_sample sample;

    while (next(&reader, &sample)) {
    }
    return reader.done == reader.count && reader.at == reader.end;
}

enum sampleblock_verdict sampleblock_open(struct sampleblock_reader *reader, const void *blob, size_t len)
{
    const uint8_t *bytes = blob;
    uint64_t count;

    if (len < HEAD + CRC_LEN || !check_matches(bytes, len)) {
        return SAMPLEBLOCK_DAMAGED;
    }
    if (bytes[0] > VERSION) {
        return SAMPLEBLOCK_NEWER;
    }
    struct sampleblock_reader r = {
        .bytes = bytes, .at = HEAD, .end = len - CRC_LEN, .code = bytes[1], .unit = bytes[2]};
    if (bytes[0] != VERSION || (r.code > CODE_MAX && r.code != RAW) ||
        r.unit >= sizeof unit_ns / sizeof unit_ns[0] || !get_varint(&r, &count) || count == 0 ||
        count > SAMPLEBLOCK_COUNT_MAX) {
        return SAMPLEBLOCK_DAMAGED;
    }
    r.count = (uint32_t)count;
    if (!consistent(r)) {
        return SAMPLEBLOCK_DAMAGED;
    }
    *reader = r;
    return SAMPLEBLOCK_OK;
}
