#include "io/hostclock.h"

#include "core/fields.h"

#include <stdio.h>
#include <string.h>
#include <sys/timex.h>
#include <time.h>

/* Readings of which the narrowest is kept: one is wide now and then, when the process was put aside in between. */
enum { READINGS = 3 };

mono_ns hostclock_now(void)
{
    struct timespec now = {0};
    (void)clock_gettime(CLOCK_BOOTTIME, &now);
    return (mono_ns){(int64_t)now.tv_sec * NS_PER_S + now.tv_nsec};
}

static utc_ns realtime(void)
{
    struct timespec now = {0};
    (void)clock_gettime(CLOCK_REALTIME, &now);
    return (utc_ns){(int64_t)now.tv_sec * NS_PER_S + now.tv_nsec};
}

static void ask_kernel(struct hostclock_utc *out)
{
    struct timex state = {.modes = 0};
    int verdict = adjtimex(&state);
    out->synced = verdict >= 0 && verdict != TIME_ERROR && (state.status & STA_UNSYNC) == 0;
    out->max_error_us = verdict >= 0 ? state.maxerror : 0;
    out->est_error_us = verdict >= 0 ? state.esterror : 0;
    out->leap = verdict >= TIME_OK && verdict <= TIME_WAIT ? verdict : 0;
}

void hostclock_observe(struct hostclock_utc *out)
{
    /* The kernel's word first: a step between it and the reading then shows in the next observation, and is never
     * covered by an error bound that was given after it. */
    ask_kernel(out);
    for (int i = 0; i < READINGS; i++) {
        mono_ns before = hostclock_now();
        utc_ns utc = realtime();
        mono_ns after = hostclock_now();
        if (i > 0 && after.ns - before.ns >= out->after.ns - out->before.ns)
            continue;
        out->before = before;
        out->utc = utc;
        out->after = after;
    }
}

size_t hostclock_record(const struct hostclock_utc *observation, char *out, size_t size)
{
    struct fields_writer writer;
    fields_begin(&writer, out, size, "utc");
    fields_put_int(&writer, "before", observation->before.ns);
    fields_put_int(&writer, "utc", observation->utc.ns);
    fields_put_int(&writer, "after", observation->after.ns);
    fields_put_int(&writer, "synced", observation->synced);
    fields_put_int(&writer, "max_error_us", observation->max_error_us);
    fields_put_int(&writer, "est_error_us", observation->est_error_us);
    fields_put_int(&writer, "leap", observation->leap);
    return writer.len;
}

bool hostclock_boot_id(char out[HOSTCLOCK_BOOT_ID_SIZE])
{
    out[0] = '\0';
    FILE *file = fopen("/proc/sys/kernel/random/boot_id", "re");
    if (file == NULL)
        return false;
    bool told = fgets(out, HOSTCLOCK_BOOT_ID_SIZE, file) != NULL;
    fclose(file);
    if (!told)
        out[0] = '\0';
    out[strcspn(out, "\n")] = '\0';
    return out[0] != '\0';
}
