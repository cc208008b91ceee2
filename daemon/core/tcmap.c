/*
 * tcmap: LTC words and audio chunks to a bounded timecode.
 *
 * Words are checked against each other in sample indices, where a frame is known to a few samples: that finds jumps of a single frame, winding
 * and a wrong rate. Then each good word becomes one constraint "at this instant, timecode was the start of this frame", its instant
 * coming from the audio clock map. Rejected: timing words by the arrival of the chunk they were found in (several frames of jitter),
 * and a phase-locked loop over them (no bound).
 */
#include "core/tcmap.h"

#include <stdlib.h>
#include <string.h>

__extension__ typedef __int128 wide;

#define SANE_NS (INT64_C(1) << 60)
#define SANE_SAMPLE (INT64_C(1) << 44) /* 70 years at 8 kHz, and below 2^61 ns */
/* Beyond this a rate is another one, or the tape is not at play speed. */
#define FINE_PPM 500
/* Words in a row that make winding certain: in reverse, forward, and where their length is that of another rate, which needs a second or two
 * to be told from winding. */
#define REVERSE_WORDS 2
#define SHUTTLE_WORDS 3
#define OTHER_RATE_WORDS 120
/* Words that a segment's map takes without choosing, and how far apart it takes them after that. */
#define ADD_ALL (CLOCKMAP_WINDOW / 2)
#define ADD_EVERY_NS (200 * NS_PER_MS)

struct tcmap_params tcmap_params_default(enum timecode_rate rate, int32_t sample_rate, int64_t latency_min_ns,
                                         int64_t latency_max_ns)
{
    struct tcmap_params params = {.rate = rate,
                                  .sample_rate = sample_rate,
                                  .latency_min_ns = latency_min_ns,
                                  .latency_max_ns = latency_max_ns,
                                  .group_ns = NS_PER_S,
                                  .dropout_ns = 250 * NS_PER_MS,
                                  .edge_samples = 4 * (1 + (sample_rate - 1) / 48000)};
    /* Two crystals of 100 ppm each, one of them steered; the recorder may be off by FINE_PPM before that is called another speed. */
    params.audio = (struct clockmap_params){.num = NS_PER_S,
                                            .den = sample_rate,
                                            .rate_ppb = 300000,
                                            .wander_ppb_per_s = 100,
                                            .wander_ppb = 50000,
                                            .slew_ppb = 100000};
    params.recorder = params.audio;
    params.recorder.num = params.recorder.den = 1;
    params.recorder.rate_ppb = 1300000; /* 23.976 taken for 24, until that is told */
    return params;
}

int tcmap_init(struct tcmap *tc, const struct tcmap_params *params)
{
    memset(tc, 0, sizeof *tc);
    if (params->sample_rate < 8000 || params->sample_rate > 384000 || params->latency_min_ns < 0 ||
        params->latency_max_ns < params->latency_min_ns || params->latency_max_ns > 60 * NS_PER_S ||
        params->group_ns <= 0 || params->dropout_ns <= 0 || params->edge_samples < 0 ||
        params->edge_samples > 100)
        return -1;
    if (params->audio.num != NS_PER_S || params->audio.den != params->sample_rate ||
        params->recorder.num != 1 || params->recorder.den != 1)
        return -1;
    tc->params = *params;
    tc->rate = params->rate;
    struct clockmap probe;
    if (clockmap_init(&probe, &params->recorder) != 0)
        return -1;
    return clockmap_init(&tc->audio, &params->audio);
}

/* ---- arithmetic ---- */

static int64_t round_div(wide n, wide d)
{
    return (int64_t)(n >= 0 ? (n + d / 2) / d : -((-n + d / 2) / d));
}

/* Samples in `frames` frames at a rate, to the nearest. */
static int64_t samples_of(const struct tcmap *tc, enum timecode_rate rate, int64_t frames)
{
    int32_t num, den;
    timecode_rate_fraction(rate, &num, &den);
    return round_div((wide)frames * tc->params.sample_rate * den, num);
}

/* Frames in a number of samples, to the nearest. */
static int64_t frames_of(const struct tcmap *tc, int64_t samples)
{
    int32_t num, den;
    timecode_rate_fraction(tc->rate, &num, &den);
    return round_div((wide)samples * num, (wide)tc->params.sample_rate * den);
}

