/* Reading the record: every member that was written comes back, with the latest of everything, in order, from where one asks. */
#include "store_fixture.h"

struct rows {
    int count;
    int stop_at;
    char text[4096];
};

static void note(struct rows *rows, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void note(struct rows *rows, const char *format, ...)
{
    size_t len = strlen(rows->text);
    va_list args;
    va_start(args, format);
    vsnprintf(rows->text + len, sizeof rows->text - len, format, args);
    va_end(args);
    rows->count++;
}

/* ---- journal ---- */

static bool note_event(void *ctx, const struct query_event *row)
{
    struct rows *rows = ctx;
    assert_int_equal(row->len, strlen(row->event));
    note(rows, "%" PRId64 " %s;", row->seq, entry_type_name(row->type));
    return rows->count != rows->stop_at;
}

static const char *journal(struct store_reader *reader, const struct query_journal *want, int stop_at)
{
    static struct rows rows;
    rows = (struct rows){.stop_at = stop_at};
    int64_t count = query_journal(reader, want, note_event, &rows);
    assert_int_equal(count, rows.count);
    return rows.text;
}

static bool note_text(void *ctx, int64_t seq, enum entry_type type, const char *event, size_t len)
{
    struct rows *rows = ctx;
    assert_int_equal(len, strlen(event));
    assert_int_equal(strncmp(event, "{\"seq\":", 7), 0);
    assert_int_equal(strtoll(event + 7, NULL, 10), seq);
    note(rows, "%" PRId64 " %s;", seq, entry_type_name(type));
    return rows->count != rows->stop_at;
}

static const char *texts(struct store_reader *reader, int64_t after, int64_t upto, int stop_at)
{
    static struct rows rows;
    rows = (struct rows){.stop_at = stop_at};
    int64_t count = query_journal_texts(reader, after, upto, note_text, &rows);
    assert_int_equal(count, rows.count);
    return rows.text;
}

static void the_journal_is_read_since_a_seq_and_by_type(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    for (uint32_t i = 1; i <= 3; i++) {
        submit(f, make_marker("D007", i, i, i));
        submit(f, make_notice(ENTRY_PAD, "P-03", "linked"));
    }
    submit(f, make_marker("D008", 1, 9, 9));
    struct entry *remark = make_entry(ENTRY_REMARK, "D008", 10);
    SET_TEXT(remark->of.remark.target, "D007-M2"); /* however it was typed */
    SET_TEXT(remark->of.remark.text, "seen again on the video");
    submit(f, remark);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_string_equal(journal(reader, &(struct query_journal){0}, 0),
                        "1 dive;2 marker;3 pad;4 marker;5 pad;6 marker;7 pad;8 marker;9 remark;");
    assert_string_equal(journal(reader, &(struct query_journal){.since = 6}, 0), "7 pad;8 marker;9 remark;");
    assert_string_equal(journal(reader, &(struct query_journal){.since = 9}, 0), "");
    assert_string_equal(journal(reader, &(struct query_journal){.since = 1, .limit = 2}, 0),
                        "2 marker;3 pad;");
    assert_string_equal(journal(reader,
                                &(struct query_journal){
                                    .types = QUERY_TYPE(ENTRY_MARKER) | QUERY_TYPE(ENTRY_DIVE), .limit = 3},
                                0),
                        "1 dive;2 marker;4 marker;");
    assert_string_equal(journal(reader, &(struct query_journal){.dive = "D008"}, 0), "8 marker;9 remark;");
    assert_string_equal(journal(reader, &(struct query_journal){.ref = "D007-M0002"}, 0),
                        "4 marker;9 remark;");
    assert_string_equal(journal(reader, &(struct query_journal){0}, 2),
                        "1 dive;2 marker;"); /* the callback had enough */
    assert_string_equal(texts(reader, 0, 3, 0), "1 dive;2 marker;3 pad;");
    assert_string_equal(texts(reader, 6, 100, 0), "7 pad;8 marker;9 remark;");
    assert_string_equal(texts(reader, 9, 9, 0), "");
    assert_string_equal(texts(reader, 0, 9, 2), "1 dive;2 marker;");
    assert_int_equal(query_last_seq(reader), 9);
    store_reader_close(reader);
}

static void a_reader_sees_what_is_committed_while_it_is_open(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_last_seq(reader), 0);
    submit(f, make_marker("D007", 1, 1, 1));
    flush(f);
    assert_int_equal(query_last_seq(reader), 1);
    assert_int_equal(store_reader_hold(reader), STORE_OK);
    submit(f, make_marker("D007", 2, 2, 2));
    flush(f);
    assert_int_equal(query_last_seq(reader), 1); /* one state for all its questions */
    store_reader_release(reader);
    assert_int_equal(query_last_seq(reader), 2);
    store_reader_close(reader);
}

