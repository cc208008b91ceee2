/*
 * Every command of the socket through the engine's public face: what it answers, what the journal gets, and what is refused with which code. All
 * that is committed is on disk at once here; time passes only as a test says.
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

enum { EVENTS_MAX = 256, EVENT_SIZE = 4096 };

static struct {
    struct engine *engine;
    int64_t now_ns, wake_ns, seq, token;
    char event[EVENTS_MAX][EVENT_SIZE];
    int events;
    struct engine_reply reply;
    int replies, samples, lookups;
} b;

static void on_commit(void *ctx, const struct entry *entry)
{
    (void)ctx;
    assert_true(b.events < EVENTS_MAX);
    assert_int_equal(entry->seq, b.seq + 1);
    b.seq = entry->seq;
    assert_true(event_json(entry, b.event[b.events++], EVENT_SIZE) > 0);
}

static void on_publish(void *ctx, int64_t seq)
{
    (void)ctx;
    assert_true(seq <= b.seq);
}

static void on_pad_send(void *ctx, int pad, const uint8_t *bytes, size_t len)
{
    (void)ctx;
    assert_true(pad >= 0 && bytes != NULL && len > 0);
}

static void on_sample(void *ctx, const struct engine_sample *sample)
{
    (void)ctx;
    assert_non_null(sample->channel);
    b.samples++;
}

static void on_observe(void *ctx, const struct engine_observation *observation)
{
    (void)ctx;
    assert_true(observation->lo <= observation->hi);
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    (void)ctx;
    assert_int_equal(reply->token, b.token);
    b.reply = *reply;
    b.replies++;
}

static void on_wake(void *ctx, mono_ns at)
{
    (void)ctx;
    b.wake_ns = at.ns;
}

static void on_lookup(void *ctx, const struct engine_lookup *lookup)
{
    (void)ctx;
    assert_true(lookup->marker > 0);
    b.lookups++;
}

static void give(enum input_kind kind, int source, const char *text)
{
    char bytes[2048];
    size_t len = strlen(text);
    assert_true(len < sizeof bytes);
    memcpy(bytes, text, len);
    for (size_t i = 0; i < len && kind != INPUT_FEED; i++)
        if (bytes[i] == '|')
            bytes[i] = FIELDS_SEPARATOR;
    engine_input(b.engine, kind, source, (mono_ns){b.now_ns}, bytes, len);
}

static void commit(void)
{
    char text[64];
    snprintf(text, sizeof text, "op=committed|seq=%lld", (long long)b.seq);
    give(INPUT_COMMITTED, 0, text);
}

static void pass_s(int64_t seconds)
{
    int64_t until = b.now_ns + seconds * NS_PER_S;
    while (b.wake_ns <= until) {
        b.now_ns = b.wake_ns > b.now_ns ? b.wake_ns : b.now_ns;
        b.wake_ns = INT64_MAX;
        engine_input(b.engine, INPUT_TICK, 0, (mono_ns){b.now_ns}, NULL, 0);
        commit();
    }
    b.now_ns = until;
}

/* Gives "op=..." with a token of its own, commits, and answers the refusal; exactly one reply must have come. */
static int command(const char *text)
{
    char full[1024];
    const char *rest = strchr(text, '|');
    size_t op = rest != NULL ? (size_t)(rest - text) : strlen(text);
    snprintf(full, sizeof full, "%.*s|token=%lld%s", (int)op, text, (long long)++b.token,
             rest != NULL ? rest : "");
    int before = b.replies;
    give(INPUT_COMMAND, 0, full);
    commit();
    if (b.replies != before + 1)
        fail_msg("%s: %d replies", text, b.replies - before);
    return b.reply.refusal;
}

static void done(const char *text, const char *ref)
{
    int refusal = command(text);
    if (refusal != REFUSED_NOT || strcmp(b.reply.ref, ref) != 0)
        fail_msg("%s: %d %s, ref '%s', not '%s'", text, refusal, b.reply.text, b.reply.ref, ref);
}

