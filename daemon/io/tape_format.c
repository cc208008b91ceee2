#include "io/tape_format.h"

#include <stdio.h>
#include <string.h>

static const char magic[8] = {'B', 'E', 'L', 'L', 'T', 'A', 'P', 'E'};

static const struct {
    const char *name;
    enum tape_kind kind;
    enum input_kind input;
} kinds[] = {
    {"tick", TAPE_TICK, INPUT_TICK},
    {"pad", TAPE_PAD, INPUT_PAD},
    {"pad up", TAPE_PAD_UP, INPUT_PAD_UP},
    {"pad down", TAPE_PAD_DOWN, INPUT_PAD_DOWN},
    {"feed", TAPE_FEED, INPUT_FEED},
    {"feed up", TAPE_FEED_UP, INPUT_FEED_UP},
    {"feed down", TAPE_FEED_DOWN, INPUT_FEED_DOWN},
    {"utc", TAPE_UTC, INPUT_UTC},
    {"audio", TAPE_AUDIO, INPUT_AUDIO},
    {"ltc", TAPE_LTC, INPUT_LTC},
    {"command", TAPE_COMMAND, INPUT_COMMAND},
    {"committed", TAPE_COMMITTED, INPUT_COMMITTED},
    {"store", TAPE_STORE, INPUT_STORE},
    {"restore", TAPE_RESTORE, INPUT_RESTORE},
    {"begin", TAPE_BEGIN, INPUT_KINDS},
    {"config", TAPE_CONFIG, INPUT_KINDS},
    {"plan", TAPE_PLAN, INPUT_KINDS},
    {"end", TAPE_END, INPUT_KINDS},
    {"gap", TAPE_GAP, INPUT_KINDS},
};
enum { KINDS = sizeof kinds / sizeof kinds[0] };

enum tape_kind tape_kind_of(enum input_kind kind)
{
    for (size_t i = 0; i < KINDS; i++)
        if (kinds[i].input == kind)
            return kinds[i].kind;
    return TAPE_TICK;
}

bool tape_input_kind(enum tape_kind kind, enum input_kind *out)
{
    for (size_t i = 0; i < KINDS; i++) {
        if (kinds[i].kind == kind && kinds[i].input != INPUT_KINDS) {
            *out = kinds[i].input;
            return true;
        }
    }
    return false;
}

const char *tape_kind_name(enum tape_kind kind)
{
    for (size_t i = 0; i < KINDS; i++)
        if (kinds[i].kind == kind)
            return kinds[i].name;
    return NULL;
}

static void put(uint64_t value, uint8_t *out, size_t len)
{
    for (size_t i = 0; i < len; i++)
        out[i] = (uint8_t)(value >> 8 * i);
}

static uint64_t get(const uint8_t *bytes, size_t len)
{
    uint64_t value = 0;
    for (size_t i = len; i > 0; i--)
        value = value << 8 | bytes[i - 1];
    return value;
}

void tape_format_u32(uint32_t value, uint8_t out[4])
{
    put(value, out, 4);
}

uint32_t tape_format_read_u32(const uint8_t bytes[4])
{
    return (uint32_t)get(bytes, 4);
}

void tape_format_header(uint8_t out[TAPE_HEADER_SIZE])
{
    memcpy(out, magic, sizeof magic);
    put(TAPE_VERSION, out + 8, 4);
    put(0, out + 12, 4);
}

bool tape_format_check_header(const uint8_t *bytes, size_t len, char *error, size_t error_size)
{
    if (len < TAPE_HEADER_SIZE || memcmp(bytes, magic, sizeof magic) != 0) {
        snprintf(error, error_size, "is no Bellrope tape");
        return false;
    }
    uint32_t version = tape_format_read_u32(bytes + 8);
    if (version != TAPE_VERSION)
        snprintf(error, error_size, "is a tape of version %u; this program reads version %u", version,
                 TAPE_VERSION);
    return version == TAPE_VERSION;
}

static uint8_t sum(const uint8_t head[TAPE_HEAD_SIZE])
{
    unsigned total = 0;
    for (size_t i = 0; i < TAPE_HEAD_SIZE; i++)
        total += head[i];
    return (uint8_t)total;
}

void tape_format_head(const struct tape_record *record, uint8_t out[TAPE_HEAD_SIZE])
{
    out[0] = TAPE_SYNC_FIRST;
    out[1] = 0xb3;
    out[2] = (uint8_t)record->kind;
    out[3] = 0;
    put((uint32_t)record->source, out + 4, 4);
    put((uint64_t)record->at.ns, out + 8, 8);
    put(record->len, out + 16, 4);
    out[3] = (uint8_t)-sum(out);
}

bool tape_format_read_head(const uint8_t head[TAPE_HEAD_SIZE], struct tape_record *out)
{
    uint32_t len = tape_format_read_u32(head + 16);
    if (head[0] != TAPE_SYNC_FIRST || head[1] != 0xb3 || sum(head) != 0 || len > TAPE_BYTES_MAX)
        return false;
    out->kind = (enum tape_kind)head[2];
    out->source = (int32_t)get(head + 4, 4);
    out->at.ns = (int64_t)get(head + 8, 8);
    out->len = len;
    return true;
}
