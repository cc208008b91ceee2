/*
 * Key to green: a real pad's firmware behind a pseudo-terminal, a real daemon with its tape and two feeds at 10 Hz, 20 presses a second. Beside
 * it, press by press in turn, a second pad of the same firmware whose host is a C loop: read the pseudo-terminal, commit one row with an
 * event's text (SQLite, WAL, synchronous FULL), write *kept*.
 *
 * Judged is from the hand-over of the press's last byte to the pseudo-terminal until *kept* has been read from it: the firmware's wait for the
 * bounce, the serial line and the USB bridge lie before it and are the same for both. From the contact until the lamp is green is shown.
 */
#include "bench.h"
#include "keypad.h"
#include "live_daemon.h"
#include "live_feeds.h"
#include "live_pad.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <fcntl.h>
#include <unistd.h>

enum { OURS, FLOOR, SIDES, PRESSES_MAX = 1 << 16, KEYS = 8, TURN_NS = 250000, ROOM = 4096 };
#define APART_NS (INT64_C(1000000000) / 20)
#define HELD_NS INT64_C(30000000)

struct side {
    int fd;
    struct keypad *pad;
    struct wire_decoder sent, got;
    int presses, from; /* pressed so far; the first of this round */
    int64_t next_ns;
    int64_t now_ns;                 /* of what was just sent or read */
    int64_t handed_ns[PRESSES_MAX]; /* by seq */
    bool waiting;                   /* touched and not yet green */
    int touched;                    /* the last press that was */
    int64_t touched_ns[PRESSES_MAX];
    double kept_ms[PRESSES_MAX], green_ms[PRESSES_MAX];
    int kept, green, kept_from, green_from;
};

static struct side side[SIDES];

/* ---- the floor: a host that is one loop ---- */

struct host {
    int fd;
    sqlite3_stmt *begin, *insert, *commit;
    int64_t rows;
    char event[1100];
};

static void step(sqlite3_stmt *stmt)
{
    if (sqlite3_step(stmt) != SQLITE_DONE)
        live_fail("floor: %s", sqlite3_errmsg(sqlite3_db_handle(stmt)));
    sqlite3_reset(stmt);
}

static void host_send(const struct host *host, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int len = wire_encode(message, frame, sizeof frame);
    (void)!write(host->fd, frame, (size_t)len);
}

static void host_heard(void *ctx, const struct wire_message *message)
{
    struct host *host = ctx;
    if (message->type != WIRE_PRESS)
        return;
    step(host->begin);
    sqlite3_bind_int64(host->insert, 1, ++host->rows);
    sqlite3_bind_text(host->insert, 2, host->event, sizeof host->event, SQLITE_STATIC);
    step(host->insert);
    step(host->commit);
    struct wire_message kept = {
        .type = WIRE_KEPT,
        .u.kept = {.boot = message->u.press.boot, .seq = message->u.press.seq, .result = WIRE_RESULT_KEPT}};
    host_send(host, &kept);
}

static sqlite3_stmt *prepare(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *stmt = NULL;
    if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) != SQLITE_OK)
        live_fail("floor: %s", sqlite3_errmsg(db));
    return stmt;
}

static void host_run(const char *folder)
{
    char path[200];
    sqlite3 *db = NULL;
    struct host host = {.rows = 0};
    struct wire_decoder decoder;
    const struct wire_message ask = {.type = WIRE_ASK_HELLO, .u.ask_hello = {.version = WIRE_VERSION}};
    snprintf(path, sizeof path, "%s/floor.db", folder);
    if (sqlite3_open(path, &db) != SQLITE_OK ||
        sqlite3_exec(db,
                     "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;"
                     "CREATE TABLE press (seq INTEGER PRIMARY KEY, event TEXT)",
                     NULL, NULL, NULL) != SQLITE_OK)
        live_fail("floor: %s", sqlite3_errmsg(db));
    host.begin = prepare(db, "BEGIN IMMEDIATE");
    host.insert = prepare(db, "INSERT INTO press VALUES (?, ?)");
    host.commit = prepare(db, "COMMIT");
    memset(host.event, 'e', sizeof host.event);
    snprintf(path, sizeof path, "%s/pad-floor", folder);
    host.fd = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    wire_decoder_init(&decoder);
    host_send(&host, &ask);
    for (;;) {
        uint8_t bytes[512];
        struct pollfd look = {.fd = host.fd, .events = POLLIN};
        if (poll(&look, 1, 1000) == 0)
            host_send(&host, &ask);
        else if ((look.revents & POLLIN) == 0)
            _exit(0);
        ssize_t got = look.revents & POLLIN ? read(host.fd, bytes, sizeof bytes) : 0;
        if (got > 0)
            wire_decoder_feed(&decoder, bytes, (size_t)got, host_heard, &host);
    }
}

