/*
 * fifo: the recorder's audio on its way out, s16le into a named pipe.
 *
 * Samples that nobody reads are gone, as at a loudspeaker socket. A reader that falls behind by about 170 ms (what the
 * pipe holds) loses the stream: the pipe is closed and a new stream begins, so that what arrives is either timely or plainly broken,
 * never silently shifted.
 */
#ifndef BELLROPE_RIG_FIFO_H
#define BELLROPE_RIG_FIFO_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct fifo {
    const char *path;
    int fd;           /* -1: nobody reads */
    int64_t retry_ns; /* not looked for a reader before */
    bool running;
    unsigned overruns; /* streams broken because the reader fell behind */
};

/* Makes the fifo where there is none. 0 or a negative errno; -ENOTSUP where `path` is something else. */
int fifo_open(struct fifo *fifo, const char *path);
void fifo_run(struct fifo *fifo, bool running);
void fifo_send(struct fifo *fifo, int64_t now_ns, const int16_t *samples, size_t count);
void fifo_close(struct fifo *fifo);

#endif
