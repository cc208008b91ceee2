/*
 * tcmap: a deck plays words into a sound card; what the map makes of it, event by event. Bounds against a known truth over many random
 * decks are in property/core_timecode_truth; real audio through libltc is tested with the shell that decodes it.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/tcmap.h"

#define S NS_PER_S
#define MS NS_PER_MS
#define RATE 48000
#define CHUNK 1024
#define LATENCY_MIN (5 * MS)
#define LATENCY_MAX (25 * MS)

struct deck {
    struct tcmap map;
    enum timecode_rate rate; /* what the deck records, word by word */
    double sample;           /* where the next word begins */
    int64_t frame;           /* of words */
    int64_t chunk_end, origin;
    int64_t latency;
    int64_t stalled_until; /* the host reads nothing before */
    uint32_t user_bits;
    bool wrong_flag;
    unsigned seen;                /* events so far */
    struct tcmap_events last[11]; /* the last of each kind */
    int count[11];
};

static void note(struct deck *deck, struct tcmap_events events)
{
    deck->seen |= events.flags;
    for (int i = 0; i < 11; i++)
        if (events.flags >> i & 1) {
            deck->last[i] = events;
            deck->count[i]++;
        }
}

static struct tcmap_events of(const struct deck *deck, enum tcmap_event kind)
{
    int i = 0;
    while ((unsigned)kind >> i != 1)
        i++;
    return deck->last[i];
}

static int count(const struct deck *deck, enum tcmap_event kind)
{
    int i = 0;
    while ((unsigned)kind >> i != 1)
        i++;
    return deck->count[i];
}

static int64_t mono_of(const struct deck *deck, double sample)
{
    return deck->origin + (int64_t)(sample * 1e9 / RATE);
}

static int64_t now(const struct deck *deck)
{
    return mono_of(deck, deck->sample);
}

static void chunks_to(struct deck *deck, double sample)
{
    while ((double)deck->chunk_end <= sample) {
        deck->chunk_end += CHUNK;
        int64_t read = mono_of(deck, (double)deck->chunk_end) + deck->latency;
        read = read < deck->stalled_until ? deck->stalled_until : read;
        note(deck, tcmap_chunk(&deck->map, deck->chunk_end, (mono_ns){read}));
    }
}

static double word_samples(const struct deck *deck)
{
    int32_t num, den;
    timecode_rate_fraction(deck->rate, &num, &den);
    return (double)RATE * den / num;
}

static void silence(struct deck *deck, double seconds)
{
    deck->sample += seconds * RATE;
    chunks_to(deck, deck->sample);
}

/* Words at a multiple of play speed; negative plays backwards. Silence of the recorder is not its standing still: see stop(). */
static void play(struct deck *deck, int words, double speed)
{
    for (int i = 0; i < words; i++) {
        const double length = word_samples(deck) / (speed < 0 ? -speed : speed);
        struct timecode_word word = {.tc = timecode_from_frame(deck->frame, deck->rate),
                                     .drop = timecode_is_drop(deck->rate) != deck->wrong_flag,
                                     .user_bits = deck->user_bits};
        struct tcmap_word in = {.off_start = (int64_t)(deck->sample + 0.5),
                                .off_end = (int64_t)(deck->sample + length + 0.5) - 1,
                                .reverse = speed < 0};
        timecode_word_encode(&word, deck->rate, in.packed);
        chunks_to(deck, deck->sample + length);
        note(deck, tcmap_word(&deck->map, &in));
        deck->sample += length;
        deck->frame = timecode_wrap(deck->frame + (speed < 0 ? -1 : 1), deck->rate);
    }
}

static void run_on(struct deck *deck, double seconds)
{
    int32_t num, den;
    timecode_rate_fraction(deck->rate, &num, &den);
    play(deck, (int)(seconds * num / den + 0.5), 1);
}

/* Nothing is heard, and the recorder runs on for so many words. */
static void mute(struct deck *deck, int words)
{
    deck->sample += words * word_samples(deck);
    deck->frame = timecode_wrap(deck->frame + words, deck->rate);
    chunks_to(deck, deck->sample);
}

