/*
 * The engine's clocks through its public face: presses from before the first ping, from earlier power-ups and from before a restart; UTC that comes late;
 * recorded timecode with a clapper. A pad, a recorder and UTC are simulated and their truth is known; what is checked is that it lies inside
 * what the markers claim.
 */
#include "core/engine.h"

#include "bellrope/wire.h"
#include "core/clockmap.h"
#include "core/fields.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define START_NS (1000 * NS_PER_S)
#define UTC_START_NS INT64_C(1924837567000000000) /* an instant in 2030 */
#define CARD_HZ 48000
#define SEEN_NS 300000 /* a press is seen so long after its contact */

enum { KEPT_MAX = 64, SENT_MAX = 64, OBSERVATIONS_MAX = 4096, CLOCK_SIZE = 64 };

struct observed {
    char clock[CLOCK_SIZE];
    int64_t a, lo, hi;
};

struct bench {
    struct engine *engine;
    struct engine_config config;
    int64_t now_ns, wake_ns, seq;
    /* what came out */
    struct marker marker[KEPT_MAX]; /* by order */
    int markers;
    struct settled settled[KEPT_MAX];
    char settled_dive[KEPT_MAX][DIVE_ID_SIZE];
    int settlings;
    char notice[1024], status[2048];
    struct engine_reply reply;
    int replies;
    struct observed observed[OBSERVATIONS_MAX];
    int observations;
    struct wire_message sent[SENT_MAX];
    int sent_count;
    /* the pad: its clock runs `rate` times as fast as the host's since `powered_ns` */
    bool plugged, answers_pings, flashes;
    uint32_t boot;
    int64_t powered_ns;
    double rate;
    struct wire_decoder decoder;
    int64_t lit_ns;
    /* the recorder: 25 frames a second, frame 0 of the day at start_ns; words are heard of it `heard_late` frames behind what is recorded */
    int64_t words;     /* told so far */
    int64_t read_late; /* of its audio */
};

static int64_t tick_at(const struct bench *b, int64_t at_ns)
{
    return (int64_t)floor((double)(at_ns - b->powered_ns) * b->rate / 1000.0);
}

static void say(struct bench *b, enum input_kind kind, const char *text)
{
    char bytes[512];
    size_t len = strlen(text);
    assert_true(len < sizeof bytes);
    for (size_t i = 0; i < len; i++)
        bytes[i] = text[i] == '|' ? FIELDS_SEPARATOR : text[i];
    engine_input(b->engine, kind, 0, (mono_ns){b->now_ns}, bytes, len);
}

static void to_engine(struct bench *b, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int len = wire_encode(message, frame, sizeof frame);
    assert_true(len > 0);
    engine_input(b->engine, INPUT_PAD, 0, (mono_ns){b->now_ns}, frame, (size_t)len);
}

static void commit_all(struct bench *b)
{
    char text[64];
    snprintf(text, sizeof text, "op=committed|seq=%lld", (long long)b->seq);
    say(b, INPUT_COMMITTED, text);
}

/* ---- sink ---- */

static void on_commit(void *ctx, const struct entry *entry)
{
    struct bench *b = ctx;
    assert_int_equal(entry->seq, b->seq + 1);
    b->seq = entry->seq;
    if (entry->type == ENTRY_MARKER) {
        assert_true(b->markers < KEPT_MAX);
        b->marker[b->markers++] = entry->of.marker;
    } else if (entry->type == ENTRY_SETTLED) {
        assert_true(b->settlings < KEPT_MAX);
        strcpy(b->settled_dive[b->settlings], entry->dive);
        b->settled[b->settlings++] = entry->of.settled;
    } else if (entry->type == ENTRY_TIMECODE) {
        snprintf(b->notice, sizeof b->notice, "%s: %s", entry->of.notice.about, entry->of.notice.state);
    }
}

static void on_pad_message(void *ctx, const struct wire_message *message)
{
    struct bench *b = ctx;
    if (b->sent_count < SENT_MAX)
        b->sent[b->sent_count++] = *message;
}

