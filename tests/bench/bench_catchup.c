/*
 * Catch-up: one subscriber of a real daemon, `since 0`, a journal of 1,000,000 events in the sizes of a dive (3 markers, 3 settled and 4
 * sightings of 10). Beside it a C program that SELECTs the same rows and writes the same bytes to a unix socket in pieces of 64 KB. The same
 * reader takes both and counts lines.
 */
#include "bench.h"
#include "bench_fanout_event.h"
#include "live_daemon.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

enum { EVENTS = 1000000, KINDS = 10, BUFFER = 1 << 16 };

static const char HEAD[] = "{\"jsonrpc\":\"2.0\",\"method\":\"event\",\"params\":";
static const char TAIL[] = "}\n";

/* ---- a journal ---- */

static struct entry entry;

static void make_kind(int kind)
{
    bench_event_marker(&entry);
    struct marker_telemetry telemetry = entry.of.marker.telemetry;
    struct when at = entry.at;
    if (kind >= 3)
        memset(&entry.of, 0, sizeof entry.of);
    if (kind >= 6) {
        entry.type = ENTRY_SIGHTING;
        entry.of.sighting = (struct sighting_entry){.number = 31,
                                                    .seat = "science",
                                                    .state = "open",
                                                    .label = "Fish",
                                                    .first_marker = 112,
                                                    .last_marker = 112,
                                                    .marker_count = 1,
                                                    .individuals = 1,
                                                    .start = at.utc};
    } else if (kind >= 3) {
        entry.type = ENTRY_SETTLED;
        entry.of.settled = (struct settled){
            .marker = 112, .cause = "bracketed", .when = at, .has_telemetry = true, .telemetry = telemetry};
    }
}

static void must(sqlite3 *db, int rc)
{
    if (rc != SQLITE_OK && rc != SQLITE_DONE && rc != SQLITE_ROW)
        live_fail("the bench's database: %s", sqlite3_errmsg(db));
}

/* The texts of the kinds, without their `{"seq":N`: what differs from row to row is put before. */
static const char *kind_rest(int kind)
{
    static char rest[KINDS][EVENT_BYTES_MAX];
    if (rest[kind][0] == '\0') {
        char json[EVENT_BYTES_MAX];
        make_kind(kind);
        json[event_json(&entry, json, sizeof json - 1)] = '\0';
        snprintf(rest[kind], sizeof rest[kind], "%s", strchr(json, ','));
    }
    return rest[kind];
}

static void add_row(sqlite3_stmt *stmt, int64_t seq)
{
    char event[EVENT_BYTES_MAX], ref[REF_SIZE];
    static const char *const types[KINDS] = {"marker",  "marker",   "marker",   "settled",  "settled",
                                             "settled", "sighting", "sighting", "sighting", "sighting"};
    int kind = (int)(seq % KINDS);
    int len = snprintf(event, sizeof event, "{\"seq\":%" PRId64 "%s", seq, kind_rest(kind));
    entry_ref(ref, "B001", kind < 6 ? 'M' : 'S', (uint32_t)seq);
    sqlite3_bind_int64(stmt, 1, seq);
    sqlite3_bind_text(stmt, 2, types[kind], -1, SQLITE_STATIC);
    sqlite3_bind_text(stmt, 3, ref, -1, SQLITE_STATIC);
    sqlite3_bind_text(stmt, 4, event, len, SQLITE_STATIC);
    must(sqlite3_db_handle(stmt), sqlite3_step(stmt));
    must(sqlite3_db_handle(stmt), sqlite3_reset(stmt));
}

static void fill(const char *path, int64_t upto)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *stmt = NULL;
    must(db, sqlite3_open(path, &db));
    must(db, sqlite3_exec(db, "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF; BEGIN", NULL, NULL, NULL));
    must(db, sqlite3_prepare_v2(
                 db,
                 "INSERT INTO journal SELECT ?1, ?2, 'B001', ?3, 1000, 1930000000000000000, 4044000, "
                 "'synced', max(id), ?4 FROM run",
                 -1, &stmt, NULL));
    sqlite3_stmt *last = NULL;
    must(db, sqlite3_prepare_v2(db, "SELECT max(seq) FROM journal", -1, &last, NULL));
    must(db, sqlite3_step(last));
    int64_t seq = sqlite3_column_int64(last, 0);
    sqlite3_finalize(last);
    while (seq < upto)
        add_row(stmt, ++seq);
    sqlite3_finalize(stmt);
    must(db, sqlite3_exec(db, "COMMIT", NULL, NULL, NULL));
    must(db, sqlite3_close(db));
}

/* ---- the floor ---- */

struct out {
    int fd;
    size_t len;
    char at[BUFFER];
};

static void flush(struct out *out)
{
    for (size_t sent = 0; sent < out->len;) {
        ssize_t wrote = write(out->fd, out->at + sent, out->len - sent);
        if (wrote <= 0)
            _exit(1);
        sent += (size_t)wrote;
    }
    out->len = 0;
}