static void refused(const char *text, enum engine_refusal refusal)
{
    int64_t seq = b.seq;
    int got = command(text);
    if (got != (int)refusal || b.reply.text[0] == '\0' || b.seq != seq)
        fail_msg("%s: %d %s, not %d; journal %lld, was %lld", text, got, b.reply.text, refusal,
                 (long long)b.seq, (long long)seq);
}

/* The newest event with both texts in it. */
static const char *event_with(const char *type, const char *part)
{
    char wanted[64];
    snprintf(wanted, sizeof wanted, "\"type\":\"%s\"", type);
    for (int i = b.events - 1; i >= 0; i--)
        if (strstr(b.event[i], wanted) != NULL && strstr(b.event[i], part) != NULL)
            return b.event[i];
    fail_msg("no %s with %s; the last event is %s", type, part,
             b.events > 0 ? b.event[b.events - 1] : "none");
    return "";
}

static void make_plan(struct keyplan *plan)
{
    static const char *const set[][3] = {
        {"key A1", "kind", "subject"},      {"key A1", "label", "Fish"},
        {"key A2", "kind", "detail"},       {"key A2", "label", "Feeding"},
        {"key A3", "kind", "span"},         {"key A3", "label", "Transect"},
        {"key B1", "kind", "sample"},       {"key B1", "label", "Push core"},
        {"key B1", "container", "BOX"},     {"container BOX", "label", "Box"},
        {"container BOX", "capacity", "2"}, {"key B2", "kind", "done"},
        {"key B2", "label", "Done"},        {"key B3", "kind", "strike"},
        {"key B3", "label", "Strike"}};
    struct keyplan_error error;
    keyplan_begin(plan);
    for (size_t i = 0; i < sizeof set / sizeof set[0]; i++)
        assert_true(keyplan_set(plan, set[i][0], set[i][1], set[i][2], (uint32_t)i + 1, &error));
    assert_int_equal(keyplan_finish(plan, &error, 1), 0);
}

static int begin(void **state)
{
    (void)state;
    static const struct engine_sink sink = {.commit = on_commit,
                                            .publish = on_publish,
                                            .pad_send = on_pad_send,
                                            .sample = on_sample,
                                            .observe = on_observe,
                                            .reply = on_reply,
                                            .wake = on_wake,
                                            .lookup = on_lookup};
    static struct keyplan plan;
    static struct engine_config config;
    char error[COLUMNS_ERROR_MAX];
    memset(&b, 0, sizeof b);
    memset(&config, 0, sizeof config);
    config.pad_count = 1;
    config.feed_count = 2;
    config.utc_feed = -1;
    config.rate = TC_RATE_25;
    strcpy(config.pad[0].name, "pad");
    strcpy(config.pad[0].seat, "science");
    config.pad[0].is_evdev = true;
    strcpy(config.feed[0].name, "bridge");
    config.feed[0].stale_ns = 5 * NS_PER_S;
    strcpy(config.feed[1].name, "ctd");
    config.feed[1].format = FEED_COLUMNS;
    config.feed[1].stale_ns = 5 * NS_PER_S;
    assert_true(columns_set_column(&config.feed[1].columns, &config.names, "1", "vehicle.depth_m", error));
    b.now_ns = 1000 * NS_PER_S;
    b.wake_ns = INT64_MAX;
    b.engine = engine_new(&config, &sink);
    assert_non_null(b.engine);
    make_plan(&plan);
    engine_plan(b.engine, 0, (mono_ns){b.now_ns}, &plan);
    give(INPUT_UTC, 0,
         "op=utc|before=1000000000000|utc=1924837567000000000|after=1000000000100|synced=1|max_error_us=500|"
         "est_error_us=10|leap=0");
    commit();
    return 0;
}

static int end(void **state)
{
    (void)state;
    engine_free(b.engine);
    return 0;
}

