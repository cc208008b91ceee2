/*
 * store_fixture: a folder of its own for a test, entries as the core would make them, and a listener to what the writer thread says.
 * Nothing here waits for time to pass: whoever waits, waits for the writer's word.
 */
#ifndef BELLROPE_TESTS_STORE_FIXTURE_H
#define BELLROPE_TESTS_STORE_FIXTURE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "core/event.h"
#include "store/query.h"
#include "store/store.h"

#include <dirent.h>
#include <inttypes.h>
#include <pthread.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define BOOT_ID "8f3c7a52-0000-4000-8000-00000000b001"
#define T0 INT64_C(1930000000000000000) /* some day in 2031 */

struct fixture {
    char folder[64];
    char path[128];
    struct store *store;
    int64_t seq; /* of the last entry handed in */
    struct store_options options;
    struct store_error error;

    pthread_mutex_t lock;
    pthread_cond_t changed;
    int64_t committed; /* the last word of on_committed */
    int acknowledged;  /* how often it came */
    bool disordered;
    bool hold; /* the writer waits inside on_committed */
    bool holding;
    enum store_state state;
    int troubles;
    char why[700];
    int notices[2];
    char notice[700];
};

static inline void fixture_committed(void *ctx, int64_t seq)
{
    struct fixture *f = ctx;
    pthread_mutex_lock(&f->lock);
    f->disordered |= seq <= f->committed;
    f->committed = seq;
    f->acknowledged++;
    pthread_cond_broadcast(&f->changed);
    while (f->hold) {
        f->holding = true;
        pthread_cond_broadcast(&f->changed);
        pthread_cond_wait(&f->changed, &f->lock);
    }
    f->holding = false;
    pthread_mutex_unlock(&f->lock);
}

static inline void fixture_trouble(void *ctx, enum store_state state, const char *why)
{
    struct fixture *f = ctx;
    pthread_mutex_lock(&f->lock);
    f->state = state;
    f->troubles++;
    snprintf(f->why, sizeof f->why, "%s", why);
    pthread_cond_broadcast(&f->changed);
    pthread_mutex_unlock(&f->lock);
}

static inline void fixture_notice(void *ctx, enum store_notice notice, const char *text)
{
    struct fixture *f = ctx;
    pthread_mutex_lock(&f->lock);
    f->notices[notice]++;
    snprintf(f->notice, sizeof f->notice, "%s", text);
    pthread_cond_broadcast(&f->changed);
    pthread_mutex_unlock(&f->lock);
}

static inline void fixture_wait_committed(struct fixture *f, int64_t seq)
{
    pthread_mutex_lock(&f->lock);
    while (f->committed < seq)
        pthread_cond_wait(&f->changed, &f->lock);
    pthread_mutex_unlock(&f->lock);
}

static inline void fixture_wait_state(struct fixture *f, enum store_state state)
{
    pthread_mutex_lock(&f->lock);
    while (f->state != state)
        pthread_cond_wait(&f->changed, &f->lock);
    pthread_mutex_unlock(&f->lock);
}

/* From here on the writer stops at its next acknowledgement; returns when `release` is false at once. */
static inline void fixture_hold(struct fixture *f, bool hold)
{
    pthread_mutex_lock(&f->lock);
    f->hold = hold;
    pthread_cond_broadcast(&f->changed);
    pthread_mutex_unlock(&f->lock);
}

static inline void fixture_wait_holding(struct fixture *f)
{
    pthread_mutex_lock(&f->lock);
    while (!f->holding)
        pthread_cond_wait(&f->changed, &f->lock);
    pthread_mutex_unlock(&f->lock);
}

static inline enum store_result fixture_try_open(struct fixture *f)
{
    f->options.path = f->path;
    return store_open(&f->store, &f->options, &f->error);
}

static inline void fixture_open(struct fixture *f)
{
    if (fixture_try_open(f) != STORE_OK)
        fail_msg("store_open: %s", f->error.text);
    f->seq = store_last_seq(f->store);
    f->committed = f->seq;
}

static inline void fixture_close(struct fixture *f)
{
    assert_int_equal(store_close(f->store), STORE_OK);
    f->store = NULL;
}

static inline int fixture_setup(void **state)
{
    struct fixture *f = calloc(1, sizeof *f);
    if (f == NULL)
        return -1;
    /* in memory where there is such a place: what a disk does to these tests is to make them slow */
    const char *base = getenv("TMPDIR");
    if (base == NULL || strlen(base) > 40)
        base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    snprintf(f->folder, sizeof f->folder, "%s/bellrope-XXXXXX", base);
    if (mkdtemp(f->folder) == NULL) {
        free(f);
        return -1;
    }
    snprintf(f->path, sizeof f->path, "%s/dive.db", f->folder);
    f->options = (struct store_options){.host_boot_id = BOOT_ID,
                                        .now = {T0},
                                        .retry_ns = 1000,
                                        .ctx = f,
                                        .on_committed = fixture_committed,
                                        .on_trouble = fixture_trouble,
                                        .on_notice = fixture_notice};
    pthread_mutex_init(&f->lock, NULL);
    pthread_cond_init(&f->changed, NULL);
    *state = f;
    return 0;
}

