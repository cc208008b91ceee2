/*
 * Random lives of a database against a simple model of it: entries of several kinds, presses delivered again, telemetry, flushes, orderly
 * ends, and processes that are killed at a random instant. What must hold, whatever the order:
 *
 *   every seq up to the last acknowledged one is in the journal, once, without a gap, with the bytes that were handed in;
 *   after an orderly end everything that was handed in is there; after a kill, what was acknowledged and perhaps some more;
 *   each press has one marker row, that of its first delivery;
 *   a sighting's row is its latest state in the journal; telemetry that was flushed is there in order.
 */
#include "../unit/store_fixture.h"
#include "core_random.h"

#include <signal.h>
#include <sys/mman.h>
#include <sys/wait.h>

enum { ENTRIES_MAX = 4000, PRESSES = 200, SIGHTINGS = 20, LIVES = 25, STEPS = 60 };

/* Shared with the process that will be killed. */
struct model {
    int64_t handed;       /* last seq handed in */
    int64_t acknowledged; /* last seq told by on_committed */
    uint32_t markers;
    int64_t samples_handed, samples_flushed;
    struct {
        uint32_t marker, press, sighting, individuals;
        uint32_t check; /* of the event's bytes */
    } entry[ENTRIES_MAX];
};

static uint32_t checksum(const char *bytes, size_t len)
{
    uint32_t sum = 2166136261u;
    for (size_t i = 0; i < len; i++)
        sum = (sum ^ (unsigned char)bytes[i]) * 16777619u;
    return sum;
}

static void on_committed(void *ctx, int64_t seq)
{
    struct model *model = ctx;
    __atomic_store_n(&model->acknowledged, seq, __ATOMIC_SEQ_CST);
}

static struct entry *random_entry(struct model *model, int64_t seq)
{
    int kind = random_below(10);
    model->entry[seq].marker = model->entry[seq].press = model->entry[seq].sighting = 0;
    if (kind < 6) {
        uint32_t press = (uint32_t)random_below(PRESSES + 1); /* 0: a soft key; others come again and again */
        model->entry[seq].marker = ++model->markers;
        model->entry[seq].press = press;
        return make_marker("D007", model->markers, press, seq);
    }
    if (kind < 9) {
        struct entry *entry = make_entry(ENTRY_SIGHTING, "D007", seq);
        entry->of.sighting.number = 1 + (uint32_t)random_below(SIGHTINGS);
        entry->of.sighting.individuals = (uint32_t)random_below(1000);
        SET_TEXT(entry->of.sighting.state, "open");
        model->entry[seq].sighting = entry->of.sighting.number;
        model->entry[seq].individuals = entry->of.sighting.individuals;
        return entry;
    }
    return make_notice(ENTRY_FEED, "nav", "silent");
}

static void hand_in(struct model *model, struct store *store)
{
    static char event[EVENT_BYTES_MAX];
    if (model->handed + 1 >= ENTRIES_MAX)
        return;
    int64_t seq = model->handed + 1;
    struct entry *entry = random_entry(model, seq);
    entry->seq = seq;
    size_t len = event_json(entry, event, sizeof event);
    model->entry[seq].check = checksum(event, len);
    model->handed = seq;
    if (store_submit(store, entry, event, len) != STORE_OK)
        abort();
}

static void hand_in_samples(struct model *model, struct store *store, int count)
{
    for (int i = 0; i < count; i++) {
        int64_t n = ++model->samples_handed;
        struct engine_sample sample = {
            .channel = "vehicle.depth_m", .feed = "nav", .at = {n}, .utc = {T0 + n}, .value = (double)n};
        store_sample(store, &sample);
    }
}

static void flush_all(struct model *model, struct store *store)
{
    if (store_flush(store) != STORE_OK)
        abort();
    model->samples_flushed = model->samples_handed;
}

/* One life in a process of its own: a restart restored the numbers; `orderly` ends it well, else it kills itself in the middle. */
static void live(struct model *model, const struct store_options *options, bool orderly)
{
    struct store *store;
    struct store_error error;
    if (store_open(&store, options, &error) != STORE_OK || store_last_seq(store) != model->handed)
        abort();
    int steps = 1 + random_below(STEPS);
    for (int i = 0; i < steps; i++) {
        int what = random_below(20);
        int burst = what == 0 ? random_below(300) : 1 + random_below(5);
        for (int n = 0; n < burst; n++)
            hand_in(model, store);
        if (what < 8)
            hand_in_samples(model, store, random_below(400));
        if (what == 19)
            flush_all(model, store);
    }
    if (!orderly)
        raise(SIGKILL);
    if (store_close(store) != STORE_OK)
        abort();
    model->samples_flushed = model->samples_handed;
    _exit(0);
}

/* ---- looking at what is left ---- */

static int64_t number_of(const char *path, const char *sql)
{
    return strtoll(ask(path, sql), NULL, 10);
}

