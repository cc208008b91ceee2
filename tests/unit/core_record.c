/*
 * Commands that make the record, through the engine's public face on a simulated clock: who sat there and who entered it, late entries, ended
 * dives, lengths, names, and what a restart brings back.
 */
#include "core/engine.h"

#include "core/event.h"
#include "core/fields.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { ENTRIES_MAX = 128, EVENT_MAX = 4096 };

#define START_NS (1000 * NS_PER_S)
#define UTC_START_NS INT64_C(1924837567000000000) /* an instant in 2030 */

struct bench {
    struct engine *engine;
    int64_t now_ns;
    char event[ENTRIES_MAX][EVENT_MAX];
    enum entry_type type[ENTRIES_MAX];
    int entries;
    int64_t last_seq;
    struct engine_reply reply;
    int replies;
    struct engine_lookup lookup;
    int lookups;
    char status[2048];
};

static void on_commit(void *ctx, const struct entry *entry)
{
    struct bench *b = ctx;
    assert_true(b->entries < ENTRIES_MAX);
    assert_int_equal(entry->seq, b->last_seq + 1);
    b->last_seq = entry->seq;
    b->type[b->entries] = entry->type;
    assert_true(event_json(entry, b->event[b->entries++], EVENT_MAX) > 0);
}

static void on_publish(void *ctx, int64_t seq)
{
    assert_true(seq <= ((struct bench *)ctx)->last_seq);
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    struct bench *b = ctx;
    b->reply = *reply;
    b->replies++;
}

static void on_lookup(void *ctx, const struct engine_lookup *lookup)
{
    struct bench *b = ctx;
    b->lookup = *lookup;
    b->lookups++;
}

static void say(struct bench *b, enum input_kind kind, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Fields are parted by '|' here. */
static void say(struct bench *b, enum input_kind kind, const char *format, ...)
{
    char bytes[1024];
    va_list args;
    va_start(args, format);
    int len = vsnprintf(bytes, sizeof bytes, format, args);
    va_end(args);
    assert_true(len > 0 && (size_t)len < sizeof bytes);
    for (int i = 0; i < len; i++)
        if (bytes[i] == '|')
            bytes[i] = FIELDS_SEPARATOR;
    engine_input(b->engine, kind, 0, (mono_ns){b->now_ns}, bytes, (size_t)len);
}

static void tell_utc(struct bench *b)
{
    say(b, INPUT_UTC,
        "op=utc|before=%lld|utc=%lld|after=%lld|synced=1|max_error_us=500|est_error_us=10|leap=0",
        (long long)b->now_ns - 1000, (long long)(UTC_START_NS + b->now_ns - START_NS), (long long)b->now_ns);
}

static void pass(struct bench *b, int64_t ns)
{
    b->now_ns += ns;
    tell_utc(b);
}

/* A command, carried out and on disk. True: done; false: refused. */
#define DO(b, ...) (say(b, INPUT_COMMAND, __VA_ARGS__), commit(b))
static bool commit(struct bench *b)
{
    say(b, INPUT_COMMITTED, "op=committed|seq=%lld", (long long)b->last_seq);
    return b->reply.refusal == REFUSED_NOT;
}

static int64_t utc_of(const struct bench *b)
{
    return UTC_START_NS + b->now_ns - START_NS;
}

static const char *last_of(const struct bench *b, enum entry_type type)
{
    for (int i = b->entries - 1; i >= 0; i--)
        if (b->type[i] == type)
            return b->event[i];
    fail_msg("no entry of type %s", entry_type_name(type));
    return "";
}

static int count_type(const struct bench *b, enum entry_type type)
{
    int count = 0;
    for (int i = 0; i < b->entries; i++)
        count += b->type[i] == type;
    return count;
}

#define HAS(event, text)                                                                                     \
    do {                                                                                                     \
        if (strstr(event, text) == NULL)                                                                     \
            fail_msg("'%s' is not in %s", text, event);                                                      \
    } while (0)

static void set_key(struct keyplan *plan, const char *section, const char *name, const char *value)
{
    struct keyplan_error error;
    static uint32_t line;
    if (!keyplan_set(plan, section, name, value, ++line, &error))
        fail_msg("%s: %s", section, error.text);
}

static void start_engine(struct bench *b)
{
    static const char *const keys[][3] = {{"key A1", "subject", "Fish"},
                                          {"key A2", "detail", "Feeding"},
                                          {"key A3", "subject", "Crab"},
                                          {"key A4", "done", "Done"}};
    struct engine_sink sink = {
        .ctx = b, .commit = on_commit, .publish = on_publish, .reply = on_reply, .lookup = on_lookup};
    struct engine_config config = {.pad_count = 1, .utc_feed = -1, .rate = TC_RATE_25};
    struct keyplan *plan = malloc(sizeof *plan);
    strcpy(config.pad[0].name, "science");
    strcpy(config.pad[0].seat, "science");
    b->engine = engine_new(&config, &sink);
    assert_non_null(b->engine);
    assert_non_null(plan);
    keyplan_begin(plan);
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        set_key(plan, keys[i][0], "kind", keys[i][1]);
        set_key(plan, keys[i][0], "label", keys[i][2]);
        if (strcmp(keys[i][1], "subject") == 0)
            set_key(plan, keys[i][0], "lead_s", "0");
    }
    set_key(plan, "key B1", "kind", "phase");
    set_key(plan, "key B1", "phase", "on bottom");
    struct keyplan_error error;
    assert_int_equal(keyplan_finish(plan, &error, 1), 0);
    engine_plan(b->engine, 0, (mono_ns){b->now_ns}, plan);
    free(plan);
}

