/*
 * Burst: four pads that were cut off come back, each with 64 presses, and offer them as the protocol has it, 8 unanswered at a time, on lines of
 * 115200 baud. From the first byte to the last *kept*. Beside it what cannot be saved: the time of 64 frames on a line, and the same rows
 * written by plain SQLite in one transaction.
 */
#include "bench.h"
#include "live_daemon.h"
#include "live_pad.h"
#include "live_rows.h"

#include <poll.h>
#include <stdbool.h>
#include <stdlib.h>
#include <time.h>

enum { PADS = 4, PRESSES = 64, LATER = 11, ROOM = 2048 };
#define LONGEST_NS INT64_C(20000000000)

static struct live_pad pad[PADS];

static uint32_t run_all(int64_t *wait_ns)
{
    uint32_t kept = 0;
    *wait_ns = INT64_C(100000000);
    for (int i = 0; i < PADS; i++) {
        int64_t due_ns = live_pad_run(&pad[i]);
        *wait_ns = due_ns < *wait_ns ? due_ns : *wait_ns;
        kept += pad[i].kept;
    }
    return kept;
}

/* Runs the pads until `kept` presses are answered in all, or until that instant. */
static void run_until(uint32_t kept, int64_t end_ns)
{
    int64_t wait_ns;
    while (run_all(&wait_ns) < kept && live_now_ns() < end_ns) {
        struct pollfd look[PADS];
        struct timespec wait = {.tv_nsec = (long)wait_ns};
        for (int i = 0; i < PADS; i++)
            look[i] = (struct pollfd){.fd = pad[i].fd, .events = POLLIN};
        (void)ppoll(look, PADS, &wait, NULL);
    }
}

static void open_pads(const struct live_daemon *daemon, char *sections, size_t size)
{
    size_t len = 0;
    for (int i = 0; i < PADS; i++) {
        char link[200], serial[8];
        snprintf(link, sizeof link, "%s/pad-%d", daemon->folder, i);
        snprintf(serial, sizeof serial, "P-%02d", i + 1);
        live_pad_open(&pad[i], link, serial);
        len += (size_t)snprintf(sections + len, size - len,
                                "[pad p%d]\nport = pad-%d\nbaud = 0\nplan = %s/science.plan\nseat = seat%d\n",
                                i, i, live_plans(), i);
    }
}

static void run_round(const struct live_daemon *daemon, uint32_t before, const char *what, double goal)
{
    char peer[200], name[96];
    int64_t from = live_int(daemon, "SELECT max(seq) FROM journal");
    double begun = bench_wall_s();
    for (int i = 0; i < PADS; i++)
        live_pad_press(&pad[i], PRESSES);
    run_until(before + PADS * PRESSES, live_now_ns() + LONGEST_NS);
    double ours = bench_wall_s() - begun;
    struct live_rows *rows = live_rows_read(daemon->database, from, INT64_MAX);
    snprintf(peer, sizeof peer, "%s/peer.db", daemon->folder);
    double written = live_rows_write(rows, peer, SIZE_MAX);
    double line = live_pad_line_s(PRESSES);
    snprintf(name, sizeof name, "burst of 4 x 64 presses%s", what);
    bench_say(name, "ms", ours * 1e3, (written + line) * 1e3, goal, goal > 0 ? "cost" : "show");
    live_rows_free(rows);
}

int main(int argc, char **argv)
{
    int rounds = argc > 1 ? atoi(argv[1]) : 5, bursts = 0;
    double scale = argc > 2 ? atof(argv[2]) : 1;
    struct live_daemon daemon;
    char sections[ROOM];
    live_folder(&daemon);
    open_pads(&daemon, sections, sizeof sections);
    live_configure(&daemon, sections);
    live_start(&daemon);
    for (int i = 0; i < PADS; i++)
        live_pty_opened(pad[i].fd);
    run_until(1, live_now_ns() + INT64_C(800000000)); /* hello, and the first pings */
    for (int i = 0; i < rounds; i++) {
        live_new_dive(&daemon, i);
        run_round(&daemon, (uint32_t)bursts++ * PADS * PRESSES, "", 1.5);
        run_until(UINT32_MAX, live_now_ns() + INT64_C(200000000));
    }
    /* the same late in a dive: each press that comes late puts the whole dive in order again */
    while (scale >= 1 && bursts < rounds + LATER) {
        bool told = bursts >= rounds + LATER - 3;
        run_round(&daemon, (uint32_t)bursts++ * PADS * PRESSES,
                  told ? ", 2,500 in the dive" : ", 1,000 in the dive", 0);
        run_until(UINT32_MAX, live_now_ns() + INT64_C(200000000));
    }
    int missing = bursts * PADS * PRESSES - (int)live_int(&daemon, "SELECT count(*) FROM marker");
    live_stop(&daemon);
    if (missing != 0)
        live_fail("burst: %d presses are missing", missing);
    return 0;
}
