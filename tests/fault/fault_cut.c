/*
 * Power cuts. A scripted dive is written by the real store, once for every call of it that changes a disk, and at that call the power goes:
 * see cut.h for what that leaves. What the store had called committed stands outside the process, in shared memory. Afterwards the database
 * must open, be sound, hold every entry that was called committed and no hole, each with its event byte for byte, and take the rest of the dive.
 * Some are cut a second time while they recover and go on.
 *
 * Two controls make the same dive with `synchronous` NORMAL and OFF. They must be caught losing, or the campaign proves nothing and fails. The
 * setting is forced from outside: an auto-extension sets it on each new connection and an authorizer ignores whatever the product asks for.
 *
 *   fault_cut [AT MODE]     one cut alone, with the seed of the campaign
 */
#include "campaign.h"
#include "cut.h"
#include "dive.h"
#include "store/store.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define BOOT_ID "8f3c7a52-0000-4000-8000-00000000b001"

enum control { CONTROL_NONE, CONTROL_NORMAL, CONTROL_OFF };

/* Written by the children, read by the parent; survives them. */
struct shared {
    int64_t submitted, acknowledged; /* by the life in hand; only rise */
    long calls;
    int64_t found; /* the last entry that was there afterwards */
    double recovery_ms;
    bool unsound;
    char failure[256];
};

struct job {
    const struct dive *dive;
    struct shared *shared;
    char path[256];
    struct cut_plan plan;
    int characteristics;
    enum control control;
    uint64_t group_seed;
};

static const char *forced;

static int keep_synchronous(void *ctx, int what, const char *a, const char *b, const char *database,
                            const char *by)
{
    (void)ctx;
    (void)database;
    (void)by;
    return what == SQLITE_PRAGMA && a != NULL && b != NULL && sqlite3_stricmp(a, "synchronous") == 0
               ? SQLITE_IGNORE
               : SQLITE_OK;
}

static int force_synchronous(sqlite3 *db, char **error, const void *api)
{
    (void)error;
    (void)api;
    int rc = sqlite3_exec(db, forced, NULL, NULL, NULL);
    return rc != SQLITE_OK ? rc : sqlite3_set_authorizer(db, keep_synchronous, NULL);
}

static void install_control(enum control control)
{
    if (control == CONTROL_NONE)
        return;
    forced = control == CONTROL_NORMAL ? "PRAGMA synchronous=NORMAL" : "PRAGMA synchronous=OFF";
    (void)sqlite3_auto_extension((void (*)(void))force_synchronous);
}

/* ---- the life of a daemon's store ---- */

static void on_committed(void *ctx, int64_t seq)
{
    struct job *job = ctx;
    job->shared->acknowledged = seq;
}

static void on_restored(void *ctx, const char *bytes, size_t len)
{
    (void)ctx;
    (void)bytes;
    (void)len;
}

static struct store *open_store(struct job *job, struct store_error *error)
{
    struct store *store = NULL;
    struct store_options options = {.path = job->path,
                                    .host_boot_id = BOOT_ID,
                                    .now = {INT64_C(1930366800000000000)},
                                    .ctx = job,
                                    .on_committed = on_committed};
    if (store_open(&store, &options, error) != STORE_OK)
        return NULL;
    if (store_restore(store, on_restored, NULL, error) == STORE_OK)
        return store;
    (void)store_close(store);
    return NULL;
}

/* Hands in the steps from the entry after the last one there, up to the entry `upto`; groups of 1 to 4 entries share a commit. */
static bool write_dive(struct job *job, struct store *store, int64_t upto)
{
    const struct dive *dive = job->dive;
    int64_t left = 0;
    for (size_t i = dive_after(dive, store_last_seq(store)); i < dive->count; i++) {
        const struct dive_step *step = &dive->step[i];
        if (step->kind == DIVE_SAMPLE)
            store_sample(store, &step->sample);
        else if (step->kind == DIVE_OBSERVATION)
            store_observe(store, &step->observation);
        if (step->kind != DIVE_ENTRY)
            continue;
        if (step->entry->seq > upto)
            break;
        job->shared->submitted = step->entry->seq;
        if (store_submit(store, step->entry, step->event, step->event_len) != STORE_OK)
            return false;
        if (left-- <= 0) {
            left = campaign_range(&job->group_seed, 0, 3);
            if (store_flush(store) != STORE_OK)
                return false;
        }
    }
    return true;
}