static struct deck *deck_at(enum timecode_rate configured, enum timecode_rate recorded, const char *label)
{
    static struct deck deck;
    memset(&deck, 0, sizeof deck);
    struct tcmap_params params = tcmap_params_default(configured, RATE, LATENCY_MIN, LATENCY_MAX);
    assert_int_equal(tcmap_init(&deck.map, &params), 0);
    struct timecode tc = {0, 0, 0, 0};
    deck.rate = timecode_word_rate(recorded);
    assert_int_equal(timecode_parse(label, deck.rate, &tc), 0);
    assert_int_equal(timecode_to_frame(tc, deck.rate, &deck.frame), 0);
    deck.origin = 100 * S;
    deck.latency = 15 * MS; /* the middle of what is configured: estimates are then exact */
    return &deck;
}

static struct tc_answer answer_at(const struct deck *deck, int64_t mono)
{
    return tcmap_at(&deck->map, (mono_ns){mono});
}

/* The frame whose word would begin at the deck's present position, answered for a millisecond later. */
static void assert_frame_now(const struct deck *deck, enum tc_state state)
{
    const int per_word = timecode_nominal_fps(deck->map.rate) / timecode_nominal_fps(deck->rate);
    struct tc_answer answer = answer_at(deck, now(deck) + 2 * MS);
    assert_true(answer.known && answer.bound_known);
    assert_int_equal(answer.state, state);
    assert_int_equal(answer.frame, timecode_wrap(deck->frame * per_word, deck->map.rate));
}

static void nothing_heard(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    struct tc_answer answer = answer_at(deck, S);
    uint32_t bits;
    struct clockmap_interval mono;
    assert_false(answer.known);
    assert_int_equal(answer.state, TC_NONE);
    assert_false(tcmap_user_bits(&deck->map, &bits));
    assert_false(tcmap_inverse(&deck->map, 0, &mono));
    assert_int_equal(tcmap_clap(&deck->map, (mono_ns){S}, 0, 0), -1);
    silence(deck, 2);
    assert_int_equal(deck->seen, 0);
    assert_false(answer_at(deck, now(deck)).known);
    assert_string_equal(tc_state_name(TC_NONE), "none");
    assert_string_equal(tc_state_name(TC_HOLDOVER), "holdover");
    assert_string_equal(tc_state_name(TC_LOCKED), "locked");
}

static void locks_at_every_rate(void **state)
{
    (void)state;
    for (int r = 0; r < TIMECODE_RATES; r++) {
        const enum timecode_rate rate = (enum timecode_rate)r;
        struct deck *deck = deck_at(rate, rate, "09:59:58:00");
        run_on(deck, 10);
        assert_int_equal(deck->seen, TCMAP_EVENT_LOCKED);
        assert_frame_now(deck, TC_LOCKED);
        struct tc_answer answer = answer_at(deck, now(deck) + 2 * MS);
        assert_int_equal(answer.rate, rate);
        /* Half the spread of the latency (10 ms), and a little for the edge of a word and the clocks. */
        assert_in_range(timecode_frame_start_ns(answer.bound_uf, rate) / 1000000, 10 * MS, 11 * MS);
        /* And for an instant five seconds ago. */
        answer = answer_at(deck, now(deck) - 5 * S + 2 * MS);
        assert_int_equal(answer.state, TC_LOCKED);
        assert_int_equal(
            answer.frame,
            timecode_frame_at_ns(timecode_frame_start_ns(deck->frame, deck->rate) - 5 * S + 2 * MS, rate));
    }
}

/* Not every word is taken into the map of a long line, but one not long ago always is; and each still says that timecode is heard. */
static void a_long_line_has_a_word_not_long_ago(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 60);
    for (int i = 0; i < 30; i++) {
        enum timecode_rate rate;
        struct clockmap_constraint newest;
        play(deck, 1, 1);
        assert_true(tcmap_newest(&deck->map, &rate, &newest));
        assert_in_range(now(deck) - newest.a, 0, 300 * MS);
        assert_int_equal(tcmap_at(&deck->map, (mono_ns){now(deck) - 30 * MS}).state, TC_LOCKED);
        assert_true(tcmap_bracketed(&deck->map, (mono_ns){now(deck) - 60 * MS}));
    }
}

static void midnight_is_no_event(void **state)
{
    (void)state;
    for (int r = 0; r < TIMECODE_RATES; r++) {
        const enum timecode_rate rate = (enum timecode_rate)r;
        struct deck *deck = deck_at(rate, rate, "23:59:55:00");
        run_on(deck, 10);
        assert_int_equal(deck->seen, TCMAP_EVENT_LOCKED);
        assert_frame_now(deck, TC_LOCKED);
        assert_true(deck->frame < 200);
        assert_int_equal(answer_at(deck, now(deck) - 6 * S).label.hh, 23);
    }
}