static bool ask_within(void *ctx, const struct query_event *row)
{
    static struct rows rows;
    struct store_reader *reader = ctx;
    rows = (struct rows){0};
    struct query_journal want = {.since = row->seq};
    assert_int_equal(query_journal(reader, &want, note_event, &rows), 3 - row->seq);
    return true;
}

static void a_callback_may_ask_the_same_question(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    for (uint32_t i = 1; i <= 3; i++)
        submit(f, make_marker("D007", i, i, i));
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_journal(reader, &(struct query_journal){0}, ask_within, reader), 3);
    store_reader_close(reader);
}

/* ---- markers ---- */

static struct entry *make_full_marker(void)
{
    struct entry *entry = make_marker("D007", 7, 12, 100);
    struct marker *marker = &entry->of.marker;
    SET_TEXT(marker->who, "Ada");
    SET_TEXT(marker->gesture, "hold");
    SET_TEXT(marker->term, "dwc:behavior=feeding");
    SET_TEXT(marker->note, "white, \"fan\" shaped");
    SET_TEXT(marker->phase, "on bottom");
    SET_TEXT(marker->container, "BOX-1");
    SET_TEXT(marker->gear, "scoop");
    SET_TEXT(marker->advice, "loose");
    marker->lead_ns = 5 * NS_PER_S;
    marker->tick.us = INT64_C(0xffffffffffff);
    marker->pad_boot = UINT32_MAX;
    marker->capacity = 4;
    marker->target = 3;
    marker->instead_of = 6;
    marker->sighting = 31;
    marker->object = 32;
    marker->timecode = (struct timecode_stamp){.trust = TIMECODE_TRUST_LOCKED,
                                               .label = "05:06:07:02",
                                               .rate = "25",
                                               .frame = 459177,
                                               .within = 0.25,
                                               .bound_frames = 0.04};
    marker->telemetry.position = (struct marker_position){.known = true,
                                                          .lat_deg = -12.345678901234567,
                                                          .lon_deg = 45.67891,
                                                          .uncertainty_m = 6.1,
                                                          .source = "vehicle",
                                                          .feed = "usbl",
                                                          .method = READING_METHOD_FILTERED,
                                                          .age_s = 0.4};
    marker->telemetry.reading_count = 2;
    marker->telemetry.reading[0] =
        (struct marker_reading){"vehicle.depth_m", 1204.6, 0.125, READING_METHOD_INTERPOLATED, "nav"};
    marker->telemetry.reading[1] = (struct marker_reading){"x.lamp", -1e-9, 12.5, READING_METHOD_LAST, ""};
    return entry;
}

static struct query_marker seen;
static int seen_count;

static bool see_marker(void *ctx, const struct query_marker *row)
{
    struct rows *rows = ctx;
    seen = *row;
    seen_count++;
    if (rows != NULL)
        note(rows, "%s%s ", row->ref, row->struck ? " struck" : "");
    return rows == NULL || rows->count != rows->stop_at;
}

static const struct query_marker *only_marker(struct fixture *f)
{
    struct store_reader *reader = open_reader(f);
    seen_count = 0;
    assert_int_equal(query_markers(reader, &(struct query_want){.dive = "D007"}, see_marker, NULL), 1);
    assert_int_equal(seen_count, 1);
    store_reader_close(reader);
    return &seen;
}

static void assert_same_when(const struct when *a, const struct when *b)
{
    assert_int_equal(a->mono.ns, b->mono.ns);
    assert_int_equal(a->mono_bound_ns, b->mono_bound_ns);
    assert_int_equal(a->utc.ns, b->utc.ns);
    assert_int_equal(a->utc_bound_ns, b->utc_bound_ns);
    assert_int_equal(a->trust, b->trust);
}

static void assert_same_telemetry(const struct marker_telemetry *a, const struct marker_telemetry *b)
{
    assert_true(a->position.known == b->position.known);
    assert_true(a->position.lat_deg == b->position.lat_deg && a->position.lon_deg == b->position.lon_deg);
    assert_true(a->position.uncertainty_m == b->position.uncertainty_m &&
                a->position.age_s == b->position.age_s);
    assert_string_equal(a->position.source, b->position.source);
    assert_string_equal(a->position.feed, b->position.feed);
    assert_int_equal(a->position.method, b->position.method);
    assert_int_equal(a->reading_count, b->reading_count);
    for (uint32_t i = 0; i < a->reading_count; i++) {
        assert_string_equal(a->reading[i].channel, b->reading[i].channel);
        assert_true(a->reading[i].value == b->reading[i].value);
        assert_true(a->reading[i].age_s == b->reading[i].age_s);
        assert_int_equal(a->reading[i].method, b->reading[i].method);
        assert_string_equal(a->reading[i].source, b->reading[i].source);
    }
}

