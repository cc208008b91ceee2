/*
 * evdev: a plain USB number pad as a keypad, through Linux's input events (linux/input.h).
 *
 * The device is grabbed, so that no other program and no console sees its keys, and its events carry the kernel's own
 * CLOCK_BOOTTIME stamps, taken when the USB report arrived. Such a pad has no memory, no lamps and no clock; holds and
 * chords are not told apart. A low-speed USB keyboard is asked every 8 to 10 ms and scans its keys about as often
 * (common practice, no published source), so a key was down at most EVDEV_WITHIN_NS before its stamp.
 *
 * Keys are named by where they are on the pad, row by row:
 *
 *   A1 Num    A2 /   A3 *   A4 -
 *   B1 7      B2 8   B3 9   B4 +
 *   C1 4      C2 5   C3 6   C4 Backspace
 *   D1 1      D2 2   D3 3   D4 Enter
 *   E1 0      E2 =   E3 .
 *
 * The digits of a full keyboard's top row count as those of the pad. Other keys are counted and dropped.
 * Not taken: libevdev, of which this would use three calls.
 */
#ifndef BELLROPE_IO_EVDEV_H
#define BELLROPE_IO_EVDEV_H

#include "core/instant.h"

#include <stddef.h>
#include <stdint.h>

#define EVDEV_WITHIN_NS (20 * NS_PER_MS)

/* Opens and grabs (a line_open_fn; `ctx` is not used). */
int evdev_open(void *ctx, const char *path, char *error, size_t error_size);

/* Zeroed memory begins. */
struct evdev_decoder {
    uint32_t presses;      /* handed to the sink: the sequence number of the last */
    uint64_t unknown_keys; /* key-downs of keys that are not on the pad above */
    uint64_t overruns;     /* times the kernel dropped events: presses may be missing */
    int dropping;
};

/* A key-down: its name ("B2"), its number from 1, and the kernel's stamp. */
typedef void evdev_press_fn(void *ctx, const char *key, uint32_t seq, mono_ns at);

/* `bytes` are whole struct input_event as read(2) gives them; a fraction at the end is dropped. */
void evdev_decode(struct evdev_decoder *decoder, const void *bytes, size_t len, evdev_press_fn *press,
                  void *ctx);

#endif