static int64_t samples_in_ns(const struct tcmap *tc, int64_t ns)
{
    return round_div((wide)ns * tc->params.sample_rate, NS_PER_S);
}

/* Frames of the full rate that a word spans. */
static int32_t frames_a_word(enum timecode_rate rate)
{
    return timecode_nominal_fps(rate) / timecode_nominal_fps(timecode_word_rate(rate));
}

/* What d ns of monotonic time can amount to in timecode at most. */
static int64_t most(const struct tcmap *tc, int64_t d)
{
    return d + (int64_t)((wide)d * tc->params.recorder.rate_ppb / NS_PER_S) + 1;
}

/* ---- segments ---- */

static struct tcmap_segment *newest(struct tcmap *tc)
{
    return tc->segments == 0 ? NULL : &tc->segment[tc->segments - 1];
}

static struct tcmap_segment *open_segment(struct tcmap *tc, int64_t from, int64_t edge_ns)
{
    const bool is_first = tc->segments == 0;
    if (tc->segments == TCMAP_SEGMENTS) {
        memmove(&tc->segment[0], &tc->segment[1], (TCMAP_SEGMENTS - 1) * sizeof tc->segment[0]);
        tc->segments--;
    }
    struct tcmap_segment *segment = &tc->segment[tc->segments++];
    memset(segment, 0, sizeof *segment);
    segment->rate = tc->rate;
    segment->from = from;
    segment->edge_ns = edge_ns;
    segment->follows = !is_first;
    clockmap_init(&segment->map, &tc->params.recorder);
    tc->open = true;
    return segment;
}

/* The line followed has ended for certain. */
static void break_off(struct tcmap *tc)
{
    struct tcmap_segment *last = newest(tc);
    if (tc->open && last != NULL)
        last->broken = true;
    tc->open = tc->locked = tc->doubt = false;
    tc->run.length = tc->other.length = 0;
}

/* A run without a segment, after the capture was restarted: does it carry on the newest segment? Then its frames take over the day count. */
static bool rejoin(struct tcmap *tc, int64_t at, struct clockmap_interval constraint)
{
    const struct tcmap_segment *last = newest(tc);
    struct clockmap_interval expected;
    if (last == NULL || last->broken || last->rate != tc->rate || !clockmap_at(&last->map, at, &expected))
        return false;
    const int64_t ahead = timecode_frame_at_ns(clockmap_middle(expected), tc->rate) - tc->run.frame;
    const int64_t day = timecode_frames_per_day(tc->rate);
    const int64_t shift = ahead - timecode_wrap_near(ahead, tc->rate);
    const int64_t shift_ns = timecode_frame_start_ns(shift, tc->rate);
    if (shift % day != 0 ||
        clockmap_check(&last->map, at, constraint.lo + shift_ns - 1, constraint.hi + shift_ns + 1) != 0)
        return false;
    tc->run.frame += shift;
    tc->run.first_frame += shift;
    tc->open = true;
    return true;
}

/* Timecode at a word's start, for the middle of the interval of its instant. */
static struct clockmap_interval timecode_of_word(const struct tcmap *tc, int64_t frame, int64_t half_ns)
{
    const int64_t start = timecode_frame_start_ns(frame, tc->rate);
    const int64_t edge = (int64_t)((wide)tc->params.edge_samples * NS_PER_S / tc->params.sample_rate) + 1;
    const int64_t unsure = most(tc, half_ns) + edge;
    return (struct clockmap_interval){start - 1 - unsure, start + unsure};
}

