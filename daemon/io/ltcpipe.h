/*
 * ltcpipe: linear timecode as audio, from a command's output or a fifo, decoded by libltc.
 *
 * The stream is mono signed 16-bit little-endian. After each read one INPUT_AUDIO says up to which sample the stream
 * has arrived, and each decoded word is an INPUT_LTC with the samples where it began and ended; both carry the time of
 * the read. The engine makes the clock map of it.
 *
 * When the stream ends (the command exits, the writer closes the fifo) that is told, and it is opened again with
 * backoff; a stream's samples are counted from 0. A fifo is opened without blocking, so a recorder that is not there
 * never holds up the daemon. A command runs in a process group of its own, with stdin and stderr from the daemon's
 * /dev/null and stderr; the group is killed and the child reaped on close.
 */
#ifndef BELLROPE_IO_LTCPIPE_H
#define BELLROPE_IO_LTCPIPE_H

#include "io/config.h"
#include "io/deliver.h"

#include <uv.h>

/* One decoded word as 20 lower-case hex digits: the 10 bytes of the 80 bits, each least significant bit first, in the
 * order sent, sync word last (01:02:03:04 at 25 fps: "0400030002000100fcbf"). */
enum { LTCPIPE_WORD_SIZE = 21 };

struct ltcpipe;

/* `sample_rate_hz` and the nominal frames a second tell the decoder where to begin; it adapts from there. */
struct ltcpipe *ltcpipe_new(uv_loop_t *loop, enum config_audio kind, const char *source,
                            int32_t sample_rate_hz, int frames_per_s, const struct deliver *deliver);

/* Kills the command, delivers nothing more, and frees itself when the loop has closed its handles. */
void ltcpipe_close(struct ltcpipe *pipe);

#endif