static pid_t host_start(const char *folder)
{
    pid_t parent = getpid(), pid = fork();
    if (pid != 0)
        return pid;
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (getppid() != parent)
        _exit(1);
    host_run(folder);
    _exit(1);
}

/* ---- the pads ---- */

static void on_sent(void *ctx, const struct wire_message *message)
{
    struct side *one = ctx;
    uint32_t seq = message->u.press.seq;
    if (message->type == WIRE_PRESS && seq < PRESSES_MAX && one->handed_ns[seq] == 0)
        one->handed_ns[seq] = one->now_ns;
}

static void on_got(void *ctx, const struct wire_message *message)
{
    struct side *one = ctx;
    uint32_t seq = message->u.kept.seq;
    if (message->type == WIRE_KEPT && seq < PRESSES_MAX && one->handed_ns[seq] > 0) {
        one->kept_ms[one->kept++] = (double)(one->now_ns - one->handed_ns[seq]) / 1e6;
        one->handed_ns[seq] = -1;
    }
}

static void pad_bytes(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    struct side *one = &side[pad];
    (void)ctx;
    (void)now_ns;
    one->now_ns = live_now_ns();
    wire_decoder_feed(&one->sent, bytes, len, on_sent, one);
    (void)!write(one->fd, bytes, len);
}

static void pad_touched(void *ctx, int pad, int64_t at_ns, int press)
{
    (void)ctx;
    side[pad].touched_ns[press] = at_ns;
    side[pad].touched = press;
    side[pad].waiting = true;
}

static void pad_lamp(void *ctx, int pad, int64_t at_ns, enum pad_lamp colour)
{
    struct side *one = &side[pad];
    (void)ctx;
    if (colour != PAD_LAMP_GREEN || !one->waiting)
        return;
    one->green_ms[one->green++] = (double)(at_ns - one->touched_ns[one->touched]) / 1e6;
    one->waiting = false;
}

static void pad_message(void *ctx, int pad, int64_t at_ns, const struct wire_message *message)
{
    (void)ctx;
    (void)pad;
    (void)at_ns;
    (void)message;
}

static void say_problem(void *ctx, int line, const char *text)
{
    (void)ctx;
    live_fail("the pad's script, line %d: %s", line, text);
}

static void pads_open(const struct live_daemon *daemon)
{
    static const char text[] = "seed 5\npad ours serial P-01 clock 1800ppm batch 1ms\n"
                               "pad floor serial P-02 clock -900ppm batch 1ms\nat 1 end\n";
    static const struct keypad_sink sink = {NULL, pad_bytes, pad_touched, pad_lamp, pad_message, pad_message};
    static struct script script;
    script_init(&script);
    (void)script_parse(&script, text, sizeof text - 1, say_problem, NULL);
    for (int i = 0; i < SIDES; i++) {
        char link[200];
        snprintf(link, sizeof link, "%s/pad-%s", daemon->folder, i == OURS ? "ours" : "floor");
        side[i].fd = live_pty(link);
        wire_decoder_init(&side[i].sent);
        wire_decoder_init(&side[i].got);
        side[i].pad = keypad_new(&script.pad[i], i, 5, NULL, &sink);
        if (side[i].pad == NULL)
            live_fail("no pad: %s", strerror(errno));
        keypad_power(side[i].pad, live_now_ns(), true);
        keypad_plug(side[i].pad, true);
    }
}

/* ---- the run ---- */