/* A segment for the run, whose last word began at mono `at`: the newest one where it fits, else a new one. */
static struct tcmap_segment *segment_for_run(struct tcmap *tc, int64_t at, int64_t half,
                                             struct tcmap_events *events)
{
    if (tc->open || rejoin(tc, at, timecode_of_word(tc, tc->run.frame, half)))
        return newest(tc);
    struct tcmap_segment *last = newest(tc);
    struct clockmap_interval expected;
    if (last != NULL && !last->broken && last->rate == tc->rate && clockmap_at(&last->map, at, &expected)) {
        events->flags |= TCMAP_EVENT_JUMP;
        events->jump_frames = timecode_wrap_near(
            tc->run.frame - timecode_frame_at_ns(clockmap_middle(expected), tc->rate), tc->rate);
    }
    if (last != NULL)
        last->broken = true; /* the recorder did not run on while nothing was heard */
    struct clockmap_interval from;
    if (!clockmap_at(&tc->audio, tc->run.first_start, &from))
        from.lo = from.hi = at;
    if (tc->resumes)
        from.lo = from.hi = tc->resume_from;
    tc->resumes = false;
    return open_segment(tc, clockmap_middle(from), clockmap_half(from));
}

/* Words lie so close together that each narrows the map while it is young, and one in ADD_EVERY_NS from then on. */
static bool adds_something(const struct tcmap_segment *segment, int64_t at)
{
    struct clockmap_constraint last;
    const size_t count = clockmap_count(&segment->map);
    return count < ADD_ALL || !clockmap_get(&segment->map, count - 1, &last) || at - last.a >= ADD_EVERY_NS;
}

/* The run has grown by a good word: one more constraint, as soon as the audio clock is known. */
static void add_to_segment(struct tcmap *tc, struct tcmap_events *events)
{
    struct clockmap_interval start, end;
    if (tc->run.length < TCMAP_CONFIRM || !clockmap_at(&tc->audio, tc->run.start, &start) ||
        !clockmap_at(&tc->audio, tc->run.end + 1, &end))
        return;
    const int64_t at = clockmap_middle(start), half = clockmap_half(start);
    struct tcmap_segment *segment = segment_for_run(tc, at, half, events);
    struct clockmap_interval timecode = timecode_of_word(tc, tc->run.frame, half);
    if (adds_something(segment, at) &&
        clockmap_add(&segment->map, at, timecode.lo, timecode.hi) == CLOCKMAP_STEP) {
        events->flags |= TCMAP_EVENT_JUMP;
        events->jump_frames = timecode_frame_at_ns(segment->map.step_ns, tc->rate);
    }
    presence_note(&segment->heard, segment->heard.count == 0 ? segment->from : at, clockmap_middle(end),
                  tc->params.dropout_ns);
    if (!tc->locked) {
        tc->locked = true;
        events->flags |= TCMAP_EVENT_LOCKED;
    }
}

/* ---- chunks ---- */

/* What looked like a jump of timecode was a loss of samples: the line begun there lies wrong by its duration, the next one takes its place. */
static void take_back_jump(struct tcmap *tc)
{
    if (!tc->open || !newest(tc)->follows)
        return;
    tc->resumes = true;
    tc->resume_from = newest(tc)->from;
    tc->segments--;
}

static void close_group(struct tcmap *tc, struct tcmap_events *events)
{
    const bool late = clockmap_check(&tc->audio, tc->group_at, tc->group_lo, tc->group_hi) > 0;
    const bool jumped = tc->jumped > 0;
    const bool forgiven = late && !jumped && !tc->was_late;
    tc->group_chunks = 0;
    tc->jumped -= jumped;
    tc->was_late = forgiven;
    tc->late_groups += forgiven;
    if (forgiven || clockmap_add(&tc->audio, tc->group_at, tc->group_lo, tc->group_hi) != CLOCKMAP_STEP)
        return;
    events->flags |= TCMAP_EVENT_AUDIO_STEP;
    if (jumped) { /* and looked at again: in a group half before the loss the step comes out too small */
        take_back_jump(tc);
        tc->jumped = TCMAP_JUDGED_AFTER;
    }
    tc->open = false;
    tc->run.length = tc->other.length = 0;
}

/*
 * A group's constraint at its newest sample: the end of every chunk was heard latency_min before it was read or earlier, so the least of
 * all these bounds it above; one of the chunks, not known which, was read in time, so the least of what they would say bounds it below.
 */
