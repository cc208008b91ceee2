/*
 * ltcwords: the words of linear timecode out of audio, by libltc, at 0.1 to 2 times play speed and in reverse.
 *
 * libltc follows the speed of what it hears, but not everywhere: it takes a gap of three of its present bit periods for silence, and so
 * stays deaf for good where the speed falls suddenly below a third of what it was, and where the noise of a drop-out has drawn its period
 * down to a sample or two. So a decoder that has found no word for a while is replaced by a new one that begins three times slower
 * than play speed: it finds its way up to twice play speed at once, and down to a tenth. The while is by turns 8 words' time, which
 * mends a drop-out soon, and 32, which leaves room for three words at a tenth of the speed. (Measured with libltc 1.3.2.)
 */
#ifndef BELLROPE_IO_LTCWORDS_H
#define BELLROPE_IO_LTCWORDS_H

#include "core/tcmap.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct ltcwords;

/* NULL where memory is short. samples_per_word: at play speed. */
struct ltcwords *ltcwords_new(int32_t sample_rate_hz, double samples_per_word);
void ltcwords_free(struct ltcwords *words);

/* Another stream: samples count from 0 again, words not yet taken are gone. */
void ltcwords_restart(struct ltcwords *words);

/* Signed 16-bit little-endian mono, cut anywhere, also within a sample. Returns the samples of the stream so far. */
int64_t ltcwords_feed(struct ltcwords *words, const uint8_t *bytes, size_t len);

/* The words found, oldest first; false: no more. Take them after each feed of at most 64 KiB: there is room for its words. */
bool ltcwords_next(struct ltcwords *words, struct tcmap_word *word);

/* How often the decoder was replaced because it found nothing; for tests. */
uint64_t ltcwords_replaced(const struct ltcwords *words);

#endif
