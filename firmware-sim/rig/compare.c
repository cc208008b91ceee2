#include "compare.h"

#include "compare_truth.h"
#include "core/timecode.h"
#include "world.h"

#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A press that was older than this when power failed had been waiting long enough to be on record in the pad (250 ms, and the
 * writing of what waited before it at 0.1 s each). */
enum { SAVED_BY_NS = 1000000000 };

/* One marker as it stands now: the latest of every part. */
struct row {
    const char *pad, *key, *gesture, *channels;
    int64_t number, boot, seq;
    int64_t mono_ns, mono_bound_ns, utc_ns, utc_bound_ns; /* bounds: -1 not known */
    bool has_utc, struck;
    const char *timecode, *timecode_state;
    int64_t frame;
    double within, frame_bound;
    bool has_position;
    double lat_deg, lon_deg, uncertainty_m;
};

struct series {
    double *value;
    size_t count, room;
};

/* What one pad's markers show: how its clock and its bridge do. */
struct by_pad {
    char serial[16];
    struct series error_ms, bound_ms, green_ms;
};

enum { PADS_MAX = 8 };

struct comparison {
    const struct compare_options *options;
    struct by_pad pad[PADS_MAX];
    size_t pads;
    struct compare_truth truth;
    int64_t made, refused, gone, gone_late, unkept;
    int64_t markers, lost, doubled, strangers, stamped;
    int64_t outside, unbounded, utc_outside;
    int64_t frames, frames_exact, frames_at_edge, frames_outside, no_timecode;
    int64_t positions, positions_inside;
    int64_t journal_rows, journal_last;
    struct series error_ms, bound_ms, utc_bound_ms, green_ms, position_m, depth_m;
};

static const char MARKERS[] =
    "SELECT m.number, m.pad, m.pad_boot, m.press_seq, m.key, m.gesture,"
    " coalesce(s.mono_ns, m.mono_ns), CASE WHEN s.seq IS NULL THEN m.mono_bound_ns ELSE s.mono_bound_ns END,"
    " CASE WHEN s.seq IS NULL THEN m.utc_ns ELSE s.utc_ns END,"
    " CASE WHEN s.seq IS NULL THEN m.utc_bound_ns ELSE s.utc_bound_ns END,"
    " coalesce(t.timecode, m.timecode), coalesce(t.timecode_state, m.timecode_state),"
    " CASE WHEN t.seq IS NULL THEN m.timecode_frame ELSE t.timecode_frame END,"
    " CASE WHEN t.seq IS NULL THEN m.timecode_within ELSE t.timecode_within END,"
    " CASE WHEN t.seq IS NULL THEN m.timecode_bound_frames ELSE t.timecode_bound_frames END,"
    " coalesce(c.channels, m.channels),"
    " CASE WHEN c.seq IS NULL THEN m.lat_deg ELSE c.lat_deg END,"
    " CASE WHEN c.seq IS NULL THEN m.lon_deg ELSE c.lon_deg END,"
    " CASE WHEN c.seq IS NULL THEN m.position_uncertainty_m ELSE c.position_uncertainty_m END"
    " FROM marker m"
    " LEFT JOIN settled s ON s.seq = (SELECT max(seq) FROM settled WHERE dive = m.dive AND marker = m.number)"
    " LEFT JOIN settled t ON t.seq = (SELECT max(seq) FROM settled WHERE dive = m.dive AND marker = m.number"
    "   AND timecode_state IS NOT NULL)"
    " LEFT JOIN settled c ON c.seq = (SELECT max(seq) FROM settled WHERE dive = m.dive AND marker = m.number"
    "   AND channels IS NOT NULL)"
    " WHERE m.origin = 'key' ORDER BY m.seq";

/* ---- figures ---- */

