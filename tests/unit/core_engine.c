/*
 * The engine through its public face: a simulated pad on a simulated clock, entries out, commits in. No time passes but what the test says.
 */
#include "core/engine.h"

#include "bellrope/wire.h"
#include "core/event.h"
#include "core/fields.h"

#include <setjmp.h>
#include <stdarg.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { ENTRIES_MAX = 256, EVENT_MAX = 4096, SENT_MAX = 512 };

#define START_NS (1000 * NS_PER_S)
#define UTC_START_NS INT64_C(1924837567000000000) /* an instant in 2030 */

struct bench {
    struct engine *engine;
    struct engine_config config;
    int64_t now_ns, wake_ns;
    /* what came out */
    char event[ENTRIES_MAX][EVENT_MAX];
    enum entry_type type[ENTRIES_MAX];
    int entries;
    int64_t last_seq, published;
    struct engine_reply reply[ENTRIES_MAX];
    int replies;
    struct engine_observation observation;
    int observations, samples;
    struct wire_message sent[SENT_MAX];
    int sent_count;
    /* the simulated pad */
    bool plugged, answers_pings;
    uint32_t boot;
    int64_t powered_ns;
    double rate; /* of its clock, 1.0 is true */
    struct wire_decoder decoder;
    bool commits_by_itself;
};

static int64_t pad_tick_at(const struct bench *b, int64_t at_ns)
{
    return (int64_t)((double)(at_ns - b->powered_ns) * b->rate / 1000.0);
}

static void to_engine(struct bench *b, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int len = wire_encode(message, frame, sizeof frame);
    assert_true(len > 0);
    engine_input(b->engine, INPUT_PAD, 0, (mono_ns){b->now_ns}, frame, (size_t)len);
}

static void say(struct bench *b, enum input_kind kind, int source, const char *text)
{
    char bytes[1024];
    size_t len = strlen(text);
    assert_true(len < sizeof bytes);
    memcpy(bytes, text, len);
    for (size_t i = 0; i < len; i++)
        if (bytes[i] == '|')
            bytes[i] = FIELDS_SEPARATOR;
    engine_input(b->engine, kind, source, (mono_ns){b->now_ns}, bytes, len);
}

static void commit_all(struct bench *b)
{
    char text[64];
    snprintf(text, sizeof text, "op=committed|seq=%lld", (long long)b->last_seq);
    say(b, INPUT_COMMITTED, 0, text);
}

/* ---- sink ---- */

static void on_commit(void *ctx, const struct entry *entry)
{
    struct bench *b = ctx;
    assert_true(b->entries < ENTRIES_MAX);
    assert_int_equal(entry->seq, b->last_seq + 1);
    b->last_seq = entry->seq;
    b->type[b->entries] = entry->type;
    assert_true(event_json(entry, b->event[b->entries], EVENT_MAX) > 0);
    b->entries++;
}

static void on_publish(void *ctx, int64_t seq)
{
    struct bench *b = ctx;
    assert_true(seq > b->published && seq <= b->last_seq);
    b->published = seq;
}

static void on_pad_message(void *ctx, const struct wire_message *message)
{
    struct bench *b = ctx;
    assert_true(b->sent_count < SENT_MAX);
    b->sent[b->sent_count++] = *message;
}

static void on_pad_send(void *ctx, int pad, const uint8_t *bytes, size_t len)
{
    struct bench *b = ctx;
    assert_int_equal(pad, 0);
    wire_decoder_feed(&b->decoder, bytes, len, on_pad_message, b);
}

static void on_sample(void *ctx, const struct engine_sample *sample)
{
    struct bench *b = ctx;
    assert_non_null(sample->channel);
    b->samples++;
}

static void on_observe(void *ctx, const struct engine_observation *observation)
{
    struct bench *b = ctx;
    b->observation = *observation;
    b->observations++;
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    struct bench *b = ctx;
    assert_true(b->replies < ENTRIES_MAX);
    b->reply[b->replies++] = *reply;
}

static void on_wake(void *ctx, mono_ns at)
{
    struct bench *b = ctx;
    b->wake_ns = at.ns;
}

/* ---- the simulated pad ---- */

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