static void add_to_group(struct tcmap *tc, int64_t sample_end, int64_t read)
{
    const int64_t lo = read - tc->params.latency_max_ns, hi = read - tc->params.latency_min_ns;
    if (tc->group_chunks++ == 0) {
        tc->group_from = read;
        tc->group_lo = lo;
        tc->group_hi = hi;
    } else {
        const int64_t way = (int64_t)((wide)(sample_end - tc->group_at) * NS_PER_S / tc->params.sample_rate);
        const int64_t unsure = (int64_t)((wide)way * tc->params.audio.rate_ppb / NS_PER_S) + 2;
        tc->group_lo = tc->group_lo + way - unsure < lo ? tc->group_lo + way - unsure : lo;
        tc->group_hi = tc->group_hi + way + unsure < hi ? tc->group_hi + way + unsure : hi;
    }
    tc->group_at = sample_end;
}

static void lose(struct tcmap *tc, struct tcmap_events *events)
{
    if (!tc->locked)
        return;
    tc->locked = false;
    events->flags |= TCMAP_EVENT_LOST;
}

struct tcmap_events tcmap_chunk(struct tcmap *tc, int64_t sample_end, mono_ns read)
{
    struct tcmap_events events = {.heard = tc->rate};
    if (sample_end < 0 || sample_end > SANE_SAMPLE || read.ns <= -SANE_NS || read.ns >= SANE_NS ||
        (tc->has_chunk && (sample_end < tc->last_end || read.ns < tc->last_read))) {
        tc->rejected++;
        events.flags = TCMAP_EVENT_REJECTED;
        return events;
    }
    /* The words of the chunks before this one have all been given by now. */
    if (tc->locked && tc->last_end - tc->run.end > samples_in_ns(tc, tc->params.dropout_ns))
        lose(tc, &events);
    if (tc->group_chunks >= 4 && read.ns - tc->group_from >= tc->params.group_ns)
        close_group(tc, &events);
    add_to_group(tc, sample_end, read.ns);
    tc->has_chunk = true;
    tc->last_end = sample_end;
    tc->last_read = read.ns;
    return events;
}

struct tcmap_events tcmap_audio_restart(struct tcmap *tc)
{
    struct tcmap_events events = {.heard = tc->rate};
    lose(tc, &events);
    clockmap_clear(&tc->audio);
    tc->group_chunks = 0;
    tc->was_late = tc->resumes = false;
    tc->jumped = 0;
    tc->has_chunk = tc->has_word = tc->open = tc->doubt = tc->winding = tc->off_speed = false;
    tc->run.length = tc->other.length = 0;
    tc->odd_words = 0;
    tc->watch.has_last = false;
    return events;
}

struct tcmap_events tcmap_poll(struct tcmap *tc, mono_ns now)
{
    struct tcmap_events events = {.heard = tc->rate};
    if (tc->has_chunk && now.ns - tc->last_read > tc->params.dropout_ns)
        lose(tc, &events);
    return events;
}

/* ---- the rate heard ---- */

/* The rate of the words as a rate of frames: in pairs where the configured one is. */
static enum timecode_rate full_rate(const struct tcmap *tc, enum timecode_rate word_rate)
{
    for (int rate = TC_RATE_50; rate <= TC_RATE_60; rate++)
        if (timecode_word_rate((enum timecode_rate)rate) == word_rate &&
            timecode_nominal_fps((enum timecode_rate)rate) == timecode_nominal_fps(tc->params.rate))
            return (enum timecode_rate)rate;
    return word_rate;
}

static void switch_rate(struct tcmap *tc, enum timecode_rate rate, struct tcmap_events *events)
{
    break_off(tc);
    tc->rate = rate;
    tc->odd_words = 0;
    tc->watch.wrong_flags = 0;
    events->heard = rate;
}

/* The drop-frame flag against the rate: three words in a row decide. At 24 and 25 it has no meaning and is told once. */
static void watch_drop_flag(struct tcmap *tc, const struct timecode_word *word, struct tcmap_events *events)
{
    if (word->drop == timecode_is_drop(tc->rate)) {
        tc->watch.wrong_flags = 0;
        return;
    }
    if (++tc->watch.wrong_flags < TCMAP_CONFIRM)
        return;
    if (timecode_nominal_fps(timecode_word_rate(tc->rate)) != 30) {
        if (!tc->watch.told_flag)
            events->flags |= TCMAP_EVENT_DROP_FLAG;
        tc->watch.told_flag = true;
        return;
    }
    events->flags |= TCMAP_EVENT_DROP_FLAG;
    switch_rate(tc, full_rate(tc, word->drop ? TC_RATE_29_97_DF : TC_RATE_29_97_NDF), events);
}