static void assert_same_press(const struct marker *a, const struct marker *b)
{
    assert_int_equal(a->number, b->number);
    assert_int_equal(a->origin, b->origin);
    assert_string_equal(a->seat, b->seat);
    assert_string_equal(a->who, b->who);
    assert_string_equal(a->pad, b->pad);
    assert_int_equal(a->pad_boot, b->pad_boot);
    assert_int_equal(a->pad_seq, b->pad_seq);
    assert_int_equal(a->tick.us, b->tick.us);
    assert_string_equal(a->key, b->key);
    assert_string_equal(a->gesture, b->gesture);
    assert_string_equal(a->kind, b->kind);
    assert_string_equal(a->label, b->label);
    assert_string_equal(a->term, b->term);
    assert_int_equal(a->lead_ns, b->lead_ns);
    assert_string_equal(a->note, b->note);
    assert_string_equal(a->phase, b->phase);
    assert_string_equal(a->container, b->container);
    assert_string_equal(a->gear, b->gear);
    assert_int_equal(a->capacity, b->capacity);
    assert_int_equal(a->target, b->target);
    assert_int_equal(a->instead_of, b->instead_of);
    assert_int_equal(a->sighting, b->sighting);
    assert_int_equal(a->object, b->object);
    assert_string_equal(a->advice, b->advice);
    assert_true(a->settled == b->settled);
}

static void assert_same_timecode(const struct timecode_stamp *a, const struct timecode_stamp *b)
{
    assert_int_equal(a->trust, b->trust);
    assert_string_equal(a->label, b->label);
    assert_string_equal(a->rate, b->rate);
    assert_int_equal(a->frame, b->frame);
    assert_true(a->within == b->within && a->bound_frames == b->bound_frames);
}

static void every_member_of_a_marker_comes_back(void **state)
{
    struct fixture *f = *state;
    static struct marker written;
    fixture_open(f);
    submit(f, make_full_marker());
    written = make_full_marker()->of.marker;
    flush(f);
    const struct query_marker *row = only_marker(f);
    assert_string_equal(row->ref, "D007-M0007");
    assert_string_equal(row->dive, "D007");
    assert_int_equal(row->seq, 1);
    assert_false(row->struck);
    assert_int_equal(row->settlings, 0);
    assert_same_press(&row->marker, &written);
    assert_same_when(&row->marker.when, &written.when);
    assert_same_when(&row->as_pressed, &written.when);
    assert_same_timecode(&row->marker.timecode, &written.timecode);
    assert_same_telemetry(&row->marker.telemetry, &written.telemetry);
}

static void what_is_unknown_comes_back_unknown(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    struct entry *entry = make_marker("D007", 1, 0, 100);
    entry->of.marker.when =
        (struct when){.mono = {100}, .mono_bound_ns = -1, .utc_bound_ns = -1, .trust = CLOCK_TRUST_NONE};
    entry->of.marker.timecode = (struct timecode_stamp){.trust = TIMECODE_TRUST_NONE, .bound_frames = -1};
    entry->of.marker.telemetry.position.uncertainty_m = -1;
    submit(f, entry);
    flush(f);
    assert_string_equal(
        ask(f->path,
            "SELECT (utc_ns IS NULL) || (utc_bound_ns IS NULL) || (mono_bound_ns IS NULL) || (timecode IS "
            "NULL) || "
            "(timecode_frame IS NULL) || (lat_deg IS NULL) || (pad IS NULL) || (press_seq IS NULL) || "
            "(who IS NULL) || (sighting IS NULL) || (note IS NULL) FROM marker"),
        "11111111111");
    const struct query_marker *row = only_marker(f);
    assert_int_equal(row->marker.when.trust, CLOCK_TRUST_NONE);
    assert_int_equal(row->marker.when.utc_bound_ns, -1);
    assert_int_equal(row->marker.when.mono_bound_ns, -1);
    assert_int_equal(row->marker.timecode.trust, TIMECODE_TRUST_NONE);
    assert_true(row->marker.timecode.bound_frames < 0);
    assert_false(row->marker.telemetry.position.known);
    assert_true(row->marker.telemetry.position.uncertainty_m < 0);
    assert_int_equal(row->marker.telemetry.reading_count, 0);
}