static void send_press(struct bench *b, uint32_t seq, uint8_t key, int64_t pressed_ns)
{
    struct wire_message press = {.type = WIRE_PRESS,
                                 .u.press = {.boot = b->boot,
                                             .seq = seq,
                                             .tick_us = (uint64_t)pad_tick_at(b, pressed_ns),
                                             .before_us = 1000,
                                             .key = key,
                                             .gesture = WIRE_DOWN,
                                             .offer = 1}};
    to_engine(b, &press);
}

/* Answers what the engine sent: 2 ms out, 1 ms back. */
static void pad_answers(struct bench *b)
{
    for (int i = 0; i < b->sent_count; i++) {
        struct wire_message message = b->sent[i];
        if (message.type == WIRE_ASK_HELLO && b->plugged)
            send_hello(b);
        if (message.type == WIRE_PING && b->answers_pings) {
            int64_t heard = b->now_ns + 2 * NS_PER_MS;
            uint64_t tick = (uint64_t)pad_tick_at(b, heard);
            b->now_ns = heard + NS_PER_MS;
            struct wire_message pong = {
                .type = WIRE_PONG,
                .u.pong = {.id = message.u.ping.id, .boot = b->boot, .rx_tick_us = tick, .tx_tick_us = tick}};
            to_engine(b, &pong);
        }
    }
    b->sent_count = 0;
}

/* Runs until `ns` later, with timers at their instants. */
static void pass(struct bench *b, int64_t ns)
{
    int64_t until = b->now_ns + ns;
    while (b->wake_ns <= until && b->wake_ns > b->now_ns) {
        b->now_ns = b->wake_ns;
        engine_input(b->engine, INPUT_TICK, 0, (mono_ns){b->now_ns}, NULL, 0);
        if (b->plugged)
            pad_answers(b);
        if (b->commits_by_itself)
            commit_all(b);
    }
    if (b->now_ns < until)
        b->now_ns = until;
}

static int count_sent(const struct bench *b, uint8_t type)
{
    int count = 0;
    for (int i = 0; i < b->sent_count; i++)
        count += b->sent[i].type == type;
    return count;
}

static int count_type(const struct bench *b, enum entry_type type)
{
    int count = 0;
    for (int i = 0; i < b->entries; i++)
        count += b->type[i] == type;
    return count;
}

static const char *last_of(const struct bench *b, enum entry_type type)
{
    for (int i = b->entries - 1; i >= 0; i--)
        if (b->type[i] == type)
            return b->event[i];
    fail_msg("no entry of type %s", entry_type_name(type));
    return "";
}

static void tell_utc(struct bench *b)
{
    char text[256];
    snprintf(text, sizeof text,
             "op=utc|before=%lld|utc=%lld|after=%lld|synced=1|max_error_us=500|est_error_us=10|leap=0",
             (long long)b->now_ns - 1000, (long long)(UTC_START_NS + b->now_ns - START_NS),
             (long long)b->now_ns);
    say(b, INPUT_UTC, 0, text);
}

/* ---- set-up ---- */

static void set_key(struct keyplan *plan, const char *section, const char *name, const char *value,
                    uint32_t line)
{
    struct keyplan_error error;
    if (!keyplan_set(plan, section, name, value, line, &error))
        fail_msg("%s: %s", section, error.text);
}

static void make_plan(struct keyplan *plan)
{
    struct keyplan_error errors[4];
    keyplan_begin(plan);
    set_key(plan, "key A1", "kind", "subject", 1);
    set_key(plan, "key A1", "label", "Fish", 2);
    set_key(plan, "key A1", "lead_s", "2", 3);
    set_key(plan, "key A1", "hold.kind", "subject", 3);
    set_key(plan, "key A1", "hold.label", "School of fish", 3);
    set_key(plan, "key A2", "kind", "detail", 4);
    set_key(plan, "key A2", "label", "Feeding", 5);
    set_key(plan, "key A3", "kind", "done", 6);
    set_key(plan, "key A3", "label", "Done", 7);
    set_key(plan, "key A4", "kind", "strike", 8);
    set_key(plan, "key A4", "label", "Strike", 9);
    size_t wrong = keyplan_finish(plan, errors, 4);
    if (wrong != 0)
        fail_msg("%s %s: %s", errors[0].section, errors[0].name, errors[0].text);
}

