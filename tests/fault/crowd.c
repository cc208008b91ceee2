#include "crowd.h"

#include "campaign.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#define MS INT64_C(1000000)

enum { TURN_MS = 5 };

struct shared {
    atomic_bool come;
    atomic_llong connected[CROWD_KINDS], sent, taken;
};

struct peer {
    enum crowd_kind kind;
    int fd; /* -1: none */
    int64_t next_ns;
};

struct crowd {
    struct shared *shared;
    pid_t pid;
    struct sockaddr_un address;
    struct peer *peer;
    int peers;
    uint64_t chance;
};

const char *crowd_kind_name(enum crowd_kind kind)
{
    static const char *const names[CROWD_KINDS] = {"stall", "send garbage", "half-open", "read slowly",
                                                   "come and go"};
    return names[kind];
}

static void say(struct crowd *crowd, struct peer *peer, const void *bytes, size_t len)
{
    ssize_t sent = send(peer->fd, bytes, len, MSG_DONTWAIT | MSG_NOSIGNAL);
    if (sent > 0)
        atomic_fetch_add(&crowd->shared->sent, sent);
}

static void leave(struct peer *peer)
{
    if (peer->fd >= 0)
        (void)close(peer->fd);
    peer->fd = -1;
}

static void subscribe(struct crowd *crowd, struct peer *peer)
{
    static const char text[] =
        "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":0}}\n";
    say(crowd, peer, text, sizeof text - 1);
}

static void connect_peer(struct crowd *crowd, struct peer *peer)
{
    peer->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (peer->fd < 0 || connect(peer->fd, (struct sockaddr *)&crowd->address, sizeof crowd->address) != 0) {
        leave(peer);
        return;
    }
    atomic_fetch_add(&crowd->shared->connected[peer->kind], 1);
    if (peer->kind == CROWD_HALF) {
        say(crowd, peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"meth", 29);
        if (campaign_range(&crowd->chance, 0, 1) == 0)
            (void)shutdown(peer->fd, SHUT_WR);
    } else if (peer->kind != CROWD_GARBAGE) {
        subscribe(crowd, peer);
    }
}

static void send_garbage(struct crowd *crowd, struct peer *peer)
{
    char bytes[512];
    size_t len = (size_t)campaign_range(&crowd->chance, 1, sizeof bytes);
    for (size_t i = 0; i < len; i++)
        bytes[i] = (char)campaign_random(&crowd->chance);
    bytes[len - 1] = '\n';
    say(crowd, peer, bytes, len);
}

/* True: the daemon has hung up. */
static bool take(struct crowd *crowd, struct peer *peer, size_t most)
{
    char bytes[4096];
    ssize_t got = recv(peer->fd, bytes, most < sizeof bytes ? most : sizeof bytes, MSG_DONTWAIT);
    if (got > 0)
        atomic_fetch_add(&crowd->shared->taken, got);
    return got == 0 || (got < 0 && errno != EAGAIN);
}

static void act(struct crowd *crowd, struct peer *peer, int64_t now_ns)
{
    if (now_ns < peer->next_ns)
        return;
    peer->next_ns = now_ns + campaign_range(&crowd->chance, 5, 50) * MS;
    if (peer->fd < 0) {
        connect_peer(crowd, peer);
        return;
    }
    switch (peer->kind) {
    case CROWD_GARBAGE:
        send_garbage(crowd, peer);
        if (take(crowd, peer, 4096))
            leave(peer);
        break;
    case CROWD_SLOW:
        if (take(crowd, peer, 100))
            leave(peer);
        break;
    case CROWD_STORM:
        leave(peer);
        break;
    default:
        break;
    }
}

static void live(struct crowd *crowd)
{
    pid_t parent = getppid();
    while (getppid() == parent) {
        int64_t now_ns = campaign_clock_ns();
        bool come = atomic_load(&crowd->shared->come);
        for (int i = 0; i < crowd->peers; i++) {
            if (come)
                act(crowd, &crowd->peer[i], now_ns);
            else
                leave(&crowd->peer[i]);
        }
        (void)poll(NULL, 0, TURN_MS);
    }
    _exit(0);
}

struct crowd *crowd_new(const char *socket, int peers, uint64_t seed)
{
    struct crowd *crowd = calloc(1, sizeof *crowd);
    if (crowd == NULL)
        abort();
    crowd->peers = peers;
    crowd->chance = seed;
    crowd->peer = calloc((size_t)peers, sizeof *crowd->peer);
    crowd->address.sun_family = AF_UNIX;
    snprintf(crowd->address.sun_path, sizeof crowd->address.sun_path, "%s", socket);
    crowd->shared =
        mmap(NULL, sizeof *crowd->shared, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (crowd->peer == NULL || crowd->shared == MAP_FAILED)
        abort();
    for (int i = 0; i < peers; i++)
        crowd->peer[i] = (struct peer){.kind = (enum crowd_kind)(i % CROWD_KINDS), .fd = -1};
    crowd->pid = fork();
    if (crowd->pid == 0)
        live(crowd);
    if (crowd->pid < 0)
        abort();
    return crowd;
}

void crowd_come(struct crowd *crowd, bool come)
{
    atomic_store(&crowd->shared->come, come);
}

void crowd_count(const struct crowd *crowd, struct crowd_count *out)
{
    for (int kind = 0; kind < CROWD_KINDS; kind++)
        out->connected[kind] = atomic_load(&crowd->shared->connected[kind]);
    out->sent = atomic_load(&crowd->shared->sent);
    out->taken = atomic_load(&crowd->shared->taken);
}

void crowd_free(struct crowd *crowd)
{
    int status;
    (void)kill(crowd->pid, SIGKILL);
    (void)waitpid(crowd->pid, &status, 0);
    (void)munmap(crowd->shared, sizeof *crowd->shared);
    free(crowd->peer);
    free(crowd);
}