static void dives_begin_and_end(void **state)
{
    (void)state;
    refused("op=dive.end", REFUSED_NO_DIVE);
    refused("op=dive.begin|id=D 1", REFUSED_PARAMS);
    done("op=dive.begin|id=D1|site=Hollin Bank|ship=Lantern Gull", "D1");
    event_with("dive", "\"site\":\"Hollin Bank\"");
    assert_string_equal(engine_dive(b.engine), "D1");
    refused("op=dive.begin|id=D2", REFUSED_DIVE_OPEN);
    done("op=dive.end", "D1");
    refused("op=dive.begin|id=D1", REFUSED_STATE);
    assert_string_equal(engine_dive(b.engine), "");
    refused("op=no.such", REFUSED_PARAMS);
}

static void presses_are_answered_with_their_marker(void **state)
{
    (void)state;
    done("op=press|key=A1", "M0001"); /* outside any dive, and kept */
    assert_true(b.reply.text[0] != '\0');
    done("op=dive.begin|id=D1", "D1");
    done("op=press|key=A1|seat=science|note=two", "D1-M0001");
    event_with("marker", "\"note\":\"two\"");
    done("op=press|key=Fish|seat=science", "D1-M0002");
    refused("op=press|key=Whale", REFUSED_NO_SUCH);
    refused("op=press", REFUSED_NO_SUCH);
    pass_s(20);
    done("op=press|key=A1|seat=science|ago_ns=5000000000", "D1-M0003");
    event_with("marker", "\"origin\":\"late\"");
    done("op=press|key=A1|seat=science|at_utc=1924837570000000000|by=R. Alder", "D1-M0004");
    event_with("marker", "\"utc\":\"2030-12-30");
    refused("op=press|key=A1|at_timecode=99:00:00:00", REFUSED_PARAMS);
    refused("op=press|key=A1|ago_ns=-5", REFUSED_PARAMS);
}

static void containers_fill(void **state)
{
    (void)state;
    done("op=dive.begin|id=D1", "D1");
    done("op=sample|container=BOX|note=mud", "D1-M0001");
    event_with("sample", "\"container\":\"BOX\"");
    done("op=press|key=B1", "D1-M0002");
    int64_t seq = b.seq; /* the marker is kept, without a sample */
    assert_int_equal(command("op=sample|container=BOX"), REFUSED_FULL);
    assert_true(b.seq > seq);
    done("op=sample|container=a bucket", "D1-M0004"); /* of no plan: taken all the same */
    refused("op=sample", REFUSED_PARAMS);
    done("op=strike|ref=A1|why=dropped", "D1-A001");
    event_with("strike", "\"why\":\"dropped\"");
    done("op=sample|container=BOX", "D1-M0005");
}

static void records_are_added_to(void **state)
{
    (void)state;
    refused("op=remark|ref=last|text=x", REFUSED_NO_SUCH);
    done("op=dive.begin|id=D1", "D1");
    done("op=press|key=A1|seat=science", "D1-M0001");
    done("op=remark|ref=last|text=good light|by=R. Alder", "D1-M0001");
    event_with("remark", "\"text\":\"good light\"");
    refused("op=remark|ref=M1", REFUSED_PARAMS);
    refused("op=remark|ref=M9|text=x", REFUSED_NO_SUCH);
    refused("op=remark|ref=?|text=x", REFUSED_PARAMS);
    done("op=identify|ref=S1|name=Brisinga|qualifier=cf. costata|by=R. Alder", "D1-S001");
    event_with("identification", "\"qualifier\":\"cf. costata\"");
    refused("op=identify|ref=S1|name=", REFUSED_PARAMS);
    refused("op=identify|ref=S7|name=Brisinga", REFUSED_NO_SUCH);
    done("op=strike|ref=M1|why=slip", "D1-M0001");
    refused("op=strike|ref=M1", REFUSED_STATE);
    done("op=strike|ref=M1|undo=1", "D1-M0001");
    refused("op=strike|ref=M1|undo=1", REFUSED_STATE);
    refused("op=strike|ref=M8", REFUSED_NO_SUCH);
    refused("op=strike|ref=D0-M0003|why=of another dive", REFUSED_DIVE_OPEN);
}