static void put(struct series *series, double value)
{
    if (series->count == series->room) {
        size_t room = series->room ? 2 * series->room : 256;
        double *bigger = realloc(series->value, room * sizeof *bigger);
        if (!bigger)
            return;
        series->value = bigger;
        series->room = room;
    }
    series->value[series->count++] = value;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* part 0.5: median, 1: worst; NaN of nothing */
static double quantile(struct series *series, double part)
{
    if (series->count == 0)
        return (double)NAN;
    qsort(series->value, series->count, sizeof series->value[0], ascending);
    return series->value[(size_t)(part * (double)(series->count - 1) + 0.5)];
}

/* ---- one marker ---- */

static int64_t whole(sqlite3_stmt *statement, int column, int64_t unknown)
{
    return sqlite3_column_type(statement, column) == SQLITE_NULL ? unknown
                                                                 : sqlite3_column_int64(statement, column);
}

static const char *text(sqlite3_stmt *statement, int column)
{
    const char *found = (const char *)sqlite3_column_text(statement, column);
    return found ? found : "";
}

static struct row read_row(sqlite3_stmt *statement)
{
    struct row row = {
        .number = whole(statement, 0, 0),
        .pad = text(statement, 1),
        .boot = whole(statement, 2, 0),
        .seq = whole(statement, 3, 0),
        .key = text(statement, 4),
        .gesture = text(statement, 5),
        .mono_ns = whole(statement, 6, 0),
        .mono_bound_ns = whole(statement, 7, -1),
        .has_utc = sqlite3_column_type(statement, 8) != SQLITE_NULL,
        .utc_ns = whole(statement, 8, 0),
        .utc_bound_ns = whole(statement, 9, -1),
        .timecode = text(statement, 10),
        .timecode_state = text(statement, 11),
        .frame = whole(statement, 12, -1),
        .within = sqlite3_column_double(statement, 13),
        .frame_bound =
            sqlite3_column_type(statement, 14) == SQLITE_NULL ? -1 : sqlite3_column_double(statement, 14),
        .channels = text(statement, 15),
        .has_position = sqlite3_column_type(statement, 16) != SQLITE_NULL,
        .lat_deg = sqlite3_column_double(statement, 16),
        .lon_deg = sqlite3_column_double(statement, 17),
        .uncertainty_m =
            sqlite3_column_type(statement, 18) == SQLITE_NULL ? -1 : sqlite3_column_double(statement, 18),
    };
    return row;
}

static struct by_pad *pad_of(struct comparison *c, const char *serial)
{
    for (size_t i = 0; i < c->pads; i++)
        if (strcmp(c->pad[i].serial, serial) == 0)
            return &c->pad[i];
    if (c->pads == PADS_MAX)
        return NULL;
    struct by_pad *pad = &c->pad[c->pads++];
    snprintf(pad->serial, sizeof pad->serial, "%s", serial);
    return pad;
}

static void note_pad(struct comparison *c, const struct row *row, const struct compare_press *press)
{
    struct by_pad *pad = pad_of(c, row->pad);
    if (!pad)
        return;
    put(&pad->error_ms, fabs((double)(row->mono_ns - press->mono_ns)) / 1e6);
    if (row->mono_bound_ns >= 0)
        put(&pad->bound_ms, (double)row->mono_bound_ns / 1e6);
    if (press->green_ns >= 0)
        put(&pad->green_ms, (double)press->green_ns / 1e6);
}

static void compare_instant(struct comparison *c, const struct row *row, const struct compare_press *press)
{
    int64_t error_ns = row->mono_ns - press->mono_ns;
    put(&c->error_ms, fabs((double)error_ns) / 1e6);
    if (row->mono_bound_ns < 0) {
        c->unbounded++;
    } else {
        put(&c->bound_ms, (double)row->mono_bound_ns / 1e6);
        c->outside += llabs(error_ns) > row->mono_bound_ns;
    }
    if (row->has_utc && row->utc_bound_ns >= 0) {
        put(&c->utc_bound_ms, (double)row->utc_bound_ns / 1e6);
        c->utc_outside += llabs(row->utc_ns - press->utc_ns) > row->utc_bound_ns;
    }
}

/* Frames from the truth to the marker, the shorter way round the day. */
static double frames_off(const struct row *row, const struct compare_press *press)
{
    enum timecode_rate rate = TC_RATE_25;
    double off = (double)(row->frame - press->frame) + row->within - press->within;
    if (timecode_rate_parse(press->rate, &rate) == 0) {
        double day = (double)timecode_frames_per_day(rate);
        off -= day * round(off / day);
    }
    return off;
}

static void compare_frame(struct comparison *c, const struct row *row, const struct compare_press *press)
{
    if (!press->has_timecode)
        return;
    c->frames++;
    if (row->frame < 0) {
        c->no_timecode++;
        return;
    }
    bool exact = row->frame == press->frame && strcmp(row->timecode, press->label) == 0;
    bool outside = row->frame_bound >= 0 && fabs(frames_off(row, press)) > row->frame_bound + 1e-6;
    c->frames_exact += exact;
    c->frames_outside += outside;
    c->frames_at_edge += !exact && !outside && row->frame_bound >= 0 && row->frame_bound < 0.5;
}

static void compare_place(struct comparison *c, const struct row *row, const struct compare_press *press)
{
    json_t *channels = json_loads(row->channels, 0, NULL);
    const json_t *depth = json_object_get(json_object_get(channels, "vehicle.depth_m"), "v");
    if (json_is_number(depth))
        put(&c->depth_m, fabs(json_number_value(depth) - press->depth_m));
    json_decref(channels);
    if (!row->has_position)
        return;
    double east_m = 0;
    double north_m = 0;
    double true_east_m = 0;
    double true_north_m = 0;
    world_metres(row->lat_deg, row->lon_deg, &east_m, &north_m);
    world_metres(press->lat_deg, press->lon_deg, &true_east_m, &true_north_m);
    double off_m = hypot(east_m - true_east_m, north_m - true_north_m);
    put(&c->position_m, off_m);
    if (row->uncertainty_m >= 0) {
        c->positions++;
        c->positions_inside += off_m <= row->uncertainty_m;
    }
}

/* A hold or a chord that the plan knows has the instant of the key-down it grew out of. */
static const struct compare_press *instant_of(struct comparison *c, const struct row *row,
                                              const struct compare_press *press)
{
    if (strcmp(row->gesture, "chord") != 0 || press->of_seq == 0)
        return press;
    const struct compare_press *first = compare_truth_find(&c->truth, row->pad, row->boot, press->of_seq);
    return first ? first : press;
}

static void print_row(const struct row *row, const struct compare_press *press)
{
    printf("%5d  %-8s %-5s  %-11s  %+9.3f  %8.3f  %9.3f  %-11s %-8s\n", press->number, row->pad, row->key,
           press->label, (double)(row->mono_ns - press->mono_ns) / 1e6,
           row->mono_bound_ns < 0 ? (double)NAN : (double)row->mono_bound_ns / 1e6,
           press->green_ns < 0 ? (double)NAN : (double)press->green_ns / 1e6, row->timecode,
           row->timecode_state);
}

static void compare_row(struct comparison *c, const struct row *row)
{
    if (row->mono_ns < c->truth.begin_ns - 1000000000 || row->mono_ns > c->truth.end_ns)
        return; /* of another run */
    c->markers++;
    struct compare_press *press = compare_truth_find(&c->truth, row->pad, row->boot, row->seq);
    if (!press) {
        c->strangers++;
        return;
    }
    /* The HOLD of a press is a marker beside it. */
    if (row->seq == press->seq)
        press->markers++;
    const struct compare_press *instant = instant_of(c, row, press);
    c->stamped++;
    compare_instant(c, row, instant);
    note_pad(c, row, instant);
    compare_frame(c, row, instant);
    compare_place(c, row, instant);
    if (c->options->table)
        print_row(row, instant);
}

/* ---- all of it ---- */

static void count_presses(struct comparison *c)
{
    for (size_t i = 0; i < c->truth.count; i++) {
        const struct compare_press *press = &c->truth.press[i];
        c->made++;
        c->refused += press->refused;
        c->gone += press->gone;
        c->gone_late += press->gone && press->gone_age_ns > SAVED_BY_NS;
        c->unkept += !press->kept && !press->gone;
        bool due = !press->refused && !press->gone;
        c->lost += due && press->markers == 0;
        c->doubled += press->markers > 1;
        if (press->green_ns >= 0)
            put(&c->green_ms, (double)press->green_ns / 1e6);
    }
}

static bool read_markers(struct comparison *c, sqlite3 *database)
{
    sqlite3_stmt *statement = NULL;
    int result = sqlite3_prepare_v2(database, MARKERS, -1, &statement, NULL);
    while (result == SQLITE_OK || result == SQLITE_ROW) {
        result = sqlite3_step(statement);
        if (result != SQLITE_ROW)
            break;
        struct row row = read_row(statement);
        compare_row(c, &row);
    }
    sqlite3_finalize(statement);
    return result == SQLITE_DONE;
}

static bool read_journal(struct comparison *c, sqlite3 *database)
{
    sqlite3_stmt *statement = NULL;
    bool sound = sqlite3_prepare_v2(database, "SELECT count(*), coalesce(max(seq), 0) FROM journal", -1,
                                    &statement, NULL) == SQLITE_OK &&
                 sqlite3_step(statement) == SQLITE_ROW;
    if (sound) {
        c->journal_rows = sqlite3_column_int64(statement, 0);
        c->journal_last = sqlite3_column_int64(statement, 1);
    }
    sqlite3_finalize(statement);
    return sound;
}

static bool read_database(struct comparison *c)
{
    sqlite3 *database = NULL;
    bool sound = sqlite3_open_v2(c->options->database, &database, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK;
    if (sound)
        (void)sqlite3_busy_timeout(database, 5000);
    sound = sound && read_markers(c, database) && read_journal(c, database);
    if (!sound)
        fprintf(stderr, "bellrope-rig: %s: %s\n", c->options->database,
                database ? sqlite3_errmsg(database) : "no memory");
    (void)sqlite3_close(database);
    return sound;
}

static bool all_right(const struct comparison *c)
{
    return c->lost == 0 && c->doubled == 0 && c->strangers == 0 && c->outside == 0 && c->utc_outside == 0 &&
           c->frames_outside == 0 && c->gone_late == 0 && c->unkept == 0 &&
           c->journal_rows == c->journal_last;
}

static void line(const char *what, int64_t count, const char *note)
{
    printf("  %-36s %6" PRId64 "%s%s\n", what, count, note[0] ? "   " : "", note);
}

static void print_times(struct comparison *c)
{
    printf("  %-36s %6.3f ms (median %.3f)\n", "worst time error", quantile(&c->error_ms, 1),
           quantile(&c->error_ms, 0.5));
    printf("  %-36s %6.3f ms (median %.3f)\n", "worst claimed bound", quantile(&c->bound_ms, 1),
           quantile(&c->bound_ms, 0.5));
    line("markers outside their bound", c->outside + c->utc_outside, "");
    if (c->unbounded)
        line("markers without a bound", c->unbounded, "");
    if (c->frames) {
        char of[64];
        snprintf(of, sizeof of, "of %" PRId64, c->frames);
        line("markers whose frame is exact", c->frames_exact, of);
        if (c->frames_at_edge)
            line("one off, the edge within their bound", c->frames_at_edge, "");
        line("timecodes outside their bound", c->frames_outside, "");
        if (c->no_timecode)
            line("markers without timecode", c->no_timecode, "");
    }
}

static void print_plain(struct comparison *c)
{
    line("presses made", c->made, "");
    line("markers stored", c->markers, "");
    if (c->refused)
        line("refused: no meaning, container full", c->refused, "");
    if (c->gone)
        line("gone with a pad's power, unsaved", c->gone, "");
    line("lost", c->lost + c->gone_late, "");
    line("doubled, or made by nobody", c->doubled + c->strangers, "");
    if (c->unkept)
        line("still waiting in a pad", c->unkept, "");
    print_times(c);
    if (c->green_ms.count)
        printf("  %-36s %6.1f ms (median)\n", "from contact to green", quantile(&c->green_ms, 0.5));
    if (c->position_m.count)
        printf("  %-36s %6.1f m  (median; %" PRId64 " of %" PRId64 " within their uncertainty)\n",
               "position off by", quantile(&c->position_m, 0.5), c->positions_inside, c->positions);
    if (c->depth_m.count)
        printf("  %-36s %6.2f m\n", "worst depth error", quantile(&c->depth_m, 1));
    if (c->journal_rows == c->journal_last)
        line("journal entries, without a gap", c->journal_rows, "");
    else
        line("JOURNAL ENTRIES MISSING", c->journal_last - c->journal_rows, "");
}

static void print_pads(struct comparison *c)
{
    printf("\npad      markers  error ms: median    p99  worst   bound ms: median    p99  worst   green ms: "
           "median    p99\n");
    for (size_t i = 0; i < c->pads; i++) {
        struct by_pad *pad = &c->pad[i];
        printf("%-8s %7zu  %16.3f %6.3f %6.3f %18.3f %6.3f %6.3f %18.1f %6.1f\n", pad->serial,
               pad->error_ms.count, quantile(&pad->error_ms, 0.5), quantile(&pad->error_ms, 0.99),
               quantile(&pad->error_ms, 1), quantile(&pad->bound_ms, 0.5), quantile(&pad->bound_ms, 0.99),
               quantile(&pad->bound_ms, 1), quantile(&pad->green_ms, 0.5), quantile(&pad->green_ms, 0.99));
    }
}

static void number(json_t *object, const char *name, double value)
{
    (void)json_object_set_new(object, name, isfinite(value) ? json_real(value) : json_null());
}

static void print_json(struct comparison *c)
{
    int64_t lost = c->lost + c->gone_late;
    int64_t doubled = c->doubled + c->strangers;
    json_t *object = json_pack(
        "{sI sI sI sI sI sI sI sI sI sI sI sI sI sI sI sI sb}", "presses", (json_int_t)c->made, "markers",
        (json_int_t)c->markers, "refused", (json_int_t)c->refused, "gone", (json_int_t)c->gone, "lost",
        (json_int_t)lost, "doubled", (json_int_t)doubled, "waiting", (json_int_t)c->unkept, "outside",
        (json_int_t)c->outside, "utc_outside", (json_int_t)c->utc_outside, "unbounded",
        (json_int_t)c->unbounded, "frames", (json_int_t)c->frames, "frames_exact",
        (json_int_t)c->frames_exact, "frames_outside", (json_int_t)c->frames_outside, "no_timecode",
        (json_int_t)c->no_timecode, "journal_rows", (json_int_t)c->journal_rows, "journal_last",
        (json_int_t)c->journal_last, "right", all_right(c));
    if (!object)
        return;
    number(object, "error_ms_median", quantile(&c->error_ms, 0.5));
    number(object, "error_ms_p99", quantile(&c->error_ms, 0.99));
    number(object, "error_ms_worst", quantile(&c->error_ms, 1));
    number(object, "bound_ms_median", quantile(&c->bound_ms, 0.5));
    number(object, "bound_ms_p99", quantile(&c->bound_ms, 0.99));
    number(object, "bound_ms_worst", quantile(&c->bound_ms, 1));
    number(object, "utc_bound_ms_worst", quantile(&c->utc_bound_ms, 1));
    number(object, "green_ms_median", quantile(&c->green_ms, 0.5));
    number(object, "green_ms_p99", quantile(&c->green_ms, 0.99));
    number(object, "position_m_median", quantile(&c->position_m, 0.5));
    number(object, "depth_m_worst", quantile(&c->depth_m, 1));
    (void)json_dumpf(object, stdout, JSON_COMPACT);
    printf("\n");
    json_decref(object);
}

static void free_all(struct comparison *c)
{
    compare_truth_free(&c->truth);
    free(c->error_ms.value);
    free(c->bound_ms.value);
    free(c->utc_bound_ms.value);
    free(c->green_ms.value);
    free(c->position_m.value);
    free(c->depth_m.value);
    for (size_t i = 0; i < c->pads; i++) {
        free(c->pad[i].error_ms.value);
        free(c->pad[i].bound_ms.value);
        free(c->pad[i].green_ms.value);
    }
}

int compare_run(const struct compare_options *options)
{
    struct comparison c = {.options = options};
    int result = 2;
    if (compare_truth_load(&c.truth, options->truth)) {
        if (options->table)
            printf("press  pad      key    true label   error ms  bound ms   green ms  marker's\n");
        if (read_database(&c)) {
            count_presses(&c);
            if (options->json)
                print_json(&c);
            else
                print_plain(&c);
            if (options->table || options->pads)
                print_pads(&c);
            result = all_right(&c) ? 0 : 1;
        }
    }
    free_all(&c);
    return result;
}