static void start_engine(struct bench *b)
{
    struct engine_sink sink = {.ctx = b,
                               .commit = on_commit,
                               .publish = on_publish,
                               .pad_send = on_pad_send,
                               .sample = on_sample,
                               .observe = on_observe,
                               .reply = on_reply,
                               .wake = on_wake};
    struct keyplan plan;
    wire_decoder_init(&b->decoder);
    b->engine = engine_new(&b->config, &sink);
    assert_non_null(b->engine);
    b->wake_ns = INT64_MAX;
    make_plan(&plan);
    engine_plan(b->engine, 0, (mono_ns){b->now_ns}, &plan);
}

static void plug(struct bench *b)
{
    b->plugged = true;
    engine_input(b->engine, INPUT_PAD_UP, 0, (mono_ns){b->now_ns}, "op=up", 5);
    pad_answers(b);
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
    b->config.feed_count = 1;
    strcpy(b->config.feed[0].name, "vehicle");
    b->config.feed[0].subject = FEED_AS_VEHICLE;
    b->config.feed[0].stale_ns = 3 * NS_PER_S;
    b->config.feed[0].datagrams = true;
    b->config.utc_feed = -1;
    b->config.rate = TC_RATE_25;
    b->boot = 4711;
    b->powered_ns = START_NS - 77 * NS_PER_S;
    b->rate = 1.003; /* a ceramic resonator */
    b->answers_pings = true;
    b->commits_by_itself = true;
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
    tell_utc(b);
    say(b, INPUT_COMMAND, 0, "op=dive.begin|token=1|id=D007|vehicle=Lantern");
    commit_all(b);
}

/* ---- tests ---- */

static void a_press_is_kept_only_after_the_commit(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, 2 * NS_PER_S);
    b->commits_by_itself = false;
    b->plugged = false; /* keep what is sent for looking at */
    b->sent_count = 0;
    send_press(b, 1, 0, b->now_ns - 5 * NS_PER_MS);
    assert_int_equal(count_type(b, ENTRY_MARKER), 1);
    assert_int_equal(count_sent(b, WIRE_KEPT), 0);
    int64_t published = b->published;
    commit_all(b);
    assert_int_equal(count_sent(b, WIRE_KEPT), 1);
    assert_int_equal(b->sent[b->sent_count - 1].u.kept.seq, 1);
    assert_int_equal(b->sent[b->sent_count - 1].u.kept.boot, b->boot);
    assert_true(b->published > published);
}

static void a_marker_says_when_and_what(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, 2 * NS_PER_S);
    tell_utc(b);
    int64_t pressed = b->now_ns - 5 * NS_PER_MS;
    send_press(b, 1, 0, pressed);
    const char *event = last_of(b, ENTRY_MARKER);
    assert_non_null(strstr(event, "\"id\":\"D007-M0001\""));
    assert_non_null(strstr(event, "\"dive\":\"D007\""));
    assert_non_null(strstr(event, "\"kind\":\"subject\",\"label\":\"Fish\""));
    assert_non_null(strstr(event, "\"pad\":\"P-03\",\"key\":\"A1\""));
    assert_non_null(strstr(event, "\"sighting\":\"D007-S001\""));
    assert_non_null(strstr(event, "\"clock\":\"synced\""));
    assert_non_null(strstr(event, "\"timecode_rate\":\"25\""));
    assert_non_null(strstr(last_of(b, ENTRY_SIGHTING), "\"state\":\"open\""));
    /* the pings are symmetric but for 1 ms, so the stamp is good to a millisecond or two */
    const char *bound = strstr(event, "\"utc_bound_ms\":");
    assert_non_null(bound);
    assert_true(strtod(bound + 15, NULL) < 3.5);
}

static void a_press_offered_again_makes_no_second_marker(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, NS_PER_S);
    b->commits_by_itself = false;
    send_press(b, 1, 0, b->now_ns - NS_PER_MS);
    send_press(b, 1, 0, b->now_ns - NS_PER_MS); /* not yet committed */
    assert_int_equal(count_type(b, ENTRY_MARKER), 1);
    commit_all(b);
    b->sent_count = 0;
    send_press(b, 1, 0, b->now_ns - NS_PER_MS); /* committed, the answer got lost */
    assert_int_equal(count_type(b, ENTRY_MARKER), 1);
    assert_int_equal(count_sent(b, WIRE_KEPT), 1);
}

static void a_press_before_the_first_pong_waits_for_it(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    b->answers_pings = false;
    plug(b);
    send_press(b, 1, 0, b->now_ns - 20 * NS_PER_MS);
    assert_int_equal(count_type(b, ENTRY_MARKER), 0);
    b->answers_pings = true;
    pass(b, NS_PER_S);
    assert_int_equal(count_type(b, ENTRY_MARKER), 1);
}

