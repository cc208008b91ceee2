#include "recorder.h"

#include <ltc.h>
#include <math.h>
#include <stdlib.h>

enum {
    PORTION = RECORDER_HZ / 200, /* 5 ms */
    WORD_SAMPLES_MAX = 4096,     /* a word at 23.976 a second has 2002 */
    SEGMENTS_MAX = 256
};

/* From `from_sample` on, frames count from `frame`. */
struct segment {
    double from_sample;
    int64_t frame;
};

struct recorder {
    const struct script_recorder_plan *plan;
    recorder_sink *sink;
    void *ctx;
    struct chance chance;
    LTCEncoder *encoder;
    int64_t start_ns;
    int64_t handed; /* samples handed out */

    struct segment segment[SEGMENTS_MAX]; /* a ring: the latest jumps */
    int64_t segments;                     /* ever begun */
    int64_t next_word;                    /* words encoded since the start */
    int64_t next_frame;                   /* of the next word */
    int64_t jump_word;                    /* the word at which it jumps; -1: none */
    int64_t jump_frame;

    int16_t word[WORD_SAMPLES_MAX];
    size_t word_count, word_used;

    double level; /* of full scale */
    double noise; /* standard deviation, full scale = 1 */
    double noise_db;
    int64_t silent_until; /* sample */
};

static int frames_per_word(enum timecode_rate rate)
{
    return timecode_nominal_fps(rate) > 30 ? 2 : 1;
}

/* Samples in one word, a real number: 48000 / rate. */
static double word_samples(const struct recorder *recorder)
{
    int32_t num = 0;
    int32_t den = 1;
    timecode_rate_fraction(recorder->plan->rate, &num, &den);
    return (double)RECORDER_HZ * den * frames_per_word(recorder->plan->rate) / num;
}

static double sample_at(const struct recorder *recorder, int64_t at_ns)
{
    return (double)(at_ns - recorder->start_ns) * 1e-9 * RECORDER_HZ * (1 + recorder->plan->clock_ppm * 1e-6);
}

void recorder_level(struct recorder *recorder, double db)
{
    recorder->level = pow(10, db / 20);
    recorder_noise(recorder, recorder->noise_db);
}

void recorder_noise(struct recorder *recorder, double db)
{
    recorder->noise_db = db;
    recorder->noise = isnan(db) ? 0 : recorder->level * pow(10, -db / 20);
}

static enum LTC_TV_STANDARD standard_of(enum timecode_rate word_rate)
{
    switch (timecode_nominal_fps(word_rate)) {
    case 24:
        return LTC_TV_FILM_24;
    case 25:
        return LTC_TV_625_50;
    default:
        return LTC_TV_525_60;
    }
}

struct recorder *recorder_new(const struct script_recorder_plan *plan, uint64_t seed, int64_t start_ns,
                              recorder_sink *sink, void *ctx)
{
    struct recorder *recorder = calloc(1, sizeof *recorder);
    if (!recorder)
        return NULL;
    recorder->plan = plan;
    recorder->sink = sink;
    recorder->ctx = ctx;
    recorder->chance = chance_split(seed, 300);
    recorder->start_ns = start_ns;
    recorder->next_frame = plan->start_frame - plan->start_frame % frames_per_word(plan->rate);
    recorder->jump_word = -1;
    recorder->segment[0] = (struct segment){0, recorder->next_frame};
    recorder->segments = 1;
    recorder->noise_db = plan->noise_db;
    recorder_level(recorder, plan->level_db);
    recorder->encoder = ltc_encoder_create(RECORDER_HZ, RECORDER_HZ / word_samples(recorder),
                                           standard_of(timecode_word_rate(plan->rate)), 0);
    if (!recorder->encoder) {
        free(recorder);
        return NULL;
    }
    return recorder;
}

void recorder_free(struct recorder *recorder)
{
    if (!recorder)
        return;
    ltc_encoder_free(recorder->encoder);
    free(recorder);
}

/* The word after next: its instant is still to come, so that no frame that was told of can become another. */
void recorder_jump(struct recorder *recorder, bool relative, int64_t frame)
{
    const int step = frames_per_word(recorder->plan->rate);
    if (relative)
        frame += recorder->next_frame + step;
    frame = timecode_wrap(frame, recorder->plan->rate);
    recorder->jump_frame = frame - frame % step;
    recorder->jump_word = recorder->next_word + 1;
    recorder->segment[recorder->segments++ % SEGMENTS_MAX] =
        (struct segment){(double)recorder->jump_word * word_samples(recorder), recorder->jump_frame};
}

