/*
 * What the record on disk says of an instant, and commands made ready by it. And that another program which opens and closes the database does
 * not take its log away, whatever was opened in this process before.
 */
#include "store_fixture.h"

#include "core/fields.h"
#include "core/timecode.h"
#include "store/instant.h"
#include "store/lookback.h"

#include <math.h>
#include <sys/wait.h>

static void put(struct fixture *f, const char *channel, const char *feed, int64_t at_ns, double value)
{
    struct engine_sample sample = {
        .channel = channel, .feed = feed, .at = {at_ns}, .utc = {T0 + at_ns}, .value = value};
    store_sample(f->store, &sample);
}

static const struct marker_reading *find(const struct marker_telemetry *telemetry, const char *channel)
{
    for (uint32_t i = 0; i < telemetry->reading_count; i++)
        if (strcmp(telemetry->reading[i].channel, channel) == 0)
            return &telemetry->reading[i];
    return NULL;
}

static void telemetry_of_an_instant_is_read_as_a_press_would_have_read_it(void **state)
{
    struct fixture *f = *state;
    struct marker_telemetry out;
    fixture_open(f);
    for (int i = 0; i < 100; i++) {
        int64_t at = i * NS_PER_S;
        put(f, "vehicle.depth_m", "ctd", at, 1000 + i);
        put(f, "vehicle.heading_deg", "gyro", at, fmod(350 + i * 4, 360));
        if (i % 2 == 0) {
            put(f, "vehicle.lat_deg", "usbl", at, -12 - i * 1e-5);
            put(f, "vehicle.lon_deg", "usbl", at, 179.9999 + i * 1e-5);
        }
    }
    put(f, "x.light", "lamp", 50 * NS_PER_S, 7);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_true(instant_telemetry(reader, NULL, (utc_ns){T0 + 2500000000}, &out));
    const struct marker_reading *depth = find(&out, "vehicle.depth_m");
    assert_non_null(depth);
    assert_true(fabs(depth->value - 1002.5) < 1e-9);
    assert_int_equal(depth->method, READING_METHOD_INTERPOLATED);
    assert_string_equal(depth->source, "ctd");
    assert_true(fabs(depth->age_s - 0.5) < 1e-9);
    const struct marker_reading *heading =
        find(&out, "vehicle.heading_deg"); /* 358 and 2: the shortest arc */
    assert_non_null(heading);
    assert_true(heading->value < 1e-6 || heading->value > 360 - 1e-6);
    assert_true(out.position.known);
    assert_string_equal(out.position.source, "vehicle");
    assert_true(fabs(out.position.lat_deg + 12.000025) < 1e-8);
    assert_null(find(&out, "x.light"));
    /* one sample before and none after: the last value, as long as it is not stale */
    assert_true(instant_telemetry(reader, NULL, (utc_ns){T0 + 53 * NS_PER_S}, &out));
    assert_int_equal(find(&out, "x.light")->method, READING_METHOD_LAST);
    assert_true(instant_telemetry(reader, NULL, (utc_ns){T0 + 3600 * NS_PER_S}, &out));
    assert_int_equal(out.reading_count, 0);
    assert_false(out.position.known);
    store_reader_close(reader);
}

/* A marker with timecode: frame 25 x seconds from 10:00:00:00 at 25, locked within 0.1 frames. */
static void submit_timed(struct fixture *f, uint32_t number, int64_t at_ns, int64_t jump,
                         enum marker_origin origin)
{
    struct entry *entry = make_marker("D007", number, number, at_ns);
    struct timecode_stamp *stamp = &entry->of.marker.timecode;
    double frames = (double)at_ns * 25e-9;
    stamp->trust = TIMECODE_TRUST_LOCKED;
    stamp->frame = 36000 * 25 + (int64_t)floor(frames) + jump;
    stamp->within = frames - floor(frames);
    stamp->bound_frames = 0.1;
    entry->of.marker.when.utc_bound_ns = NS_PER_MS;
    entry->of.marker.origin = origin;
    SET_TEXT(stamp->rate, "25");
    timecode_format(timecode_from_frame(stamp->frame, TC_RATE_25), TC_RATE_25, stamp->label);
    submit(f, entry);
}

static void timecode_of_an_instant_comes_from_the_markers_on_either_side(void **state)
{
    struct fixture *f = *state;
    struct timecode_stamp stamp;
    utc_ns at;
    int64_t bound;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    submit_timed(f, 1, 10 * NS_PER_S, 0, MARKER_FROM_KEY);
    submit_timed(f, 2, 70 * NS_PER_S, 0, MARKER_FROM_KEY);
    submit_timed(f, 3, 71 * NS_PER_S, 77777, MARKER_LATE); /* not a stamp made at its press: of no account */
    submit_timed(f, 4, 100 * NS_PER_S, 500, MARKER_FROM_KEY); /* the recorder was stopped in between */
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_true(instant_timecode(reader, "D007", (utc_ns){T0 + 40 * NS_PER_S + 500000000}, &stamp));
    assert_string_equal(stamp.label, "10:00:40:12");
    assert_int_equal(stamp.trust, TIMECODE_TRUST_HOLDOVER);
    assert_true(stamp.bound_frames > 0 && stamp.bound_frames < 0.25);
    assert_true(instant_timecode(reader, "D007", (utc_ns){T0 + 9 * NS_PER_S}, &stamp));
    assert_string_equal(stamp.label, "10:00:09:00");
    assert_false(
        instant_timecode(reader, "D007", (utc_ns){T0 + 85 * NS_PER_S}, &stamp)); /* a jump lies in between */
    assert_false(instant_timecode(reader, "D008", (utc_ns){T0 + 40 * NS_PER_S}, &stamp));
    assert_false(instant_timecode(reader, "D007", (utc_ns){T0 + 7200 * NS_PER_S}, &stamp)); /* too far */
    /* and back: the middle of the frame */
    assert_true(instant_of_timecode(reader, "D007", "10:00:40:12", &at, &bound));
    assert_true(llabs(at.ns - (T0 + 40 * NS_PER_S + 500000000)) <= bound);
    assert_true(bound < 40 * NS_PER_MS);
    assert_false(instant_of_timecode(reader, "D007", "10:00:40:31", &at, &bound));
    assert_false(
        instant_of_timecode(reader, "D007", "10:01:15:00", &at, &bound)); /* before the jump, or after it? */
    assert_false(instant_of_timecode(reader, "D008", "10:00:40:12", &at, &bound));
    store_reader_close(reader);
}