static void on_pad_send(void *ctx, int pad, const uint8_t *bytes, size_t len)
{
    struct bench *b = ctx;
    assert_int_equal(pad, 0);
    wire_decoder_feed(&b->decoder, bytes, len, on_pad_message, b);
}

static void on_observe(void *ctx, const struct engine_observation *observation)
{
    struct bench *b = ctx;
    assert_true(b->observations < OBSERVATIONS_MAX);
    struct observed *to = &b->observed[b->observations++];
    snprintf(to->clock, sizeof to->clock, "%s", observation->clock);
    to->a = observation->a;
    to->lo = observation->lo;
    to->hi = observation->hi;
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    struct bench *b = ctx;
    b->reply = *reply;
    b->replies++;
}

static void on_wake(void *ctx, mono_ns at)
{
    struct bench *b = ctx;
    b->wake_ns = at.ns;
}

/* ---- the world ---- */

static void send_hello(struct bench *b)
{
    struct wire_message hello = {.type = WIRE_HELLO,
                                 .u.hello = {.version = WIRE_VERSION,
                                             .boot = b->boot,
                                             .tick_hz = 1000000,
                                             .rows = 4,
                                             .cols = 4,
                                             .keys = 16,
                                             .room = 64,
                                             .serial = "P-03"}};
    to_engine(b, &hello);
}

/* tick_us: of that power-up's own clock, at the turn that saw the key down; it was not down a millisecond before. */
static void send_press_of(struct bench *b, uint32_t boot, uint32_t seq, int64_t tick_us)
{
    struct wire_message press = {.type = WIRE_PRESS,
                                 .u.press = {.boot = boot,
                                             .seq = seq,
                                             .tick_us = (uint64_t)tick_us,
                                             .before_us = 1000,
                                             .gesture = WIRE_DOWN,
                                             .offer = 1}};
    to_engine(b, &press);
}

static void send_press(struct bench *b, uint32_t seq, int64_t pressed_ns)
{
    send_press_of(b, b->boot, seq, tick_at(b, pressed_ns + SEEN_NS));
}

static void pad_answers_one(struct bench *b, const struct wire_message *message)
{
    if (message->type == WIRE_ASK_HELLO)
        send_hello(b);
    if (message->type == WIRE_PING &&
        b->answers_pings) { /* 3 ms there, 4 ms back: longer than the wire takes */
        b->now_ns += 3 * NS_PER_MS;
        uint64_t tick = (uint64_t)tick_at(b, b->now_ns);
        b->now_ns += 4 * NS_PER_MS;
        struct wire_message pong = {
            .type = WIRE_PONG,
            .u.pong = {.id = message->u.ping.id, .boot = b->boot, .rx_tick_us = tick, .tx_tick_us = tick}};
        to_engine(b, &pong);
    }
    if (message->type == WIRE_FLASH && b->flashes) {
        b->lit_ns = b->now_ns + 4 * NS_PER_MS;
        b->now_ns += 6 * NS_PER_MS;
        struct wire_message flashed = {.type = WIRE_FLASHED,
                                       .u.flashed = {.id = message->u.flash.id,
                                                     .boot = b->boot,
                                                     .tick_us = (uint64_t)tick_at(b, b->lit_ns - 100000),
                                                     .within_us = 300}};
        to_engine(b, &flashed);
    }
}

static void pad_answers(struct bench *b)
{
    while (b->sent_count > 0) { /* answers bring questions */
        struct wire_message sent[SENT_MAX];
        int count = b->sent_count;
        memcpy(sent, b->sent, (size_t)count * sizeof sent[0]);
        b->sent_count = 0;
        for (int i = 0; i < count && b->plugged; i++)
            pad_answers_one(b, &sent[i]);
    }
}

static double heard_frame_at(int64_t at_ns)
{
    return (double)(at_ns - START_NS) * 25 / 1e9 + 900000; /* 10:00:00:00 at the start */
}