static void a_drop_out_is_held_over(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 20);
    struct tc_answer before = answer_at(deck, now(deck));
    const int64_t lost_at = now(deck);
    mute(deck, 25 * 60);
    assert_int_equal(deck->seen, TCMAP_EVENT_LOCKED | TCMAP_EVENT_LOST);
    assert_frame_now(deck, TC_HOLDOVER);
    struct tc_answer after = answer_at(deck, now(deck));
    assert_true(after.bound_uf > before.bound_uf);
    assert_true(answer_at(deck, now(deck) + 60 * S).bound_uf > after.bound_uf);
    run_on(deck, 5);
    assert_int_equal(deck->seen, TCMAP_EVENT_LOCKED | TCMAP_EVENT_LOST);
    assert_int_equal(count(deck, TCMAP_EVENT_LOCKED), 2);
    assert_frame_now(deck, TC_LOCKED);
    /* What was in the gap stays holdover, with the bound that both sides leave. */
    assert_int_equal(answer_at(deck, lost_at + 30 * S).state, TC_HOLDOVER);
    assert_int_equal(answer_at(deck, lost_at - 10 * S).state, TC_LOCKED);
    assert_true(answer_at(deck, lost_at + 59 * S).bound_uf < after.bound_uf);
}

static void short_gaps_and_bad_words_do_not_matter(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 2);
    mute(deck, 3);
    run_on(deck, 2);
    assert_int_equal(deck->seen, TCMAP_EVENT_LOCKED);
    /* A word that makes no sense, and one that is alone against its neighbours. */
    struct tcmap_word bad = {.off_start = (int64_t)deck->sample, .off_end = (int64_t)deck->sample + 1919};
    mute(deck, 1);
    note(deck, tcmap_word(&deck->map, &bad));
    run_on(deck, 1);
    assert_int_equal(count(deck, TCMAP_EVENT_BAD_WORD), 1);
    const int64_t frame = deck->frame;
    deck->frame += 1000;
    play(deck, 1, 1);
    assert_int_equal(answer_at(deck, now(deck) + 20 * MS).state, TC_HOLDOVER); /* it may have been a jump */
    deck->frame = frame + 1;
    run_on(deck, 1);
    assert_int_equal(count(deck, TCMAP_EVENT_BAD_WORD), 2);
    assert_int_equal(deck->map.bad_words, 2);
    assert_int_equal(count(deck, TCMAP_EVENT_LOCKED), 1);
    assert_int_equal(count(deck, TCMAP_EVENT_JUMP), 0);
    assert_frame_now(deck, TC_LOCKED);
}

static void jumps_of_one_frame_and_of_hours(void **state)
{
    (void)state;
    static const int64_t jumps[] = {1, -1, 25, -90000, 1000000};
    for (size_t i = 0; i < sizeof jumps / sizeof jumps[0]; i++) {
        struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
        run_on(deck, 5);
        const int64_t at = now(deck);
        const int64_t frame = deck->frame;
        deck->frame = timecode_wrap(deck->frame + jumps[i], deck->rate);
        run_on(deck, 5);
        assert_int_equal(count(deck, TCMAP_EVENT_JUMP), 1);
        assert_int_equal(of(deck, TCMAP_EVENT_JUMP).jump_frames, jumps[i]);
        assert_frame_now(deck, TC_LOCKED);
        /* Each side keeps its own timecode. */
        struct tc_answer answer = answer_at(deck, at - 2 * S + 2 * MS);
        assert_int_equal(answer.state, TC_LOCKED);
        assert_int_equal(answer.frame, frame - 50);
        answer = answer_at(deck, at + 2 * S + 2 * MS);
        assert_int_equal(answer.state, TC_LOCKED);
        assert_int_equal(answer.frame, timecode_wrap(frame + jumps[i] + 50, deck->rate));
        assert_int_equal(answer_at(deck, at).state, TC_HOLDOVER); /* which side is not sure */
    }
}