static void a_restart_takes_up_where_it_was(void **state)
{
    struct bench *b = *state;
    char line[256];
    begin_dive(b);
    plug(b);
    pass(b, 3 * NS_PER_S);
    send_press(b, 1, 0, b->now_ns - NS_PER_MS);
    commit_all(b);
    int64_t seq = b->last_seq;
    engine_free(b->engine);
    start_engine(b);
    snprintf(line, sizeof line, "op=restore.seq|last=%lld", (long long)seq);
    say(b, INPUT_RESTORE, 0, line);
    snprintf(line, sizeof line, "op=restore.dive|id=D007|begun_utc=%lld|markers=1|sightings=1",
             (long long)UTC_START_NS);
    say(b, INPUT_RESTORE, 0, line);
    say(b, INPUT_RESTORE, 0, "op=restore.press|pad=P-03|boot=4711|seq=1");
    snprintf(
        line, sizeof line,
        "op=restore.fact|number=1|utc=%lld|seat=science|kind=subject|label=Fish|lead_ns=2000000000|object=1",
        (long long)(UTC_START_NS + 3 * NS_PER_S));
    say(b, INPUT_RESTORE, 0, line);
    say(b, INPUT_RESTORE, 0, "op=restore.end");
    tell_utc(b);
    plug(b);
    pass(b, NS_PER_S);
    int before = count_type(b, ENTRY_MARKER);
    send_press(b, 1, 0, b->now_ns - 2 * NS_PER_S); /* known */
    assert_int_equal(count_type(b, ENTRY_MARKER), before);
    send_press(b, 2, 1, b->now_ns - NS_PER_MS); /* a detail of the sighting that was open */
    assert_int_equal(count_type(b, ENTRY_MARKER), before + 1);
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"id\":\"D007-M0002\""));
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"sighting\":\"D007-S001\""));
}

static void a_key_without_meaning_is_kept_all_the_same(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, NS_PER_S);
    send_press(b, 1, 15, b->now_ns - NS_PER_MS);
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"kind\":\"unassigned\""));
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"key\":\"D4\""));
}

static void a_slip_is_struck_and_stays_visible(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, NS_PER_S);
    send_press(b, 1, 0, b->now_ns - NS_PER_MS);
    commit_all(b);
    b->now_ns += NS_PER_S;
    b->sent_count = 0;
    send_press(b, 2, 3, b->now_ns - NS_PER_MS);
    commit_all(b);
    assert_non_null(strstr(last_of(b, ENTRY_STRIKE), "\"target\":\"D007-M0001\""));
    assert_non_null(strstr(last_of(b, ENTRY_SIGHTING), "\"state\":\"struck\""));
    assert_int_equal(b->sent[b->sent_count - 1].type, WIRE_KEPT);
    assert_int_equal(b->sent[b->sent_count - 1].u.kept.result, WIRE_RESULT_STRUCK);
}

static void a_held_key_takes_the_place_of_its_tap(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, NS_PER_S);
    int64_t pressed = b->now_ns - NS_PER_MS;
    send_press(b, 1, 0, pressed);
    commit_all(b);
    b->now_ns = pressed + 602 * NS_PER_MS;
    struct wire_message hold = {.type = WIRE_PRESS,
                                .u.press = {.boot = b->boot,
                                            .seq = 2,
                                            .tick_us = (uint64_t)pad_tick_at(b, pressed + 600 * NS_PER_MS),
                                            .key = 0,
                                            .gesture = WIRE_HOLD,
                                            .of_seq = 1,
                                            .offer = 1}};
    to_engine(b, &hold);
    const char *event = last_of(b, ENTRY_MARKER);
    assert_non_null(strstr(event, "\"label\":\"School of fish\""));
    assert_non_null(strstr(event, "\"gesture\":\"hold\""));
    assert_non_null(strstr(event, "\"instead_of\":\"D007-M0001\""));
    assert_non_null(strstr(event, "\"sighting\":\"D007-S001\""));
    assert_non_null(strstr(last_of(b, ENTRY_STRIKE), "\"target\":\"D007-M0001\""));
}

