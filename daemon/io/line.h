/*
 * line: a source of bytes that comes and goes, on the loop. Pads, serial feeds, fifos and commands are lines that differ in
 * how they are opened and in the kinds of their inputs.
 *
 *   absent --opened--> up --hang-up, error--> absent      tried again after 0.1 s, then 0.2 ... up to 2 s; anew
 *                                             from 0.1 s once bytes have come, or something of its name has
 *
 * What is simply not there is then left to a watch of its folder (arrival.h), and the line sleeps; the longest wait goes on where
 * it is there and cannot be opened, and for commands.
 *
 * `up` carries op=up port=PATH; `down` carries op=down why=TEXT.
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

#include "io/deliver.h"

#include <uv.h>

enum { LINE_QUEUE_BYTES = 8192 };

/* Opens what is no serial port: a descriptor to read without blocking, or negative with a reason in `error`. */
typedef int line_open_fn(void *ctx, const char *path, char *error, size_t error_size);

/* A line_open_fn for fifos and character devices; never waits for a writer. Regular files are refused. */
int line_open_stream(void *ctx, const char *path, char *error, size_t error_size);

struct line_plan {
    const char *name; /* for the log: "pad bridge" */
    const char *path; /* NULL: by USB ids */
    uint16_t usb_vendor, usb_product;
    const char *usb_serial;
    uint32_t baud;      /* 0: any does (native USB) */
    line_open_fn *open; /* NULL: a serial port */
    void *open_ctx;
    bool is_command;                      /* `path` names no file */
    uint32_t first_wait_ms, last_wait_ms; /* between tries; 0: 100 and 2000 */
    enum input_kind bytes, up, down;
    int source;
    struct deliver deliver;
};

struct line_counters {
    uint64_t bytes_in, bytes_out, frames_dropped, times_up;
};

struct line;

/* Starts trying at the loop's next turn. The plan's texts are copied. NULL where memory is short. */
struct line *line_new(uv_loop_t *loop, const struct line_plan *plan);

/* All of `bytes` or nothing; false where the line is down or the queue full. Never delivers: may be called from within
 * a delivery. */
bool line_send(struct line *line, const void *bytes, size_t len);

bool line_is_up(const struct line *line);
const struct line_counters *line_counters(const struct line *line);

/* Closes the port at once, delivers nothing more, and when the loop has closed its handles calls `closed` (unless NULL) and
 * frees itself. */
void line_close(struct line *line, void (*closed)(void *ctx), void *ctx);

#endif
