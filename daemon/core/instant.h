/*
 * instant: the clocks of Bellrope as distinct types, so that mixing them does not compile.
 *
 * mono_ns   host monotonic time in nanoseconds. The shells read CLOCK_BOOTTIME, which goes on while the machine is suspended;
 *           a suspend is then only time in which nothing arrived, and not a step against the pads' own clocks.
 * utc_ns    nanoseconds since 1970-01-01T00:00:00Z as POSIX counts them (leap seconds are not counted).
 * pad_tick  a keypad's own microsecond counter, 48 bits on the wire, never wrapping within one boot of a pad.
 *
 * A value whose truth is known only to lie between two ends is an interval; every UTC that leaves the core carries one.
 */
#ifndef BELLROPE_CORE_INSTANT_H
#define BELLROPE_CORE_INSTANT_H

#include <stdbool.h>
#include <stdint.h>

typedef struct {
    int64_t ns;
} mono_ns;

typedef struct {
    int64_t ns;
} utc_ns;

typedef struct {
    int64_t us;
} pad_tick;

#define NS_PER_S INT64_C(1000000000)
#define NS_PER_MS INT64_C(1000000)
#define NS_PER_US INT64_C(1000)

#endif
