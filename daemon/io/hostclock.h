/*
 * hostclock: the host's clocks, read in one place.
 *
 * Monotonic time is CLOCK_BOOTTIME: it goes on while the machine is suspended and is never stepped. It begins at
 * the host's boot, so a boot id goes with it wherever it is kept.
 */
#ifndef BELLROPE_IO_HOSTCLOCK_H
#define BELLROPE_IO_HOSTCLOCK_H

#include "core/instant.h"

#include <stdbool.h>
#include <stddef.h>

#define HOSTCLOCK_BOOT_ID_SIZE 37
#define HOSTCLOCK_RECORD_SIZE 256

mono_ns hostclock_now(void);

/*
 * One reading of UTC between two of the monotonic clock: the system's clock showed `utc` at some instant in
 * [before, after]. The kernel's own word on it comes from adjtimex(2): `synced` unless the state is TIME_ERROR or
 * STA_UNSYNC is set; maxerror and esterror in microseconds as the kernel gives them. Of a few readings the
 * narrowest is taken.
 */
struct hostclock_utc {
    mono_ns before, after;
    utc_ns utc;
    bool synced;
    int64_t max_error_us, est_error_us;
    int leap; /* adjtimex: 0 TIME_OK or not known, 1 TIME_INS, 2 TIME_DEL, 3 TIME_OOP, 4 TIME_WAIT */
};
void hostclock_observe(struct hostclock_utc *out);

/* The record of INPUT_UTC; returns its length. `out` holds HOSTCLOCK_RECORD_SIZE. */
size_t hostclock_record(const struct hostclock_utc *observation, char *out, size_t size);

/* The id the kernel gave this boot; false (and "") where /proc does not tell. */
bool hostclock_boot_id(char out[HOSTCLOCK_BOOT_ID_SIZE]);

#endif