/* A recorder stopped for a minute and started elsewhere: none in between, and no carrying back. */
static void a_recorder_restarted(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 5);
    const int64_t stopped = now(deck);
    silence(deck, 60);
    assert_int_equal(answer_at(deck, stopped + 30 * S).state, TC_HOLDOVER); /* for all one knows */
    const int64_t started = now(deck);
    deck->frame = 5;
    run_on(deck, 5);
    assert_int_equal(count(deck, TCMAP_EVENT_JUMP), 1);
    assert_int_equal(count(deck, TCMAP_EVENT_LOCKED), 2);
    assert_int_equal(answer_at(deck, stopped + 30 * S).state, TC_NONE);
    assert_false(answer_at(deck, stopped + 30 * S).known);
    assert_int_equal(answer_at(deck, stopped - S).label.hh, 10);
    assert_int_equal(answer_at(deck, started + S).label.hh, 0);
    assert_frame_now(deck, TC_LOCKED);
}

static void winding_is_not_locked(void **state)
{
    (void)state;
    static const double speeds[] = {0.1, 0.25, 0.5, 0.9, 1.1, 1.5, 2.0, -0.1, -0.5, -1.0, -2.0};
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++) {
        struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
        run_on(deck, 5);
        const int64_t from = now(deck);
        play(deck, 50, speeds[i]);
        const enum tcmap_event kind = speeds[i] < 0 ? TCMAP_EVENT_REVERSE : TCMAP_EVENT_SHUTTLE;
        assert_int_equal(count(deck, kind), 1);
        assert_true(abs(of(deck, kind).speed_permille - (int)(speeds[i] * 1000)) <= 10);
        assert_int_equal(answer_at(deck, now(deck)).state, TC_NONE);
        assert_int_equal(answer_at(deck, from + (now(deck) - from) / 2).state, TC_NONE);
        assert_int_equal(answer_at(deck, from - 2 * S).state, TC_LOCKED);
        run_on(deck, 3);
        assert_frame_now(deck, TC_LOCKED);
        assert_int_equal(count(deck, TCMAP_EVENT_LOCKED), 2);
        assert_int_equal(answer_at(deck, from + (now(deck) - 3 * S - from) / 2).state, TC_NONE);
    }
}

/* 0.15 % fast: every word alone passes for play speed, the sum does not. */
static void a_tape_a_little_fast(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    play(deck, 200, 1.0015);
    assert_int_equal(count(deck, TCMAP_EVENT_SHUTTLE), 1);
    assert_in_range(of(deck, TCMAP_EVENT_SHUTTLE).speed_permille, 1001, 1002);
    assert_int_equal(answer_at(deck, now(deck)).state, TC_NONE);
    assert_int_equal(count(deck, TCMAP_EVENT_RATE), 0);
    run_on(deck, 6);
    assert_frame_now(deck, TC_LOCKED);
}

static void another_rate_is_noticed_and_followed(void **state)
{
    (void)state;
    static const struct {
        enum timecode_rate configured, recorded;
    } table[] = {
        {TC_RATE_25, TC_RATE_30},        {TC_RATE_25, TC_RATE_24},        {TC_RATE_30, TC_RATE_25},
        {TC_RATE_24, TC_RATE_25},        {TC_RATE_24, TC_RATE_23_976},    {TC_RATE_23_976, TC_RATE_24},
        {TC_RATE_30, TC_RATE_29_97_NDF}, {TC_RATE_29_97_NDF, TC_RATE_30}, {TC_RATE_25, TC_RATE_29_97_DF},
        {TC_RATE_29_97_DF, TC_RATE_25},  {TC_RATE_50, TC_RATE_30},        {TC_RATE_60, TC_RATE_59_94_NDF},
        {TC_RATE_59_94_NDF, TC_RATE_60},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct deck *deck = deck_at(table[i].configured, table[i].recorded, "10:00:00:00");
        run_on(deck, 8);
        assert_true(deck->seen & TCMAP_EVENT_RATE);
        assert_int_equal(count(deck, TCMAP_EVENT_RATE), 1);
        assert_int_equal(of(deck, TCMAP_EVENT_RATE).heard, table[i].recorded);
        assert_int_equal(deck->map.rate, table[i].recorded);
        assert_false(deck->seen & (TCMAP_EVENT_SHUTTLE | TCMAP_EVENT_JUMP | TCMAP_EVENT_REVERSE));
        assert_frame_now(deck, TC_LOCKED);
    }
}

/* 25 at 1.2 times play speed is no 30. */
static void a_fast_tape_is_not_another_rate(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    play(deck, 400, 1.2);
    assert_false(deck->seen & (TCMAP_EVENT_RATE | TCMAP_EVENT_LOCKED));
    assert_int_equal(count(deck, TCMAP_EVENT_SHUTTLE), 1);
}