/* The words that have ended by now, each read 4 ms after its last sample. */
static void hear_words(struct bench *b, int64_t until_ns)
{
    const int64_t word_ns = NS_PER_S / 25, word_samples = CARD_HZ / 25;
    while (b->config.timecode_from_ltc && START_NS + (b->words + 1) * word_ns + b->read_late <= until_ns) {
        char text[256], hex[2 * TIMECODE_WORD_BYTES + 1];
        const int64_t n = b->words++;
        struct timecode_word word = {.tc = timecode_from_frame(900000 + n, TC_RATE_25)};
        uint8_t packed[TIMECODE_WORD_BYTES];
        timecode_word_encode(&word, TC_RATE_25, packed);
        for (int i = 0; i < TIMECODE_WORD_BYTES; i++)
            snprintf(hex + 2 * i, 3, "%02x", packed[i]);
        b->now_ns = START_NS + (n + 1) * word_ns + b->read_late;
        snprintf(text, sizeof text, "op=audio|end=%lld", (long long)((n + 1) * word_samples));
        say(b, INPUT_AUDIO, text);
        snprintf(text, sizeof text, "op=ltc|word=%s|start=%lld|end=%lld|reverse=0", hex,
                 (long long)(n * word_samples), (long long)((n + 1) * word_samples - 1));
        say(b, INPUT_LTC, text);
    }
}

static void pass(struct bench *b, int64_t ns)
{
    const int64_t until = b->now_ns + ns;
    while (b->wake_ns <= until) {
        hear_words(b, b->wake_ns);
        if (b->wake_ns > b->now_ns)
            b->now_ns = b->wake_ns;
        engine_input(b->engine, INPUT_TICK, 0, (mono_ns){b->now_ns}, NULL, 0);
        pad_answers(b);
        commit_all(b);
    }
    hear_words(b, until);
    if (b->now_ns < until)
        b->now_ns = until;
}

static int64_t utc_at(int64_t at_ns)
{
    return UTC_START_NS + at_ns - START_NS;
}

static void tell_utc(struct bench *b, bool synced, int64_t off_ns)
{
    char text[256];
    snprintf(text, sizeof text,
             "op=utc|before=%lld|utc=%lld|after=%lld|synced=%d|max_error_us=500|est_error_us=10|leap=%d",
             (long long)b->now_ns - 1000, (long long)(utc_at(b->now_ns) + off_ns), (long long)b->now_ns,
             synced ? 1 : 0, synced ? 0 : 4);
    say(b, INPUT_UTC, text);
}

static void start_engine(struct bench *b)
{
    struct engine_sink sink = {.ctx = b,
                               .commit = on_commit,
                               .pad_send = on_pad_send,
                               .observe = on_observe,
                               .reply = on_reply,
                               .wake = on_wake};
    static struct keyplan plan;
    struct keyplan_error errors[4];
    wire_decoder_init(&b->decoder);
    b->sent_count = 0;
    b->wake_ns = INT64_MAX;
    b->engine = engine_new(&b->config, &sink);
    assert_non_null(b->engine);
    keyplan_begin(&plan);
    assert_true(keyplan_set(&plan, "key A1", "kind", "subject", 1, &errors[0]));
    assert_true(keyplan_set(&plan, "key A1", "label", "Fish", 2, &errors[0]));
    assert_int_equal(keyplan_finish(&plan, errors, 4), 0);
    engine_plan(b->engine, 0, (mono_ns){b->now_ns}, &plan);
}

static void plug(struct bench *b)
{
    b->plugged = true;
    engine_input(b->engine, INPUT_PAD_UP, 0, (mono_ns){b->now_ns}, "op=up", 5);
    pad_answers(b);
}

static void unplug(struct bench *b)
{
    b->plugged = false;
    say(b, INPUT_PAD_DOWN, "op=down|why=pulled");
}

