/*
 * live_pad: the pad's end of a pseudo-terminal, and a pad without firmware: it tells who it is, answers pings, and offers presses at the
 * line's speed, at most 8 unanswered, as docs/protocol.md has it.
 */
#ifndef TESTS_BENCH_LIVE_PAD_H
#define TESTS_BENCH_LIVE_PAD_H

#include "bellrope/wire.h"

#include <stddef.h>
#include <stdint.h>

enum { LIVE_PAD_OFFERS = 8 };

/* The clock that the daemon reads. */
int64_t live_now_ns(void);

/* The master of a new pseudo-terminal, raw and non-blocking; `link` becomes a link to its other end. */
int live_pty(const char *link);

/* Waits until the other end is open. */
void live_pty_opened(int fd);

struct live_pad {
    int fd;
    char serial[WIRE_SERIAL_MAX + 1];
    uint32_t boot;
    int64_t boot_ns;
    struct wire_decoder heard;
    bool known;    /* HELLO was asked for and said */
    uint32_t next; /* seq of the next press to offer */
    uint32_t last; /* up to which there are presses */
    uint32_t kept; /* answered so far, in all */
    int64_t pressed_ns;
    int64_t line_free_ns; /* when the line has sent what was put on it */
};

void live_pad_open(struct live_pad *pad, const char *link, const char *serial);

/* `count` presses, made 100 ms apart, the last of them now, are to be offered. */
void live_pad_press(struct live_pad *pad, uint32_t count);

/* Sends what is due and takes what has come. Returns ns until something is due; INT64_MAX: an answer first. */
int64_t live_pad_run(struct live_pad *pad);

/* Seconds that this many frames of PRESS take on a line of 115200 baud. */
double live_pad_line_s(uint32_t presses);

#endif