static void the_drop_frame_flag(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_29_97_NDF, TC_RATE_29_97_DF, "10:00:00:00");
    run_on(deck, 5);
    assert_int_equal(count(deck, TCMAP_EVENT_DROP_FLAG), 1);
    assert_int_equal(of(deck, TCMAP_EVENT_DROP_FLAG).heard, TC_RATE_29_97_DF);
    assert_frame_now(deck, TC_LOCKED);
    deck = deck_at(TC_RATE_59_94_DF, TC_RATE_59_94_NDF, "10:00:00:00");
    run_on(deck, 5);
    assert_int_equal(of(deck, TCMAP_EVENT_DROP_FLAG).heard, TC_RATE_59_94_NDF);
    assert_frame_now(deck, TC_LOCKED);
    deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    deck->wrong_flag = true;
    run_on(deck, 5);
    assert_int_equal(count(deck, TCMAP_EVENT_DROP_FLAG), 1); /* said once, and of no consequence */
    assert_frame_now(deck, TC_LOCKED);
}

static void user_bits_are_kept(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    uint32_t bits = 0;
    deck->user_bits = 0x20310304;
    run_on(deck, 2);
    assert_true(tcmap_user_bits(&deck->map, &bits));
    assert_int_equal(bits, 0x20310304);
    assert_int_equal(count(deck, TCMAP_EVENT_USER_BITS), 1);
    deck->user_bits = 7;
    run_on(deck, 2);
    assert_true(tcmap_user_bits(&deck->map, &bits));
    assert_int_equal(bits, 7);
    assert_int_equal(count(deck, TCMAP_EVENT_USER_BITS), 2);
    for (int i = 0; i < 50; i++) { /* bits that count along with the words are no event each */
        deck->user_bits++;
        play(deck, 1, 1);
    }
    assert_int_equal(count(deck, TCMAP_EVENT_USER_BITS), 2);
}

/* A host that stalls for 0.7 s out of every second: what has queued up is read late and moves nothing. */
static void late_reads_only_widen(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 5);
    const struct tc_answer before = answer_at(deck, now(deck) - S);
    for (int i = 0; i < 20; i++) {
        deck->stalled_until = now(deck) + 700 * MS;
        run_on(deck, 1);
    }
    run_on(deck, 2);
    assert_int_equal(deck->seen, TCMAP_EVENT_LOCKED);
    assert_frame_now(deck, TC_LOCKED);
    assert_true(answer_at(deck, now(deck) - S).bound_uf <= before.bound_uf + 10000);
}

/* A host too busy for two seconds to read anything in time: what it read then is left out, and nothing jumps. */
static void a_group_that_is_late_as_a_whole(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 5);
    deck->latency = 200 * MS;
    run_on(deck, 1.5);
    deck->latency = 15 * MS;
    deck->stalled_until = mono_of(deck, (double)deck->chunk_end) + 200 * MS;
    run_on(deck, 1);
    assert_frame_now(deck, TC_LOCKED);
    run_on(deck, 2);
    assert_int_equal(deck->seen, TCMAP_EVENT_LOCKED);
    assert_int_equal(deck->map.late_groups, 1);
    assert_frame_now(deck, TC_LOCKED);
    /* If it stays that way, it is the new truth: the latency given was not the latency there is. */
    deck->latency = 200 * MS;
    run_on(deck, 5);
    assert_int_equal(count(deck, TCMAP_EVENT_AUDIO_STEP), 1);
}

/* Half a second of samples lost without a word: seen by the labels at once, and by the clock as soon as a group of chunks is in. */
static void samples_lost_unseen(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 5);
    deck->origin += 500 * MS;
    deck->frame += 12;
    run_on(deck, 1);
    assert_true(deck->seen & TCMAP_EVENT_JUMP);
    run_on(deck, 4);
    assert_int_equal(count(deck, TCMAP_EVENT_AUDIO_STEP), 1);
    assert_int_equal(answer_at(deck, now(deck)).state, TC_LOCKED);
    assert_frame_now(deck, TC_LOCKED);
}

/* The capture loses samples while the recorder runs on: the words in them are not heard, and what comes after comes too early in the stream. */
static void lose_samples(struct deck *deck, int64_t ns)
{
    const int words = (int)((double)ns * RATE / 1e9 / word_samples(deck)) + 1;
    deck->frame = timecode_wrap(deck->frame + words, deck->rate);
    deck->sample += words * word_samples(deck) - (double)ns * RATE / 1e9;
    deck->origin += ns;
}