/* The daemon ends and starts again; what the store remembers of clocks comes back, and `more` after it. */
static void restart(struct bench *b, const char *more)
{
    char text[256];
    int64_t from = b->now_ns;
    engine_free(b->engine);
    start_engine(b);
    snprintf(text, sizeof text, "op=restore.seq|last=%lld", (long long)b->seq);
    say(b, INPUT_RESTORE, text);
    snprintf(text, sizeof text, "op=restore.dive|id=D007|begun_utc=%lld|markers=%d",
             (long long)utc_at(START_NS), b->markers);
    say(b, INPUT_RESTORE, text);
    int kept = b->observations;
    for (int i = 0; i < kept; i++) {
        const struct observed *row = &b->observed[i];
        if (strcmp(row->clock, "utc") == 0)
            continue;
        snprintf(text, sizeof text, "op=restore.clock|clock=%s|a=%lld|lo=%lld|hi=%lld", row->clock,
                 (long long)row->a, (long long)row->lo, (long long)row->hi);
        say(b, INPUT_RESTORE, text);
    }
    if (more[0] != '\0')
        say(b, INPUT_RESTORE, more);
    say(b, INPUT_RESTORE, "op=restore.end");
    b->now_ns = from;
}

static int set_up(void **state)
{
    struct bench *b = calloc(1, sizeof *b);
    assert_non_null(b);
    b->now_ns = START_NS;
    b->config.pad_count = 1;
    strcpy(b->config.pad[0].name, "science");
    strcpy(b->config.pad[0].seat, "science");
    b->config.pad[0].baud = 115200;
    b->config.utc_feed = -1;
    b->config.rate = TC_RATE_25;
    b->config.audio_sample_rate_hz = CARD_HZ;
    b->config.audio_latency_max_ns = 8 * NS_PER_MS;
    b->read_late = 4 * NS_PER_MS;
    b->boot = 4711;
    b->powered_ns = START_NS - 500 * NS_PER_S;
    b->rate = 1.0045; /* a poor ceramic resonator */
    b->answers_pings = b->flashes = true;
    start_engine(b);
    *state = b;
    return 0;
}

static int tear_down(void **state)
{
    struct bench *b = *state;
    engine_free(b->engine);
    free(b);
    return 0;
}

static void begin_dive(struct bench *b)
{
    say(b, INPUT_COMMAND, "op=dive.begin|token=1|id=D007");
    commit_all(b);
}

/* The newest marker's instant holds `pressed_ns`, and its bound is at most so wide. */
static void assert_instant(const struct bench *b, int64_t pressed_ns, int64_t widest_ns)
{
    assert_true(b->markers > 0);
    const struct when *when = &b->marker[b->markers - 1].when;
    assert_true(when->mono_bound_ns >= 0);
    assert_true(llabs(when->mono.ns - pressed_ns) <= when->mono_bound_ns);
    if (when->mono_bound_ns > widest_ns)
        fail_msg("a bound of %.3f ms, wider than %.3f", (double)when->mono_bound_ns / 1e6,
                 (double)widest_ns / 1e6);
    if (when->utc_bound_ns >= 0)
        assert_true(llabs(when->utc.ns - utc_at(pressed_ns)) <= when->utc_bound_ns);
}

/* ---- presses that were not heard at once ---- */

static void a_press_from_before_the_first_ping(void **state)
{
    struct bench *b = *state;
    tell_utc(b, true, 0);
    begin_dive(b);
    b->answers_pings = false;
    plug(b);
    const int64_t pressed = b->now_ns - 90 * NS_PER_S; /* nobody listened then */
    send_press(b, 1, pressed);
    assert_int_equal(b->markers, 0); /* its clock is not known yet */
    b->answers_pings = true;
    pass(b, NS_PER_S);
    assert_int_equal(b->markers, 1);
    /* 90 s at 6,000 ppm, and what the pings have shown by then is no worse */
    assert_instant(b, pressed, 90 * 6 * NS_PER_MS + 10 * NS_PER_MS);
    /* Two minutes of pings later the clock's rate is known, and an older press is placed much better. */
    pass(b, 120 * NS_PER_S);
    send_press(b, 2, pressed + 7 * NS_PER_S);
    assert_instant(b, pressed + 7 * NS_PER_S, 80 * NS_PER_MS);
}

