#include "core/crc.h"
#include "io/tape_format.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Grows to hold the longest record that was met, at most TAPE_BYTES_MAX and its frame. */
enum { FIRST_SIZE = 64 * 1024 };

struct tape_reader {
    tape_source *source;
    void *ctx;
    int fd;          /* -1: not ours */
    size_t at, end;  /* what has been read and not yet been handed over */
    int64_t offset;  /* of `at` in the file */
    bool source_end; /* no more bytes will come */
    bool in_damage;
    struct tape_damage damage;
    uint8_t *buffer;
    size_t size;
};

static long read_file(void *ctx, void *bytes, size_t size)
{
    const struct tape_reader *reader = ctx;
    for (;;) {
        ssize_t got = read(reader->fd, bytes, size);
        if (got >= 0 || errno != EINTR)
            return (long)got;
    }
}

static bool make_room(struct tape_reader *reader, size_t len)
{
    if (reader->at > 0) {
        memmove(reader->buffer, reader->buffer + reader->at, reader->end - reader->at);
        reader->end -= reader->at;
        reader->at = 0;
    }
    if (len <= reader->size)
        return true;
    size_t size = reader->size * 2 > len ? reader->size * 2 : len;
    uint8_t *buffer = realloc(reader->buffer, size);
    if (buffer == NULL)
        return false;
    reader->buffer = buffer;
    reader->size = size;
    return true;
}

/* True where `len` bytes are in the buffer. */
static bool need(struct tape_reader *reader, size_t len)
{
    if (reader->end - reader->at >= len)
        return true;
    if (!make_room(reader, len))
        return false;
    while (reader->end - reader->at < len && !reader->source_end) {
        long got = reader->source(reader->ctx, reader->buffer + reader->end, reader->size - reader->end);
        if (got <= 0)
            reader->source_end = true;
        else
            reader->end += (size_t)got;
    }
    return reader->end - reader->at >= len;
}

static void skip(struct tape_reader *reader, size_t len)
{
    reader->at += len;
    reader->offset += (int64_t)len;
}

static void skip_damage(struct tape_reader *reader)
{
    const uint8_t *from = reader->buffer + reader->at;
    size_t have = reader->end - reader->at;
    const uint8_t *next = have > 1 ? memchr(from + 1, TAPE_SYNC_FIRST, have - 1) : NULL;
    size_t len = next == NULL ? have : (size_t)(next - from);
    if (!reader->in_damage) {
        reader->damage.places++;
        if (reader->damage.first_offset < 0)
            reader->damage.first_offset = reader->offset;
    }
    reader->in_damage = true;
    reader->damage.bytes += len;
    skip(reader, len);
}

enum found { FOUND_RECORD, FOUND_DAMAGE, FOUND_END };

/* Looks at the bytes in hand. A head that claims more than there is at the end of the file is a record cut short, unless
 * a sound record follows somewhere behind it: then its length was damaged. */
static enum found look(struct tape_reader *reader, struct tape_record *out)
{
    if (!need(reader, TAPE_HEAD_SIZE))
        return reader->end == reader->at ? FOUND_END : FOUND_DAMAGE;
    if (!tape_format_read_head(reader->buffer + reader->at, out))
        return FOUND_DAMAGE;
    if (!need(reader, TAPE_HEAD_SIZE + out->len + TAPE_CRC_SIZE))
        return FOUND_DAMAGE;
    const uint8_t *record = reader->buffer + reader->at;
    size_t len = TAPE_HEAD_SIZE + out->len;
    if (crc_castagnoli(0, record, len) != tape_format_read_u32(record + len))
        return FOUND_DAMAGE;
    out->bytes = record + TAPE_HEAD_SIZE;
    out->offset = reader->offset;
    return FOUND_RECORD;
}