/* Whether `next` is the label after `last` in some numbering; *fps is the number of labels in the second that ended, or 0. */
static bool touches(struct timecode last, struct timecode next, bool drop, int32_t *fps)
{
    const int32_t before = (last.hh * 60 + last.mm) * 60 + last.ss,
                  after = (next.hh * 60 + next.mm) * 60 + next.ss;
    *fps = 0;
    if (before == after)
        return next.ff == last.ff + 1;
    *fps = last.ff + 1;
    return after == (before + 1) % 86400 && (next.ff == 0 || (drop && next.ff == 2));
}

/* The rate with `fps` labels whose word is nearest to `words` words in `samples`; false where none is within FINE_PPM. */
static bool rate_of(const struct tcmap *tc, int32_t fps, bool drop, int32_t words, int64_t samples,
                    enum timecode_rate *rate)
{
    for (int r = TC_RATE_23_976; r <= TC_RATE_30; r++) {
        const enum timecode_rate candidate = (enum timecode_rate)r;
        if (timecode_nominal_fps(candidate) != fps || (fps == 30 && timecode_is_drop(candidate) != drop))
            continue;
        const int64_t expected = samples_of(tc, candidate, words);
        if (llabs(samples - expected) * 1000000 <= expected * FINE_PPM) {
            *rate = candidate;
            return true;
        }
    }
    return false;
}

enum rate_verdict { RATE_UNSURE, RATE_KEPT, RATE_OTHER, RATE_NONE };

/* Whether a word's length is the expected one within the error of its edges and 0.2 %. */
static bool play_speed(int64_t length, int64_t expected, int32_t edge_samples)
{
    return llabs(length - expected) <= 2 * edge_samples + expected / 500;
}

/* Starts a measure at a word. */
static void measure_from(struct tcmap_rate_watch *watch, const struct tcmap_word *at)
{
    watch->first_start = at->off_start;
    watch->first_length = at->off_end - at->off_start + 1;
    watch->words = 0;
}

/* Nothing but "as before" is believed at once: the measure may have begun while the tape was still speeding up. */
static enum rate_verdict confirm(struct tcmap *tc, enum rate_verdict verdict, enum timecode_rate heard,
                                 const struct tcmap_word *at)
{
    struct tcmap_rate_watch *watch = &tc->watch;
    const bool same = watch->verdict == (int32_t)verdict &&
                      (verdict != RATE_OTHER || watch->verdict_rate == (int32_t)heard);
    watch->repeats = same ? watch->repeats + 1 : 1;
    watch->verdict = (int32_t)verdict;
    watch->verdict_rate = (int32_t)heard;
    if (verdict == RATE_KEPT)
        return RATE_KEPT;
    if (watch->repeats < 2) {
        measure_from(watch, at);
        return RATE_UNSURE;
    }
    watch->repeats = 0;
    return verdict;
}

/*
 * A second that ends shows how many labels it had, and the words that touched each other up to here show how long they were. Together they
 * name the rate (1.2 times 25 is not 30), provided that the measure is fine enough to tell 29.97 from 30.
 */
static enum rate_verdict watch_rate(struct tcmap *tc, const struct timecode_word *word,
                                    const struct tcmap_word *at, enum timecode_rate *heard)
{
    struct tcmap_rate_watch *watch = &tc->watch;
    const int64_t edges = 2 * (int64_t)tc->params.edge_samples;
    int32_t fps = 0;
    bool joined = watch->has_last && !at->reverse && llabs(at->off_start - watch->last_end - 1) <= edges &&
                  play_speed(at->off_end - at->off_start + 1, watch->first_length, tc->params.edge_samples) &&
                  touches(watch->last, word->tc, word->drop, &fps);
    watch->has_last = !at->reverse;
    watch->last = word->tc;
    watch->last_end = at->off_end;
    if (!joined) {
        measure_from(watch, at);
        return RATE_UNSURE;
    }
    watch->words++;
    const int64_t samples = at->off_start - watch->first_start;
    if (fps == 0 || edges * 1000000 > samples * (FINE_PPM / 2))
        return RATE_UNSURE;
    *heard = tc->rate;
    if (!rate_of(tc, fps, word->drop, watch->words, samples, heard))
        return confirm(tc, RATE_NONE, *heard, at);
    *heard = full_rate(tc, *heard);
    return confirm(tc, *heard == tc->rate ? RATE_KEPT : RATE_OTHER, *heard, at);
}

