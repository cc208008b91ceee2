/*
 * A disk that is full, failing or slow. A layer between SQLite and the file system (a VFS, https://www.sqlite.org/vfs.html) fails writes and
 * syncs as the test says; it is put in place as the default of this process, so that the store is tested as it is.
 */
#include "store_fixture.h"

struct fault {
    pthread_mutex_t lock;
    pthread_cond_t changed;
    bool full;      /* every write that makes a file longer fails with SQLITE_FULL */
    bool failing;   /* every sync fails */
    long fail_at;   /* the call of this number fails, once; 0: none */
    bool fail_from; /* ... and all after it */
    long calls;     /* writes, syncs, truncations so far */
    bool stall;     /* syncs wait */
    bool stalled;
};
static struct fault fault = {.lock = PTHREAD_MUTEX_INITIALIZER, .changed = PTHREAD_COND_INITIALIZER};

struct fault_file {
    sqlite3_file base;
    sqlite3_file *real;
};

static sqlite3_vfs *real_vfs;
static sqlite3_io_methods methods;

static sqlite3_file *real_of(sqlite3_file *file)
{
    return ((struct fault_file *)file)->real;
}

static bool is_due(void)
{
    pthread_mutex_lock(&fault.lock);
    fault.calls++;
    bool due = fault.fail_at != 0 &&
               (fault.calls == fault.fail_at || (fault.fail_from && fault.calls > fault.fail_at));
    pthread_mutex_unlock(&fault.lock);
    return due;
}

static int fault_write(sqlite3_file *file, const void *bytes, int len, sqlite3_int64 at)
{
    sqlite3_file *real = real_of(file);
    sqlite3_int64 size = 0;
    if (is_due())
        return SQLITE_IOERR_WRITE;
    pthread_mutex_lock(&fault.lock);
    bool full = fault.full;
    pthread_mutex_unlock(&fault.lock);
    if (full && (real->pMethods->xFileSize(real, &size) != SQLITE_OK || at + len > size))
        return SQLITE_FULL;
    return real->pMethods->xWrite(real, bytes, len, at);
}

static int fault_sync(sqlite3_file *file, int flags)
{
    if (is_due())
        return SQLITE_IOERR_FSYNC;
    pthread_mutex_lock(&fault.lock);
    while (fault.stall) {
        fault.stalled = true;
        pthread_cond_broadcast(&fault.changed);
        pthread_cond_wait(&fault.changed, &fault.lock);
    }
    fault.stalled = false;
    bool failing = fault.failing;
    pthread_mutex_unlock(&fault.lock);
    return failing ? SQLITE_IOERR_FSYNC : real_of(file)->pMethods->xSync(real_of(file), flags);
}

static int fault_truncate(sqlite3_file *file, sqlite3_int64 size)
{
    return is_due() ? SQLITE_IOERR_TRUNCATE : real_of(file)->pMethods->xTruncate(real_of(file), size);
}

static int fault_close(sqlite3_file *file)
{
    int rc = real_of(file)->pMethods->xClose(real_of(file));
    sqlite3_free(real_of(file));
    return rc;
}

#define PASS(name, params, args)                                                                             \
    static int pass_##name params                                                                            \
    {                                                                                                        \
        return real_of(file)->pMethods->x##name args;                                                        \
    }
PASS(Read, (sqlite3_file * file, void *bytes, int len, sqlite3_int64 at), (real_of(file), bytes, len, at))
PASS(FileSize, (sqlite3_file * file, sqlite3_int64 *size), (real_of(file), size))
PASS(Lock, (sqlite3_file * file, int level), (real_of(file), level))
PASS(Unlock, (sqlite3_file * file, int level), (real_of(file), level))
PASS(CheckReservedLock, (sqlite3_file * file, int *out), (real_of(file), out))
PASS(FileControl, (sqlite3_file * file, int op, void *arg), (real_of(file), op, arg))
PASS(SectorSize, (sqlite3_file * file), (real_of(file)))
PASS(DeviceCharacteristics, (sqlite3_file * file), (real_of(file)))
PASS(ShmMap, (sqlite3_file * file, int page, int size, int extend, void volatile **out),
     (real_of(file), page, size, extend, out))
