/* After a restart: the records that the engine is given, and that the engine of the tree takes them. */
#include "store_fixture.h"

#include "core/engine.h"
#include "core/fields.h"

struct lines {
    size_t len;
    char text[1 << 18];
};

/* One record a line, with ", " between its fields. */
static void note_line(void *ctx, const char *bytes, size_t len)
{
    struct lines *lines = ctx;
    struct fields fields;
    assert_true(fields_parse(&fields, bytes, len));
    assert_true(lines->len + 2 * len + 2 < sizeof lines->text);
    for (size_t i = 0; i < len; i++) {
        if (bytes[i] == FIELDS_SEPARATOR)
            lines->text[lines->len++] = ',';
        lines->text[lines->len++] = bytes[i] == FIELDS_SEPARATOR ? ' ' : bytes[i];
    }
    lines->text[lines->len++] = '\n';
    lines->text[lines->len] = '\0';
}

static const char *restore(struct fixture *f)
{
    static struct lines lines;
    lines.len = 0;
    if (store_restore(f->store, note_line, &lines, &f->error) != STORE_OK)
        fail_msg("store_restore: %s", f->error.text);
    return lines.text;
}

/* The lines whose op is `op`, without it. Static room. */
static const char *lines_of(const char *text, const char *op)
{
    static char out[1 << 18];
    char head[64];
    size_t len = 0;
    int head_len = snprintf(head, sizeof head, "op=%s", op);
    out[0] = '\0';
    for (const char *at = text; *at != '\0';) {
        size_t line = strcspn(at, "\n") + 1;
        const char *rest = at + head_len;
        if (strncmp(at, head, (size_t)head_len) == 0 && (*rest == ',' || *rest == '\n')) {
            rest += *rest == ',' ? 2 : 0;
            size_t rest_len = line - (size_t)(rest - at);
            memcpy(out + len, rest, rest_len);
            len += rest_len;
            out[len] = '\0';
        }
        at += line;
    }
    return out;
}

static void reopen(struct fixture *f)
{
    fixture_close(f);
    fixture_open(f);
}

static void an_empty_database_restores_to_nothing(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    assert_string_equal(restore(f),
                        "op=restore.seq, last=0\nop=restore.outside, markers=0\nop=restore.end\n");
}

static void submit_sighting(struct fixture *f, uint32_t number, uint32_t first, const char *closed_by)
{
    struct entry *entry = make_entry(ENTRY_SIGHTING, "D007", 1);
    struct sighting_entry *sighting = &entry->of.sighting;
    sighting->number = number;
    sighting->first_marker = first;
    sighting->start.ns = T0;
    SET_TEXT(sighting->state, closed_by[0] != '\0' ? "closed" : "open");
    SET_TEXT(sighting->closed_by, closed_by);
    submit(f, entry);
}

static void submit_span(struct fixture *f, uint32_t number, uint32_t first)
{
    struct entry *entry = make_entry(ENTRY_SPAN, "D007", 1);
    entry->of.span.number = number;
    entry->of.span.first_marker = first;
    SET_TEXT(entry->of.span.kind, "span");
    SET_TEXT(entry->of.span.state, "open");
    submit(f, entry);
}

static void submit_sample(struct fixture *f, uint32_t number, uint32_t marker)
{
    struct entry *entry = make_entry(ENTRY_SAMPLE, "D007", 1);
    entry->of.sample.number = number;
    entry->of.sample.marker = marker;
    SET_TEXT(entry->of.sample.state, "taken");
    submit(f, entry);
}

static void submit_strike(struct fixture *f, const char *target, bool restored, uint32_t by_marker)
{
    struct entry *entry = make_entry(ENTRY_STRIKE, "D007", 1);
    SET_TEXT(entry->of.strike.target, target);
    entry->of.strike.restored = restored;
    entry->of.strike.by_marker = by_marker;
    submit(f, entry);
}