/* ---- words ---- */

static void bad_words(struct tcmap *tc, int32_t count, struct tcmap_events *events)
{
    tc->bad_words += (uint64_t)count;
    if (!tc->bad)
        events->flags |= TCMAP_EVENT_BAD_WORD;
    tc->bad = true;
}

/* A length that some rate has at play speed is no proof of winding. */
static bool length_of_a_rate(const struct tcmap *tc, int64_t length)
{
    static const enum timecode_rate some[] = {TC_RATE_24, TC_RATE_25, TC_RATE_30};
    for (size_t i = 0; i < sizeof some / sizeof some[0]; i++)
        if (play_speed(length, samples_of(tc, some[i], 1), tc->params.edge_samples))
            return true;
    return false;
}

static void wound(struct tcmap *tc, bool reverse, int64_t length, int64_t expected,
                  struct tcmap_events *events)
{
    tc->doubt = true;
    if ((tc->odd_words < 0) != reverse) {
        tc->odd_words = 0;
        tc->winding = false;
    }
    tc->odd_words += reverse ? -1 : 1;
    const int32_t enough = reverse                        ? REVERSE_WORDS
                           : length_of_a_rate(tc, length) ? OTHER_RATE_WORDS
                                                          : SHUTTLE_WORDS;
    if (abs(tc->odd_words) < enough)
        return;
    break_off(tc);
    if (!tc->winding) {
        events->flags |= reverse ? TCMAP_EVENT_REVERSE : TCMAP_EVENT_SHUTTLE;
        const int64_t permille = round_div((wide)expected * 1000, length);
        events->speed_permille = (int32_t)(reverse ? -permille : permille);
    }
    tc->winding = true;
}

/* Whether a word continues a run: as many frames on as samples. *ahead is that number of frames. */
static bool follows(const struct tcmap *tc, const struct tcmap_run *run, int64_t frame, int64_t start,
                    int64_t *ahead)
{
    if (run->length == 0)
        return false;
    const int64_t samples = start - run->start;
    const int64_t estimate = frames_of(tc, samples);
    *ahead = estimate + timecode_wrap_near(frame - run->frame - estimate, tc->rate);
    const int64_t tolerance = 2 * tc->params.edge_samples + 1 + samples / (1000000 / FINE_PPM);
    return *ahead > 0 && llabs(samples - samples_of(tc, tc->rate, *ahead)) <= tolerance;
}

static void extend(struct tcmap_run *run, int64_t ahead, const struct tcmap_word *word)
{
    run->frame += ahead;
    run->start = word->off_start;
    run->end = word->off_end;
    if (run->length < INT32_MAX)
        run->length++;
}

static void begin(struct tcmap_run *run, int64_t frame, const struct tcmap_word *word)
{
    *run = (struct tcmap_run){.length = 1,
                              .first_frame = frame,
                              .first_start = word->off_start,
                              .frame = frame,
                              .start = word->off_start,
                              .end = word->off_end};
}

/* The other run has proved itself: timecode has gone on elsewhere. */
static void jump(struct tcmap *tc, struct tcmap_events *events)
{
    if (tc->run.length > 0) {
        const int64_t expected = tc->run.frame + frames_of(tc, tc->other.first_start - tc->run.start);
        events->flags |= TCMAP_EVENT_JUMP;
        events->jump_frames = timecode_wrap_near(tc->other.first_frame - expected, tc->rate);
        if (tc->open)
            newest(tc)->broken = true;
        tc->open = false;
    }
    if (tc->run.length > 0)
        tc->jumped = TCMAP_JUDGED_AFTER;
    tc->run = tc->other;
    tc->other.length = 0;
    tc->doubt = false;
}

