/*
 * tape: the raw record of every input, in the order and with the time in which the engine got it. A tape and the program
 * are enough to make a dive's database again.
 *
 * On disk (little-endian):
 *
 *   file     "BELLTAPE" | version u32 = 1 | 0 u32 | record*
 *   record   sync u16 = B37A | kind u8 | check u8 | source i32 | mono i64 (ns) | length u32 | bytes | crc u32
 *
 * check makes the sum of the record's first 20 bytes 0 modulo 256; crc is CRC-32C (core/crc.h) over all of the record before
 * it. Kinds have numbers of their own, listed here, that never change meaning.
 *
 * A run of the daemon begins with TAPE_BEGIN (op=begin boot=ID program=VERSION utc=NS), then the texts of the
 * configuration and of each pad's key plan, then the restored state, then the inputs. A later run appends to the same
 * file: a tape is one run after another. Commits are on it (TAPE_COMMITTED), because the engine acts on them. The audio of
 * the timecode is not (96 kB/s): libltc stands before the engine, and the words it decoded are what the engine got.
 * Authentication tokens are not.
 *
 * Reading: a record cut short at the end of the file, as a crash leaves it, ends the tape without error. What is no sound
 * record is skipped up to the next one, counted, and its place remembered.
 *
 * Not taken: a text format (pads send binary bytes), blocks (a crash loses more), compression (the same).
 */
#ifndef BELLROPE_IO_TAPE_H
#define BELLROPE_IO_TAPE_H

#include "core/engine.h"

#define TAPE_VERSION 1u
/* No input is longer (a datagram has at most 64 KiB); a longer length is damage to the reader. */
enum { TAPE_BYTES_MAX = 1024 * 1024 };

enum tape_kind {
    TAPE_TICK = 1,
    TAPE_PAD = 2,
    TAPE_PAD_UP = 3,
    TAPE_PAD_DOWN = 4,
    TAPE_FEED = 5,
    TAPE_FEED_UP = 6,
    TAPE_FEED_DOWN = 7,
    TAPE_UTC = 8,
    TAPE_AUDIO = 9,
    TAPE_LTC = 10,
    TAPE_COMMAND = 11,
    TAPE_COMMITTED = 12,
    TAPE_STORE = 13,
    TAPE_RESTORE = 14,
    TAPE_BEGIN = 64,  /* a run begins */
    TAPE_CONFIG = 65, /* the configuration's text */
    TAPE_PLAN = 66,   /* a key plan's text; source = pad */
    TAPE_END = 67,    /* op=end: the run ended in good order */
    TAPE_GAP = 68     /* op=gap records=N: the disk was too slow, N records are missing here */
};

enum tape_kind tape_kind_of(enum input_kind kind);
/* False where the kind is not an input. */
bool tape_input_kind(enum tape_kind kind, enum input_kind *out);
/* "pad", "feed", "committed" ...; NULL for a number that is no kind. */
const char *tape_kind_name(enum tape_kind kind);

struct tape_writer;

/*
 * Opens `path` for appending, or makes it (mode 0640), and holds it against a second writer. A thread writes what
 * tape_write() collects; at most 8 MiB wait for it, what comes beyond is dropped and told as a TAPE_GAP. NULL with a reason
 * in `error` where the file cannot be opened, is held, or is no tape of this version.
 */
struct tape_writer *tape_open(const char *path, char *error, size_t error_size);

/* Never waits for the disk. One thread. */
void tape_write(struct tape_writer *tape, enum tape_kind kind, int source, mono_ns at, const void *bytes,
                size_t len);

/* Has the thread write what has been collected; call it within a second of the first record collected. Returns at once. */
void tape_flush(struct tape_writer *tape);

/* Whether records wait for a flush. */
bool tape_is_dirty(const struct tape_writer *tape);

/* The errno of the first write that failed, 0 while all is well. After a failure nothing more is written. */
int tape_failed(struct tape_writer *tape);

/* Waits until everything is written, closes; returns tape_failed(). NULL is fine. */
int tape_close(struct tape_writer *tape);

struct tape_record {
    enum tape_kind kind;
    int source;
    mono_ns at;
    const uint8_t *bytes; /* the reader's, until the next call */
    size_t len;
    int64_t offset; /* where the record begins in the file */
};

struct tape_reader;

/* Where the bytes come from: like read(2), 0 at the end, negative for an error (taken as the end). */
typedef long tape_source(void *ctx, void *bytes, size_t size);

/* NULL with a reason where it cannot be opened or is no tape of this version. */
struct tape_reader *tape_reader_open(const char *path, char *error, size_t error_size);
struct tape_reader *tape_reader_from(tape_source *source, void *ctx, char *error, size_t error_size);

/* True with the next sound record of a known kind; false at the end. */
bool tape_reader_next(struct tape_reader *reader, struct tape_record *out);

struct tape_damage {
    uint64_t places;        /* runs of bytes that are no sound record */
    uint64_t bytes;         /* how many bytes that were */
    int64_t first_offset;   /* of the first place; -1: none */
    uint64_t torn_bytes;    /* of a record cut short at the end */
    uint64_t unknown_kinds; /* sound records of kinds not known here, passed over */
};
const struct tape_damage *tape_reader_damage(const struct tape_reader *reader);
void tape_reader_close(struct tape_reader *reader);

#endif
