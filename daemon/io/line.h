/*
 * line: a serial line that comes and goes, on the loop. Pads and serial feeds are lines with different kinds.
 *
 *   absent --opened--> up --hang-up, error--> absent      tried again after 0.1 s, then 0.2 ... up to 2 s
 *
 * On any sign that the device is gone: the poll is stopped first, then the port closed, then `down` delivered, then
 * the backoff timer started. There is never a second poll on the descriptor, and none goes on after an error. While
 * the line is up no timer runs.
 *
 * What cannot be written at once waits in a queue of LINE_QUEUE_BYTES; a frame that does not fit is dropped whole and
 * counted (the protocol repeats what matters). The queue is emptied when the line goes down.
 */
#ifndef BELLROPE_IO_LINE_H
#define BELLROPE_IO_LINE_H

#include "io/config.h"
#include "io/deliver.h"

#include <uv.h>

enum { LINE_QUEUE_BYTES = 8192 };

struct line_plan {
    const char *name;      /* for the log: "pad bridge" */
    enum config_port port; /* PATH or USB */
    const char *path;      /* copied */
    uint16_t usb_vendor, usb_product;
    const char *usb_serial; /* copied */
    uint32_t baud;
    enum input_kind bytes, up, down;
    int source;
    struct deliver deliver;
};

struct line_counters {
    uint64_t bytes_in, bytes_out, frames_dropped, times_up;
};

struct line;

/* Starts trying at the loop's next turn. NULL where memory is short. */
struct line *line_new(uv_loop_t *loop, const struct line_plan *plan);

/* All of `bytes` or nothing; false where the line is down or the queue full. */
bool line_send(struct line *line, const void *bytes, size_t len);

/* What was queued by line_send() goes out, as far as it can, before this returns. */
bool line_is_up(const struct line *line);
const struct line_counters *line_counters(const struct line *line);

/* Closes the port at once, delivers nothing more, and frees itself when the loop has closed its handles. */
void line_close(struct line *line);

#endif