/* Nothing is final until the audio clock has said whether the jump was one; then all instants after the loss are right. */
static void a_loss_is_taken_back(void **state)
{
    (void)state;
    static const int64_t losses[] = {25 * MS, 30 * MS, 120 * MS, 480 * MS, 1500 * MS};
    for (size_t i = 0; i < sizeof losses / sizeof losses[0]; i++) {
        for (int phase = 0; phase < 10; phase++) {
            struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
            const int64_t first = deck->frame, begun = now(deck);
            run_on(deck, 5 + 0.1 * phase);
            const int64_t lost = now(deck) + losses[i];
            lose_samples(deck, losses[i]);
            run_on(deck, 0.5);
            assert_false(tcmap_bracketed(&deck->map, (mono_ns){now(deck) - 100 * MS}));
            run_on(deck, 5);
            assert_int_equal(count(deck, TCMAP_EVENT_AUDIO_STEP), 1);
            for (int64_t at = lost + 50 * MS; at < now(deck) - 100 * MS; at += 37 * MS) {
                const struct tc_answer answer = answer_at(deck, at);
                const int64_t truth_uf = first * 1000000 + (at - begun) / 40;
                assert_true(tcmap_bracketed(&deck->map, (mono_ns){at}));
                if (llabs(answer.frame * 1000000 + answer.fraction_uf - truth_uf) > answer.bound_uf)
                    fail_msg("loss %lld ms, %lld ms after it: off by %lld of %lld uf",
                             (long long)(losses[i] / MS), (long long)((at - lost) / MS),
                             (long long)(answer.frame * 1000000 + answer.fraction_uf - truth_uf),
                             (long long)answer.bound_uf);
            }
        }
    }
}

/* The shell starts the capture again: indices begin anew, the line goes on. */
static void a_capture_restarted(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "23:59:50:00");
    run_on(deck, 5);
    const int64_t first = now(deck) - S + 2 * MS;
    const struct tc_answer before = answer_at(deck, first);
    note(deck, tcmap_audio_restart(&deck->map));
    assert_int_equal(count(deck, TCMAP_EVENT_LOST), 1);
    deck->origin = now(deck) + 3 * S;
    deck->sample = 0;
    deck->chunk_end = 0;
    deck->frame += 75;
    assert_frame_now(deck, TC_HOLDOVER);
    run_on(deck, 6);
    assert_int_equal(count(deck, TCMAP_EVENT_JUMP), 0);
    assert_int_equal(count(deck, TCMAP_EVENT_LOCKED), 2);
    assert_int_equal(deck->map.segments, 1);
    assert_frame_now(deck, TC_LOCKED);
    assert_int_equal(answer_at(deck, first).frame, before.frame);
    /* And once more, with the recorder elsewhere: from the last word on nothing is certain, at once and afterwards. */
    const int64_t ended = now(deck);
    assert_int_equal(answer_at(deck, ended + 20 * MS).state, TC_LOCKED);
    note(deck, tcmap_audio_restart(&deck->map));
    assert_int_equal(answer_at(deck, ended + 20 * MS).state, TC_HOLDOVER);
    assert_int_equal(answer_at(deck, ended - 40 * MS).state, TC_LOCKED);
    deck->origin = ended + 3 * S;
    deck->sample = 0;
    deck->chunk_end = 0;
    deck->frame = 500000;
    run_on(deck, 6);
    assert_int_equal(answer_at(deck, ended + 20 * MS).state, TC_HOLDOVER);
    assert_int_equal(answer_at(deck, ended + S).state, TC_NONE);
    assert_int_equal(count(deck, TCMAP_EVENT_JUMP), 1);
    assert_int_equal(deck->map.segments, 2);
    assert_frame_now(deck, TC_LOCKED);
}

static void audio_that_stops(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 5);
    const int64_t read = mono_of(deck, (double)deck->chunk_end) + deck->latency;
    assert_int_equal(tcmap_poll(&deck->map, (mono_ns){read + 250 * MS}).flags, 0);
    assert_int_equal(tcmap_poll(&deck->map, (mono_ns){read + 251 * MS}).flags, TCMAP_EVENT_LOST);
    assert_int_equal(tcmap_poll(&deck->map, (mono_ns){read + S}).flags, 0);
}