PASS(ShmLock, (sqlite3_file * file, int at, int n, int flags), (real_of(file), at, n, flags))
PASS(ShmUnmap, (sqlite3_file * file, int remove), (real_of(file), remove))

static void pass_ShmBarrier(sqlite3_file *file)
{
    real_of(file)->pMethods->xShmBarrier(real_of(file));
}

static int fault_open(sqlite3_vfs *vfs, const char *name, sqlite3_file *file, int flags, int *out_flags)
{
    struct fault_file *mine = (struct fault_file *)file;
    (void)vfs;
    mine->base.pMethods = NULL;
    mine->real = sqlite3_malloc(real_vfs->szOsFile);
    if (mine->real == NULL)
        return SQLITE_NOMEM;
    int rc = real_vfs->xOpen(real_vfs, name, mine->real, flags, out_flags);
    if (rc != SQLITE_OK) {
        sqlite3_free(mine->real);
        return rc;
    }
    mine->base.pMethods = &methods;
    return SQLITE_OK;
}

static int install(void)
{
    static sqlite3_vfs vfs;
    real_vfs = sqlite3_vfs_find(NULL);
    methods = (sqlite3_io_methods){
        .iVersion = 2,
        .xClose = fault_close,
        .xRead = pass_Read,
        .xWrite = fault_write,
        .xTruncate = fault_truncate,
        .xSync = fault_sync,
        .xFileSize = pass_FileSize,
        .xLock = pass_Lock,
        .xUnlock = pass_Unlock,
        .xCheckReservedLock = pass_CheckReservedLock,
        .xFileControl = pass_FileControl,
        .xSectorSize = pass_SectorSize,
        .xDeviceCharacteristics = pass_DeviceCharacteristics,
        .xShmMap = pass_ShmMap,
        .xShmLock = pass_ShmLock,
        .xShmBarrier = pass_ShmBarrier,
        .xShmUnmap = pass_ShmUnmap,
    };
    vfs = *real_vfs;
    vfs.zName = "fault";
    vfs.pNext = NULL;
    vfs.szOsFile = sizeof(struct fault_file);
    vfs.xOpen = fault_open;
    return sqlite3_vfs_register(&vfs, 1);
}

/* Sets one member under the lock and wakes whoever stalls. */
#define SET_FAULT(member, to)                                                                                \
    do {                                                                                                     \
        pthread_mutex_lock(&fault.lock);                                                                     \
        fault.member = (to);                                                                                 \
        pthread_cond_broadcast(&fault.changed);                                                              \
        pthread_mutex_unlock(&fault.lock);                                                                   \
    } while (0)

static int fault_setup(void **state)
{
    fault.full = fault.failing = fault.stall = fault.fail_from = false;
    fault.fail_at = fault.calls = 0;
    return fixture_setup(state);
}

/* ---- tests ---- */

static void submit_markers(struct fixture *f, uint32_t from, uint32_t to)
{
    for (uint32_t i = from; i <= to; i++)
        submit(f, make_marker("D007", i, i, 10 * i));
}

static void assert_all_there(struct fixture *f, int64_t count)
{
    char expected[64];
    snprintf(expected, sizeof expected, "%" PRId64 " 1 %" PRId64, count, count);
    assert_string_equal(ask(f->path, "SELECT count(*) || ' ' || min(seq) || ' ' || max(seq) FROM journal"),
                        expected);
    assert_string_equal(ask(f->path, "PRAGMA integrity_check"), "ok");
    assert_string_equal(
        ask(f->path,
            "SELECT count(*) FROM journal j LEFT JOIN marker m ON m.seq = j.seq WHERE m.number IS NOT j.seq"),
        "0");
}