static void keep_user_bits(struct tcmap *tc, uint32_t bits, struct tcmap_events *events)
{
    const bool twice = tc->has_user_bits && tc->user_bits == bits;
    tc->has_user_bits = true;
    tc->user_bits = bits;
    if (!twice || bits == tc->user_bits_told)
        return;
    tc->user_bits_told = bits;
    events->flags |= TCMAP_EVENT_USER_BITS;
}

/* A word at play speed whose label exists. */
static void place(struct tcmap *tc, int64_t frame, uint32_t user_bits, const struct tcmap_word *word,
                  struct tcmap_events *events)
{
    int64_t ahead;
    if (follows(tc, &tc->run, frame, word->off_start, &ahead)) {
        if (tc->other.length > 0)
            bad_words(tc, tc->other.length, events);
        else
            tc->bad = false;
        tc->other.length = 0;
        tc->doubt = false;
        extend(&tc->run, ahead, word);
    } else if (follows(tc, &tc->other, frame, word->off_start, &ahead)) {
        extend(&tc->other, ahead, word);
        if (tc->other.length < TCMAP_CONFIRM)
            return;
        jump(tc, events);
    } else {
        if (tc->other.length > 0)
            bad_words(tc, tc->other.length, events);
        begin(&tc->other, frame, word);
        tc->doubt = tc->run.length > 0;
        return;
    }
    tc->winding = false;
    keep_user_bits(tc, user_bits, events);
    add_to_segment(tc, events);
}

static bool impossible(const struct tcmap *tc, const struct tcmap_word *word)
{
    return word->off_start < 0 || word->off_end <= word->off_start || word->off_end > SANE_SAMPLE ||
           (tc->has_word && word->off_end <= tc->newest_end);
}

/* The rate first, since it decides what the rest means. False where the word is done with. */
static bool judge_rate(struct tcmap *tc, const struct timecode_word *decoded, const struct tcmap_word *word,
                       struct tcmap_events *events)
{
    enum timecode_rate heard;
    switch (watch_rate(tc, decoded, word, &heard)) {
    case RATE_OTHER:
        tc->off_speed = false;
        events->flags |= TCMAP_EVENT_RATE;
        switch_rate(tc, heard, events);
        break;
    case RATE_NONE: {
        /* Labels of a rate we know, at a speed that none has: a tape that runs a little fast or slow. */
        const int64_t samples = word->off_start - tc->watch.first_start;
        tc->off_speed = true;
        tc->odd_words = OTHER_RATE_WORDS;
        wound(tc, false, samples, samples_of(tc, timecode_word_rate(tc->rate), tc->watch.words), events);
        measure_from(&tc->watch, word);
        break;
    }
    case RATE_KEPT:
        tc->off_speed = false;
        break;
    case RATE_UNSURE:
        break;
    }
    return !tc->off_speed;
}

struct tcmap_events tcmap_word(struct tcmap *tc, const struct tcmap_word *word)
{
    struct tcmap_events events = {.heard = tc->rate};
    struct timecode_word decoded;
    if (impossible(tc, word)) {
        tc->rejected++;
        events.flags = TCMAP_EVENT_REJECTED;
        return events;
    }
    tc->has_word = true;
    tc->newest_end = word->off_end;
    tc->words++;
    if (timecode_word_decode(word->packed, tc->rate, &decoded) != 0) {
        bad_words(tc, 1, &events);
        return events;
    }
    if (!judge_rate(tc, &decoded, word, &events))
        return events;
    const int64_t length = word->off_end - word->off_start + 1;
    const int64_t expected = samples_of(tc, timecode_word_rate(tc->rate), 1);
    if (word->reverse || !play_speed(length, expected, tc->params.edge_samples)) {
        wound(tc, word->reverse, length, expected, &events);
        return events;
    }
    tc->odd_words = 0;
    watch_drop_flag(tc, &decoded, &events);
    int64_t frame;
    if (timecode_to_frame(decoded.tc, timecode_word_rate(tc->rate), &frame) != 0) {
        bad_words(tc, 1, &events);
        return events;
    }
    place(tc, frame * frames_a_word(tc->rate), decoded.user_bits, word, &events);
    return events;
}

bool tcmap_user_bits(const struct tcmap *tc, uint32_t *user_bits)
{
    if (tc->has_user_bits)
        *user_bits = tc->user_bits;
    return tc->has_user_bits;
}
