/*
 * Timecode audio from anybody. The first two bytes choose: raw bytes as samples; or words of ten bytes each that this harness sends as the
 * square wave a recorder would make of them, at the speed and level the second byte names, so that words are found; or words handed to
 * the map directly, with sample indices of the input's own. Through ltcgain, libltc, ltcwords and tcmap.
 */
#include "core/tcmap.h"
#include "io/ltcwords.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { RATE_HZ = 8000, SYNTH_MAX = 24576 };

static const enum timecode_rate rates[] = {TC_RATE_24, TC_RATE_25, TC_RATE_29_97_DF, TC_RATE_59_94_NDF};

static struct tcmap map;
static int64_t now_ns;

static void must(bool holds)
{
    if (!holds)
        abort();
}

static void check_answer(int64_t at_ns)
{
    struct tc_answer answer = tcmap_at(&map, (mono_ns){at_ns});
    must(tc_state_name(answer.state)[0] != '\0');
    if (!answer.known)
        return;
    must(answer.frame >= 0 && answer.frame < timecode_frames_per_day(answer.rate));
    must(timecode_check(answer.label, answer.rate) == 0);
    must(answer.fraction_uf >= 0 && answer.fraction_uf < 1000000);
    must(!answer.bound_known || answer.bound_uf >= 0);
}

static void take(struct ltcwords *words, const uint8_t *bytes, size_t len, size_t step)
{
    struct tcmap_word word;
    int64_t samples = 0, whole = 0;
    for (size_t at = 0; at < len; at += step) {
        size_t piece = len - at < step ? len - at : step;
        samples = ltcwords_feed(words, bytes + at, piece);
        whole += (int64_t)piece;
        must(samples == whole / 2);
        now_ns = samples * (NS_PER_S / RATE_HZ) + NS_PER_S;
        (void)tcmap_chunk(&map, samples, (mono_ns){now_ns});
        while (ltcwords_next(words, &word)) {
            must(word.off_start <= samples && word.off_end <= samples + 480);
            (void)tcmap_word(&map, &word);
        }
    }
    check_answer(now_ns);
    check_answer(now_ns - NS_PER_S / 2);
    check_answer(now_ns + 10 * NS_PER_S);
    (void)tcmap_poll(&map, (mono_ns){now_ns + NS_PER_S});
}

/* Biphase mark: a change at each bit's start, one more in the middle of a 1. */
static size_t synthesize(const uint8_t *words, size_t len, int half_samples, int16_t level, uint8_t *out)
{
    size_t made = 0;
    int sign = 1;
    for (size_t bit = 0; bit < len * 8; bit++) {
        bool one = (words[bit / 8] >> bit % 8 & 1) != 0;
        sign = -sign;
        for (int half = 0; half < 2; half++) {
            if (half == 1 && one)
                sign = -sign;
            for (int i = 0; i < half_samples && made + 2 <= SYNTH_MAX; i++, made += 2) {
                uint16_t sample = (uint16_t)(sign * level);
                out[made] = (uint8_t)sample;
                out[made + 1] = (uint8_t)(sample >> 8);
            }
        }
    }
    return made;
}

/* Ten bytes a word; those whose last two are not sync get it when the mode says so. */
static void send_words(struct ltcwords *words, const uint8_t *data, size_t size, uint8_t how)
{
    static uint8_t audio[SYNTH_MAX];
    uint8_t sent[2048];
    size_t len = size < sizeof sent ? size : sizeof sent;
    memcpy(sent, data, len);
    if ((how & 1) != 0)
        for (size_t at = 8; at + 2 <= len; at += 10) {
            sent[at] = 0xFC;
            sent[at + 1] = 0xBF;
        }
    size_t made = synthesize(sent, len, 1 + (how >> 1 & 3), (int16_t)(1 << (how >> 3 & 15)), audio);
    take(words, audio, made, 511);
}

static void hand_words(const uint8_t *data, size_t size)
{
    int64_t end = 0;
    for (size_t at = 0; at + 14 <= size; at += 14) {
        struct tcmap_word word = {.reverse = (data[at + 13] & 1) != 0};
        memcpy(word.packed, data + at, sizeof word.packed);
        int16_t start = (int16_t)(uint16_t)(data[at + 10] | data[at + 11] << 8);
        word.off_start = end + start;
        word.off_end = word.off_start + (int16_t)(data[at + 12] * 4) - 16;
        end += 320;
        now_ns += 40 * NS_PER_MS;
        if ((data[at + 13] & 6) == 6)
            (void)tcmap_audio_restart(&map);
        (void)tcmap_chunk(&map, end, (mono_ns){now_ns});
        (void)tcmap_word(&map, &word);
        check_answer(now_ns);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 2)
        return 0;
    enum timecode_rate rate = rates[data[0] >> 4 & 3];
    struct tcmap_params params = tcmap_params_default(rate, RATE_HZ, 0, 50 * NS_PER_MS);
    must(tcmap_init(&map, &params) == 0);
    now_ns = NS_PER_S;
    int32_t words_per_s = timecode_nominal_fps(timecode_word_rate(rate));
    struct ltcwords *words = ltcwords_new(RATE_HZ, (double)RATE_HZ / words_per_s);
    must(words != NULL);
    if (data[0] % 3 == 0)
        take(words, data + 2, size - 2, 1 + (size_t)data[1]);
    else if (data[0] % 3 == 1)
        send_words(words, data + 2, size - 2, data[1]);
    else
        hand_words(data + 2, size - 2);
    uint32_t user_bits;
    (void)tcmap_user_bits(&map, &user_bits);
    struct clockmap_interval when;
    (void)tcmap_inverse(&map, 42, &when);
    ltcwords_free(words);
    return 0;
}