static void impossible_input(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 5);
    struct tcmap_word word = {.off_start = 10, .off_end = 1929};
    assert_int_equal(tcmap_word(&deck->map, &word).flags, TCMAP_EVENT_REJECTED);
    word = (struct tcmap_word){.off_start = deck->chunk_end, .off_end = deck->chunk_end - 1};
    assert_int_equal(tcmap_word(&deck->map, &word).flags, TCMAP_EVENT_REJECTED);
    word = (struct tcmap_word){.off_start = 0, .off_end = INT64_MAX};
    assert_int_equal(tcmap_word(&deck->map, &word).flags, TCMAP_EVENT_REJECTED);
    assert_int_equal(tcmap_chunk(&deck->map, deck->chunk_end - 1, (mono_ns){INT64_C(1) << 50}).flags,
                     TCMAP_EVENT_REJECTED);
    assert_int_equal(tcmap_chunk(&deck->map, deck->chunk_end + 1, (mono_ns){0}).flags, TCMAP_EVENT_REJECTED);
    assert_int_equal(tcmap_chunk(&deck->map, INT64_MAX, (mono_ns){INT64_MAX}).flags, TCMAP_EVENT_REJECTED);
    assert_int_equal(deck->map.rejected, 6);
    assert_frame_now(deck, TC_LOCKED);
    assert_false(tcmap_at(&deck->map, (mono_ns){INT64_MIN}).known);
    assert_false(tcmap_at(&deck->map, (mono_ns){INT64_MAX}).known);
    struct tcmap_params params = tcmap_params_default(TC_RATE_25, RATE, 10, 5);
    assert_int_equal(tcmap_init(&deck->map, &params), -1);
    params = tcmap_params_default(TC_RATE_25, 7999, 0, 5);
    assert_int_equal(tcmap_init(&deck->map, &params), -1);
}

static void from_timecode_to_the_instant(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_29_97_DF, TC_RATE_29_97_DF, "23:59:55;00");
    run_on(deck, 10);
    struct clockmap_interval mono;
    for (int64_t back = 0; back < 290; back += 7) {
        const int64_t truth = now(deck) - timecode_frame_start_ns(back, deck->rate);
        assert_true(tcmap_inverse(&deck->map, timecode_wrap(deck->frame - back, deck->rate), &mono));
        assert_true(mono.lo <= truth && truth <= mono.hi && mono.hi - mono.lo < 23 * MS);
    }
    /* Not yet come: by carrying on. Before the first word: no. */
    assert_true(tcmap_inverse(&deck->map, deck->frame + 300, &mono));
    assert_false(tcmap_inverse(&deck->map, timecode_wrap(deck->frame - 3000, deck->rate), &mono));
}

/* The lamp lights at a known instant; the recording is 3.2 frames behind what is heard; the first lit frame is the one then open. */
static void the_clapper(void **state)
{
    (void)state;
    struct deck *deck = deck_at(TC_RATE_25, TC_RATE_25, "10:00:00:00");
    run_on(deck, 20);
    const int64_t base = deck->frame - 500; /* of the first word, at sample 0 */
    int64_t error_before = INT64_MAX;
    for (int i = 1; i < 15; i++) {
        const int64_t lit = mono_of(deck, 0) + i * S + i * 13 * MS;
        const double heard = (double)base + (double)(lit - mono_of(deck, 0)) * 25e-9;
        const int64_t first_lit =
            (int64_t)(heard - 3.2 + 0.3); /* this camera's shutter closes 0.7 into the frame */
        assert_int_equal(tcmap_clap(&deck->map, (mono_ns){lit}, 100000, first_lit), 0);
        assert_true(llabs(deck->map.offset_uf + 3200000) <= deck->map.offset_error_uf);
        assert_true(deck->map.offset_error_uf <= error_before);
        error_before = deck->map.offset_error_uf;
    }
    assert_true(error_before < 1000000);
    struct tc_answer answer = answer_at(deck, now(deck));
    assert_true(llabs(answer.frame * 1000000 + answer.fraction_uf - (deck->frame * 1000000 - 3200000)) <=
                answer.bound_uf);
    struct clockmap_interval mono;
    assert_true(tcmap_inverse(&deck->map, deck->frame - 50, &mono));
    const int64_t truth = now(deck) - 50 * 40 * MS + 128 * MS;
    assert_true(mono.lo <= truth && truth <= mono.hi);
    /* One that contradicts the others takes their place; another camera, perhaps. */
    assert_int_equal(tcmap_clap(&deck->map, (mono_ns){now(deck) - S}, 100000, deck->frame + 100), 1);
    assert_in_range(deck->map.offset_uf, 123000000, 127000000);
    tcmap_set_offset(&deck->map, 0, 0);
    assert_frame_now(deck, TC_LOCKED);
}