static void a_press_while_the_daemon_was_down(void **state)
{
    struct bench *b = *state;
    tell_utc(b, true, 0);
    begin_dive(b);
    plug(b);
    pass(b, 60 * NS_PER_S);
    const int64_t down = b->now_ns;
    b->plugged = false;
    b->now_ns += 300 * NS_PER_S;
    restart(b, "");
    tell_utc(b, true, 0);
    plug(b);
    pass(b, 2 * NS_PER_S);
    send_press(b, 1, down + 150 * NS_PER_S); /* in the middle of the gap, between pings before and after */
    assert_instant(b, down + 150 * NS_PER_S, 200 * NS_PER_MS);
    /* The rows alone, taken to a map by themselves, say the same. */
    struct clockmap map;
    struct clockmap_params params = clockmap_params_pad();
    struct clockmap_interval at;
    assert_int_equal(clockmap_init(&map, &params), 0);
    for (int i = 0; i < b->observations; i++)
        if (strcmp(b->observed[i].clock, "pad P-03 4711") == 0)
            assert_int_equal(clockmap_add(&map, b->observed[i].a, b->observed[i].lo, b->observed[i].hi),
                             CLOCKMAP_OK);
    assert_true(clockmap_at(&map, tick_at(b, down + 150 * NS_PER_S), &at));
    assert_true(at.lo <= down + 150 * NS_PER_S && at.hi >= down + 150 * NS_PER_S - 2000);
    assert_true(clockmap_half(at) <= 200 * NS_PER_MS);
}

/* It was pressed in an earlier power-up, and offered in this one. */
static void a_press_that_waited_over_a_reboot(void **state)
{
    struct bench *b = *state;
    tell_utc(b, true, 0);
    begin_dive(b);
    plug(b);
    pass(b, 60 * NS_PER_S);
    unplug(b);
    const int64_t pressed = b->now_ns + 5 * NS_PER_S;
    const int64_t tick = tick_at(b, pressed + SEEN_NS);
    b->now_ns += 20 * NS_PER_S;
    b->boot = 4712;
    b->powered_ns = b->now_ns - NS_PER_S;
    b->rate = 0.9971;
    plug(b);
    pass(b, NS_PER_S);
    send_press_of(b, 4711, 1, tick);
    assert_instant(b, pressed, 8 * NS_PER_MS);
    assert_int_equal(b->marker[0].pad_boot, 4711);
    /* The daemon as well: the old boot's clock comes back from the record. */
    restart(b, "");
    tell_utc(b, true, 0);
    plug(b);
    pass(b, NS_PER_S);
    send_press_of(b, 4711, 2, tick + 1000000);
    assert_instant(b, pressed + (int64_t)(1e9 / 1.0045), 8 * NS_PER_MS);
}

/* A power-up whose clock nobody ever heard: it lies between the one before it and the present one. */
static void a_press_of_a_power_up_that_was_never_heard(void **state)
{
    struct bench *b = *state;
    tell_utc(b, true, 0);
    begin_dive(b);
    plug(b);
    pass(b, 10 * NS_PER_S);
    unplug(b);
    const int64_t pressed = b->now_ns + 30 * NS_PER_S;
    b->now_ns += 100 * NS_PER_S;
    b->boot = 4713;
    b->powered_ns = b->now_ns - 40 * NS_PER_S;
    plug(b);
    pass(b, NS_PER_S);
    send_press_of(b, 4712, 1, 3000000);
    assert_instant(b, pressed, 51 * NS_PER_S);
    /* Of a pad of which nothing older is known there is no lower end: said, and no bound. */
    send_press_of(b, 4000, 1, 3000000);
    assert_int_equal(b->markers, 2);
    assert_int_equal(b->marker[1].when.mono_bound_ns, -1);
    assert_int_equal(b->marker[1].when.utc_bound_ns, -1);
    assert_int_equal(b->marker[1].when.trust, CLOCK_TRUST_UNSYNCED);
}