static int set_up(void **state)
{
    struct bench *b = calloc(1, sizeof *b);
    assert_non_null(b);
    b->now_ns = START_NS;
    start_engine(b);
    tell_utc(b);
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

static void restart(struct bench *b)
{
    engine_free(b->engine);
    start_engine(b);
    say(b, INPUT_RESTORE, "op=restore.seq|last=%lld", (long long)b->last_seq);
}

/* ---- who ---- */

static void a_change_of_watch_renames_nobody(void **state)
{
    struct bench *b = *state;
    assert_true(DO(b, "op=seat|token=1|seat=science|who=Ada"));
    assert_true(DO(b, "op=dive.begin|token=2|id=D1"));
    pass(b, NS_PER_S);
    assert_true(DO(b, "op=press|token=3|key=A1"));
    HAS(last_of(b, ENTRY_MARKER), "\"who\":\"Ada\"");
    pass(b, 10 * NS_PER_S);
    assert_true(DO(b, "op=seat|token=4|seat=science|who=Emmy"));
    HAS(last_of(b, ENTRY_MARKER), "\"kind\":\"badge\",\"label\":\"Emmy\"");
    HAS(last_of(b, ENTRY_SEAT), "\"who\":\"Emmy\"");
    pass(b, NS_PER_S);
    assert_true(DO(b, "op=press|token=5|key=A2"));
    HAS(last_of(b, ENTRY_MARKER), "\"who\":\"Emmy\"");
    /* an entry for an instant of the first watch is hers, and moves no name of any other marker */
    int links = count_type(b, ENTRY_LINK);
    assert_true(DO(b, "op=press|token=6|key=A2|ago_ns=5000000000|by=Ida"));
    HAS(last_of(b, ENTRY_MARKER), "\"who\":\"Ada\"");
    HAS(last_of(b, ENTRY_MARKER), "\"by\":\"Ida\"");
    HAS(last_of(b, ENTRY_MARKER), "\"origin\":\"late\"");
    assert_int_equal(count_type(b, ENTRY_LINK), links);
    /* nobody sits there any more; the next dive begins so */
    assert_true(DO(b, "op=seat|token=7|seat=science|who="));
    assert_true(DO(b, "op=dive.end|token=8"));
    assert_true(DO(b, "op=seat|token=9|seat=science|who=Grace"));
    assert_true(DO(b, "op=dive.begin|token=10|id=D2"));
    pass(b, NS_PER_S);
    assert_true(DO(b, "op=press|token=11|key=A1"));
    HAS(last_of(b, ENTRY_MARKER), "\"who\":\"Grace\"");
}

/* What is told is what the store would: the present name, who sat there when the dive began, and the dive's own badge as a fact. */
static void after_a_restart_a_late_press_renames_nobody(void **state)
{
    struct bench *b = *state;
    long long at = (long long)utc_of(b);
    restart(b);
    say(b, INPUT_RESTORE, "op=restore.dive|id=D1|begun_utc=%lld|markers=3|sightings=1", at);
    say(b, INPUT_RESTORE, "op=restore.seat|seat=science|who=Emmy");
    say(b, INPUT_RESTORE, "op=restore.watch|seat=science|who=Ada");
    say(b, INPUT_RESTORE,
        "op=restore.fact|number=1|utc=%lld|seat=science|kind=subject|label=Fish|object=1|who=Ada",
        at + 2 * (long long)NS_PER_S);
    say(b, INPUT_RESTORE, "op=restore.fact|number=2|utc=%lld|seat=science|kind=badge|label=Emmy|who=Emmy",
        at + 20 * (long long)NS_PER_S);
    say(b, INPUT_RESTORE,
        "op=restore.fact|number=3|utc=%lld|seat=science|kind=detail|label=Feeding|sighting=1|who=Emmy",
        at + 30 * (long long)NS_PER_S);
    say(b, INPUT_RESTORE, "op=restore.end");
    int entries = b->entries;
    pass(b, 40 * NS_PER_S);
    assert_true(DO(b, "op=press|token=1|key=A2|at_utc=%lld", at + 10 * (long long)NS_PER_S));
    HAS(last_of(b, ENTRY_MARKER), "\"who\":\"Ada\"");
    HAS(last_of(b, ENTRY_MARKER), "\"sighting\":\"D1-S001\"");
    for (int i = entries; i < b->entries; i++)
        if (b->type[i] == ENTRY_LINK || b->type[i] == ENTRY_SEAT)
            fail_msg("an earlier record changed: %s", b->event[i]);
    assert_true(DO(b, "op=press|token=2|key=A2"));
    HAS(last_of(b, ENTRY_MARKER), "\"who\":\"Emmy\"");
}

/* ---- late entries ---- */

static void a_given_instant_stays_as_given_and_is_looked_up(void **state)
{
    struct bench *b = *state;
    long long at = (long long)utc_of(b) + 500000000;
    assert_true(DO(b, "op=dive.begin|token=1|id=D1"));
    pass(b, 100 * NS_PER_S);
    assert_true(DO(b, "op=press|token=2|key=A1|at_utc=%lld|by=Ida", at));
    HAS(last_of(b, ENTRY_MARKER), "\"utc\":\"2030-12-30T05:06:07.500Z\"");
    HAS(last_of(b, ENTRY_MARKER), "\"utc_bound_ms\":null");
    HAS(last_of(b, ENTRY_MARKER), "\"settled\":false");
    assert_int_equal(b->lookups, 1);
    assert_int_equal(b->lookup.marker, 1);
    assert_true(b->lookup.when.utc.ns == at);
    say(b, INPUT_COMMAND,
        "op=stored|dive=D1|marker=1|mono=5|mono_bound=-1|utc=%lld|bound=-1|clock=synced|lat=-12.5|lon=45.25|"
        "age=0.5|within_m=6|source=vehicle|feed=usbl|method=interpolated|r0=vehicle.depth_m 1204.5 0.25 "
        "interpolated ctd|r1=water.salinity 34.7 1 derived",
        at);
    const char *settled = last_of(b, ENTRY_SETTLED);
    HAS(settled, "\"cause\":\"record\"");
    HAS(settled,
        "\"vehicle.depth_m\":{\"v\":1204.5,\"age_s\":0.25,\"method\":\"interpolated\",\"feed\":\"ctd\"}");
    HAS(settled, "\"water.salinity\":{\"v\":34.7,\"age_s\":1,\"method\":\"derived\"}");
    HAS(settled, "\"lat\":-12.5,\"lon\":45.25,\"uncertainty_m\":6");
    /* what memory still holds needs no look-up */
    assert_true(DO(b, "op=press|token=3|key=A2|ago_ns=2000000000"));
    assert_int_equal(b->lookups, 1);
    assert_false(DO(b, "op=press|token=4|key=A2|at_utc=%lld", (long long)utc_of(b) + 1000000000));
}

static void bad_answers_of_the_record_change_nothing(void **state)
{
    struct bench *b = *state;
    int entries = b->entries;
    say(b, INPUT_COMMAND, "op=stored|dive=D1|marker=0|mono=5|utc=1");
    say(b, INPUT_COMMAND, "op=stored|dive=D1|mono=5|utc=1");
    say(b, INPUT_COMMAND, "op=stored|marker=1|utc=1");
    assert_int_equal(b->entries, entries);
    say(b, INPUT_COMMAND,
        "op=stored|dive=D1|marker=1|mono=5|utc=1|r0=nothing|r1=x.a nan? 1 last|r2=x.b 1 2 last");
    HAS(last_of(b, ENTRY_SETTLED), "\"channels\":{\"x.b\":{\"v\":1,\"age_s\":2,\"method\":\"last\"}}");
}

/* ---- dives ---- */

static void an_ended_dive_is_amended_and_put_in_order(void **state)
{
    struct bench *b = *state;
    long long at = (long long)utc_of(b), s = (long long)NS_PER_S;
    restart(b);
    say(b, INPUT_RESTORE, "op=restore.dive|id=D1|begun_utc=%lld|ended_utc=%lld|markers=2|sightings=2", at,
        at + 100 * s);
    say(b, INPUT_RESTORE, "op=restore.fact|number=1|utc=%lld|seat=science|kind=subject|label=Fish|object=1",
        at + 10 * s);
    say(b, INPUT_RESTORE, "op=restore.fact|number=2|utc=%lld|seat=science|kind=subject|label=Crab|object=2",
        at + 20 * s);
    say(b, INPUT_RESTORE, "op=restore.end");
    assert_string_equal(engine_dive(b->engine), "");
    assert_string_equal(engine_dive_in_hand(b->engine), "D1");
    pass(b, 5000 * NS_PER_S);
    assert_true(DO(b, "op=press|token=1|key=A3|dive=D1|at_utc=%lld|by=Ida", at + 30 * s));
    HAS(last_of(b, ENTRY_MARKER), "\"id\":\"D1-M0003\"");
    HAS(last_of(b, ENTRY_SIGHTING), "\"id\":\"D1-S002\"");
    HAS(last_of(b, ENTRY_SIGHTING), "\"individuals\":2");
    HAS(last_of(b, ENTRY_SIGHTING), "\"recomputed\":true");
    assert_true(DO(b, "op=strike|token=2|ref=S2|dive=D1|by=Ida|why=the same one"));
    HAS(last_of(b, ENTRY_STRIKE), "\"target\":\"D1-M0002\"");
    assert_false(DO(b, "op=press|token=3|key=A1|dive=D1|at_utc=%lld", at + 101 * s));
    HAS(b->reply.text, "not within dive D1");
    assert_false(DO(b, "op=press|token=4|key=A1|dive=D9|at_utc=%lld", at + 30 * s));
    assert_int_equal(b->reply.refusal, REFUSED_NO_SUCH);
    assert_false(DO(b, "op=dive.begin|token=5|id=D1"));
    assert_int_equal(b->reply.refusal, REFUSED_STATE);
    assert_true(DO(b, "op=dive.begin|token=6|id=D2"));
    assert_false(DO(b, "op=strike|token=7|ref=D1-S1"));
    assert_int_equal(b->reply.refusal, REFUSED_DIVE_OPEN);
    assert_true(DO(b, "op=remark|token=8|ref=D1-S1|text=seen again"));
    assert_false(DO(b, "op=remark|token=9|ref=D1-S9|text=x|absent=1"));
}

static void idle_sightings_are_closed_as_soon_as_utc_is_known_again(void **state)
{
    struct bench *b = *state;
    long long at = (long long)utc_of(b);
    restart(b);
    say(b, INPUT_RESTORE, "op=restore.dive|id=D1|begun_utc=%lld|markers=1|sightings=1", at);
    say(b, INPUT_RESTORE, "op=restore.fact|number=1|utc=%lld|seat=science|kind=subject|label=Fish|object=1",
        at + 1000);
    say(b, INPUT_RESTORE, "op=restore.end");
    assert_int_equal(count_type(b, ENTRY_SIGHTING), 0);
    pass(b, 3600 * NS_PER_S);
    b->now_ns += 2 * NS_PER_MS;
    engine_input(b->engine, INPUT_TICK, 0, (mono_ns){b->now_ns}, NULL, 0);
    HAS(last_of(b, ENTRY_SIGHTING), "\"closed_by\":\"idle\"");
}

static void on_line(void *ctx, const struct engine_status_line *line)
{
    struct bench *b = ctx;
    size_t len = strlen(b->status);
    snprintf(b->status + len, sizeof b->status - len, "%s: %s\n", line->what, line->text);
}

static void status_tells_bottom_time_what_is_left_and_time_on_the_sighting(void **state)
{
    struct bench *b = *state;
    assert_true(DO(b, "op=dive.begin|token=1|id=D1|planned_bottom_ns=%lld", 3600 * (long long)NS_PER_S));
    HAS(last_of(b, ENTRY_DIVE), "\"planned_bottom_min\":60");
    pass(b, NS_PER_S);
    assert_true(DO(b, "op=press|token=2|key=B1"));
    pass(b, 600 * NS_PER_S);
    assert_true(DO(b, "op=press|token=3|key=A1"));
    pass(b, 14 * NS_PER_S);
    engine_status(b->engine, (mono_ns){b->now_ns}, on_line, b);
    HAS(b->status, "on the bottom 10 min 14 s, 49 min 46 s left");
    HAS(b->status, "seat science: S1 Fish for 0 min 14 s");
}

/* ---- lengths, names, notes ---- */

/* 350 px against 200 px between dots 0.100 m apart: 0.1750 m; with errors of 1 px an end and 1 mm, 0.0023 m (worked by hand from
 * JCGM 100:2008, 5.1.2). */
static void a_length_comes_with_its_error(void **state)
{
    struct bench *b = *state;
    assert_true(DO(b, "op=dive.begin|token=1|id=D1"));
    assert_true(DO(b, "op=press|token=2|key=A1"));
    assert_true(DO(b, "op=size|token=3|ref=S1|pixels=350|laser_pixels=200|by=Ida|note=snout to tail"));
    HAS(last_of(b, ENTRY_MEASUREMENT), "\"target\":\"D1-S001\"");
    HAS(last_of(b, ENTRY_MEASUREMENT), "\"value_m\":0.175,\"sigma_m\":0.00226,");
    HAS(last_of(b, ENTRY_MEASUREMENT), "\"by\":\"Ida\"");
    HAS(b->reply.text, "0.1750 m");
    assert_false(DO(b, "op=size|token=4|ref=M1|pixels=350|laser_pixels=200"));
    assert_false(DO(b, "op=size|token=5|ref=S1|pixels=350|laser_pixels=0"));
    assert_false(DO(b, "op=size|token=6|ref=S7|pixels=350|laser_pixels=200"));
}

static void names_carry_what_the_checklist_says(void **state)
{
    struct bench *b = *state;
    assert_true(DO(b, "op=dive.begin|token=1|id=D1"));
    assert_true(DO(b, "op=press|token=2|key=A1"));
    assert_true(DO(b, "op=identify|token=3|ref=S1|name=brisinga costata inc.|listed=1|listed_name=Brisinga "
                      "costata|listed_rank=species|"
                      "listed_id=x:1|advice=hello"));
    const char *event = last_of(b, ENTRY_IDENTIFICATION);
    HAS(event, "\"name\":\"Brisinga costata\",\"verbatim\":\"brisinga costata "
               "inc.\",\"rank\":\"species\",\"qualifier\":\"inc.\",\"name_id\":\"x:1\",\"listed\":true");
    assert_string_equal(b->reply.text, "hello");
    assert_true(DO(b, "op=identify|token=4|ref=S1|name=Foo bar|listed=0"));
    HAS(last_of(b, ENTRY_IDENTIFICATION), "\"name_id\":null,\"listed\":false");
    assert_true(DO(b, "op=identify|token=5|ref=S1|name=Foo bar"));
    HAS(last_of(b, ENTRY_IDENTIFICATION), "\"listed\":null");
}

static void a_sample_keeps_its_note_whatever_becomes_of_it(void **state)
{
    struct bench *b = *state;
    assert_true(DO(b, "op=dive.begin|token=1|id=D1"));
    assert_true(DO(b, "op=sample|token=2|container=box 3|note=tip broken|by=Ida"));
    HAS(last_of(b, ENTRY_SAMPLE), "\"note\":\"tip broken\"");
    HAS(last_of(b, ENTRY_MARKER), "\"by\":\"Ida\"");
    assert_true(DO(b, "op=strike|token=3|ref=A1"));
    HAS(last_of(b, ENTRY_SAMPLE), "\"state\":\"retired\"");
    HAS(last_of(b, ENTRY_SAMPLE), "\"note\":\"tip broken\"");
}

static void a_retimed_marker_finds_its_place_and_says_who_moved_it(void **state)
{
    struct bench *b = *state;
    long long at = (long long)utc_of(b), s = (long long)NS_PER_S;
    assert_true(DO(b, "op=dive.begin|token=1|id=D1"));
    pass(b, 10 * NS_PER_S);
    assert_true(DO(b, "op=press|token=2|key=A1"));
    pass(b, 10 * NS_PER_S);
    assert_true(DO(b, "op=press|token=3|key=A3"));
    pass(b, 10 * NS_PER_S);
    assert_true(DO(b, "op=press|token=4|key=A2"));
    HAS(last_of(b, ENTRY_MARKER), "\"sighting\":\"D1-S002\"");
    assert_true(DO(b, "op=retime|token=5|ref=M3|at_utc=%lld|by=Ida|why=seen on the video", at + 15 * s));
    HAS(last_of(b, ENTRY_SETTLED), "\"cause\":\"retimed\",\"utc\":\"2030-12-30T05:06:22.000Z\"");
    HAS(last_of(b, ENTRY_LINK), "\"id\":\"D1-M0003\",\"sighting\":\"D1-S001\"");
    HAS(last_of(b, ENTRY_REMARK), "retimed to 2030-12-30T05:06:22.000Z: seen on the video\",\"by\":\"Ida\"");
    assert_false(DO(b, "op=retime|token=6|ref=S1|at_utc=%lld", at));
    assert_false(DO(b, "op=retime|token=7|ref=M3|at_utc=%lld", at + 9000 * s));
    assert_false(DO(b, "op=retime|token=8|ref=M9|at_utc=%lld", at));
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_change_of_watch_renames_nobody),
        TEST(after_a_restart_a_late_press_renames_nobody),
        TEST(a_given_instant_stays_as_given_and_is_looked_up),
        TEST(bad_answers_of_the_record_change_nothing),
        TEST(an_ended_dive_is_amended_and_put_in_order),
        TEST(a_retimed_marker_finds_its_place_and_says_who_moved_it),
        TEST(idle_sightings_are_closed_as_soon_as_utc_is_known_again),
        TEST(status_tells_bottom_time_what_is_left_and_time_on_the_sighting),
        TEST(a_length_comes_with_its_error),
        TEST(names_carry_what_the_checklist_says),
        TEST(a_sample_keeps_its_note_whatever_becomes_of_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