static void a_hold_without_a_meaning_changes_nothing(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, NS_PER_S);
    send_press(b, 1, 1, b->now_ns - NS_PER_MS);
    commit_all(b);
    b->plugged = false;
    b->sent_count = 0;
    struct wire_message hold = {.type = WIRE_PRESS,
                                .u.press = {.boot = b->boot,
                                            .seq = 2,
                                            .tick_us = (uint64_t)pad_tick_at(b, b->now_ns),
                                            .key = 1,
                                            .gesture = WIRE_HOLD,
                                            .of_seq = 1,
                                            .offer = 1}};
    to_engine(b, &hold);
    assert_int_equal(count_type(b, ENTRY_MARKER), 1);
    assert_int_equal(count_sent(b, WIRE_KEPT), 1);
}

static void a_failing_store_turns_the_lamps_red(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    pass(b, NS_PER_S);
    b->commits_by_itself = false;
    b->plugged = false;
    b->sent_count = 0;
    say(b, INPUT_STORE, 0, "op=store|state=full|why=no space left");
    assert_int_equal(count_sent(b, WIRE_LAMP), 1);
    assert_int_equal(b->sent[0].u.lamp.cue, WIRE_CUE_FAULT);
    send_press(b, 1, 0, b->now_ns - NS_PER_MS);
    assert_int_equal(count_sent(b, WIRE_KEPT), 0);
    say(b, INPUT_STORE, 0, "op=store|state=ok");
    assert_int_equal(b->sent[b->sent_count - 1].u.lamp.cue, WIRE_CUE_NONE);
    commit_all(b);
    assert_int_equal(count_sent(b, WIRE_KEPT), 1);
}

static void soft_keys_take_the_same_path(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    say(b, INPUT_COMMAND, 0, "op=press|token=7|key=A1|seat=science|note=two of them");
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"origin\":\"soft\""));
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"note\":\"two of them\""));
    assert_int_equal(b->replies, 1); /* of dive.begin */
    commit_all(b);
    assert_int_equal(b->replies, 2);
    assert_int_equal(b->reply[1].token, 7);
    assert_string_equal(b->reply[1].ref, "D007-M0001");
    say(b, INPUT_COMMAND, 0, "op=press|token=8|key=Fish|ago_ns=20000000000");
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"origin\":\"late\""));
    say(b, INPUT_COMMAND, 0, "op=press|token=9|key=Z9");
    assert_int_equal(b->reply[b->replies - 1].refusal, REFUSED_NO_SUCH);
    say(b, INPUT_COMMAND, 0, "op=nonsense|token=10");
    assert_int_equal(b->reply[b->replies - 1].refusal, REFUSED_PARAMS);
}

/* GGA and XDR from core/nmea's own tests; here it matters that the value is that of the press's instant. */
static void feed_sentence(struct bench *b, const char *body)
{
    char line[120];
    unsigned sum = 0;
    for (const char *at = body; *at != '\0'; at++)
        sum ^= (unsigned char)*at;
    int len = snprintf(line, sizeof line, "$%s*%02X\r\n", body, sum);
    engine_input(b->engine, INPUT_FEED, 0, (mono_ns){b->now_ns}, line, (size_t)len);
}

static void feed_pressure(struct bench *b, double bar)
{
    char body[80];
    snprintf(body, sizeof body, "YXXDR,P,%.4f,B,DEPTHPRESS", bar);
    feed_sentence(b, body);
}

static void telemetry_is_that_of_the_instant_and_settles(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    say(b, INPUT_FEED_UP, 0, "op=up");
    pass(b, NS_PER_S);
    feed_pressure(b, 100.0);
    int64_t first = b->now_ns;
    b->now_ns = first + 500 * NS_PER_MS;
    send_press(b, 1, 0, first + 499 * NS_PER_MS);
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"water.pressure_dbar\":{\"v\":1000,"));
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"settled\":false"));
    b->now_ns = first + NS_PER_S;
    feed_pressure(b, 110.0);
    pass(b, NS_PER_S);
    const char *settled = last_of(b, ENTRY_SETTLED);
    assert_non_null(strstr(settled, "\"cause\":\"bracketed\""));
    const char *value = strstr(settled, "\"water.pressure_dbar\":{\"v\":");
    assert_non_null(value);
    double pressure = strtod(value + 27, NULL);
    assert_true(pressure > 1045 &&
                pressure <
                    1053); /* half way from 1,000 to 1,100, less the millisecond and the stamp's error */
    assert_int_equal(b->samples, 2);
}