static bool live(struct job *job, int64_t upto)
{
    struct store_error error = {.text = ""};
    struct store *store = open_store(job, &error);
    bool good = store != NULL && write_dive(job, store, upto);
    if (store == NULL)
        snprintf(job->shared->failure, sizeof job->shared->failure, "%s", error.text);
    return store_close(store) == STORE_OK && good;
}

/* Two runs of a daemon, the first of which ends in good order half way; then the power goes in any case. */
static void cut_life(struct job *job)
{
    install_control(job->control);
    (void)cut_install(&job->plan, job->characteristics);
    bool good = live(job, job->dive->entries / 2) && live(job, job->dive->entries);
    job->shared->calls = cut_calls();
    if (!good)
        _exit(1);
    cut_now();
}

/* ---- what is there afterwards ---- */

static int64_t ask(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *stmt = NULL;
    int64_t value = -1;
    if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) == SQLITE_OK && sqlite3_step(stmt) == SQLITE_ROW)
        value = sqlite3_column_int64(stmt, 0);
    sqlite3_finalize(stmt);
    return value;
}

static bool is_sound(sqlite3 *db)
{
    sqlite3_stmt *stmt = NULL;
    bool sound = sqlite3_prepare_v2(db, "PRAGMA integrity_check", -1, &stmt, NULL) == SQLITE_OK &&
                 sqlite3_step(stmt) == SQLITE_ROW &&
                 strcmp((const char *)sqlite3_column_text(stmt, 0), "ok") == 0;
    sqlite3_finalize(stmt);
    return sound;
}

/* The journal is the dive's first entries, each byte for byte, and every marker has its row. */
static bool is_the_dive(const struct dive *dive, sqlite3 *db, int64_t last)
{
    sqlite3_stmt *stmt = NULL;
    int64_t seq = 0;
    int64_t markers = 0;
    size_t at = 0;
    bool same =
        sqlite3_prepare_v2(db, "SELECT seq, event FROM journal ORDER BY seq", -1, &stmt, NULL) == SQLITE_OK;
    while (same && sqlite3_step(stmt) == SQLITE_ROW) {
        while (at < dive->count && dive->step[at].kind != DIVE_ENTRY)
            at++;
        const struct dive_step *step = &dive->step[at++];
        same = at <= dive->count && sqlite3_column_int64(stmt, 0) == ++seq &&
               (size_t)sqlite3_column_bytes(stmt, 1) == step->event_len &&
               memcmp(sqlite3_column_text(stmt, 1), step->event, step->event_len) == 0;
        markers += same && step->entry->type == ENTRY_MARKER;
    }
    sqlite3_finalize(stmt);
    return same && seq == last && ask(db, "SELECT count(*) FROM marker") == markers;
}

static void unsound(struct job *job, const char *what)
{
    job->shared->unsound = true;
    if (job->shared->failure[0] == '\0')
        snprintf(job->shared->failure, sizeof job->shared->failure, "%s", what);
}