/* Damage that reaches to the end and begins like a record that goes beyond it, or is too short to tell, is a torn one. */
static void judge_end(struct tape_reader *reader, bool begins_torn, uint64_t places, uint64_t bytes)
{
    struct tape_damage *damage = &reader->damage;
    if (!reader->in_damage || !begins_torn)
        return;
    damage->torn_bytes = damage->bytes - bytes;
    damage->bytes = bytes;
    damage->places = places;
    if (places == 0)
        damage->first_offset = -1;
}

static bool begins_torn(const struct tape_reader *reader)
{
    struct tape_record record;
    size_t have = reader->end - reader->at;
    const uint8_t *from = reader->buffer + reader->at;
    if (!reader->source_end)
        return false;
    if (have < TAPE_HEAD_SIZE)
        return from[0] == TAPE_SYNC_FIRST;
    return tape_format_read_head(from, &record) && have < TAPE_HEAD_SIZE + record.len + TAPE_CRC_SIZE;
}

static bool next_sound(struct tape_reader *reader, struct tape_record *out)
{
    bool torn = false;
    uint64_t places = 0, bytes = 0;
    for (;;) {
        enum found found = look(reader, out);
        if (found == FOUND_END) {
            judge_end(reader, torn, places, bytes);
            return false;
        }
        if (found == FOUND_RECORD) {
            reader->in_damage = false;
            skip(reader, TAPE_HEAD_SIZE + out->len + TAPE_CRC_SIZE);
            return true;
        }
        if (!reader->in_damage) {
            torn = begins_torn(reader);
            places = reader->damage.places;
            bytes = reader->damage.bytes;
        }
        skip_damage(reader);
    }
}

bool tape_reader_next(struct tape_reader *reader, struct tape_record *out)
{
    while (next_sound(reader, out)) {
        if (tape_kind_name(out->kind) != NULL)
            return true;
        reader->damage.unknown_kinds++;
    }
    return false;
}

const struct tape_damage *tape_reader_damage(const struct tape_reader *reader)
{
    return &reader->damage;
}

static struct tape_reader *reader_new(void)
{
    struct tape_reader *reader = calloc(1, sizeof *reader);
    uint8_t *buffer = malloc(FIRST_SIZE);
    if (reader == NULL || buffer == NULL) {
        free(reader);
        free(buffer);
        return NULL;
    }
    reader->buffer = buffer;
    reader->size = FIRST_SIZE;
    reader->fd = -1;
    reader->damage.first_offset = -1;
    return reader;
}

static struct tape_reader *begin(struct tape_reader *reader, char *error, size_t error_size)
{
    bool enough = need(reader, TAPE_HEADER_SIZE);
    if (!tape_format_check_header(reader->buffer, enough ? TAPE_HEADER_SIZE : 0, error, error_size)) {
        tape_reader_close(reader);
        return NULL;
    }
    skip(reader, TAPE_HEADER_SIZE);
    return reader;
}

struct tape_reader *tape_reader_from(tape_source *source, void *ctx, char *error, size_t error_size)
{
    struct tape_reader *reader = reader_new();
    if (reader == NULL) {
        snprintf(error, error_size, "%s", strerror(ENOMEM));
        return NULL;
    }
    reader->source = source;
    reader->ctx = ctx;
    return begin(reader, error, error_size);
}

struct tape_reader *tape_reader_open(const char *path, char *error, size_t error_size)
{
    struct tape_reader *reader = reader_new();
    if (reader == NULL) {
        snprintf(error, error_size, "%s", strerror(ENOMEM));
        return NULL;
    }
    reader->fd = open(path, O_RDONLY | O_CLOEXEC);
    if (reader->fd < 0) {
        snprintf(error, error_size, "cannot be opened: %s", strerror(errno));
        tape_reader_close(reader);
        return NULL;
    }
    reader->source = read_file;
    reader->ctx = reader;
    return begin(reader, error, error_size);
}

void tape_reader_close(struct tape_reader *reader)
{
    if (reader == NULL)
        return;
    if (reader->fd >= 0)
        close(reader->fd);
    free(reader->buffer);
    free(reader);
}
