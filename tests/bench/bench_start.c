/*
 * Start: from exec until the socket has answered `status`: with no database yet, with a small one, and with one whose journal has a million
 * events of a hundred dives, the last of them open with 3,000 markers. Beside it a bare program of the same libraries: opens the database as
 * it is (WAL, FULL), asks for the last seq, listens, and answers one line.
 */
#include "bench.h"
#include "live_daemon.h"

#include <signal.h>
#include <sqlite3.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>
#include <uv.h>

enum { STARTS = 5 }; /* a round: their median, for one start is short beside what a busy machine does to it */

/* ---- the bare program ---- */

static void bare_allocate(uv_handle_t *handle, size_t size, uv_buf_t *out)
{
    static char room[4096];
    (void)handle;
    (void)size;
    *out = uv_buf_init(room, sizeof room);
}

static void bare_read(uv_stream_t *stream, ssize_t got, const uv_buf_t *buffer)
{
    uv_buf_t answer = uv_buf_init((char *)"{}\n", 3);
    (void)buffer;
    if (got > 0)
        (void)uv_try_write(stream, &answer, 1);
}

static void bare_connection(uv_stream_t *server, int status)
{
    static uv_pipe_t peer;
    (void)status;
    uv_pipe_init(server->loop, &peer, 0);
    if (uv_accept(server, (uv_stream_t *)&peer) == 0)
        uv_read_start((uv_stream_t *)&peer, bare_allocate, bare_read);
}

static int bare(const char *database, const char *path)
{
    uv_loop_t loop;
    uv_pipe_t server;
    sqlite3 *db = NULL;
    sqlite3_stmt *stmt = NULL;
    uv_loop_init(&loop);
    if (sqlite3_open(database, &db) != SQLITE_OK ||
        sqlite3_exec(db,
                     "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; CREATE TABLE IF NOT EXISTS journal "
                     "(seq INTEGER PRIMARY KEY)",
                     NULL, NULL, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db, "SELECT max(seq) FROM journal", -1, &stmt, NULL) != SQLITE_OK)
        return 1;
    (void)sqlite3_step(stmt);
    uv_pipe_init(&loop, &server, 0);
    if (uv_pipe_bind(&server, path) != 0 || uv_listen((uv_stream_t *)&server, 8, bare_connection) != 0)
        return 1;
    return uv_run(&loop, UV_RUN_DEFAULT);
}

/* Seconds from fork to its answer; *cpu: those of processor. */
static double bare_start(const char *database, const char *path, double *cpu)
{
    char answer[64];
    int fd;
    (void)unlink(path);
    double begun = bench_wall_s();
    pid_t pid = fork();
    if (pid == 0) {
        execl("/proc/self/exe", "bare", "--bare", database, path, (char *)NULL);
        _exit(127);
    }
    while ((fd = live_connect(path)) < 0) {
        if (waitpid(pid, NULL, WNOHANG) != 0 || bench_wall_s() - begun > 10)
            live_fail("the bare program did not start");
        usleep(50);
    }
    live_ask(fd, "{}\n", answer, sizeof answer);
    double seconds = bench_wall_s() - begun;
    *cpu = live_cpu_s(pid);
    close(fd);
    (void)kill(pid, SIGKILL);
    (void)waitpid(pid, NULL, 0);
    return seconds;
}

/* ---- databases ---- */

static void remove_database(const char *path)
{
    static const char *const ends[] = {"", "-wal", "-shm", "-lock"};
    for (size_t i = 0; i < 4; i++) {
        char name[256];
        snprintf(name, sizeof name, "%s%s", path, ends[i]);
        (void)unlink(name);
    }
}