static void an_open_dive_comes_back_with_its_counters(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D006", "begun", 1));
    submit(f, make_marker("D006", 1, 1, 1));
    submit(f, make_dive("D006", "ended", 2));
    submit(f, make_marker("", 1, 2, 3));
    submit(f, make_marker("", 2, 3, 3));
    struct entry *dive = make_dive("D007", "begun", 1000);
    SET_TEXT(dive->of.dive.ship, "Sandpiper");
    SET_TEXT(dive->of.dive.site, "The Steps, = east");
    submit(f, dive);
    for (uint32_t i = 1; i <= 12; i++)
        submit(f, make_marker("D007", i, 10 + i, 1000 + i));
    submit_sighting(f, 1, 1, "key");
    submit_sighting(f, 2, 2, "");
    submit_span(f, 3, 4);
    submit_sample(f, 5, 6);
    reopen(f);
    assert_string_equal(lines_of(restore(f), "restore.dive"),
                        "id=D007, vehicle=Marram, ship=Sandpiper, site=The Steps, = east, "
                        "begun_utc=1930000000000001000, markers=12, sightings=2, spans=3, samples=5\n");
    assert_string_equal(lines_of(restore(f), "restore.outside"), "markers=2\n");
    assert_string_equal(lines_of(restore(f), "restore.seq"), "last=22\n");
    submit(f, make_dive("D007", "ended", 2000));
    reopen(f);
    /* an ended dive comes back as ended, so that late presses still find their place in it */
    const char *ended = lines_of(restore(f), "restore.dive");
    assert_non_null(strstr(ended, "id=D007, "));
    assert_non_null(strstr(ended, ", ended_utc=1930000000000002000, markers=12, "));
    assert_non_null(strstr(lines_of(restore(f), "restore.fact"), "number=12, "));
}

static void facts_carry_what_the_watch_log_needs(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    struct entry *entry = make_marker("D007", 1, 1, 100);
    entry->of.marker.lead_ns = 5 * NS_PER_S;
    SET_TEXT(entry->of.marker.term, "dwc:behavior=feeding");
    SET_TEXT(entry->of.marker.who, "Ada");
    entry->of.marker.sighting = entry->of.marker.object = 1;
    submit(f, entry);
    entry = make_marker("D007", 2, 0, 200);
    SET_TEXT(entry->of.marker.kind, "sample");
    SET_TEXT(entry->of.marker.container, "BOX-1");
    SET_TEXT(entry->of.marker.gear, "scoop");
    SET_TEXT(entry->of.marker.note, "white = good");
    entry->of.marker.capacity = 4;
    submit(f, entry);
    entry = make_marker("D007", 3, 3, 300);
    SET_TEXT(entry->of.marker.kind, "phase");
    SET_TEXT(entry->of.marker.phase, "on bottom");
    SET_TEXT(entry->of.marker.label, "");
    entry->of.marker.object = 7; /* it ended span 7, which it did not open */
    entry->of.marker.target = 9;
    submit(f, entry);
    submit_sighting(f, 1, 1, "idle");
    submit_sample(f, 4, 2);
    submit_span(f, 8, 3);
    reopen(f);
    assert_string_equal(
        lines_of(restore(f), "restore.fact"),
        "number=1, utc=1930000000000000100, seat=science, kind=subject, label=Fish, "
        "term=dwc:behavior=feeding, "
        "lead_ns=5000000000, key=A1, gesture=tap, sighting=1, who=Ada, object=1, idled=1, struck=0\n"
        "number=2, utc=1930000000000000200, seat=science, kind=sample, label=Fish, lead_ns=0, key=A1, "
        "gesture=soft, "
        "note=white = good, container=BOX-1, gear=scoop, capacity=4, object=4, idled=0, struck=0\n"
        "number=3, utc=1930000000000000300, seat=science, kind=phase, phase=on bottom, lead_ns=0, key=A1, "
        "gesture=tap, "
        "target=9, object=8, idled=0, struck=0\n");
}