static struct entry *make_settled(uint32_t marker, const char *cause)
{
    struct entry *entry = make_entry(ENTRY_SETTLED, "D007", 900);
    entry->of.settled.marker = marker;
    entry->of.settled.when = when_at(150);
    SET_TEXT(entry->of.settled.cause, cause);
    return entry;
}

/* Each part is the latest that was given for it, and the marker as first committed is still there. */
static void later_values_replace_the_parts_they_renew(void **state)
{
    struct fixture *f = *state;
    static struct entry first;
    fixture_open(f);
    submit(f, make_full_marker());
    first = *make_full_marker();

    struct entry *entry = make_settled(7, "bracketed");
    entry->of.settled.has_telemetry = true;
    entry->of.settled.telemetry.position = (struct marker_position){
        .known = true, .lat_deg = 1, .lon_deg = 2, .uncertainty_m = 3, .source = "ship"};
    entry->of.settled.telemetry.reading_count = 1;
    entry->of.settled.telemetry.reading[0] =
        (struct marker_reading){"vehicle.depth_m", 1205.5, 0, READING_METHOD_INTERPOLATED, "ctd"};
    submit(f, entry);
    flush(f);
    const struct query_marker *row = only_marker(f);
    assert_int_equal(row->settlings, 1);
    assert_true(row->marker.settled);
    assert_int_equal(row->marker.when.utc.ns, T0 + 150);
    assert_same_when(&row->as_pressed, &first.of.marker.when);
    assert_same_timecode(&row->marker.timecode, &first.of.marker.timecode);
    assert_true(row->marker.telemetry.position.lat_deg == 1);
    assert_string_equal(row->marker.telemetry.position.source, "ship");
    assert_true(row->marker.telemetry.reading[0].value == 1205.5);

    entry = make_settled(7, "clap");
    entry->of.settled.has_timecode = true;
    entry->of.settled.timecode = (struct timecode_stamp){.trust = TIMECODE_TRUST_HOLDOVER,
                                                         .label = "05:06:07:03",
                                                         .rate = "25",
                                                         .frame = 459178,
                                                         .within = 0.5,
                                                         .bound_frames = 1};
    submit(f, entry);
    flush(f);
    row = only_marker(f);
    assert_int_equal(row->settlings, 2);
    assert_string_equal(row->marker.timecode.label, "05:06:07:03");
    assert_true(row->marker.telemetry.reading[0].value == 1205.5); /* still that of the first settling */
    assert_string_equal(ask(f->path, "SELECT timecode || ' ' || json_extract(channels, "
                                     "'$.\"vehicle.depth_m\".v') || ' ' || lat_deg FROM marker"),
                        "05:06:07:02 1204.6 -12.3456789012346");
}

static bool note_belonging(void *ctx, const struct query_belonging *row)
{
    note(ctx, "%" PRIu32 " S%" PRIu32 "%s", row->number, row->sighting, row->struck ? " struck" : "");
    note(ctx, row->placed ? " %.2f %.2f;" : ";", row->lat_deg, row->lon_deg);
    return true;
}

static void where_markers_belong_is_told(void **state)
{
    struct fixture *f = *state;
    struct rows rows = {0};
    fixture_open(f);
    struct entry *entry = make_marker("D007", 1, 1, 100);
    entry->of.marker.telemetry.position =
        (struct marker_position){.known = true, .lat_deg = 1.5, .lon_deg = -2.25, .source = "ship"};
    submit(f, entry);
    entry = make_marker("D007", 2, 2, 100);
    entry->of.marker.sighting = 31;
    submit(f, entry);
    submit(f, make_marker("D008", 1, 3, 100));
    entry = make_entry(ENTRY_STRIKE, "D007", 700);
    SET_TEXT(entry->of.strike.target, "D007-M0002");
    submit(f, entry);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_belongings(reader, "D007", note_belonging, &rows), 2);
    assert_string_equal(rows.text, "1 S0 1.50 -2.25;2 S31 struck;");
    store_reader_close(reader);
}

static bool note_arrival(void *ctx, const struct query_arrival *row)
{
    note(ctx, "%" PRIu32 " %" PRId64 "%s;", row->number, row->reached.ns, row->waited ? " waited" : "");
    return true;
}