static void recall(struct bench *b, const char *channel, int64_t at_ns, double value)
{
    char line[160];
    snprintf(line, sizeof line, "op=restore.sample|feed=vehicle|channel=%s|at=%lld|value=%.17g", channel,
             (long long)at_ns, value);
    say(b, INPUT_RESTORE, 0, line);
}

static void feed_position(struct bench *b, double lat_minutes)
{
    char body[100];
    snprintf(body, sizeof body, "GPGGA,120000.00,47%08.5f,N,01500.00000,W,1,08,1.0,0.0,M,0.0,M,,",
             lat_minutes);
    feed_sentence(b, body);
}

static double uncertainty_of(const char *marker)
{
    const char *at = strstr(marker, "\"uncertainty_m\":");
    if (at == NULL)
        fail_msg("no uncertainty in %s", marker);
    return strtod(at + 16, NULL);
}

/* A fix that claims nothing is as good as its depth lets it be: pressure tells of that too, and where nothing does it is not the best there is. */
static void a_fix_is_not_better_for_an_unknown_depth(void **state)
{
    struct bench *b = *state;
    begin_dive(b);
    plug(b);
    say(b, INPUT_FEED_UP, 0, "op=up");
    pass(b, NS_PER_S);
    feed_position(b, 0);
    pass(b, 100 * NS_PER_MS);
    send_press(b, 1, 0, b->now_ns);
    double unknown = uncertainty_of(last_of(b, ENTRY_MARKER));
    assert_true(unknown > 28 && unknown < 30); /* 10 m an axis, as 2 drms, and a little for the time since */
    pass(b, 300 * NS_PER_S);
    feed_pressure(b, 300.0); /* 3,000 dbar: 30 m an axis */
    feed_position(b, 0);
    pass(b, 100 * NS_PER_MS);
    send_press(b, 2, 0, b->now_ns);
    double deep = uncertainty_of(last_of(b, ENTRY_MARKER));
    assert_true(deep > 84 && deep < 87);
}

/* What is read back at a start: a press made while nothing ran is read between before and after, and the way goes on past a wild fix. */
static void telemetry_from_before_a_restart_counts(void **state)
{
    struct bench *b = *state;
    int64_t before = b->now_ns;
    for (int i = 0; i < 20; i++) {
        recall(b, "vehicle.lat_deg", before + i * NS_PER_S, 47.0);
        recall(b, "vehicle.lon_deg", before + i * NS_PER_S, -15.0);
    }
    recall(b, "water.pressure_dbar", before + 19 * NS_PER_S, 1000);
    recall(b, "x.gone", before + 19 * NS_PER_S, 1);
    say(b, INPUT_RESTORE, 0, "op=restore.sample|feed=gone|channel=water.pressure_dbar|at=0|value=1");
    say(b, INPUT_RESTORE, 0, "op=restore.end");
    assert_int_equal(b->samples, 0); /* they are in the store already */
    b->now_ns = before + 20 * NS_PER_S;
    begin_dive(b);
    plug(b);
    say(b, INPUT_FEED_UP, 0, "op=up");
    pass(b, NS_PER_S);
    feed_pressure(b, 110.0); /* 1,100 dbar, 2 s after the other */
    feed_position(b, 0.2);   /* 370 m to the north */
    send_press(b, 1, 0, before + 20 * NS_PER_S);
    const char *value = strstr(last_of(b, ENTRY_MARKER), "\"water.pressure_dbar\":{\"v\":");
    assert_non_null(value);
    double pressure = strtod(value + 27, NULL);
    assert_true(pressure > 1045 && pressure < 1055);
    const char *lat = strstr(last_of(b, ENTRY_MARKER), "\"lat\":");
    assert_non_null(lat);
    assert_true(fabs(strtod(lat + 6, NULL) - 47.0) < 0.0002);
}

static void bad_lines_are_counted_and_told_once(void **state)
{
    struct bench *b = *state;
    say(b, INPUT_FEED_UP, 0, "op=up");
    for (int i = 0; i < 5; i++)
        engine_input(b->engine, INPUT_FEED, 0, (mono_ns){b->now_ns}, "$GPGGA,rubbish*00\r\n", 19);
    int told = 0;
    for (int i = 0; i < b->entries; i++)
        told += strstr(b->event[i], "\"state\":\"bad line\"") != NULL;
    assert_int_equal(told, 1);
}