static void a_full_disk_is_told_and_recovered_from_by_itself(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit_markers(f, 1, 3);
    flush(f);
    SET_FAULT(full, true);
    submit_markers(f, 4, 400);
    fixture_wait_state(f, STORE_STATE_FULL);
    assert_true(f->committed < 400);
    assert_non_null(strstr(f->why, f->path));
    assert_non_null(strstr(f->why, "free some space"));
    assert_int_equal(store_flush(f->store), STORE_TROUBLE);
    submit_markers(f, 401, 500); /* entries are taken all the while */
    struct store_counts counts;
    store_counts(f->store, &counts);
    assert_int_equal(counts.state, STORE_STATE_FULL);
    assert_true(counts.waiting_entries >= 100);
    assert_true(counts.failed_tries > 0);
    SET_FAULT(full, false); /* nobody tells the store */
    fixture_wait_state(f, STORE_STATE_OK);
    fixture_wait_committed(f, 500);
    assert_false(f->disordered);
    fixture_close(f);
    assert_all_there(f, 500);
}

static void nothing_is_acknowledged_that_could_not_be_synced(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit_markers(f, 1, 1);
    flush(f);
    SET_FAULT(failing, true);
    submit_markers(f, 2, 2);
    fixture_wait_state(f, STORE_STATE_FAILING);
    assert_int_equal(store_flush(f->store), STORE_TROUBLE);
    assert_int_equal(f->committed, 1);
    SET_FAULT(failing, false);
    fixture_wait_committed(f, 2);
    fixture_close(f);
    assert_all_there(f, 2);
}

static void a_slow_disk_delays_the_acknowledgement_and_not_the_loop(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    SET_FAULT(stall, true);
    submit_markers(f, 1, 1);
    pthread_mutex_lock(&fault.lock);
    while (!fault.stalled)
        pthread_cond_wait(&fault.changed, &fault.lock);
    pthread_mutex_unlock(&fault.lock);
    submit_markers(f, 2, 50); /* returns although the writer stands in a sync */
    assert_int_equal(f->committed, 0);
    SET_FAULT(stall, false);
    flush(f);
    assert_int_equal(f->acknowledged, 2);
    assert_int_equal(f->troubles, 0);
    assert_all_there(f, 50);
}

static void telemetry_is_shed_before_entries(void **state)
{
    struct fixture *f = *state;
    f->options.telemetry_room = 100;
    fixture_open(f);
    SET_FAULT(full, true);
    submit_markers(f, 1, 100);
    fixture_wait_state(f, STORE_STATE_FULL);
    struct engine_sample sample = {.channel = "vehicle.depth_m", .feed = "nav", .utc = {T0}};
    for (int i = 0; i < 1000; i++) {
        sample.at.ns = sample.utc.ns = i;
        sample.value = i;
        store_sample(f->store, &sample);
    }
    struct store_counts counts;
    store_counts(f->store, &counts);
    assert_int_equal(counts.samples_shed, 900);
    assert_int_equal(counts.waiting_entries, 100);
    SET_FAULT(full, false);
    fixture_wait_committed(f, 100);
    flush(f);
    store_counts(f->store, &counts);
    assert_int_equal(counts.samples, 100);
    fixture_close(f);
    assert_all_there(f, 100);
    assert_string_equal(ask(f->path, "SELECT sum(samples) FROM telemetry"), "100");
    assert_true(f->notices[STORE_NOTICE_SHED] >= 1);
    assert_non_null(strstr(f->notice, "900 samples"));
}

static void closing_on_a_full_disk_ends_and_says_so(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit_markers(f, 1, 2);
    flush(f);
    SET_FAULT(full, true);
    submit_markers(f, 3, 200);
    assert_int_equal(store_close(f->store), STORE_TROUBLE);
    f->store = NULL;
    SET_FAULT(full, false);
    fixture_open(f);
    assert_int_equal(store_last_seq(f->store), f->committed); /* what was acknowledged, no more and no less */
    submit_markers(f, (uint32_t)f->seq + 1, 200);
    fixture_close(f);
    assert_all_there(f, 200);
}

static void a_database_that_is_moved_away_is_noticed(void **state)
{
    struct fixture *f = *state;
    char away[140];
    snprintf(away, sizeof away, "%s/away.db", f->folder);
    fixture_open(f);
    submit_markers(f, 1, 1);
    flush(f);
    assert_int_equal(rename(f->path, away), 0);
    submit_markers(f, 2, 2);
    fixture_wait_state(f, STORE_STATE_FAILING);
    assert_int_equal(f->committed, 1);
    assert_non_null(strstr(f->why, "put it back"));
    assert_int_equal(rename(away, f->path), 0);
    fixture_wait_committed(f, 2);
    fixture_close(f);
    assert_all_there(f, 2);
}