/* Two such power-ups one after the other: that the press of the first is offered now says nothing of when the second was. */
static void presses_of_two_power_ups_that_were_never_heard(void **state)
{
    struct bench *b = *state;
    tell_utc(b, true, 0);
    begin_dive(b);
    plug(b);
    pass(b, 10 * NS_PER_S);
    unplug(b);
    const int64_t left = b->now_ns;
    b->now_ns += 100 * NS_PER_S;
    b->boot = 4714;
    b->powered_ns = b->now_ns - 40 * NS_PER_S;
    b->answers_pings = false; /* they come before the first pong of this one */
    plug(b);
    send_press_of(b, 4712, 1, 3000000);
    b->now_ns += 10 * NS_PER_MS;
    send_press_of(b, 4713, 1, 3000000);
    assert_int_equal(b->markers, 2);
    for (int i = 0; i < 2; i++) {
        const struct when *when = &b->marker[i].when;
        assert_true(when->mono_bound_ns >= 0);
        assert_true(when->mono.ns - when->mono_bound_ns <= left);
        assert_true(when->mono.ns + when->mono_bound_ns >= b->powered_ns);
    }
}

/* ---- UTC that comes late ---- */

static const struct settled *settled_by_clock(const struct bench *b, const char *dive, uint32_t number)
{
    for (int i = 0; i < b->settlings; i++)
        if (strcmp(b->settled[i].cause, "clock") == 0 && b->settled[i].marker == number &&
            strcmp(b->settled_dive[i], dive) == 0)
            return &b->settled[i];
    return NULL;
}

static void assert_retimed(const struct bench *b, const char *dive, uint32_t number, int64_t pressed_ns)
{
    const struct settled *settled = settled_by_clock(b, dive, number);
    assert_non_null(settled);
    assert_int_equal(settled->when.trust, CLOCK_TRUST_HOLDOVER);
    assert_true(settled->when.utc_bound_ns >= 0 && settled->when.utc_bound_ns < 100 * NS_PER_MS);
    assert_true(llabs(settled->when.utc.ns - utc_at(pressed_ns)) <= settled->when.utc_bound_ns);
    assert_true(llabs(settled->when.mono.ns - pressed_ns) <= settled->when.mono_bound_ns);
    assert_true(settled->has_timecode); /* time of day follows */
}

static void markers_made_before_sync_are_timed_again(void **state)
{
    struct bench *b = *state;
    const int64_t day = 86400 * NS_PER_S;
    tell_utc(b, false, -day);
    plug(b);
    pass(b, 2 * NS_PER_S);
    const int64_t outside = b->now_ns - NS_PER_MS;
    send_press(b, 1, outside); /* before any dive */
    begin_dive(b);
    pass(b, NS_PER_S);
    const int64_t inside = b->now_ns - NS_PER_MS;
    send_press(b, 2, inside);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(b->marker[i].when.trust, CLOCK_TRUST_UNSYNCED);
        assert_int_equal(b->marker[i].when.utc_bound_ns, -1);
        assert_true(b->marker[i].when.utc.ns < utc_at(START_NS) - day / 2);
    }
    pass(b, 30 * NS_PER_S);
    assert_null(settled_by_clock(b, "D007", 1));
    tell_utc(b, true, 0);
    assert_retimed(b, "D007", 1, inside);
    assert_retimed(b, "", 1, outside);
    int settlings = b->settlings;
    pass(b, 5 * NS_PER_S);
    tell_utc(b, true, 0);
    assert_int_equal(b->settlings, settlings);                          /* once */
    assert_true(b->marker[0].when.utc.ns < utc_at(START_NS) - day / 2); /* what was first said stays */
}

static void sync_that_comes_after_a_restart(void **state)
{
    struct bench *b = *state;
    char text[256];
    tell_utc(b, false, 86400 * NS_PER_S);
    begin_dive(b);
    plug(b);
    pass(b, 2 * NS_PER_S);
    const int64_t pressed = b->now_ns - NS_PER_MS;
    send_press(b, 1, pressed);
    pass(b, 20 * NS_PER_S);
    snprintf(text, sizeof text, "op=restore.unsettled|number=1|mono=%lld|mono_bound=%lld|trust=unsynced",
             (long long)b->marker[0].when.mono.ns, (long long)b->marker[0].when.mono_bound_ns);
    b->plugged = false;
    restart(b, text);
    tell_utc(b, true, 0);
    assert_retimed(b, "D007", 1, pressed);
}

/* ---- recorded timecode ---- */