static void how_presses_came_in_is_told(void **state)
{
    struct fixture *f = *state;
    struct rows rows = {0};
    fixture_open(f);
    for (uint32_t i = 1; i <= 4; i++) {
        struct entry *entry = make_marker("D007", i, i, 100);
        entry->at.mono.ns = 5000 + i; /* later than it was pressed */
        submit(f, entry);
    }
    submit(f, make_marker("D008", 1, 9, 100));
    submit(f, make_settled(2, "waited"));
    submit(f, make_settled(3, "bracketed"));
    submit(f, make_settled(4, "waited"));
    submit(f, make_settled(4, "clock")); /* the last one tells */
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_arrivals(reader, "D007", note_arrival, &rows), 4);
    assert_string_equal(rows.text, "1 5001;2 5002 waited;3 5003;4 5004;");
    store_reader_close(reader);
}

static void a_link_moves_a_marker_to_another_sighting(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_full_marker());
    struct entry *entry = make_entry(ENTRY_LINK, "D007", 900);
    entry->of.link = (struct link_entry){.marker = 7, .sighting = 40, .advice = "late", .who = "Grace"};
    submit(f, entry);
    flush(f);
    const struct query_marker *row = only_marker(f);
    assert_int_equal(row->marker.sighting, 40);
    assert_int_equal(row->marker.object, 0);
    assert_string_equal(row->marker.who, "Grace");
    assert_string_equal(row->marker.advice, "late");
    assert_string_equal(ask(f->path, "SELECT sighting || ' ' || who FROM marker"), "31 Ada");
}

static void a_strike_holds_until_it_is_taken_back(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_full_marker());
    for (int i = 0; i < 3; i++) {
        struct entry *entry = make_entry(ENTRY_STRIKE, "", 900 + i); /* weeks later, no dive open */
        SET_TEXT(entry->of.strike.target, "D007-M0007");
        entry->of.strike.restored = i == 1;
        submit(f, entry);
        flush(f);
        assert_true(only_marker(f)->struck == (i != 1));
    }
}

static const char *refs(struct store_reader *reader, const struct query_want *want, bool by_time, int stop_at)
{
    static struct rows rows;
    rows = (struct rows){.stop_at = stop_at};
    int64_t count = by_time ? query_markers_by_time(reader, want, see_marker, &rows)
                            : query_markers(reader, want, see_marker, &rows);
    assert_int_equal(count, rows.count);
    return rows.text;
}

static void markers_come_in_order_and_in_pages(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_marker("D007", 1, 1, 300));
    submit(f, make_marker("D006", 1, 2, 50));
    submit(f, make_marker("D007", 2, 3, 100)); /* came late: earlier than the first */
    submit(f, make_marker("", 1, 4, 400));
    submit(f, make_marker("D007", 10, 5, 200));
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_string_equal(refs(reader, &(struct query_want){0}, false, 0),
                        "M0001 D006-M0001 D007-M0001 D007-M0002 D007-M0010 ");
    assert_string_equal(refs(reader, &(struct query_want){.dive = "D007"}, false, 0),
                        "D007-M0001 D007-M0002 D007-M0010 ");
    assert_string_equal(refs(reader, &(struct query_want){.dive = "D007", .after = 1, .limit = 1}, false, 0),
                        "D007-M0002 ");
    assert_string_equal(refs(reader, &(struct query_want){.dive = "D007", .after = 10}, false, 0), "");
    assert_string_equal(refs(reader, &(struct query_want){.dive = ""}, false, 0), "M0001 ");
    assert_string_equal(refs(reader, &(struct query_want){.dive = "D00"}, false, 0), "");
    assert_string_equal(refs(reader, &(struct query_want){.dive = "D007"}, true, 0),
                        "D007-M0002 D007-M0010 D007-M0001 ");
    assert_string_equal(refs(reader, &(struct query_want){0}, true, 2), "D006-M0001 D007-M0002 ");
    store_reader_close(reader);
}

/* ---- objects and histories ---- */

static struct query_sighting sighting_seen;
static bool see_sighting(void *ctx, const struct query_sighting *row)
{
    (void)ctx;
    sighting_seen = *row;
    return true;
}

static void submit_identification(struct fixture *f, const char *target, const char *name)
{
    struct entry *entry = make_entry(ENTRY_IDENTIFICATION, "", 950);
    struct identification_entry *identification = &entry->of.identification;
    SET_TEXT(identification->target, target);
    SET_TEXT(identification->name, name);
    SET_TEXT(identification->verbatim, "as typed");
    SET_TEXT(identification->rank, "genus");
    SET_TEXT(identification->qualifier, "cf.");
    SET_TEXT(identification->name_id, "urn:x:1");
    SET_TEXT(identification->by, "Emmy");
    SET_TEXT(identification->why, "from the still");
    submit(f, entry);
}