static void put(struct out *out, const void *bytes, size_t len)
{
    memcpy(out->at + out->len, bytes, len);
    out->len += len;
}

static void floor_run(const char *path, int fd)
{
    static struct out out;
    sqlite3 *db = NULL;
    sqlite3_stmt *stmt = NULL;
    out.fd = fd;
    must(db, sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL));
    must(db, sqlite3_prepare_v2(db, "SELECT event FROM journal WHERE seq > 0 ORDER BY seq", -1, &stmt, NULL));
    while (sqlite3_step(stmt) == SQLITE_ROW) {
        const void *event = sqlite3_column_text(stmt, 0);
        size_t len = (size_t)sqlite3_column_bytes(stmt, 0);
        if (out.len + len + sizeof HEAD + sizeof TAIL > BUFFER)
            flush(&out);
        put(&out, HEAD, sizeof HEAD - 1);
        put(&out, event, len);
        put(&out, TAIL, sizeof TAIL - 1);
    }
    flush(&out);
    _exit(0);
}

/* ---- the reader ---- */

/* Until so many lines have come; how many bytes they were. */
static uint64_t take_lines(int fd, int64_t lines)
{
    static char room[1 << 18];
    uint64_t bytes = 0;
    while (lines > 0) {
        ssize_t got = read(fd, room, sizeof room);
        if (got <= 0)
            live_fail("the stream ended %" PRId64 " lines too early", lines);
        bytes += (uint64_t)got;
        for (const char *at = room; (at = memchr(at, '\n', (size_t)(room + got - at))) != NULL; at++)
            lines--;
    }
    return bytes;
}

static double floor_round(const char *path, int64_t events, uint64_t *bytes)
{
    int pair[2];
    pid_t parent = getpid();
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) != 0)
        live_fail("socketpair: %s", strerror(errno));
    double begun = bench_wall_s();
    pid_t pid = fork();
    if (pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        if (getppid() != parent)
            _exit(1);
        floor_run(path, pair[1]);
    }
    close(pair[1]);
    *bytes = take_lines(pair[0], events);
    double seconds = bench_wall_s() - begun;
    close(pair[0]);
    (void)waitpid(pid, NULL, 0);
    return seconds;
}

static double ours_round(const char *path, int64_t since, int64_t events, uint64_t *bytes)
{
    char ask[96];
    int fd = live_connect(path);
    int len = snprintf(ask, sizeof ask,
                       "{\"jsonrpc\":\"2.0\",\"method\":\"subscribe\",\"params\":{\"since\":%" PRId64 "}}\n",
                       since);
    double begun = bench_wall_s();
    if (fd < 0 || write(fd, ask, (size_t)len) != len)
        live_fail("no subscription: %s", strerror(errno));
    *bytes = take_lines(fd, events);
    double seconds = bench_wall_s() - begun;
    close(fd);
    return seconds;
}

static double peak_mb(pid_t pid)
{
    char path[64], line[256];
    double kb = 0;
    snprintf(path, sizeof path, "/proc/%d/status", (int)pid);
    FILE *in = fopen(path, "r");
    while (in != NULL && fgets(line, sizeof line, in) != NULL)
        if (sscanf(line, "VmHWM: %lf", &kb) == 1)
            break;
    if (in != NULL)
        fclose(in);
    return kb / 1024;
}

static void growth(const struct live_daemon *daemon, int64_t events)
{
    double seconds[3];
    uint64_t bytes;
    for (int i = 0, part = 100; i < 3; i++, part /= 10)
        seconds[i] = ours_round(daemon->socket, events - events / part, events / part, &bytes);
    bench_say("catch-up growth by events, exponent 1x to 10x", "", log10(seconds[1] / seconds[0]), 1, 0,
              "show");
    bench_say("catch-up growth by events, exponent 10x to 100x", "", log10(seconds[2] / seconds[1]), 1, 0,
              "show");
}

int main(int argc, char **argv)
{
    int rounds = argc > 1 ? atoi(argv[1]) : 5;
    double scale = argc > 2 ? atof(argv[2]) : 1;
    int64_t events = scale < 1 ? EVENTS / 10 : EVENTS;
    struct live_daemon daemon;
    live_folder(&daemon);
    live_configure(&daemon, "");
    live_start(&daemon);
    live_stop(&daemon);
    fill(daemon.database, events);
    live_start(&daemon);
    for (int i = 0; i < rounds; i++) {
        uint64_t bytes[2] = {0};
        double ours_s = ours_round(daemon.socket, 0, events, &bytes[0]);
        double floor_s = floor_round(daemon.database, events, &bytes[1]);
        bench_say("catch-up since 0, by SELECT to a socket", "events/s", (double)events / ours_s,
                  (double)events / floor_s, 0.7, "rate");
        if (scale >= 1)
            growth(&daemon, events);
    }
    bench_say("catch-up: peak memory of the daemon", "MB", peak_mb(daemon.pid), 0, 0, "show");
    live_stop(&daemon);
    return 0;
}