static void a_failing_store_answers_later(void **state)
{
    (void)state;
    done("op=dive.begin|id=D1", "D1");
    give(INPUT_STORE, 0, "op=store|state=full|why=no space");
    commit();
    event_with("fault", "no space");
    /* what is said meanwhile is answered when it is on disk, not before */
    give(INPUT_COMMAND, 0, "op=press|token=77|key=A1");
    int replies = b.replies;
    b.token = 77;
    give(INPUT_STORE, 0, "op=store|state=ok");
    assert_int_equal(b.replies, replies);
    commit();
    assert_int_equal(b.replies, replies + 1);
    assert_string_equal(b.reply.ref, "D1-M0001");
    event_with("fault", "storing works again");
}

static void a_number_pad_presses(void **state)
{
    (void)state;
    done("op=dive.begin|id=D1", "D1");
    give(INPUT_PAD_UP, 0, "op=up");
    give(INPUT_PAD, 0, "op=hello|serial=NP1|boot=5");
    give(INPUT_PAD, 0, "op=key|key=A1|seq=1|at=999900000000|within=1000000");
    commit();
    event_with("marker", "\"label\":\"Fish\"");
    int events = b.events;
    give(INPUT_PAD, 0, "\x1f\x1f=");
    commit();
    if (b.events != events)
        fail_msg("came of nothing new: %s", b.event[b.events - 1]);
    give(INPUT_PAD_DOWN, 0, "op=down|why=unplugged");
    commit();
    event_with("pad", "unplugged");
}

static void feeds_reach_markers(void **state)
{
    (void)state;
    done("op=dive.begin|id=D1", "D1");
    give(INPUT_FEED_UP, 0, "op=up");
    give(INPUT_FEED_UP, 1, "op=up");
    give(INPUT_FEED, 0, "$HEHDT,274.0,T*1E\r\n$HEHDT,274.0,T*00\r\nnoise\r\n");
    give(INPUT_FEED, 1, "1204.6\nx\n");
    assert_true(b.samples >= 1);
    done("op=press|key=A1|seat=science", "D1-M0001");
    pass_s(10);
    event_with("marker", "vehicle.depth_m");
    pass_s(60);
    event_with("feed", "ctd");
    give(INPUT_FEED, 1, "1300.0\n");
    give(INPUT_FEED_DOWN, 1, "op=down|why=unplugged");
    commit();
    event_with("feed", "unplugged");
}

static void hear_line(void *ctx, const struct engine_status_line *line)
{
    char *all = ctx;
    size_t len = strlen(all);
    snprintf(all + len, 4096 - len, "%c %s: %s\n", line->sick ? '!' : '-', line->what, line->text);
}

static void a_seat_that_nobody_knows_is_refused(void **state)
{
    (void)state;
    done("op=dive.begin|id=D1", "D1");
    refused("op=seat|seat=scince|who=R. Alder", REFUSED_NO_SUCH);
    assert_string_equal(b.reply.text, "there is no seat 'scince'; there are: science, nav");
    refused("op=sample|container=BOX-1|seat=navy", REFUSED_NO_SUCH);
    done("op=sample|container=BOX-1|seat=nav", "D1-M0001");
}

static void status_tells_the_sick_first(void **state)
{
    static char all[4096];
    (void)state;
    all[0] = '\0';
    done("op=dive.begin|id=D1", "D1");
    done("op=seat|seat=science|who=R. Alder", "science");
    done("op=press|key=A1|seat=science", "D1-M0002");
    engine_status(b.engine, (mono_ns){b.now_ns}, hear_line, all);
    assert_non_null(strstr(all, "Fish"));
    assert_non_null(strstr(all, "! pad pad: not found"));
    assert_non_null(strstr(all, "! feed ctd: not open"));
    assert_null(strchr(strstr(all, "\n- "), '!'));
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, begin, end)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(dives_begin_and_end),
        TEST(presses_are_answered_with_their_marker),
        TEST(containers_fill),
        TEST(records_are_added_to),
        TEST(a_failing_store_answers_later),
        TEST(a_number_pad_presses),
        TEST(feeds_reach_markers),
        TEST(a_seat_that_nobody_knows_is_refused),
        TEST(status_tells_the_sick_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