static void with_recorder(struct bench *b)
{
    engine_free(b->engine);
    b->config.timecode_from_ltc = true;
    start_engine(b);
    tell_utc(b, true, 0);
    begin_dive(b);
    plug(b);
    pass(b, 6 * NS_PER_S);
}

static void assert_timecode(const struct timecode_stamp *stamp, double truth)
{
    assert_int_equal(stamp->trust, TIMECODE_TRUST_LOCKED);
    assert_true(fabs((double)stamp->frame + stamp->within - truth) <= stamp->bound_frames);
}

static void a_marker_settles_when_words_bracket_it(void **state)
{
    struct bench *b = *state;
    with_recorder(b);
    const int64_t pressed = b->now_ns - NS_PER_MS;
    send_press(b, 1, pressed);
    assert_timecode(&b->marker[0].timecode, heard_frame_at(pressed));
    assert_int_equal(b->settlings, 0);
    pass(b, NS_PER_S);
    assert_int_equal(b->settlings, 1);
    assert_string_equal(b->settled[0].cause, "bracketed");
    assert_timecode(&b->settled[0].timecode, heard_frame_at(pressed));

    /* The recorder falls silent, is pressed at, and goes on elsewhere: the marker has waited to see. */
    b->words += 50; /* two seconds unheard: they are never told */
    b->config.timecode_from_ltc = false;
    pass(b, 500 * NS_PER_MS);
    const int64_t second = b->now_ns - NS_PER_MS;
    send_press(b, 2, second);
    assert_int_equal(b->marker[1].timecode.trust, TIMECODE_TRUST_HOLDOVER);
    pass(b, 600 * NS_PER_MS);
    assert_int_equal(b->settlings, 1);
    b->config.timecode_from_ltc = true;
    pass(b, 3 * NS_PER_S);
    assert_int_equal(b->settlings, 2);
    assert_string_equal(b->settled[1].cause, "bracketed");
}

/* What was heard is kept once a second, so that timecode can be worked out anew. */
static void recorded_timecode_is_kept(void **state)
{
    struct bench *b = *state;
    with_recorder(b);
    pass(b, 20 * NS_PER_S);
    int rows = 0;
    for (int i = 0; i < b->observations; i++) {
        const struct observed *row = &b->observed[i];
        if (strcmp(row->clock, "recorder 25") != 0)
            continue;
        const double heard_ns = heard_frame_at(row->a) / 25 * 1e9;
        assert_true((double)row->lo - 1000 <= heard_ns && heard_ns <= (double)row->hi + 1000);
        rows++;
    }
    assert_true(rows >= 20 && rows <= 27);
}

static void on_status(void *ctx, const struct engine_status_line *line)
{
    struct bench *b = ctx;
    if (strcmp(line->what, "timecode") == 0)
        snprintf(b->status, sizeof b->status, "%s", line->text);
}

/* What the camera records is 7.3 frames behind what is heard; a frame shows the lamp if it was lit before the frame's end. */
#define RECORDED_LESS_HEARD (-7.3)

static double recorded_at(int64_t at_ns)
{
    return heard_frame_at(at_ns) + RECORDED_LESS_HEARD;
}

static int64_t first_lit_frame(int64_t lit_ns)
{
    return (int64_t)floor(recorded_at(lit_ns));
}

static void clap(struct bench *b)
{
    char label[16], text[64];
    int replies = b->replies;
    say(b, INPUT_COMMAND, "op=clap|token=21");
    pad_answers(b);
    assert_int_equal(b->replies, replies);
    commit_all(b);
    assert_int_equal(b->replies, replies + 1);
    assert_int_equal(b->reply.token, 21);
    assert_int_equal(b->reply.refusal, REFUSED_NOT);
    assert_string_equal(b->notice, "clap: lit");
    pass(b, 20 * NS_PER_S); /* somebody looks through the recording */
    timecode_format(timecode_from_frame(first_lit_frame(b->lit_ns), TC_RATE_25), TC_RATE_25, label);
    snprintf(text, sizeof text, "op=clap|token=22|frame=%s", label);
    say(b, INPUT_COMMAND, text);
    commit_all(b);
    assert_int_equal(b->reply.token, 22);
    assert_int_equal(b->reply.refusal, REFUSED_NOT);
}