static void only_strikes_by_name_are_told_with_a_fact(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    for (uint32_t i = 1; i <= 5; i++)
        submit(f, make_marker("D007", i, i, i));
    submit_strike(f, "D007-M0001", false, 0); /* by name */
    submit_strike(f, "D007-M0002", false, 5); /* by the strike key, whose own fact says so */
    submit_strike(f, "D007-M0003", false, 0); /* by name, and taken back */
    submit_strike(f, "D007-M0003", true, 0);
    submit_strike(f, "M0004", false, 0); /* another marker: the fourth made without a dive */
    struct entry *link = make_entry(ENTRY_LINK, "D007", 9);
    link->of.link.marker = 2;
    link->of.link.struck_by = 5;
    submit(f, link);
    reopen(f);
    const char *facts = lines_of(restore(f), "restore.fact");
    assert_non_null(strstr(facts, "number=1,"));
    static const char *const ends[] = {"struck=1\n", "struck=0, struck_by=5\n", "struck=0\n", "struck=0\n",
                                       "struck=0\n"};
    for (int i = 0; i < 5; i++) {
        const char *end = strstr(facts, "struck=");
        assert_non_null(end);
        assert_memory_equal(end, ends[i], strlen(ends[i]));
        facts = strchr(end, '\n') + 1;
    }
}

static void a_fact_has_its_latest_time_and_only_what_never_had_utc_is_unsettled(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    for (uint32_t i = 1; i <= 3; i++) {
        struct entry *entry = make_marker("D007", i, i, 100 * i);
        entry->of.marker.when.trust = i == 3 ? CLOCK_TRUST_NONE : CLOCK_TRUST_UNSYNCED;
        entry->of.marker.when.utc_bound_ns = -1;
        submit(f, entry);
    }
    struct entry *entry = make_entry(ENTRY_SETTLED, "D007", 500);
    entry->of.settled.marker = 1;
    SET_TEXT(entry->of.settled.cause, "clock");
    entry->of.settled.when = when_at(777);
    submit(f, entry);
    reopen(f);
    const char *facts = lines_of(restore(f), "restore.fact");
    assert_non_null(strstr(facts, "number=1, utc=1930000000000000777,"));
    assert_non_null(strstr(facts, "number=2, utc=1930000000000000200,"));
    assert_non_null(strstr(facts, "number=3, seat="));
    assert_string_equal(lines_of(restore(f), "restore.unsettled"),
                        "number=2, mono=1200, mono_bound=200, utc=1930000000000000200, trust=unsynced\n"
                        "number=3, mono=1300, mono_bound=200, trust=none\n");
    fixture_close(f);
    f->options.host_boot_id = "another boot of the machine";
    fixture_open(f);
    assert_string_equal(lines_of(restore(f), "restore.unsettled"),
                        ""); /* those monotonic times mean nothing any more */
    assert_non_null(strstr(lines_of(restore(f), "restore.fact"), "number=3"));
}

static void who_sits_where_comes_back(void **state)
{
    struct fixture *f = *state;
    static const char *const changes[][2] = {
        {"science", "Ada"}, {"nav", "Grace"}, {"science", "Emmy"}, {"nav", ""}};
    fixture_open(f);
    for (int i = 0; i < 4; i++) {
        struct entry *entry = make_entry(ENTRY_SEAT, "", i);
        SET_TEXT(entry->of.seat.seat, changes[i][0]);
        SET_TEXT(entry->of.seat.who, changes[i][1]);
        submit(f, entry);
    }
    reopen(f);
    assert_string_equal(lines_of(restore(f), "restore.seat"), "seat=science, who=Emmy\n");
    /* and who sat there when the dive began, whatever was said since */
    submit(f, make_dive("D007", "begun", 10));
    struct entry *later = make_entry(ENTRY_SEAT, "D007", 20);
    SET_TEXT(later->of.seat.seat, "science");
    SET_TEXT(later->of.seat.who, "Ida");
    submit(f, later);
    reopen(f);
    assert_string_equal(lines_of(restore(f), "restore.seat"), "seat=science, who=Ida\n");
    assert_string_equal(lines_of(restore(f), "restore.watch"), "seat=science, who=Emmy\nseat=nav\n");
}