static void check_journal(const struct model *model, const char *path, int64_t last)
{
    sqlite3 *db = look(path);
    sqlite3_stmt *stmt = NULL;
    assert_int_equal(sqlite3_prepare_v2(db, "SELECT seq, event FROM journal ORDER BY seq", -1, &stmt, NULL),
                     SQLITE_OK);
    int64_t seq = 0;
    while (sqlite3_step(stmt) == SQLITE_ROW) {
        assert_int_equal(sqlite3_column_int64(stmt, 0), ++seq);
        const char *event = (const char *)sqlite3_column_text(stmt, 1);
        assert_int_equal(checksum(event, (size_t)sqlite3_column_bytes(stmt, 1)), model->entry[seq].check);
    }
    assert_int_equal(seq, last);
    sqlite3_finalize(stmt);
    sqlite3_close(db);
}

static void check_markers(const struct model *model, const char *path, int64_t last)
{
    static int64_t first[PRESSES + 1];
    memset(first, 0, sizeof first);
    int64_t expected = 0, sum = 0;
    for (int64_t seq = 1; seq <= last; seq++) {
        uint32_t press = model->entry[seq].press;
        if (model->entry[seq].marker == 0 || (press != 0 && first[press] != 0))
            continue;
        first[press] = seq;
        expected++;
        sum += model->entry[seq].marker * (seq % 97);
    }
    assert_int_equal(number_of(path, "SELECT count(*) FROM marker"), expected);
    assert_int_equal(number_of(path, "SELECT coalesce(sum(number * (seq % 97)), 0) FROM marker"), sum);
    assert_int_equal(
        number_of(path, "SELECT count(*) FROM refused r JOIN journal j USING (seq) WHERE j.type = 'marker'"),
        number_of(path, "SELECT count(*) FROM journal WHERE type = 'marker'") - expected);
}

static void check_sightings(const struct model *model, const char *path, int64_t last)
{
    int64_t individuals[SIGHTINGS + 1] = {0}, sum = 0;
    for (int64_t seq = 1; seq <= last; seq++)
        if (model->entry[seq].sighting != 0)
            individuals[model->entry[seq].sighting] = model->entry[seq].individuals;
    for (int i = 1; i <= SIGHTINGS; i++)
        sum += individuals[i] * i;
    assert_int_equal(number_of(path, "SELECT coalesce(sum(individuals * number), 0) FROM sighting"), sum);
}

struct run_of_samples {
    int64_t count;
    bool rising;
};

static bool next_sample(void *ctx, const struct query_point *point)
{
    struct run_of_samples *run = ctx;
    run->rising &= point->value == (double)(run->count + 1) && point->at.ns == run->count + 1 &&
                   point->utc.ns == T0 + run->count + 1;
    run->count++;
    return true;
}

/* After a kill the samples after the last flush may be lost, and may not: the model goes on from what is there. */
static void check_samples(struct model *model, const char *path)
{
    struct store_reader *reader;
    struct store_error error;
    struct run_of_samples run = {.rising = true};
    struct query_telemetry want = {.channel = "vehicle.depth_m", .from = {T0}, .to = {INT64_MAX}};
    assert_int_equal(store_reader_open(&reader, path, &error), STORE_OK);
    assert_true(query_telemetry(reader, &want, next_sample, &run) >= 0);
    store_reader_close(reader);
    assert_true(run.rising);
    assert_true(run.count >= model->samples_flushed && run.count <= model->samples_handed);
    model->samples_handed = model->samples_flushed = run.count;
}

static void a_database_lives_as_its_model_says(void **state)
{
    struct fixture *f = *state;
    struct model *model =
        mmap(NULL, sizeof *model, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    assert_true(model != MAP_FAILED);
    struct store_options options = f->options;
    options.path = f->path;
    options.ctx = model;
    options.on_committed = on_committed;
    options.on_trouble = NULL;
    options.on_notice = NULL;
    int killed = 0;
    for (int life = 0; life < LIVES; life++) {
        bool orderly = random_below(3) == 0;
        uint64_t seed = random_bits();
        fflush(NULL);
        pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            random_state = seed | 1;
            live(model, &options, orderly);
        }
        int status;
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(orderly ? status == 0 : WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
        killed += !orderly;

        int64_t last = number_of(f->path, "SELECT coalesce(max(seq), 0) FROM journal");
        assert_true(last >= model->acknowledged && last <= model->handed);
        assert_true(!orderly || last == model->handed);
        check_journal(model, f->path, last);
        check_markers(model, f->path, last);
        check_sightings(model, f->path, last);
        check_samples(model, f->path);
        assert_string_equal(ask(f->path, "PRAGMA integrity_check"), "ok");
        model->handed = model->acknowledged =
            last; /* what was lost was never told as kept; it is made anew */
        model->markers = 0;
        for (int64_t seq = 1; seq <= last; seq++)
            if (model->entry[seq].marker > model->markers)
                model->markers = model->entry[seq].marker;
    }
    print_message("%d lives, %d of them killed, %" PRId64 " entries, %" PRId64 " samples\n", LIVES, killed,
                  model->handed, model->samples_handed);
    munmap(model, sizeof *model);
}

int main(void)
{
    random_begin(20310304);
    const struct CMUnitTest tests[] = {STORE_TEST(a_database_lives_as_its_model_says)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