static const struct observed *newest_clap(const struct bench *b)
{
    for (int i = b->observations - 1; i >= 0; i--)
        if (strcmp(b->observed[i].clock, "clap") == 0)
            return &b->observed[i];
    fail_msg("no clap was stored");
    return NULL;
}

static void a_clap_measures_the_offset(void **state)
{
    struct bench *b = *state;
    with_recorder(b);
    clap(b);
    assert_string_equal(b->notice, "clap: measured");
    const struct observed *first = newest_clap(b);
    assert_true(fabs((double)first->a / 1e6 - RECORDED_LESS_HEARD) <= (double)first->hi / 1e6);
    assert_true(first->hi < 1300000 && first->lo == -first->hi);
    engine_status(b->engine, (mono_ns){b->now_ns}, on_status, b);
    assert_non_null(strstr(b->status, "frames by a clap, within "));

    /* It applies from here on. */
    int64_t pressed = b->now_ns - NS_PER_MS;
    send_press(b, 1, pressed);
    assert_timecode(&b->marker[0].timecode, recorded_at(pressed));
    assert_true(fabs((double)b->marker[0].timecode.frame - heard_frame_at(pressed)) > 5);

    /* More of them, at other moments in a frame, narrow it. */
    for (int i = 0; i < 4; i++) {
        pass(b, 3 * NS_PER_S + 7 * NS_PER_MS);
        clap(b);
        assert_string_equal(b->notice, "clap: measured");
    }
    const struct observed *last = newest_clap(b);
    assert_true(last->hi < 900000);
    assert_true(fabs((double)last->a / 1e6 - RECORDED_LESS_HEARD) <= (double)last->hi / 1e6);

    /* It outlives the daemon. */
    b->plugged = false;
    restart(b, "");
    b->words = (b->now_ns - START_NS) / (NS_PER_S / 25);
    tell_utc(b, true, 0);
    plug(b);
    pass(b, 6 * NS_PER_S);
    pressed = b->now_ns - NS_PER_MS;
    send_press(b, 2, pressed);
    assert_timecode(&b->marker[b->markers - 1].timecode, recorded_at(pressed));
}

static void a_clap_that_comes_to_nothing_is_refused(void **state)
{
    struct bench *b = *state;
    with_recorder(b);
    say(b, INPUT_COMMAND, "op=clap|token=30|frame=10:00:00:00");
    assert_int_equal(b->reply.refusal, REFUSED_PARAMS); /* no lamp was lit */
    b->flashes = false;
    say(b, INPUT_COMMAND, "op=clap|token=31");
    int replies = b->replies;
    say(b, INPUT_COMMAND, "op=clap|token=32"); /* one at a time */
    assert_int_equal(b->reply.token, 32);
    assert_int_equal(b->reply.refusal, REFUSED_STATE);
    pass(b, 4 * NS_PER_S); /* the pad never says that it did */
    assert_int_equal(b->replies, replies + 2);
    assert_int_equal(b->reply.token, 31);
    assert_int_equal(b->reply.refusal, REFUSED_STATE);
    say(b, INPUT_COMMAND, "op=clap|token=33");
    unplug(b);
    assert_int_equal(b->reply.token, 33);
    assert_int_equal(b->reply.refusal, REFUSED_STATE);
    say(b, INPUT_COMMAND, "op=clap|token=34");
    assert_int_equal(b->reply.refusal, REFUSED_NO_SUCH);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_press_from_before_the_first_ping),
        TEST(a_press_while_the_daemon_was_down),
        TEST(a_press_that_waited_over_a_reboot),
        TEST(a_press_of_a_power_up_that_was_never_heard),
        TEST(presses_of_two_power_ups_that_were_never_heard),
        TEST(markers_made_before_sync_are_timed_again),
        TEST(sync_that_comes_after_a_restart),
        TEST(a_marker_settles_when_words_bracket_it),
        TEST(recorded_timecode_is_kept),
        TEST(a_clap_measures_the_offset),
        TEST(a_clap_that_comes_to_nothing_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
