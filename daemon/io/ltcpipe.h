/*
 * ltcpipe: linear timecode as audio, from a command's output or a fifo, decoded by libltc.
 *
 * The stream is mono signed 16-bit little-endian. After each read one INPUT_AUDIO says up to which sample the stream has
 * arrived, then each word found in it is an INPUT_LTC with the samples where it began and ended; all carry the time of the
 * read. The engine makes the clock map of it.
 *
 * When the stream ends (the command exits, the writer closes the fifo) an INPUT_AUDIO says so, and it is opened again with
 * backoff; each stream's samples are counted from 0. A fifo is opened without waiting for a writer, so a recorder that is
 * not there never holds up the daemon.
 *
 * A command is run by /bin/sh in the configuration file's folder, in a session of its own, with no input and the daemon's
 * stderr. Whatever is left of it is killed when its output ends and on close; the child is always reaped.
 */
#ifndef BELLROPE_IO_LTCPIPE_H
#define BELLROPE_IO_LTCPIPE_H

#include "io/config.h"
#include "io/deliver.h"

#include <uv.h>

/* One decoded word as 20 lower-case hex digits: the 10 bytes of the 80 bits, each least significant bit first, in the
 * order sent, sync word last (01:02:03:04 at 25 fps: "0400030002000100fcbf"). */
enum { LTCPIPE_WORD_SIZE = 21 };

struct ltcpipe_plan {
    enum config_audio kind; /* EXEC or FIFO */
    const char *source;     /* the command, or the fifo's path */
    const char *folder;     /* where a command runs; "" for the working directory */
    int32_t sample_rate_hz;
    int32_t frames_per_s; /* nominal: as many words a second at play speed */
    struct deliver deliver;
};

struct ltcpipe;

/* Starts at the loop's next turn; NULL where memory is short. The plan's texts are copied. */
struct ltcpipe *ltcpipe_new(uv_loop_t *loop, const struct ltcpipe_plan *plan);

/* Kills the command, delivers nothing more, and frees itself when the loop has closed its handles. */
void ltcpipe_close(struct ltcpipe *pipe);

#endif