static void count_line(void *ctx, const struct engine_status_line *line)
{
    int *counts = ctx;
    counts[0]++;
    if (!line->sick)
        counts[1]++;
    else if (counts[1] > 0)
        fail_msg("'%s' is sick and comes after a healthy line", line->what);
}

static void status_has_the_sick_first(void **state)
{
    struct bench *b = *state;
    int counts[2] = {0, 0};
    begin_dive(b);
    engine_status(b->engine, (mono_ns){b->now_ns}, count_line, counts);
    assert_true(counts[0] >= 5);
    assert_true(counts[1] >= 2);
}

static void the_clock_of_a_press_made_without_utc_is_mended(void **state)
{
    struct bench *b = *state;
    char text[256];
    /* the machine's clock is a day off and says so */
    snprintf(text, sizeof text,
             "op=utc|before=%lld|utc=%lld|after=%lld|synced=0|max_error_us=0|est_error_us=0|leap=3",
             (long long)b->now_ns, (long long)(UTC_START_NS - 86400 * NS_PER_S), (long long)b->now_ns);
    say(b, INPUT_UTC, 0, text);
    say(b, INPUT_COMMAND, 0, "op=dive.begin|token=1|id=D008");
    say(b, INPUT_COMMAND, 0, "op=press|token=2|key=A1");
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"clock\":\"unsynced\""));
    assert_non_null(strstr(last_of(b, ENTRY_MARKER), "\"utc_bound_ms\":null"));
    b->now_ns += 10 * NS_PER_S;
    tell_utc(b);
    const char *settled = last_of(b, ENTRY_SETTLED);
    assert_non_null(strstr(settled, "\"cause\":\"clock\""));
    char utc[32];
    event_utc_text((utc_ns){UTC_START_NS}, utc);
    utc[19] = '\0'; /* to the second */
    assert_true(strstr(settled, utc) != NULL || strstr(settled, "\"utc\":\"2030-12-30T") != NULL);
}

/* A loop that calls late, or too often, changes nothing: timers run at their own instants. */
static void late_timers_change_nothing(void **state)
{
    struct bench *b = *state;
    struct bench *late = calloc(1, sizeof *late);
    assert_non_null(late);
    late->config = b->config;
    late->now_ns = b->now_ns;
    late->boot = b->boot;
    late->powered_ns = b->powered_ns;
    late->rate = b->rate;
    start_engine(late);
    struct bench *both[2] = {b, late};
    for (int i = 0; i < 2; i++) {
        struct bench *one = both[i];
        say(one, INPUT_FEED_UP, 0, "op=up");
        begin_dive(one);
        feed_pressure(one, 100);
        say(one, INPUT_COMMAND, 0, "op=press|token=3|key=A1");
        int64_t until = one->now_ns + 20 * NS_PER_S;
        if (i == 0) {
            one->commits_by_itself = false;
            pass(one, 20 * NS_PER_S);
        }
        one->now_ns = until;
        say(one, INPUT_COMMAND, 0, "op=press|token=4|key=A2");
    }
    assert_int_equal(b->entries, late->entries);
    for (int i = 0; i < b->entries; i++)
        assert_string_equal(b->event[i], late->event[i]);
    engine_free(late->engine);
    free(late);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_press_is_kept_only_after_the_commit),
        TEST(a_marker_says_when_and_what),
        TEST(a_press_offered_again_makes_no_second_marker),
        TEST(a_press_before_the_first_pong_waits_for_it),
        TEST(a_restart_takes_up_where_it_was),
        TEST(a_key_without_meaning_is_kept_all_the_same),
        TEST(a_slip_is_struck_and_stays_visible),
        TEST(a_held_key_takes_the_place_of_its_tap),
        TEST(a_hold_without_a_meaning_changes_nothing),
        TEST(a_failing_store_turns_the_lamps_red),
        TEST(soft_keys_take_the_same_path),
        TEST(telemetry_is_that_of_the_instant_and_settles),
        TEST(a_fix_is_not_better_for_an_unknown_depth),
        TEST(telemetry_from_before_a_restart_counts),
        TEST(bad_lines_are_counted_and_told_once),
        TEST(status_has_the_sick_first),
        TEST(the_clock_of_a_press_made_without_utc_is_mended),
        TEST(late_timers_change_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