/* Two pads, 10 boots with falling numbers (a boot's number says nothing of its age), 70 presses each. */
static void the_latest_presses_of_the_latest_boots_come_back(void **state)
{
    struct fixture *f = *state;
    static char expected[1 << 18];
    uint32_t number = 1;
    size_t len = 0;
    fixture_open(f);
    for (uint32_t boot = 0; boot < 10; boot++)
        for (uint32_t pad = 1; pad <= 2; pad++)
            for (uint32_t press = 1; press <= 70; press++) {
                struct entry *entry = make_marker("", number, press, number);
                snprintf(entry->of.marker.pad, PAD_SIZE, "P-%02u", pad);
                entry->of.marker.pad_boot = 900 - boot;
                submit(f, entry);
                number++;
            }
    submit(f, make_marker("", number, 0, number)); /* a soft key is no press */
    reopen(f);
    for (uint32_t boot = 2; boot < 10; boot++)
        for (uint32_t pad = 1; pad <= 2; pad++)
            for (uint32_t press = 7; press <= 70; press++)
                len += (size_t)snprintf(expected + len, sizeof expected - len,
                                        "pad=P-%02u, boot=%u, seq=%u\n", pad, 900 - boot, press);
    assert_string_equal(lines_of(restore(f), "restore.press"), expected);
}

static void observe(struct fixture *f, const char *clock, int64_t a)
{
    struct engine_observation observation = {.clock = clock, .a = a, .lo = a + 1, .hi = a + 2};
    store_observe(f->store, &observation);
}

static void the_latest_observations_of_this_boot_come_back(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    for (int i = 0; i < 100; i++) {
        observe(f, "pad P-03 4711", i);
        if (i % 50 == 0)
            observe(f, "utc", i);
    }
    observe(f, "clap", 1);
    observe(f, "clap", 2);
    reopen(f);
    const char *clocks = lines_of(restore(f), "restore.clock");
    int lines = 0;
    for (const char *at = clocks; *at != '\0'; at++)
        lines += *at == '\n';
    assert_int_equal(lines, 64 + 2 + 1);
    assert_memory_equal(clocks, "clock=utc, a=0, lo=1, hi=2\nclock=pad P-03 4711, a=36, lo=37, hi=38\n",
                        60); /* oldest first */
    assert_non_null(strstr(clocks, "clock=pad P-03 4711, a=99, lo=100, hi=101\n"));
    assert_null(strstr(clocks, "clock=clap, a=1,"));
    assert_non_null(strstr(clocks, "clock=clap, a=2, lo=3, hi=4\n"));
    fixture_close(f);
    f->options.host_boot_id = "another boot of the machine";
    fixture_open(f);
    assert_string_equal(lines_of(restore(f), "restore.clock"),
                        "clock=clap, a=2, lo=3, hi=4\n"); /* cables keep their length */
}

static void put_sample(struct fixture *f, const char *channel, const char *feed, int64_t at_ns, double value)
{
    struct engine_sample sample = {
        .channel = channel, .feed = feed, .at = {at_ns}, .utc = {T0 + at_ns}, .value = value};
    store_sample(f->store, &sample);
}

static void the_latest_samples_of_this_boot_come_back_in_order_of_time(void **state)
{
    struct fixture *f = *state;
    static char expected[1 << 18];
    size_t len = 0;
    int64_t newest = 2000 * NS_PER_S;
    fixture_open(f);
    put_sample(f, "x.oxygen", "ctd", newest - 600 * NS_PER_S, 5.5); /* slow: only the last comes back */
    put_sample(f, "x.oxygen", "ctd", newest - 300 * NS_PER_S, 5.25);
    for (int i = 1500; i >= 0; i--) { /* 10 Hz, three blocks */
        put_sample(f, "vehicle.lat_deg", "nav", newest - i * 100 * NS_PER_MS, 47 + i);
        put_sample(f, "vehicle.lon_deg", "nav", newest - i * 100 * NS_PER_MS, -15 - i);
    }
    len +=
        (size_t)snprintf(expected, sizeof expected,
                         "feed=ctd, channel=x.oxygen, at=%" PRId64 ", value=5.25\n", newest - 300 * NS_PER_S);
    for (int i = 200; i >= 0; i--)
        len += (size_t)snprintf(expected + len, sizeof expected - len,
                                "feed=nav, channel=vehicle.lat_deg, at=%" PRId64 ", value=%d\n"
                                "feed=nav, channel=vehicle.lon_deg, at=%" PRId64 ", value=%d\n",
                                newest - i * 100 * NS_PER_MS, 47 + i, newest - i * 100 * NS_PER_MS, -15 - i);
    reopen(f);
    assert_string_equal(lines_of(restore(f), "restore.sample"), expected);
    fixture_close(f);
    f->options.host_boot_id = "another boot of the machine";
    fixture_open(f);
    assert_string_equal(lines_of(restore(f), "restore.sample"), "");
}