void recorder_silence(struct recorder *recorder, int64_t now_ns, int64_t span_ns)
{
    recorder->silent_until = (int64_t)sample_at(recorder, now_ns + span_ns);
}

static LTCFrame make_word(const struct recorder *recorder)
{
    enum timecode_rate rate = recorder->plan->rate;
    enum timecode_rate word_rate = timecode_word_rate(rate);
    struct timecode tc = timecode_from_frame(recorder->next_frame / frames_per_word(rate), word_rate);
    LTCFrame word = {0};
    word.frame_units = tc.ff % 10u & 15u;
    word.frame_tens = tc.ff / 10u & 3u;
    word.dfbit = timecode_is_drop(word_rate) ? 1 : 0;
    word.secs_units = tc.ss % 10u & 15u;
    word.secs_tens = tc.ss / 10u & 7u;
    word.mins_units = tc.mm % 10u & 15u;
    word.mins_tens = tc.mm / 10u & 7u;
    word.hours_units = tc.hh % 10u & 15u;
    word.hours_tens = tc.hh / 10u & 3u;
    word.sync_word = 0xBFFC;
    ltc_frame_set_parity(&word, standard_of(word_rate));
    return word;
}

/* Encodes the next word into recorder->word. libltc's own samples are 8 bits, 128 for silence, 3 dB below full scale. */
static void encode_word(struct recorder *recorder)
{
    ltcsnd_sample_t *samples = NULL;
    if (recorder->next_word == recorder->jump_word)
        recorder->next_frame = recorder->jump_frame;
    LTCFrame word = make_word(recorder);
    ltc_encoder_set_frame(recorder->encoder, &word);
    ltc_encoder_encode_frame(recorder->encoder);
    int count = ltc_encoder_get_bufferptr(recorder->encoder, &samples, 1);
    recorder->word_count = 0;
    recorder->word_used = 0;
    for (int i = 0; i < count && i < WORD_SAMPLES_MAX; i++) {
        double value = ((double)samples[i] - 128) / 90.5 * recorder->level;
        if (recorder->handed + i < recorder->silent_until)
            value = 0;
        if (recorder->noise > 0)
            value += recorder->noise * chance_normal(&recorder->chance);
        value = value > 1 ? 1 : value < -1 ? -1 : value;
        recorder->word[recorder->word_count++] = (int16_t)lrint(value * 32767);
    }
    recorder->next_word++;
    recorder->next_frame =
        timecode_wrap(recorder->next_frame + frames_per_word(recorder->plan->rate), recorder->plan->rate);
}

/* The instant at which sample `count` - 1 has passed. */
static int64_t passed_ns(const struct recorder *recorder, int64_t count)
{
    double ns = (double)count / RECORDER_HZ * 1e9 / (1 + recorder->plan->clock_ppm * 1e-6);
    return recorder->start_ns + (int64_t)ceil(ns);
}

void recorder_run(struct recorder *recorder, int64_t now_ns)
{
    int16_t portion[PORTION];
    while ((double)(recorder->handed + PORTION) <= sample_at(recorder, now_ns)) {
        for (size_t i = 0; i < PORTION; i++) {
            if (recorder->word_used == recorder->word_count)
                encode_word(recorder);
            portion[i] = recorder->word[recorder->word_used++];
            recorder->handed++;
        }
        int64_t at_ns = passed_ns(recorder, recorder->handed);
        recorder->sink(recorder->ctx, at_ns < now_ns ? at_ns : now_ns, portion, PORTION);
    }
}

bool recorder_frame_at(const struct recorder *recorder, int64_t at_ns, int64_t *frame, double *within)
{
    double sample = sample_at(recorder, at_ns);
    if (sample < 0)
        return false;
    int64_t oldest = recorder->segments > SEGMENTS_MAX ? recorder->segments - SEGMENTS_MAX : 0;
    int64_t i = recorder->segments - 1;
    while (i > oldest && recorder->segment[i % SEGMENTS_MAX].from_sample > sample)
        i--;
    const struct segment *segment = &recorder->segment[i % SEGMENTS_MAX];
    double frames =
        (sample - segment->from_sample) * frames_per_word(recorder->plan->rate) / word_samples(recorder);
    double whole = floor(frames);
    *frame = timecode_wrap(segment->frame + (int64_t)whole, recorder->plan->rate);
    *within = frames - whole;
    return true;
}
