#include "io/ltcgain.h"

enum { SHIFT_MAX = 5, FULL = 32767, QUIET = 20000 };

/* The greatest and the least are sought as shorts, eight at a time on common processors. */
static int32_t peak_of(const short *samples, size_t count)
{
    short high = 0, low = 0;
    for (size_t i = 0; i < count; i++) {
        high = samples[i] > high ? samples[i] : high;
        low = samples[i] < low ? samples[i] : low;
    }
    return high > -low ? high : -low;
}

void ltcgain_apply(struct ltcgain *gain, short *samples, size_t count, int32_t window)
{
    int32_t peak = peak_of(samples, count);
    while (gain->shift > 0 && peak * (1 << gain->shift) > FULL)
        gain->shift--;
    for (size_t i = 0; i < count && gain->shift > 0; i++)
        samples[i] = (short)(samples[i] * (1 << gain->shift));
    if (peak > gain->peak)
        gain->peak = peak;
    gain->count += (int32_t)count;
    if (gain->count < window)
        return;
    while (gain->shift < SHIFT_MAX && gain->peak * (2 << gain->shift) < QUIET)
        gain->shift++;
    gain->peak = 0;
    gain->count = 0;
}