static void a_damaged_block_keeps_no_daemon_from_beginning(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    put_sample(f, "vehicle.depth_m", "nav", NS_PER_S, 1200);
    put_sample(f, "water.temperature_c", "ctd", NS_PER_S, 3.5);
    fixture_close(f);
    do_sql(f->path,
           "UPDATE telemetry SET block = x'00' WHERE series = (SELECT id FROM series WHERE feed = 'nav')");
    fixture_open(f);
    assert_string_equal(lines_of(restore(f), "restore.sample"),
                        "feed=ctd, channel=water.temperature_c, at=1000000000, value=3.5\n");
}

/* The order is the engine's: seq first, the dive before its facts, end last. */
static void records_come_in_the_engines_order(void **state)
{
    struct fixture *f = *state;
    static const char *const ops[] = {"op=restore.seq",    "op=restore.dive",  "op=restore.outside",
                                      "op=restore.seat",   "op=restore.watch", "op=restore.press",
                                      "op=restore.clock",  "op=restore.fact",  "op=restore.unsettled",
                                      "op=restore.sample", "op=restore.end"};
    fixture_open(f);
    put_sample(f, "vehicle.depth_m", "nav", NS_PER_S, 1200);
    struct entry *seat = make_entry(ENTRY_SEAT, "", 1);
    SET_TEXT(seat->of.seat.seat, "science");
    SET_TEXT(seat->of.seat.who, "Ada");
    submit(f, seat);
    submit(f, make_dive("D007", "begun", 0));
    struct entry *entry = make_marker("D007", 1, 1, 100);
    entry->of.marker.when.trust = CLOCK_TRUST_UNSYNCED;
    submit(f, entry);
    observe(f, "utc", 1);
    reopen(f);
    const char *at = restore(f);
    for (size_t i = 0; i < sizeof ops / sizeof *ops; i++) {
        assert_memory_equal(at, ops[i], strlen(ops[i]));
        at = strchr(at, '\n') + 1;
    }
    assert_string_equal(at, "");
}

static void no_warning(void *ctx, enum engine_log_level level, const char *text)
{
    (void)ctx;
    if (level != ENGINE_LOG_INFO)
        fail_msg("the engine says: %s", text);
}

static void give_to_engine(void *ctx, const char *bytes, size_t len)
{
    engine_input(ctx, INPUT_RESTORE, -1, (mono_ns){1}, bytes, len);
}

static void the_engine_takes_them(void **state)
{
    struct fixture *f = *state;
    static const struct engine_sink sink = {.log = no_warning};
    struct engine_config config = {.utc_feed = -1};
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    submit(f, make_marker("D007", 1, 1, 100));
    submit_sighting(f, 1, 1, "");
    reopen(f);
    struct engine *engine = engine_new(&config, &sink);
    assert_non_null(engine);
    assert_string_equal(engine_dive(engine), "");
    assert_int_equal(store_restore(f->store, give_to_engine, engine, &f->error), STORE_OK);
    assert_string_equal(engine_dive(engine), "D007");
    engine_free(engine);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(an_empty_database_restores_to_nothing),
        STORE_TEST(an_open_dive_comes_back_with_its_counters),
        STORE_TEST(facts_carry_what_the_watch_log_needs),
        STORE_TEST(only_strikes_by_name_are_told_with_a_fact),
        STORE_TEST(a_fact_has_its_latest_time_and_only_what_never_had_utc_is_unsettled),
        STORE_TEST(who_sits_where_comes_back),
        STORE_TEST(the_latest_presses_of_the_latest_boots_come_back),
        STORE_TEST(the_latest_observations_of_this_boot_come_back),
        STORE_TEST(the_latest_samples_of_this_boot_come_back_in_order_of_time),
        STORE_TEST(a_damaged_block_keeps_no_daemon_from_beginning),
        STORE_TEST(records_come_in_the_engines_order),
        STORE_TEST(the_engine_takes_them),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
