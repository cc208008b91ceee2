/*
 * ltcgain: brings quiet timecode audio up to what libltc can hear.
 *
 * libltc works on 8 bits: below about -35 dB of full scale it hears nothing. Timecode is a square wave, so its level says
 * nothing; samples are multiplied by a power of two. A block that would be clipped lowers the factor at once; ten
 * milliseconds that stayed quiet raise it. At most 32 times: words are then read down to -60 dB, and the noise of an open
 * input stays unheard.
 */
#ifndef BELLROPE_IO_LTCGAIN_H
#define BELLROPE_IO_LTCGAIN_H

#include <stddef.h>
#include <stdint.h>

/* Zeroed memory begins, at factor one. */
struct ltcgain {
    int shift;     /* the factor is 2 to this, 0 to 5 */
    int32_t peak;  /* of the quiet stretch in hand */
    int32_t count; /* its samples */
};

/* In place. `window` is how many samples are ten milliseconds. */
void ltcgain_apply(struct ltcgain *gain, short *samples, size_t count, int32_t window);

#endif
