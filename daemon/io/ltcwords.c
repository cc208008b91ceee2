#include "io/ltcwords.h"

#include "io/ltcgain.h"

#include <ltc.h>
#include <stdlib.h>
#include <string.h>

/* ROOM: more words than 64 KiB can hold, at twice the speed of 30 words a second and 8 kHz. */
enum { BLOCK = 480, ROOM = 512, SLOW_START = 3, SHORT_WAIT = 8, LONG_WAIT = 32 };

struct ltcwords {
    LTCDecoder *decoder;
    struct ltcgain gain;
    double samples_per_word;
    int32_t window;
    int64_t samples;
    int64_t heard_at; /* sample at which the last word was found, or the decoder began */
    int wait;         /* for a word, in words' time */
    bool fresh;       /* the decoder began slow and has found none yet */
    uint64_t replaced;
    bool has_half;
    uint8_t half; /* the first byte of a sample whose second has not come */
    size_t first, count;
    struct tcmap_word found[ROOM];
};

static LTCDecoder *make_decoder(const struct ltcwords *words, int slower)
{
    return ltc_decoder_create((int)(words->samples_per_word * slower), ROOM);
}

struct ltcwords *ltcwords_new(int32_t sample_rate_hz, double samples_per_word)
{
    struct ltcwords *words = calloc(1, sizeof *words);
    if (words == NULL)
        return NULL;
    words->samples_per_word = samples_per_word;
    words->window = sample_rate_hz / 100;
    words->wait = SHORT_WAIT;
    words->decoder = make_decoder(words, 1);
    if (words->decoder == NULL) {
        free(words);
        return NULL;
    }
    return words;
}

void ltcwords_free(struct ltcwords *words)
{
    if (words == NULL)
        return;
    ltc_decoder_free(words->decoder);
    free(words);
}

/* Where memory is short the old one goes on. */
static void replace_decoder(struct ltcwords *words, int slower)
{
    LTCDecoder *fresh = make_decoder(words, slower);
    words->heard_at = words->samples;
    if (fresh == NULL)
        return;
    ltc_decoder_free(words->decoder);
    words->decoder = fresh;
    words->fresh = slower > 1;
}

void ltcwords_restart(struct ltcwords *words)
{
    words->samples = 0;
    replace_decoder(words, 1);
    words->wait = SHORT_WAIT;
    words->gain = (struct ltcgain){0};
    words->has_half = false;
    words->count = 0;
}

static short sample_of(uint8_t low, uint8_t high)
{
    return (short)(int16_t)(uint16_t)(low | high << 8);
}

/* Up to BLOCK samples. A half one is kept for the bytes to come. */
static size_t unpack(struct ltcwords *words, const uint8_t **bytes, const uint8_t *end, short *out)
{
    const uint8_t *at = *bytes;
    size_t count = 0;
    if (words->has_half)
        out[count++] = sample_of(words->half, *at++);
    const size_t whole = (size_t)(end - at) / 2, room = BLOCK - count, take = whole < room ? whole : room;
#if __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    memcpy(out + count, at, 2 * take); /* they lie as they are wanted */
#else
    for (size_t i = 0; i < take; i++)
        out[count + i] = sample_of(at[2 * i], at[2 * i + 1]);
#endif
    at += 2 * take;
    count += take;
    words->has_half = count < BLOCK && at < end;
    if (words->has_half)
        words->half = *at++;
    *bytes = at;
    return count;
}

/* A decoder out of noise may place a word's beginning before the stream's, or behind its end. */
static void keep(struct ltcwords *words, const LTCFrameExt *frame)
{
    if (words->count == ROOM || frame->off_start < 0 || frame->off_end <= frame->off_start)
        return;
    struct tcmap_word *word = &words->found[(words->first + words->count++) % ROOM];
    _Static_assert(sizeof frame->ltc >= sizeof word->packed, "a frame is the ten bytes as they were sent");
    memcpy(word->packed, &frame->ltc, sizeof word->packed);
    word->off_start = frame->off_start;
    word->off_end = frame->off_end;
    word->reverse = frame->reverse != 0;
    if (word->reverse) { /* libltc turns the other bytes round and leaves the sync word as it was heard */
        word->packed[8] = 0xFC;
        word->packed[9] = 0xBF;
    }
}

static void take_block(struct ltcwords *words, short *samples, size_t count)
{
    LTCFrameExt frame;
    ltcgain_apply(&words->gain, samples, count, words->window);
    ltc_decoder_write_s16(words->decoder, samples, count, words->samples);
    words->samples += (int64_t)count;
    while (ltc_decoder_read(words->decoder, &frame) == 1) {
        if (!words->fresh) /* the first word's beginning was timed before the decoder knew the speed */
            keep(words, &frame);
        words->fresh = false;
        words->heard_at = words->samples;
    }
    if ((double)(words->samples - words->heard_at) < words->wait * words->samples_per_word)
        return;
    replace_decoder(words, SLOW_START);
    words->replaced++;
    words->wait = words->wait == SHORT_WAIT ? LONG_WAIT : SHORT_WAIT;
}

int64_t ltcwords_feed(struct ltcwords *words, const uint8_t *bytes, size_t len)
{
    const uint8_t *end = bytes + len;
    short samples[BLOCK];
    while (bytes < end) {
        size_t count = unpack(words, &bytes, end, samples);
        if (count > 0)
            take_block(words, samples, count);
    }
    return words->samples;
}

bool ltcwords_next(struct ltcwords *words, struct tcmap_word *word)
{
    if (words->count == 0)
        return false;
    *word = words->found[words->first];
    words->first = (words->first + 1) % ROOM;
    words->count--;
    return true;
}

uint64_t ltcwords_replaced(const struct ltcwords *words)
{
    return words->replaced;
}