static void a_sighting_comes_back_with_its_latest_identification(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    struct entry *entry = make_entry(ENTRY_SIGHTING, "D007", 900);
    entry->of.sighting = (struct sighting_entry){.number = 31,
                                                 .seat = "science",
                                                 .state = "closed",
                                                 .label = "Fish",
                                                 .term = "t",
                                                 .first_marker = 7,
                                                 .last_marker = 9,
                                                 .marker_count = 3,
                                                 .individuals = 2,
                                                 .start = {T0 + 1},
                                                 .lead_ns = 5,
                                                 .end = {T0 + 2},
                                                 .closed_by = "key",
                                                 .tie = "eats",
                                                 .tie_term = "tt",
                                                 .tied_to = 30,
                                                 .again_of = 12,
                                                 .recomputed = true};
    submit(f, entry);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_sightings(reader, &(struct query_want){.dive = "D007"}, see_sighting, NULL), 1);
    assert_false(sighting_seen.identified);
    submit_identification(f, "D007-S031", "Nominata prima");
    submit_identification(f, "D007-S031", "Nominata altera");
    submit_identification(f, "D007-S032", "Nominata tertia");
    flush(f);
    assert_int_equal(query_sightings(reader, &(struct query_want){0}, see_sighting, NULL), 1);
    assert_string_equal(sighting_seen.ref, "D007-S031");
    const struct sighting_entry *sighting = &sighting_seen.sighting;
    assert_int_equal(sighting->number, 31);
    assert_string_equal(sighting->seat, "science");
    assert_string_equal(sighting->state, "closed");
    assert_string_equal(sighting->label, "Fish");
    assert_string_equal(sighting->term, "t");
    assert_int_equal(sighting->first_marker, 7);
    assert_int_equal(sighting->last_marker, 9);
    assert_int_equal(sighting->marker_count, 3);
    assert_int_equal(sighting->individuals, 2);
    assert_int_equal(sighting->start.ns, T0 + 1);
    assert_int_equal(sighting->lead_ns, 5);
    assert_int_equal(sighting->end.ns, T0 + 2);
    assert_string_equal(sighting->closed_by, "key");
    assert_string_equal(sighting->tie, "eats");
    assert_string_equal(sighting->tie_term, "tt");
    assert_int_equal(sighting->tied_to, 30);
    assert_int_equal(sighting->again_of, 12);
    assert_true(sighting->recomputed);
    assert_true(sighting_seen.identified);
    assert_string_equal(sighting_seen.identification.name, "Nominata altera");
    assert_string_equal(sighting_seen.identification.qualifier, "cf.");
    assert_string_equal(sighting_seen.identification.by, "Emmy");
    store_reader_close(reader);
}

static bool note_span(void *ctx, const struct query_span *row)
{
    note(ctx, "%s %s %u %s %s %s %s %u %u %" PRId64 " %" PRId64 " %s %d;", row->ref, row->span.kind,
         row->span.transect, row->span.label, row->span.term, row->span.seat, row->span.state,
         row->span.first_marker, row->span.last_marker, row->span.start.ns - T0, row->span.end.ns - T0,
         row->span.closed_by, row->span.recomputed);
    return true;
}

static bool note_sample(void *ctx, const struct query_sample *row)
{
    note(ctx, "%s %s %s %s %s %s %s %s %u %u %" PRId64 " %s;", row->ref, row->sample.state,
         row->sample.container, row->sample.gear, row->sample.seat, row->sample.label, row->sample.term,
         row->sample.note, row->sample.marker, row->sample.sighting, row->sample.taken.ns - T0,
         row->sample.why);
    return true;
}

static void spans_and_samples_come_back(void **state)
{
    struct fixture *f = *state;
    struct rows rows = {0};
    fixture_open(f);
    struct entry *entry = make_entry(ENTRY_SPAN, "D007", 900);
    entry->of.span = (struct span_entry){.number = 2,
                                         .kind = "transect",
                                         .transect = 1,
                                         .label = "Wall",
                                         .term = "t",
                                         .seat = "nav",
                                         .state = "closed",
                                         .first_marker = 3,
                                         .last_marker = 4,
                                         .start = {T0 + 1},
                                         .end = {T0 + 2},
                                         .closed_by = "key"};
    submit(f, entry);
    entry = make_entry(ENTRY_SAMPLE, "D007", 901);
    entry->of.sample = (struct sample_entry){.number = 5,
                                             .state = "retired",
                                             .container = "BOX-1",
                                             .gear = "scoop",
                                             .seat = "science",
                                             .label = "Rock",
                                             .term = "t",
                                             .note = "two",
                                             .marker = 6,
                                             .sighting = 7,
                                             .taken = {T0 + 3},
                                             .why = "struck"};
    submit(f, entry);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_spans(reader, &(struct query_want){.dive = "D007"}, note_span, &rows), 1);
    assert_string_equal(rows.text, "D007-T002 transect 1 Wall t nav closed 3 4 1 2 key 0;");
    rows.text[0] = '\0';
    assert_int_equal(query_samples(reader, &(struct query_want){.dive = "D007"}, note_sample, &rows), 1);
    assert_string_equal(rows.text, "D007-A005 retired BOX-1 scoop science Rock t two 6 7 3 struck;");
    assert_int_equal(
        query_samples(reader, &(struct query_want){.dive = "D007", .after = 5}, note_sample, &rows), 0);
    store_reader_close(reader);
}

