#include "cli/decode.h"

#include "core/timecode.h"

#include <ltc.h>
#include <math.h>
#include <string.h>

#define SAMPLES 4096

struct ltc_run {
    enum timecode_rate rate;
    unsigned long words, unreadable;
};

static void print_word(struct ltc_run *run, const LTCFrameExt *frame)
{
    uint8_t packed[TIMECODE_WORD_BYTES];
    struct timecode_word word;
    char text[24];
    memcpy(packed, &frame->ltc, sizeof packed);
    run->words++;
    printf("{\"start\":%lld,\"end\":%lld,\"reverse\":%s,", (long long)frame->off_start,
           (long long)frame->off_end, frame->reverse != 0 ? "true" : "false");
    if (timecode_word_decode(packed, run->rate, &word) != 0) {
        run->unreadable++;
        puts("\"verdict\":\"no time of day\"}");
        return;
    }
    enum timecode_rate rate = timecode_word_rate(run->rate);
    bool fits = word.drop == timecode_is_drop(rate) && timecode_check(word.tc, rate) == 0;
    snprintf(text, sizeof text, "%02u:%02u:%02u%c%02u", word.tc.hh, word.tc.mm, word.tc.ss,
             word.drop ? ';' : ':', word.tc.ff);
    printf("\"verdict\":\"%s\",\"timecode\":\"%s\",\"drop\":%s,\"user_bits\":\"%08lx\"}\n",
           fits ? "ok" : "another rate", text, word.drop ? "true" : "false", (unsigned long)word.user_bits);
    run->unreadable += fits ? 0 : 1;
}

/* Bytes are little-endian, whatever the machine is. */
static size_t read_samples(FILE *in, short *to)
{
    unsigned char bytes[SAMPLES * 2];
    size_t got = fread(bytes, 2, SAMPLES, in);
    for (size_t i = 0; i < got; i++)
        to[i] = (short)(bytes[2 * i] | bytes[2 * i + 1] << 8);
    return got;
}

static int decode(struct ltc_run *run, LTCDecoder *decoder, FILE *in)
{
    short samples[SAMPLES];
    LTCFrameExt frame;
    ltc_off_t at = 0;
    size_t got;
    while ((got = read_samples(in, samples)) > 0) {
        ltc_decoder_write_s16(decoder, samples, got, at);
        at += (ltc_off_t)got;
        while (ltc_decoder_read(decoder, &frame) > 0)
            print_word(run, &frame);
        fflush(stdout);
    }
    fprintf(stderr, "%lld samples: %lu words, %lu of them not of this rate\n", (long long)at, run->words,
            run->unreadable);
    return CLI_DONE;
}

int decode_ltc(const struct options *options, FILE *in)
{
    struct ltc_run run = {.rate = TC_RATE_25};
    const char *rate = options_value(options, "rate");
    long long sample_rate = 48000;
    if (rate != NULL && timecode_rate_parse(rate, &run.rate) != 0)
        return cli_misuse(options->verb,
                          "--rate '%s': 23.976 24 25 29.97df 29.97ndf 30 50 59.94df 59.94ndf 60", rate);
    if (!options_int(options, "sample-rate", 8000, 384000, &sample_rate))
        return CLI_USAGE;
    int32_t num, den;
    timecode_rate_fraction(timecode_word_rate(run.rate), &num, &den);
    LTCDecoder *decoder = ltc_decoder_create((int)lround((double)sample_rate * den / num), 256);
    if (decoder == NULL)
        return cli_fail(options->verb, "out of memory");
    int done = decode(&run, decoder, in);
    ltc_decoder_free(decoder);
    return done;
}