static int restored;

static void count_restored(void *ctx, const char *bytes, size_t len)
{
    (void)ctx;
    (void)bytes;
    restored += len > 0;
}

static bool needed(const char *dive, bool open, const char *record)
{
    struct lookback_hand hand = {.open = open};
    SET_TEXT(hand.dive, dive);
    return lookback_needed(&hand, record, strlen(record));
}

static const char *completed(struct fixture *f, const char *dive, bool open, const char *record)
{
    static char out[FIELDS_BYTES_MAX];
    struct lookback_hand hand = {.open = open};
    struct store_reader *reader = open_reader(f);
    SET_TEXT(hand.dive, dive);
    restored = 0;
    size_t len =
        lookback_command(reader, &hand, record, strlen(record), count_restored, NULL, out, &f->error);
    assert_true(len > 0 && out[len] == '\0');
    store_reader_close(reader);
    return out;
}

static void commands_about_what_lies_behind_are_completed(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    submit_timed(f, 1, 10 * NS_PER_S, 0, MARKER_FROM_KEY);
    submit(f, make_dive("D007", "ended", 100 * NS_PER_S));
    flush(f);
    assert_false(needed("D008", true, "op=press\x1fkey=A1"));
    assert_false(needed("D007", false, "op=strike\x1fref=D007-M1"));
    assert_false(needed("D007", false, "op=dive.begin\x1fid=D009"));
    assert_true(needed("D008", false, "op=strike\x1fref=D007-M1"));
    assert_true(needed("D008", false,
                       "op=remark\x1fref=M1\x1f"
                       "dive=D007\x1ftext=x"));
    assert_true(needed("D008", true,
                       "op=press\x1fkey=A1\x1f"
                       "at_timecode=10:00:10:00"));
    completed(f, "D008", false, "op=strike\x1fref=D007-M1");
    assert_true(restored >= 3);                             /* dive, fact, end */
    completed(f, "D008", true, "op=strike\x1fref=D007-M1"); /* another dive is open: it is not taken up */
    assert_int_equal(restored, 0);
    completed(f, "D008", false,
              "op=press\x1f"
              "dive=D999");
    assert_int_equal(restored, 0);
    assert_null(strstr(completed(f, "D008", false, "op=remark\x1fref=D007-M1\x1ftext=x"), "absent"));
    assert_non_null(strstr(completed(f, "D008", false, "op=remark\x1fref=D007-M2\x1ftext=x"), "\x1f"
                                                                                              "absent=1"));
    const char *timed = completed(f, "D007", false,
                                  "op=press\x1fkey=A1\x1f"
                                  "at_timecode=10:00:12:00");
    assert_non_null(strstr(timed, "\x1fstored_utc=19300000120"));
}

/* Closing any descriptor of the file would drop this process's locks on it; the other program would then move the log away as its last user. */
static void another_program_does_not_take_the_log_away(void **state)
{
    struct fixture *f = *state;
    char log[160];
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    flush(f);
    store_reader_close(open_reader(f));
    snprintf(log, sizeof log, "%s-wal", f->path);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) { /* a program of its own: what SQLite knows of open files does not survive exec */
        char self[500] = "";
        if (readlink("/proc/self/exe", self, sizeof self - 1) >
            0) /* valgrind, too, tells the test's own name */
            execl(self, "store_lookback", "--look", f->path, (char *)NULL);
        _exit(1);
    }
    int ended = 1;
    assert_int_equal(waitpid(child, &ended, 0), child);
    assert_int_equal(ended, 0);
    assert_int_equal(access(log, F_OK), 0);
    submit(f, make_marker("D007", 1, 1, 1));
    flush(f);
    assert_string_equal(ask(f->path, "SELECT count(*) FROM marker"), "1");
}

/* What somebody does who looks at the database with a program of his own. */
static int look_at(const char *path)
{
    sqlite3 *db = NULL;
    bool read = sqlite3_open(path, &db) == SQLITE_OK &&
                sqlite3_exec(db, "SELECT count(*) FROM journal", NULL, NULL, NULL) == SQLITE_OK;
    return sqlite3_close(db) == SQLITE_OK && read ? 0 : 1;
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--look") == 0)
        return look_at(argv[2]);
    const struct CMUnitTest tests[] = {
        STORE_TEST(telemetry_of_an_instant_is_read_as_a_press_would_have_read_it),
        STORE_TEST(timecode_of_an_instant_comes_from_the_markers_on_either_side),
        STORE_TEST(commands_about_what_lies_behind_are_completed),
        STORE_TEST(another_program_does_not_take_the_log_away),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