static bool note_identification(void *ctx, const struct query_identification *row)
{
    note(ctx, "%" PRId64 " %s %s;", row->made.seq, row->identification.target, row->identification.name);
    return true;
}
static bool note_remark(void *ctx, const struct query_remark *row)
{
    note(ctx, "%" PRId64 " %s %s %s %s;", row->made.seq, row->made.dive, row->remark.target, row->remark.text,
         row->remark.by);
    return true;
}
static bool note_strike(void *ctx, const struct query_strike *row)
{
    note(ctx, "%" PRId64 " %s %d %u %s %s;", row->made.seq, row->strike.target, row->strike.restored,
         row->strike.by_marker, row->strike.by, row->strike.why);
    return true;
}
static bool note_notice(void *ctx, const struct query_notice *row)
{
    note(ctx, "%" PRId64 " %s %s %s %s %d %g;", row->made.seq, entry_type_name(row->made.type),
         row->notice.about, row->notice.state, row->notice.text, row->notice.has_value, row->notice.value);
    return true;
}

static void histories_come_in_order_and_belong_to_the_dive_of_their_target(void **state)
{
    struct fixture *f = *state;
    struct rows rows = {0};
    fixture_open(f);
    submit_identification(f, "D007-S031", "Nominata prima");
    submit_identification(f, "D008-S001", "Nominata secunda");
    static const char *const targets[] = {"D007", "D007-M0001", "D008-M0001", ""};
    for (int i = 0; i < 4; i++) {
        struct entry *entry = make_entry(ENTRY_REMARK, i == 3 ? "D007" : "", 900);
        SET_TEXT(entry->of.remark.target, targets[i]);
        SET_TEXT(entry->of.remark.text, "calm");
        SET_TEXT(entry->of.remark.by, "Ada");
        submit(f, entry);
    }
    struct entry *strike = make_entry(ENTRY_STRIKE, "D007", 900);
    strike->of.strike = (struct strike_entry){
        .target = "D007-M0003", .restored = true, .by_marker = 4, .by = "Ada", .why = "slip"};
    submit(f, strike);
    struct entry *notice = make_entry(ENTRY_CLOCK, "D007", 900);
    notice->of.notice = (struct notice_entry){
        .about = "utc", .state = "stepped", .text = "by a second", .has_value = true, .value = -1.5};
    submit(f, notice);
    flush(f);
    struct store_reader *reader = open_reader(f);
    struct query_want want = {.dive = "D007"};
    assert_int_equal(query_identifications(reader, &want, note_identification, &rows), 1);
    assert_string_equal(rows.text, "1 D007-S031 Nominata prima;");
    rows.text[0] = '\0';
    assert_int_equal(query_remarks(reader, &want, note_remark, &rows), 3);
    assert_string_equal(rows.text, "3  D007 calm Ada;4  D007-M0001 calm Ada;6 D007 D007 calm Ada;");
    rows.text[0] = '\0';
    want.after = 3;
    want.limit = 1;
    assert_int_equal(query_remarks(reader, &want, note_remark, &rows), 1);
    assert_string_equal(rows.text, "4  D007-M0001 calm Ada;");
    rows.text[0] = '\0';
    assert_int_equal(query_strikes(reader, &(struct query_want){0}, note_strike, &rows), 1);
    assert_string_equal(rows.text, "7 D007-M0003 1 4 Ada slip;");
    rows.text[0] = '\0';
    assert_int_equal(query_notices(reader, &(struct query_want){.dive = "D007"}, note_notice, &rows), 1);
    assert_string_equal(rows.text, "8 clock utc stepped by a second 1 -1.5;");
    store_reader_close(reader);
}