static void time_of_day(void **state)
{
    (void)state;
    const int64_t midnight = INT64_C(1930348800) * S;
    struct utc_answer utc = {.known = true, .bound_known = true, .state = CLOCK_SYNCED, .bound_ns = 2 * MS};
    utc.utc.ns = midnight + 3661 * S + 500 * MS;
    struct tc_answer answer = tcmap_time_of_day(&utc, TC_RATE_25);
    char text[TIMECODE_TEXT];
    timecode_format(answer.label, answer.rate, text);
    assert_string_equal(text, "01:01:01:12");
    assert_int_equal(answer.fraction_uf, 500000);
    assert_in_range(answer.bound_uf, 50000, 50002);
    assert_int_equal(answer.state, TC_LOCKED);
    /* Drop-frame is within a few frames of the clock all day; non-drop at 29.97 is 86.3 s behind it at the end (0.1 %). */
    utc.utc.ns = midnight + 86399 * S;
    answer = tcmap_time_of_day(&utc, TC_RATE_29_97_DF);
    assert_int_equal(answer.label.hh * 3600 + answer.label.mm * 60 + answer.label.ss, 86399);
    answer = tcmap_time_of_day(&utc, TC_RATE_29_97_NDF);
    assert_int_equal(answer.label.hh * 3600 + answer.label.mm * 60 + answer.label.ss, 86312);
    /* The last instants of a drop-frame day have the last label. */
    utc.utc.ns = midnight + 86400 * S - 1;
    assert_int_equal(tcmap_time_of_day(&utc, TC_RATE_29_97_DF).frame, 2589407);
    assert_int_equal(tcmap_time_of_day(&utc, TC_RATE_59_94_DF).frame, 5178815);
    utc.utc.ns++;
    assert_int_equal(tcmap_time_of_day(&utc, TC_RATE_29_97_DF).frame, 0);
    utc.utc.ns = -1;
    assert_int_equal(tcmap_time_of_day(&utc, TC_RATE_25).frame, 2159999);
    utc.state = CLOCK_HOLDOVER;
    assert_int_equal(tcmap_time_of_day(&utc, TC_RATE_25).state, TC_HOLDOVER);
    utc.state = CLOCK_UNSYNCED;
    utc.bound_known = false;
    answer = tcmap_time_of_day(&utc, TC_RATE_25);
    assert_true(answer.known && !answer.bound_known && answer.state == TC_NONE);
    utc.known = false;
    assert_false(tcmap_time_of_day(&utc, TC_RATE_25).known);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_heard),
        cmocka_unit_test(locks_at_every_rate),
        cmocka_unit_test(a_long_line_has_a_word_not_long_ago),
        cmocka_unit_test(midnight_is_no_event),
        cmocka_unit_test(a_drop_out_is_held_over),
        cmocka_unit_test(short_gaps_and_bad_words_do_not_matter),
        cmocka_unit_test(jumps_of_one_frame_and_of_hours),
        cmocka_unit_test(a_recorder_restarted),
        cmocka_unit_test(winding_is_not_locked),
        cmocka_unit_test(a_tape_a_little_fast),
        cmocka_unit_test(another_rate_is_noticed_and_followed),
        cmocka_unit_test(a_fast_tape_is_not_another_rate),
        cmocka_unit_test(the_drop_frame_flag),
        cmocka_unit_test(user_bits_are_kept),
        cmocka_unit_test(late_reads_only_widen),
        cmocka_unit_test(a_group_that_is_late_as_a_whole),
        cmocka_unit_test(samples_lost_unseen),
        cmocka_unit_test(a_loss_is_taken_back),
        cmocka_unit_test(a_capture_restarted),
        cmocka_unit_test(audio_that_stops),
        cmocka_unit_test(impossible_input),
        cmocka_unit_test(from_timecode_to_the_instant),
        cmocka_unit_test(the_clapper),
        cmocka_unit_test(time_of_day),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