static void look(struct job *job, int64_t last)
{
    sqlite3 *db = NULL;
    if (sqlite3_open_v2(job->path, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK || !is_sound(db))
        unsound(job, "the database is damaged");
    else if (!is_the_dive(job->dive, db, last))
        unsound(job, "the journal is not the dive's, or a marker has no row");
    sqlite3_close(db);
}

/* In a process of its own, on the disk as the cut left it. */
static void examine(struct job *job)
{
    struct store_error error = {.text = ""};
    job->plan.at = 0;
    (void)cut_install(&job->plan, -1);
    shim_enable(false); /* recovery is timed with real syncs; the rest of the dive is not */
    int64_t began_ns = campaign_clock_ns();
    struct store *store = open_store(job, &error);
    job->shared->recovery_ms = (double)(campaign_clock_ns() - began_ns) / 1e6;
    shim_enable(true);
    if (store == NULL) {
        unsound(job, error.text);
        _exit(0);
    }
    job->shared->found = store_last_seq(store);
    look(job, job->shared->found);
    if (!job->shared->unsound && !write_dive(job, store, job->dive->entries))
        unsound(job, "it did not take the rest of the dive");
    if (store_close(store) != STORE_OK)
        unsound(job, "it did not close");
    if (!job->shared->unsound)
        look(job, job->dive->entries);
    _exit(0);
}

/* ---- one cut ---- */

static int in_a_child(struct job *job, void (*what)(struct job *job))
{
    int status = 0;
    (void)fflush(stdout);
    pid_t pid = fork();
    if (pid == 0) {
        what(job);
        _exit(0);
    }
    if (pid < 0 || waitpid(pid, &status, 0) != pid || !WIFEXITED(status))
        return -1;
    return WEXITSTATUS(status);
}

static void clear(const char *path)
{
    static const char *const suffixes[] = {"", "-wal", "-shm", "-journal", "-lock"};
    for (size_t i = 0; i < sizeof suffixes / sizeof *suffixes; i++) {
        char name[300];
        snprintf(name, sizeof name, "%s%s", path, suffixes[i]);
        (void)unlink(name);
    }
}

struct tally {
    int64_t cuts, at_risk, lost, unsound, broken;
    int64_t losing; /* cuts that lost or damaged */
    double worst_ms;
};

struct series {
    struct campaign *campaign;
    struct job job;
    struct tally tally; /* of the pass in hand */
};

/* Cuts at `at`, and where `again` is not 0 once more at that call of the life that follows. */
static void cut_once(struct series *series, long at, long again)
{
    struct job *job = &series->job;
    struct shared *shared = job->shared;
    uint64_t seed = job->plan.seed;
    memset(shared, 0, sizeof *shared);
    clear(job->path);
    job->plan.at = at;
    int code = in_a_child(job, cut_life);
    series->tally.cuts++;
    series->tally.at_risk += shared->submitted - shared->acknowledged;
    if (code == CUT_EXIT && again > 0) {
        job->plan.at = again;
        job->plan.seed = seed ^ (uint64_t)at;
        code = in_a_child(job, cut_life);
        series->tally.cuts++;
    }
    int64_t acknowledged = shared->acknowledged;
    shared->failure[0] = '\0';
    int examined = in_a_child(job, examine);
    job->plan.seed = seed;
    bool failed = code != CUT_EXIT || examined != 0;
    int64_t lost = shared->found < acknowledged ? acknowledged - shared->found : 0;
    series->tally.broken += failed;
    series->tally.lost += lost;
    series->tally.unsound += shared->unsound;
    series->tally.losing += lost > 0 || shared->unsound;
    if (shared->recovery_ms > series->tally.worst_ms)
        series->tally.worst_ms = shared->recovery_ms;
    if (job->control == CONTROL_NONE && (failed || lost > 0 || shared->unsound))
        campaign_fail(series->campaign,
                      "cut %ld (then %ld) %s: %" PRId64 " of %" PRId64 " acknowledged lost; exits %d, %d; %s",
                      at, again, job->plan.mode == CUT_DROP ? "drop" : "random", lost, acknowledged, code,
                      examined, shared->failure);
}

static long count_calls(struct job *job)
{
    memset(job->shared, 0, sizeof *job->shared);
    clear(job->path);
    job->plan.at = 0;
    return in_a_child(job, cut_life) == CUT_EXIT ? job->shared->calls : 0;
}

/* ---- the campaign ---- */

struct pass {
    const char *name;
    enum cut_mode mode;
    int characteristics;
    enum control control;
    int seeds;
    long step; /* every so many calls; 1: each */
    bool again;
};

static void run_pass(struct series *series, const struct pass *pass, long calls)
{
    struct campaign *campaign = series->campaign;
    uint64_t chance = campaign->seed ^ (uint64_t)pass->control << 32 ^ (uint64_t)pass->mode;
    memset(&series->tally, 0, sizeof series->tally);
    for (int s = 0; s < pass->seeds; s++) {
        long first = 1 + (long)campaign_range(&chance, 0, pass->step - 1);
        for (long at = first; at <= calls; at += pass->step) {
            series->job.plan = (struct cut_plan){.mode = pass->mode, .seed = campaign_random(&chance)};
            series->job.characteristics = pass->characteristics;
            series->job.control = pass->control;
            cut_once(series, at, pass->again ? (long)campaign_range(&chance, 1, 80) : 0);
        }
    }
    const struct tally tally = series->tally;
    printf("%s: %" PRId64 " cuts, %" PRId64 " entries lost, %" PRId64
           " databases unsound, slowest recovery %.1f ms\n",
           pass->name, tally.cuts, tally.lost, tally.unsound, tally.worst_ms);
    (void)fflush(stdout);
    if (pass->control != CONTROL_NONE) {
        if (tally.losing == 0)
            campaign_fail(campaign, "%s was not caught losing: this campaign proves nothing", pass->name);
        printf("  caught in %" PRId64 " of %" PRId64 " cuts, as it must be\n", tally.losing, tally.cuts);
        return;
    }
    struct campaign_row row = {pass->name, tally.cuts,    tally.at_risk,
                               tally.lost, tally.unsound, tally.worst_ms};
    campaign_row(campaign, &row);
}

static void run_all(struct series *series, long calls)
{
    const bool is_long = series->campaign->is_long;
    const long step = is_long ? 1 : calls / 16;
    const int seeds = is_long ? 2 : 1;
    const int overwrite = SQLITE_IOCAP_POWERSAFE_OVERWRITE;
    const struct pass passes[] = {
        {"cut, drop", CUT_DROP, 0, CONTROL_NONE, 1, step, false},
        {"cut, random", CUT_RANDOM, 0, CONTROL_NONE, seeds, step, false},
        {"cut, random, safe overwrite", CUT_RANDOM, overwrite, CONTROL_NONE, seeds, step, false},
        {"cut twice, drop", CUT_DROP, overwrite, CONTROL_NONE, 1, is_long ? 3 : calls / 8, true},
        {"cut twice, random", CUT_RANDOM, overwrite, CONTROL_NONE, seeds, is_long ? 3 : calls / 8, true},
        {"control, synchronous NORMAL, drop", CUT_DROP, overwrite, CONTROL_NORMAL, 1,
         is_long ? 12 : calls / 8, false},
        {"control, synchronous NORMAL, random", CUT_RANDOM, overwrite, CONTROL_NORMAL, 1,
         is_long ? 12 : calls / 8, false},
        {"control, synchronous OFF, drop", CUT_DROP, overwrite, CONTROL_OFF, 1, is_long ? 12 : calls / 8,
         false},
        {"control, synchronous OFF, random", CUT_RANDOM, overwrite, CONTROL_OFF, 1, is_long ? 12 : calls / 8,
         false},
    };
    for (size_t i = 0; i < sizeof passes / sizeof *passes; i++)
        run_pass(series, &passes[i], calls);
}

static void run_one(struct series *series, long at, const char *mode)
{
    series->job.plan = (struct cut_plan){.mode = strcmp(mode, "drop") == 0 ? CUT_DROP : CUT_RANDOM,
                                         .seed = series->campaign->seed};
    cut_once(series, at, 0);
    printf("%s: acknowledged %" PRId64 ", found %" PRId64 ", recovery %.1f ms\n", mode,
           series->job.shared->acknowledged, series->job.shared->found, series->tally.worst_ms);
}

int main(int argc, char **argv)
{
    struct campaign campaign;
    struct dive dive;
    struct series series = {0};
    campaign_begin(&campaign, "fault_cut", argv[0]);
    series.campaign = &campaign;
    series.job.dive = &dive;
    series.job.group_seed = campaign.seed;
    series.job.shared =
        mmap(NULL, sizeof(struct shared), PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    snprintf(series.job.path, sizeof series.job.path, "%s/cut.db", campaign.folder);
    if (series.job.shared == MAP_FAILED || !dive_make(&dive, campaign.folder, "short")) {
        campaign_fail(&campaign, "the dive could not be made");
        return campaign_end(&campaign);
    }
    long calls = count_calls(&series.job);
    printf("a dive of %" PRId64 " entries, %" PRId64
           " markers, %zu samples and observations: %ld calls change the disk\n",
           dive.entries, dive.markers, dive.count - (size_t)dive.entries, calls);
    if (calls < 100)
        campaign_fail(&campaign, "the dive was not written: %s", series.job.shared->failure);
    else if (argc == 3)
        run_one(&series, strtol(argv[1], NULL, 10), argv[2]);
    else
        run_all(&series, calls);
    dive_free(&dive);
    return campaign_end(&campaign);
}