static void run_side(struct side *one, int64_t now_ns, bool pressing)
{
    uint8_t bytes[512];
    if (pressing && now_ns >= one->next_ns) {
        uint8_t key = (uint8_t)(one->presses % KEYS);
        if (keypad_press(one->pad, key, now_ns + TURN_NS, HELD_NS, one->presses)) {
            one->presses++;
        }
        /* not in step with what happens once a second */
        one->next_ns += APART_NS + (one->presses * INT64_C(7919) % 11 - 5) * INT64_C(1000000);
    }
    keypad_run(one->pad, now_ns);
    ssize_t got = read(one->fd, bytes, sizeof bytes);
    if (got <= 0)
        return;
    one->now_ns = live_now_ns();
    wire_decoder_feed(&one->got, bytes, (size_t)got, on_got, one);
    keypad_run(one->pad, one->now_ns);
    keypad_bytes(one->pad, one->now_ns, bytes, (size_t)got);
}

static void run_for(struct live_feeds *feeds, int64_t for_ns, bool pressing)
{
    int64_t now_ns = live_now_ns(), end_ns = now_ns + for_ns;
    for (int i = 0; i < SIDES; i++)
        side[i].next_ns = now_ns + i * APART_NS / SIDES;
    for (; now_ns < end_ns; now_ns = live_now_ns()) {
        struct pollfd look[SIDES];
        struct timespec turn = {.tv_nsec = TURN_NS};
        (void)live_feeds_run(feeds, now_ns);
        for (int i = 0; i < SIDES; i++) {
            run_side(&side[i], now_ns, pressing);
            look[i] = (struct pollfd){.fd = side[i].fd, .events = POLLIN};
        }
        (void)ppoll(look, SIDES, &turn, NULL);
    }
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double quantile(const double *from, int count, double part)
{
    static double sorted[PRESSES_MAX];
    memcpy(sorted, from, (size_t)count * sizeof *from);
    qsort(sorted, (size_t)count, sizeof *sorted, compare);
    int at = (int)(part * (count - 1) + 0.5);
    return count > 0 ? sorted[at] : 0;
}

static void say(const char *name, double part, double goal)
{
    double ms[SIDES];
    for (int i = 0; i < SIDES; i++)
        ms[i] = quantile(side[i].kept_ms + side[i].kept_from, side[i].kept - side[i].kept_from, part);
    bench_say(name, "ms", ms[OURS], ms[FLOOR], goal, "cost");
}

static void say_green(const char *name, double part)
{
    double ms[SIDES];
    for (int i = 0; i < SIDES; i++)
        ms[i] = quantile(side[i].green_ms + side[i].green_from, side[i].green - side[i].green_from, part);
    bench_say(name, "ms", ms[OURS], ms[FLOOR], 0, "show");
}

static void run_round(struct live_feeds *feeds, double seconds)
{
    for (int i = 0; i < SIDES; i++) {
        side[i].kept_from = side[i].kept;
        side[i].green_from = side[i].green;
    }
    run_for(feeds, (int64_t)(seconds * 1e9), true);
    run_for(feeds, INT64_C(200000000), false);
    say("key to kept, p50", 0.5, 1.5);
    say("key to kept, p99", 0.99, 2);
    say_green("contact to green, p50", 0.5);
    say_green("contact to green, p99", 0.99);
}

int main(int argc, char **argv)
{
    int rounds = argc > 1 ? atoi(argv[1]) : 5;
    double scale = argc > 2 ? atof(argv[2]) : 1;
    struct live_daemon daemon;
    struct live_feeds feeds;
    char sections[2048], more[ROOM];
    live_folder(&daemon);
    live_feeds_open(&feeds, sections, sizeof sections);
    snprintf(more, sizeof more, "[pad ours]\nport = pad-ours\nplan = %s/science.plan\nseat = science\n%s",
             live_plans(), sections);
    live_configure(&daemon, more);
    pads_open(&daemon);
    pid_t host = host_start(daemon.folder);
    live_start(&daemon);
    run_for(&feeds, INT64_C(800000000), false);
    for (int i = 0; i < rounds; i++)
        run_round(&feeds, 7.5 * scale);
    live_stop(&daemon);
    (void)kill(host, SIGKILL);
    (void)waitpid(host, NULL, 0);
    return side[OURS].kept > 0 && side[OURS].kept == side[OURS].presses ? 0 : 1;
}