/* Dives of 10,000 journal rows and 3,000 markers each, as a dive of 12 hours makes, the last one open, until the journal has so many. */
static void fill(const char *path, int events)
{
    char sql[4000];
    sqlite3 *db = NULL;
    snprintf(
        sql, sizeof sql,
        "PRAGMA synchronous=OFF; PRAGMA cache_size=-65536; BEGIN;"
        "CREATE TEMP TABLE n AS WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < "
        "9999) SELECT i FROM n;"
        "CREATE TEMP TABLE d AS SELECT i FROM n WHERE i < max(1, %d / 10000);"
        "CREATE TEMP TABLE base AS SELECT max(seq) AS s FROM journal;"
        "INSERT INTO journal SELECT s + 1 + d.i * 10000 + n.i, CASE WHEN n.i < 3000 THEN 'marker' ELSE "
        "'settled' END,"
        " printf('Z%%04d', d.i), printf('Z%%04d-M%%04d', d.i, n.i %% 3000 + 1), n.i, NULL, NULL, 'none', 1,"
        " '{' || printf('%%0300d', n.i) || '}' FROM d, n, base WHERE d.i * 10000 + n.i < %d;"
        "INSERT INTO marker (seq, dive, number, origin, seat, key, kind, label, lead_ns, settled, mono_ns, "
        "utc_ns, clock,"
        " timecode_state, channels)"
        " SELECT s + 1 + d.i * 10000 + n.i, printf('Z%%04d', d.i), n.i + 1, 'soft', 'science', 'A1', "
        "'subject', 'Fish', 5000000000, 1,"
        " n.i * 1000000000, 1900000000000000000 + n.i * 1000000000, 'synced', 'none', '{}'"
        " FROM d, n, base WHERE n.i < 3000 AND d.i * 10000 + n.i < %d;"
        "UPDATE dive SET ended_seq = begun_seq;"
        "INSERT INTO dive (id, begun_seq, ended_seq) SELECT printf('Z%%04d', d.i), s + 1 + d.i * 10000,"
        " CASE WHEN d.i < (SELECT max(i) FROM d) THEN s + 9999 + d.i * 10000 END FROM d, base;"
        "COMMIT; PRAGMA wal_checkpoint(TRUNCATE)",
        events, events, events);
    if (sqlite3_open(path, &db) != SQLITE_OK || sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK)
        live_fail("%s: %s", path, sqlite3_errmsg(db));
    sqlite3_close(db);
}

/* ---- the run ---- */

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double seconds[STARTS])
{
    qsort(seconds, STARTS, sizeof *seconds, compare);
    return seconds[STARTS / 2];
}

static void run_one(struct live_daemon *daemon, bool fresh, const char *what, double goal_ms)
{
    char path[200], peer[200], name[96];
    double ours[STARTS], theirs[STARTS], our_cpu[STARTS], their_cpu[STARTS];
    snprintf(path, sizeof path, "%s/bare.sock", daemon->folder);
    snprintf(peer, sizeof peer, "%s/bare.db", daemon->folder);
    for (int i = 0; i < STARTS; i++) {
        if (fresh)
            remove_database(daemon->database);
        ours[i] = live_start(daemon);
        our_cpu[i] = live_cpu_s(daemon->pid);
        live_stop(daemon);
        if (fresh)
            remove_database(peer);
        theirs[i] = bare_start(fresh ? peer : daemon->database, path, &their_cpu[i]);
    }
    snprintf(name, sizeof name, "start, %s", what);
    bench_say(name, "ms", median(ours) * 1e3, median(theirs) * 1e3, goal_ms, goal_ms > 0 ? "most" : "show");
    snprintf(name, sizeof name, "start, %s: processor", what);
    bench_say(name, "ms", median(our_cpu) * 1e3, median(their_cpu) * 1e3, 0, "show");
}

int main(int argc, char **argv)
{
    if (argc == 4 && strcmp(argv[1], "--bare") == 0)
        return bare(argv[2], argv[3]);
    int rounds = argc > 1 ? atoi(argv[1]) : 5;
    double scale = argc > 2 ? atof(argv[2]) : 1;
    int most = (int)(1000000 * scale);
    struct live_daemon daemon;
    char sections[600];
    live_folder(&daemon);
    snprintf(sections, sizeof sections, "[pad soft]\nport = no-pad\nplan = %s/science.plan\nseat = science\n",
             live_plans());
    live_configure(&daemon, sections);
    for (int i = 0; i < rounds; i++)
        run_one(&daemon, true, "no database yet", 0);
    for (int i = 0; i < rounds; i++)
        run_one(&daemon, false, "empty", 10);
    for (int events = scale < 1 ? most : most / 100; events <= most; events *= 10) {
        char what[64];
        remove_database(daemon.database);
        (void)live_start(&daemon);
        live_stop(&daemon);
        fill(daemon.database, events);
        snprintf(what, sizeof what, "%d events", events);
        for (int i = 0; i < rounds; i++)
            run_one(&daemon, false, what, events == most ? 50 : 0);
    }
    return 0;
}