static inline int fixture_teardown(void **state)
{
    struct fixture *f = *state;
    store_close(f->store);
    DIR *folder = opendir(f->folder);
    for (struct dirent *file = readdir(folder); file != NULL; file = readdir(folder)) {
        char path[400];
        snprintf(path, sizeof path, "%s/%s", f->folder, file->d_name);
        unlink(path); /* "." and ".." refuse */
    }
    closedir(folder);
    int left = rmdir(f->folder);
    pthread_mutex_destroy(&f->lock);
    pthread_cond_destroy(&f->changed);
    free(f);
    return left;
}

/* ---- entries ---- */

static inline void set_text(char *out, size_t size, const char *text)
{
    snprintf(out, size, "%s", text);
}
#define SET_TEXT(field, text) set_text(field, sizeof(field), text)

static inline struct when when_at(int64_t offset_ns)
{
    return (struct when){.mono = {1000 + offset_ns},
                         .mono_bound_ns = 200,
                         .utc = {T0 + offset_ns},
                         .utc_bound_ns = 300,
                         .trust = CLOCK_TRUST_SYNCED};
}

/* A fresh entry in static room: one at a time. */
static inline struct entry *make_entry(enum entry_type type, const char *dive, int64_t at_ns)
{
    static struct entry entry;
    memset(&entry, 0, sizeof entry);
    entry.type = type;
    entry.at = when_at(at_ns);
    SET_TEXT(entry.dive, dive);
    return &entry;
}

/* Press `press` of pad P-03, boot 4711, as marker `number`; press 0: a soft key. */
static inline struct entry *make_marker(const char *dive, uint32_t number, uint32_t press, int64_t at_ns)
{
    struct entry *entry = make_entry(ENTRY_MARKER, dive, at_ns);
    struct marker *marker = &entry->of.marker;
    marker->number = number;
    marker->origin = press != 0 ? MARKER_FROM_KEY : MARKER_FROM_SOFT;
    SET_TEXT(marker->seat, "science");
    if (press != 0) {
        SET_TEXT(marker->pad, "P-03");
        marker->pad_boot = 4711;
        marker->pad_seq = press;
        marker->tick.us = at_ns / 1000;
    }
    SET_TEXT(marker->key, "A1");
    SET_TEXT(marker->gesture, press != 0 ? "tap" : "soft");
    SET_TEXT(marker->kind, "subject");
    SET_TEXT(marker->label, "Fish");
    marker->when = when_at(at_ns);
    return entry;
}

static inline struct entry *make_dive(const char *dive, const char *state, int64_t at_ns)
{
    struct entry *entry = make_entry(ENTRY_DIVE, dive, at_ns);
    SET_TEXT(entry->of.dive.state, state);
    SET_TEXT(entry->of.dive.vehicle, "Marram");
    return entry;
}

static inline struct entry *make_notice(enum entry_type type, const char *about, const char *state)
{
    struct entry *entry = make_entry(type, "", 5);
    SET_TEXT(entry->of.notice.about, about);
    SET_TEXT(entry->of.notice.state, state);
    return entry;
}

static inline enum store_result try_submit(struct fixture *f, struct entry *entry)
{
    static char event[EVENT_BYTES_MAX];
    entry->seq = f->seq + 1;
    size_t len = event_json(entry, event, sizeof event);
    assert_true(len > 0);
    enum store_result result = store_submit(f->store, entry, event, len);
    if (result == STORE_OK)
        f->seq++;
    return result;
}

/* Gives the next number and hands it in. */
static inline void submit(struct fixture *f, struct entry *entry)
{
    assert_int_equal(try_submit(f, entry), STORE_OK);
}

static inline void flush(struct fixture *f)
{
    assert_int_equal(store_flush(f->store), STORE_OK);
}

/* ---- looking at what is there, by SQLite alone ---- */

static inline sqlite3 *look(const char *path)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    return db;
}

/* The first column of every row, joined by "|"; NULL shows as "-". Static room. */
static inline const char *ask(const char *path, const char *sql)
{
    static char out[8192];
    sqlite3 *db = look(path);
    sqlite3_stmt *stmt = NULL;
    size_t len = 0;
    out[0] = '\0';
    if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    while (sqlite3_step(stmt) == SQLITE_ROW) {
        const unsigned char *text = sqlite3_column_text(stmt, 0);
        len += (size_t)snprintf(out + len, sizeof out - len, "%s%s", len > 0 ? "|" : "",
                                text != NULL ? (const char *)text : "-");
        assert_true(len < sizeof out);
    }
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    return out;
}

static inline void do_sql(const char *path, const char *sql)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    sqlite3_close(db);
}

static inline struct store_reader *open_reader(struct fixture *f)
{
    struct store_reader *reader = NULL;
    if (store_reader_open(&reader, f->path, &f->error) != STORE_OK)
        fail_msg("store_reader_open: %s", f->error.text);
    return reader;
}

#define STORE_TEST(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)

#endif