static void a_program_that_locks_the_database_delays_and_is_told(void **state)
{
    struct fixture *f = *state;
    sqlite3 *other;
    fixture_open(f);
    submit_markers(f, 1, 1);
    flush(f);
    assert_int_equal(sqlite3_open(f->path, &other), SQLITE_OK);
    assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
    submit_markers(f, 2, 2);
    fixture_wait_state(f, STORE_STATE_FAILING);
    assert_non_null(strstr(f->why, "another program"));
    assert_int_equal(sqlite3_exec(other, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    fixture_wait_committed(f, 2);
    sqlite3_close(other);
    fixture_close(f);
    assert_all_there(f, 2);
}

/* One script of markers, telemetry and observations; whichever call of the file system fails, all of it arrives in the end. */
static void run_script(struct fixture *f)
{
    fixture_open(f);
    for (uint32_t i = 1; i <= 30; i++) {
        submit(f, make_marker("D007", i, i, 10 * i));
        struct engine_sample sample = {
            .channel = "vehicle.depth_m", .feed = "nav", .at = {i}, .utc = {T0 + i}, .value = i};
        store_sample(f->store, &sample);
        struct engine_observation observation = {.clock = "utc", .a = i, .lo = i, .hi = i + 1};
        store_observe(f->store, &observation);
        if (i % 10 == 0)
            while (store_flush(f->store) != STORE_OK) {
            }
    }
    while (store_close(f->store) != STORE_OK)
        fail_msg("closing failed"); /* everything was flushed: nothing is left that could fail */
    f->store = NULL;
}

static void assert_script_there(struct fixture *f)
{
    assert_all_there(f, 30);
    assert_string_equal(ask(f->path, "SELECT sum(samples) FROM telemetry"), "30");
    assert_string_equal(ask(f->path, "SELECT count(*) || ' ' || sum(a) FROM clock_observation"), "30 465");
}

static void empty_folder(struct fixture *f)
{
    static const char *const endings[] = {"", "-wal", "-shm", "-journal", "-lock"};
    char path[160];
    for (size_t i = 0; i < sizeof endings / sizeof *endings; i++) {
        snprintf(path, sizeof path, "%s%s", f->path, endings[i]);
        unlink(path);
    }
}

static void any_call_that_fails_once_costs_nothing(void **state)
{
    struct fixture *f = *state;
    fixture_open(f); /* the database is made without faults: opening may refuse, and does so elsewhere */
    fixture_close(f);
    long before = fault.calls;
    run_script(f);
    long calls = fault.calls - before;
    assert_script_there(f);
    assert_true(calls > 20);
    f->troubles = 0;
    for (long n = 1; n <= calls; n++) {
        empty_folder(f);
        fault.fail_at = 0;
        fixture_open(f);
        fixture_close(f);
        fault.calls = 0;
        fault.fail_at = n;
        run_script(f);
        fault.fail_at = 0;
        assert_script_there(f);
        assert_false(f->disordered);
    }
    assert_true(f->troubles > calls / 2); /* the rest fell into moving the log, which costs no record */
    print_message("%ld calls failed in turn, %d changes of state told\n", calls, f->troubles);
}

int main(void)
{
    if (install() != SQLITE_OK)
        return 1;
#define FAULT_TEST(name) cmocka_unit_test_setup_teardown(name, fault_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {
        FAULT_TEST(a_full_disk_is_told_and_recovered_from_by_itself),
        FAULT_TEST(nothing_is_acknowledged_that_could_not_be_synced),
        FAULT_TEST(a_slow_disk_delays_the_acknowledgement_and_not_the_loop),
        FAULT_TEST(telemetry_is_shed_before_entries),
        FAULT_TEST(closing_on_a_full_disk_ends_and_says_so),
        FAULT_TEST(a_database_that_is_moved_away_is_noticed),
        FAULT_TEST(a_program_that_locks_the_database_delays_and_is_told),
        FAULT_TEST(any_call_that_fails_once_costs_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
