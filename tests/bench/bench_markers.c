/*
 * Sustained markers: soft presses over the unix socket, so many unanswered at a time; an answer comes when the press is on disk. Beside it the
 * same rows written by plain SQLite, in groups as large as the largest that ours makes.
 */
#include "bench.h"
#include "live_daemon.h"
#include "live_feeds.h"
#include "live_pad.h"
#include "live_rows.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { UNANSWERED = 1000, GROUP = 1024, ROOM = 1 << 16 };

struct client {
    int fd;
    struct live_feeds *feeds;
    int sent, answered;
    char out[ROOM];
    size_t out_len, out_at;
};

static void fill(struct client *client, int presses)
{
    static const char *const keys[] = {"A1", "A2", "A3", "C1", "A4", "B1", "C2", "C3"};
    if (client->out_at < client->out_len)
        return;
    client->out_at = client->out_len = 0;
    while (client->sent < presses && client->sent - client->answered < UNANSWERED &&
           client->out_len + 128 < ROOM) {
        client->out_len += (size_t)snprintf(
            client->out + client->out_len, ROOM - client->out_len,
            "{\"jsonrpc\":\"2.0\",\"id\":%d,\"method\":\"press\",\"params\":{\"key\":\"%s\"}}\n",
            client->sent, keys[client->sent % 8]);
        client->sent++;
    }
}

static void send_some(struct client *client)
{
    if (client->out_at == client->out_len)
        return;
    ssize_t put =
        send(client->fd, client->out + client->out_at, client->out_len - client->out_at, MSG_DONTWAIT);
    if (put > 0)
        client->out_at += (size_t)put;
    else if (errno != EAGAIN)
        live_fail("the socket took no more: %s", strerror(errno));
}

static void take_answers(struct client *client)
{
    static char in[ROOM];
    ssize_t got = recv(client->fd, in, sizeof in - 1, MSG_DONTWAIT);
    if (got == 0)
        live_fail("the daemon closed the connection");
    in[got > 0 ? got : 0] = '\0';
    if (strstr(in, "\"error\"") != NULL)
        live_fail("a press was refused: %s", in);
    for (const char *at = in; (at = strchr(at, '\n')) != NULL; at++)
        client->answered++;
}

/* Seconds. */
static double press(struct client *client, int presses)
{
    client->sent = client->answered = 0;
    double begun = bench_wall_s();
    while (client->answered < presses) {
        int64_t due_ns = live_feeds_run(client->feeds, live_now_ns());
        fill(client, presses);
        send_some(client);
        short events = client->out_at < client->out_len ? POLLIN | POLLOUT : POLLIN;
        struct pollfd look = {.fd = client->fd, .events = events};
        (void)poll(&look, 1, (int)(due_ns / 1000000) + 1);
        if (look.revents & POLLIN)
            take_answers(client);
    }
    return bench_wall_s() - begun;
}

/* One stretch of presses, and its rows written by the peer. */
static void run_round(struct client *client, const struct live_daemon *daemon, int presses, const char *what,
                      double goal)
{
    char peer[200], name[96];
    int64_t from = live_int(daemon, "SELECT max(seq) FROM journal");
    double cpu = live_cpu_s(daemon->pid);
    double ours = press(client, presses);
    cpu = live_cpu_s(daemon->pid) - cpu;
    int64_t upto = live_int(daemon, "SELECT max(seq) FROM journal");
    struct live_rows *rows = live_rows_read(daemon->database, from, upto);
    snprintf(peer, sizeof peer, "%s/peer.db", daemon->folder);
    double peer_cpu = bench_cpu_s();
    double theirs = live_rows_write(rows, peer, GROUP);
    peer_cpu = bench_cpu_s() - peer_cpu;
    double count = (double)live_rows_count(rows);
    snprintf(name, sizeof name, "markers%s: rows", what);
    bench_say(name, "rows/s", count / ours, count / theirs, goal, goal > 0 ? "rate" : "show");
    snprintf(name, sizeof name, "markers%s: presses", what);
    bench_say(name, "presses/s", presses / ours, presses / theirs, 0, "show");
    snprintf(name, sizeof name, "markers%s: processor", what);
    bench_say(name, "us/row", cpu / count * 1e6, peer_cpu / count * 1e6, 0, "show");
    if (goal > 0)
        bench_say("markers: rows, at least", "rows/s", count / ours, 0, 20000, "least");
    live_rows_free(rows);
}

int main(int argc, char **argv)
{
    int rounds = argc > 1 ? atoi(argv[1]) : 5;
    double scale = argc > 2 ? atof(argv[2]) : 1;
    struct live_daemon daemon;
    struct live_feeds feeds;
    char sections[2048], more[4096];
    static struct client client;
    live_folder(&daemon);
    live_feeds_open(&feeds, sections, sizeof sections);
    snprintf(more, sizeof more, "[pad soft]\nport = no-pad\nplan = %s/science.plan\nseat = science\n%s",
             live_plans(), sections);
    live_configure(&daemon, more);
    live_start(&daemon);
    client.feeds = &feeds;
    client.fd = live_connect(daemon.socket);
    for (int i = 0; i < rounds; i++) {
        live_new_dive(&daemon, i);
        run_round(&client, &daemon, (int)(10000 * scale), "", 0.7);
    }
    for (int growth = 1; growth <= 100 && scale >= 1; growth *= 10) {
        char what[32];
        snprintf(what, sizeof what, ", a dive of %d", 500 * growth);
        live_new_dive(&daemon, 500 + growth);
        run_round(&client, &daemon, 500 * growth, what, 0);
    }
    live_stop(&daemon);
    return 0;
}
