#include "cli/decode.h"

#include "core/timecode.h"
#include "io/ltcwords.h"

#define BYTES 8192

struct ltc_run {
    enum timecode_rate rate;
    unsigned long words, unreadable;
};

static void print_word(struct ltc_run *run, const struct tcmap_word *found)
{
    struct timecode_word word;
    char text[24];
    run->words++;
    printf("{\"start\":%lld,\"end\":%lld,\"reverse\":%s,", (long long)found->off_start,
           (long long)found->off_end, found->reverse ? "true" : "false");
    if (timecode_word_decode(found->packed, run->rate, &word) != 0) {
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

static int decode(struct ltc_run *run, struct ltcwords *words, FILE *in)
{
    unsigned char bytes[BYTES];
    struct tcmap_word word;
    int64_t samples = 0;
    size_t got;
    while ((got = fread(bytes, 1, sizeof bytes, in)) > 0) {
        samples = ltcwords_feed(words, bytes, got);
        while (ltcwords_next(words, &word))
            print_word(run, &word);
        fflush(stdout);
    }
    fprintf(stderr, "%lld samples: %lu words, %lu of them not of this rate\n", (long long)samples, run->words,
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
    struct ltcwords *words = ltcwords_new((int32_t)sample_rate, (double)sample_rate * den / num);
    if (words == NULL)
        return cli_fail(options->verb, "out of memory");
    int done = decode(&run, words, in);
    ltcwords_free(words);
    return done;
}