static bool note_dive(void *ctx, const struct query_dive *row)
{
    note(ctx, "%s %s %s %" PRId64 "-%" PRId64 " %" PRId64 " %u %u %u %u;", row->id, row->dive.vehicle,
         row->open ? "open" : "ended", row->begun_seq, row->ended_seq,
         row->open ? 0 : row->ended.utc.ns - row->begun.utc.ns, row->markers, row->sightings, row->spans,
         row->samples);
    return true;
}

static void dives_are_listed_with_what_they_hold(void **state)
{
    struct fixture *f = *state;
    struct rows rows = {0};
    fixture_open(f);
    submit(f, make_dive("D9", "begun", 100));
    submit(f, make_marker("D9", 1, 1, 110));
    submit(f, make_dive("D9", "ended", 500));
    submit(f, make_dive("D10", "begun", 600));
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(query_dives(reader, &(struct query_want){0}, note_dive, &rows), 2);
    assert_string_equal(rows.text, "D9 Marram ended 1-3 400 1 0 0 0;D10 Marram open 4-0 0 0 0 0 0;");
    rows.text[0] = '\0';
    assert_int_equal(query_dives(reader, &(struct query_want){.dive = "D10"}, note_dive, &rows), 1);
    assert_int_equal(query_dives(reader, &(struct query_want){.dive = "D1"}, note_dive, &rows), 0);
    store_reader_close(reader);
}

/* What people see when they open the file: text that reads, and the same truth. */
static void views_read_as_people_expect(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    struct entry *entry = make_full_marker();
    entry->of.marker.when.utc.ns = INT64_C(1930367167089999999);
    submit(f, entry);
    flush(f);
    char event_text[32];
    event_utc_text((utc_ns){INT64_C(1930367167089999999)}, event_text);
    assert_string_equal(ask(f->path, "SELECT utc FROM marker_now"), event_text);
    assert_string_equal(event_text, "2031-03-04T05:06:07.089Z"); /* date -u -d @1930367167 */
    assert_string_equal(ask(f->path, "SELECT ref || ' ' || timecode || ' ' || struck FROM marker_now"),
                        "D007-M0007 05:06:07:02 0");
    assert_string_equal(ask(f->path, "PRAGMA foreign_key_check"), "");
}

/* The SQL blocks of docs/database.md, run as they stand there. */
static void every_query_of_the_documentation_runs(void **state)
{
    struct fixture *f = *state;
    static char page[1 << 16];
    int blocks = 0, statements = 0;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    submit(f, make_full_marker());
    flush(f);
    FILE *file = fopen(TEST_DATA_DIR "/../../docs/database.md", "r");
    assert_non_null(file);
    page[fread(page, 1, sizeof page - 1, file)] = '\0';
    fclose(file);
    sqlite3 *db = look(f->path);
    for (char *at = strstr(page, "```sql\n"); at != NULL; at = strstr(at, "```sql\n")) {
        const char *sql = at + 7;
        char *end = strstr(at + 7, "```");
        assert_non_null(end);
        *end = '\0';
        while (*sql != '\0') {
            sqlite3_stmt *stmt = NULL;
            if (sqlite3_prepare_v2(db, sql, -1, &stmt, &sql) != SQLITE_OK)
                fail_msg("%s", sqlite3_errmsg(db));
            while (stmt != NULL && sqlite3_step(stmt) == SQLITE_ROW) {
            }
            statements += stmt != NULL;
            assert_int_equal(sqlite3_finalize(stmt), SQLITE_OK);
        }
        blocks++;
        at = end + 1;
    }
    sqlite3_close(db);
    assert_int_equal(blocks, 2);
    assert_int_equal(statements, 8);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(the_journal_is_read_since_a_seq_and_by_type),
        STORE_TEST(a_reader_sees_what_is_committed_while_it_is_open),
        STORE_TEST(a_callback_may_ask_the_same_question),
        STORE_TEST(every_member_of_a_marker_comes_back),
        STORE_TEST(what_is_unknown_comes_back_unknown),
        STORE_TEST(later_values_replace_the_parts_they_renew),
        STORE_TEST(where_markers_belong_is_told),
        STORE_TEST(how_presses_came_in_is_told),
        STORE_TEST(a_link_moves_a_marker_to_another_sighting),
        STORE_TEST(a_strike_holds_until_it_is_taken_back),
        STORE_TEST(markers_come_in_order_and_in_pages),
        STORE_TEST(a_sighting_comes_back_with_its_latest_identification),
        STORE_TEST(spans_and_samples_come_back),
        STORE_TEST(histories_come_in_order_and_belong_to_the_dive_of_their_target),
        STORE_TEST(dives_are_listed_with_what_they_hold),
        STORE_TEST(views_read_as_people_expect),
        STORE_TEST(every_query_of_the_documentation_runs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
