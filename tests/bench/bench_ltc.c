/*
 * Timecode audio to timecode, beside libltc alone:  bench_ltc [ROUNDS] [SCALE] [grow]
 *
 * Full work: ten minutes of 48 kHz, 16-bit mono, in pieces of 20 ms. Ours is the whole way of the daemon: bytes to samples, gain, libltc, words
 * checked and placed, the clock maps of audio and timecode. The peer is libltc on the same samples, its words thrown away.
 */
#include "core_bench.h"

#include "core/tcmap.h"
#include "io/ltcwords.h"

#include <ltc.h>

enum { PIECE = 960, RATE = 48000, MINUTES = 10 };

static const struct take {
    const char *name;
    double fps;
    enum LTC_TV_STANDARD standard;
    enum timecode_rate rate;
} takes[] = {
    {"LTC at 25 to timecode, beside libltc alone", 25, LTC_TV_625_50, TC_RATE_25},
    {"LTC at 29.97 to timecode, beside libltc alone", 30000.0 / 1001, LTC_TV_525_60, TC_RATE_29_97_NDF}};

/* Samples as bytes, least first, at a third of full scale. *len is in samples. NULL where memory is short. */
static int16_t *make_audio(const struct take *take, double scale, size_t *len)
{
    const int frames = (int)(take->fps * 60 * MINUTES * scale) + 50;
    const size_t room = (size_t)((frames + 2) * RATE / take->fps);
    LTCEncoder *encoder = ltc_encoder_create(RATE, take->fps, take->standard, 0);
    int16_t *out = malloc(room * sizeof *out);
    *len = 0;
    for (int i = 0; encoder != NULL && out != NULL && i < frames; i++) {
        ltcsnd_sample_t *piece = NULL;
        ltc_encoder_encode_frame(encoder);
        const int got = ltc_encoder_get_bufferptr(encoder, &piece, 1);
        for (int n = 0; n < got && *len < room; n++)
            out[(*len)++] = (int16_t)((piece[n] - 128) * 100);
        ltc_encoder_inc_timecode(encoder);
    }
    ltc_encoder_free(encoder);
    return out;
}

static double ours_of(const struct take *take, const int16_t *audio, size_t len, int *found)
{
    static struct tcmap map;
    const struct tcmap_params params = tcmap_params_default(take->rate, RATE, 0, 10000000);
    struct ltcwords *words = ltcwords_new(RATE, RATE / take->fps);
    struct tcmap_word word;
    if (words == NULL || tcmap_init(&map, &params) != 0)
        return -1;
    double start = bench_cpu_s();
    for (size_t at = 0; at + PIECE <= len; at += PIECE) {
        const int64_t end = ltcwords_feed(words, (const uint8_t *)(audio + at), PIECE * sizeof *audio);
        tcmap_chunk(&map, end, (mono_ns){end * 125 / 6 * 1000 + 5000000});
        while (ltcwords_next(words, &word))
            tcmap_word(&map, &word);
    }
    double took = bench_cpu_s() - start;
    ltcwords_free(words);
    *found = (int)map.words;
    return map.locked && map.bad_words == 0 ? took : -1;
}

static double floor_of(const struct take *take, int16_t *audio, size_t len, int *found)
{
    LTCDecoder *decoder = ltc_decoder_create((int)(RATE / take->fps), 32);
    LTCFrameExt frame;
    if (decoder == NULL)
        return -1;
    double start = bench_cpu_s();
    for (size_t at = 0; at + PIECE <= len; at += PIECE) {
        ltc_decoder_write_s16(decoder, audio + at, PIECE, (ltc_off_t)at);
        while (ltc_decoder_read(decoder, &frame) > 0)
            (*found)++;
    }
    double took = bench_cpu_s() - start;
    ltc_decoder_free(decoder);
    return took;
}

static int rows(int rounds, double scale)
{
    for (size_t i = 0; i < sizeof takes / sizeof takes[0]; i++) {
        size_t len;
        int16_t *audio = make_audio(&takes[i], scale, &len);
        for (int round = 0; audio != NULL && round < rounds; round++) {
            int found = 0, alone = 0;
            const double ours = ours_of(&takes[i], audio, len, &found);
            const double floor = floor_of(&takes[i], audio, len, &alone);
            if (ours < 0 || floor < 0 || found != alone)
                return 1;
            bench_say(takes[i].name, "times real time", (double)len / RATE / ours, (double)len / RATE / floor,
                      0.9, "rate");
        }
        free(audio);
    }
    return 0;
}

static double seconds(double scale)
{
    size_t len;
    int found;
    int16_t *audio = make_audio(&takes[0], scale, &len);
    const double took = audio != NULL ? ours_of(&takes[0], audio, len, &found) : -1;
    free(audio);
    return took;
}

int main(int argc, char **argv)
{
    const struct core_bench bench = {"LTC to timecode", rows, seconds};
    return core_bench_main(&bench, argc, argv);
}
