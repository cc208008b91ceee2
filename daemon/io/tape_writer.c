#include "core/crc.h"
#include "io/tape_format.h"

#include "core/fields.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

/* Two buffers change places: one is filled by the caller while the thread writes the other. */
enum { ROOM = 8 * 1024 * 1024, HAND_OVER = 256 * 1024, FIRST_SIZE = 64 * 1024 };

struct buffer {
    uint8_t *bytes;
    size_t len, size;
};

struct tape_writer {
    int fd;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t work;
    bool dirty;       /* the caller's own view: something was written since the last flush */
    uint64_t dropped; /* records not on the tape since the last gap was told */
    mono_ns last_at;
    /* under the lock */
    struct buffer filling;
    bool wanted, ending;
    int failure;
};

static bool reserve(struct buffer *buffer, size_t len)
{
    if (buffer->len + len <= buffer->size)
        return true;
    size_t size = buffer->size == 0 ? FIRST_SIZE : buffer->size;
    while (size < buffer->len + len)
        size *= 2;
    uint8_t *bytes = realloc(buffer->bytes, size);
    if (bytes == NULL)
        return false;
    buffer->bytes = bytes;
    buffer->size = size;
    return true;
}

static int write_all(int fd, const uint8_t *bytes, size_t len)
{
    while (len > 0) {
        ssize_t put = write(fd, bytes, len);
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0)
            return put < 0 ? errno : EIO;
        bytes += put;
        len -= (size_t)put;
    }
    return 0;
}

static void *write_on(void *ctx)
{
    struct tape_writer *tape = ctx;
    struct buffer writing = {0};
    bool ending = false;
    while (!ending) {
        pthread_mutex_lock(&tape->lock);
        while (!tape->wanted && !tape->ending)
            pthread_cond_wait(&tape->work, &tape->lock);
        struct buffer full = tape->filling;
        tape->filling = writing;
        tape->filling.len = 0;
        writing = full;
        tape->wanted = false;
        ending = tape->ending;
        bool failed = tape->failure != 0;
        pthread_mutex_unlock(&tape->lock);

        int failure = failed ? 0 : write_all(tape->fd, writing.bytes, writing.len);
        if (failure != 0) {
            pthread_mutex_lock(&tape->lock);
            tape->failure = failure;
            pthread_mutex_unlock(&tape->lock);
        }
    }
    free(writing.bytes);
    return NULL;
}

static bool append(struct tape_writer *tape, const struct tape_record *record)
{
    uint8_t head[TAPE_HEAD_SIZE], tail[TAPE_CRC_SIZE];
    tape_format_head(record, head);
    tape_format_u32(crc_castagnoli(crc_castagnoli(0, head, sizeof head), record->bytes, record->len), tail);
    pthread_mutex_lock(&tape->lock);
    struct buffer *out = &tape->filling;
    size_t len = sizeof head + record->len + sizeof tail;
    bool good = tape->failure == 0 && out->len + len <= ROOM && reserve(out, len);
    if (good) {
        memcpy(out->bytes + out->len, head, sizeof head);
        if (record->len > 0)
            memcpy(out->bytes + out->len + sizeof head, record->bytes, record->len);
        memcpy(out->bytes + out->len + sizeof head + record->len, tail, sizeof tail);
        out->len += len;
        if (out->len >= HAND_OVER && !tape->wanted) {
            tape->wanted = true;
            pthread_cond_signal(&tape->work);
        }
    }
    pthread_mutex_unlock(&tape->lock);
    return good;
}

static bool tell_gap(struct tape_writer *tape)
{
    char text[64];
    struct fields_writer writer;
    fields_begin(&writer, text, sizeof text, "gap");
    fields_put_int(&writer, "records", (int64_t)tape->dropped);
    struct tape_record gap = {
        .kind = TAPE_GAP, .at = tape->last_at, .bytes = (const uint8_t *)text, .len = writer.len};
    return append(tape, &gap);
}

void tape_write(struct tape_writer *tape, enum tape_kind kind, int source, mono_ns at, const void *bytes,
                size_t len)
{
    struct tape_record record = {.kind = kind, .source = source, .at = at, .bytes = bytes, .len = len};
    tape->last_at = at;
    if (tape->dropped > 0 && tell_gap(tape))
        tape->dropped = 0;
    if (tape->dropped > 0 || len > TAPE_BYTES_MAX || !append(tape, &record))
        tape->dropped++;
    tape->dirty = true;
}

void tape_flush(struct tape_writer *tape)
{
    tape->dirty = false;
    pthread_mutex_lock(&tape->lock);
    tape->wanted = true;
    pthread_cond_signal(&tape->work);
    pthread_mutex_unlock(&tape->lock);
}

bool tape_is_dirty(const struct tape_writer *tape)
{
    return tape->dirty;
}

int tape_failed(struct tape_writer *tape)
{
    pthread_mutex_lock(&tape->lock);
    int failure = tape->failure;
    pthread_mutex_unlock(&tape->lock);
    return failure;
}

/* An empty file gets a header; any other must have one. */
static bool check_or_begin(int fd, char *error, size_t error_size)
{
    uint8_t header[TAPE_HEADER_SIZE];
    ssize_t got = pread(fd, header, sizeof header, 0);
    if (got < 0) {
        snprintf(error, error_size, "cannot be read: %s", strerror(errno));
        return false;
    }
    if (got > 0)
        return tape_format_check_header(header, (size_t)got, error, error_size);
    tape_format_header(header);
    int failure = write_all(fd, header, sizeof header);
    if (failure != 0)
        snprintf(error, error_size, "cannot be written: %s", strerror(failure));
    return failure == 0;
}

static int open_file(const char *path, char *error, size_t error_size)
{
    int fd = open(path, O_RDWR | O_APPEND | O_CREAT | O_CLOEXEC | O_NOCTTY, 0640);
    if (fd < 0) {
        snprintf(error, error_size, "cannot be opened: %s", strerror(errno));
        return -1;
    }
    if (flock(fd, LOCK_EX | LOCK_NB) != 0)
        snprintf(error, error_size, "is written by another program");
    else if (check_or_begin(fd, error, error_size))
        return fd;
    close(fd);
    return -1;
}

struct tape_writer *tape_open(const char *path, char *error, size_t error_size)
{
    int fd = open_file(path, error, error_size);
    if (fd < 0)
        return NULL;
    struct tape_writer *tape = calloc(1, sizeof *tape);
    if (tape != NULL) {
        tape->fd = fd;
        pthread_mutex_init(&tape->lock, NULL);
        pthread_cond_init(&tape->work, NULL);
        if (pthread_create(&tape->thread, NULL, write_on, tape) == 0)
            return tape;
        pthread_cond_destroy(&tape->work);
        pthread_mutex_destroy(&tape->lock);
    }
    snprintf(error, error_size, "not enough memory to write it");
    free(tape);
    close(fd);
    return NULL;
}

int tape_close(struct tape_writer *tape)
{
    if (tape == NULL)
        return 0;
    if (tape->dropped > 0)
        (void)tell_gap(tape);
    pthread_mutex_lock(&tape->lock);
    tape->ending = true;
    pthread_cond_signal(&tape->work);
    pthread_mutex_unlock(&tape->lock);
    pthread_join(tape->thread, NULL);
    int failure = tape->failure;
    if (close(tape->fd) != 0 && failure == 0)
        failure = errno;
    pthread_cond_destroy(&tape->work);
    pthread_mutex_destroy(&tape->lock);
    free(tape->filling.bytes);
    free(tape);
    return failure;
}
