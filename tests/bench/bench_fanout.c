/*
 * Fan-out: one marker's event to 1,000 TCP and 1,000 unix subscribers. Ours is the daemon's socket server in a process of its own, told by a
 * pipe how many events to publish. Beside it a bare epoll loop that writes the same bytes, one write an event and subscriber. And a mosquitto
 * broker (QoS 0, 1,000 subscribers over TCP) that gets the same bytes from one publisher, beside a second server of ours with 1,000 subscribers
 * over TCP. All stand at the same time; this process holds all subscribers and counts what they get.
 *
 *   paced      10 events a second to each in turn; from the order to publish until the last subscriber has it
 *   flat out   events as fast as they are taken; deliveries a second, and processor time of the server a delivery
 *   growth     the same with a hundredth and a tenth of the subscribers, or of the events (full runs only)
 *   kept       a press's way from the pad's line to *kept*, in a daemon with and without 2,000 subscribers (full runs, or
 *              alone:  bench_fanout ROUNDS 1 kept)
 */
#include "bench.h"
#include "bench_fanout_event.h"
#include "live_crowd.h"
#include "live_daemon.h"
#include "live_pad.h"

#include "io/event_text.h"
#include "io/log.h"
#include "io/socket.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <unistd.h>

enum {
    SUBSCRIBERS = 2000,
    TCP_SUBSCRIBERS = 1000,
    PACE_NS = 100000000,
    FLAT_EVENTS = 400,
    SAMPLES_MAX = 4096
};
/* events of one commit: what the writer thread took together while the last one was synced */
enum { GROUP = 16 };
#define SEQ_FIRST INT64_C(1000000) /* every seq has as many digits as the next */

enum who { OURS, BARE, OURS_TCP, BROKER, SIDES };

struct side {
    pid_t pid; /* 0: there is none */
    int order; /* where to write how many events are wanted */
    struct live_crowd crowd;
    size_t event_bytes; /* as one subscriber gets it */
    int64_t seq;
    double paced_ms[SAMPLES_MAX];
    int paced;
};

static struct live_daemon place;

/* ---- the event ---- */

static struct entry entry;

static size_t event_line(int64_t seq, char *out, size_t size)
{
    entry.seq = seq;
    return event_json(&entry, out, size);
}

static struct event_text *event_text(int64_t seq)
{
    static char json[EVENT_BYTES_MAX];
    size_t len = event_line(seq, json, sizeof json);
    return event_text_new(seq, ENTRY_MARKER, json, len);
}

/* ---- ours ---- */

struct ours {
    uv_loop_t loop;
    uv_poll_t orders;
    uv_check_t turn;
    struct socket_server *socket;
    int order, tell;
    int64_t seq, left;
};

static const char *no_dive(void *ctx)
{
    (void)ctx;
    return "B001";
}

static void no_status(void *ctx, socket_line_fn *line, void *line_ctx)
{
    (void)ctx;
    (void)line;
    (void)line_ctx;
}

static bool no_journal(void *ctx, int64_t after, int64_t upto, socket_row_fn *row, void *row_ctx,
                       char why[SOCKET_WHY_SIZE])
{
    (void)ctx;
    (void)after;
    (void)upto;
    (void)row;
    (void)row_ctx;
    snprintf(why, SOCKET_WHY_SIZE, "there is no journal here");
    return false;
}

/* One commit a turn of the loop, as they come from the store. */
static void on_our_turn(uv_check_t *turn)
{
    struct ours *ours = turn->data;
    static char json[EVENT_BYTES_MAX];
    for (int i = 0; i < GROUP && ours->left > 0; i++, ours->left--) {
        int64_t seq = ++ours->seq;
        size_t len = event_line(seq, json, sizeof json);
        socket_stage(ours->socket, seq, ENTRY_MARKER, json, len);
    }
    socket_publish(ours->socket, ours->seq);
    if (ours->left == 0)
        uv_check_stop(turn);
}

static void on_our_order(uv_poll_t *orders, int status, int happened)
{
    struct ours *ours = orders->data;
    int64_t events;
    (void)status;
    (void)happened;
    if (read(ours->order, &events, sizeof events) != (ssize_t)sizeof events)
        _exit(0);
    ours->left += events;
    uv_check_start(&ours->turn, on_our_turn);
}

static void no_log(void *ctx, enum log_level level, const char *text)
{
    (void)ctx;
    (void)level;
    (void)text;
}

static void run_ours(int order, int tell)
{
    static struct ours ours;
    char path[200], why[SOCKET_WHY_SIZE];
    snprintf(path, sizeof path, "%s/ours-%d", place.folder, (int)getpid());
    struct socket_config config = {
        .unix_path = path, .tcp_host = "127.0.0.1", .connections = SUBSCRIBERS + 8};
    struct socket_backend backend = {.status = no_status, .dive = no_dive, .journal = no_journal};
    ours = (struct ours){.order = order, .tell = tell, .seq = SEQ_FIRST};
    log_divert(no_log, NULL);
    uv_loop_init(&ours.loop);
    if (socket_start(&ours.socket, &ours.loop, &config, &backend, SEQ_FIRST, why) != 0)
        live_fail("%s", why);
    uv_check_init(&ours.loop, &ours.turn);
    uv_poll_init(&ours.loop, &ours.orders, order);
    ours.turn.data = ours.orders.data = &ours;
    uv_poll_start(&ours.orders, UV_READABLE, on_our_order);
    int port = socket_tcp_port(ours.socket);
    (void)!write(tell, &port, sizeof port);
    uv_run(&ours.loop, UV_RUN_DEFAULT);
}

/* ---- the bare loop ---- */

struct bare_peer {
    int fd;
    int64_t at; /* the event that it gets next, and how much of it it has */
    size_t part;
    bool blocked;
};

struct bare {
    int epoll, order;
    struct bare_peer peer[SUBSCRIBERS];
    int peers;
    struct event_text *event[FLAT_EVENTS + 1];
    int64_t first, next; /* those that are held */
};

static void bare_watch(struct bare *bare, struct bare_peer *peer, bool blocked)
{
    struct epoll_event event = {.events = blocked ? EPOLLOUT : 0, .data.ptr = peer};
    if (peer->blocked == blocked)
        return;
    peer->blocked = blocked;
    (void)epoll_ctl(bare->epoll, EPOLL_CTL_MOD, peer->fd, &event);
}

/* One write. False: the peer takes no more now. */
static bool bare_write(struct bare *bare, struct bare_peer *peer)
{
    const struct event_text *event = bare->event[peer->at - bare->first];
    ssize_t sent = write(peer->fd, event->bytes + peer->part, event->len - peer->part);
    peer->part += sent > 0 ? (size_t)sent : 0;
    if (peer->part < event->len) {
        bare_watch(bare, peer, true);
        return false;
    }
    peer->part = 0;
    peer->at++;
    return true;
}

static void bare_publish(struct bare *bare, int64_t events)
{
    for (int64_t i = bare->first; i < bare->next; i++)
        event_text_drop(bare->event[i - bare->first]);
    bare->first = bare->next;
    for (; events > 0; events--, bare->next++)
        bare->event[bare->next - bare->first] = event_text(bare->next);
    for (int64_t at = bare->first; at < bare->next; at++)
        for (int i = 0; i < bare->peers; i++)
            if (!bare->peer[i].blocked && bare->peer[i].at == at)
                (void)bare_write(bare, &bare->peer[i]);
}

static int bare_listen(int *port)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof at;
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    if (fd < 0 || bind(fd, (struct sockaddr *)&at, sizeof at) != 0 || listen(fd, 128) != 0 ||
        getsockname(fd, (struct sockaddr *)&at, &size) != 0)
        live_fail("bare loop: %s", strerror(errno));
    *port = ntohs(at.sin_port);
    return fd;
}

static int bare_listen_unix(const char *path)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    snprintf(at.sun_path, sizeof at.sun_path, "%s", path);
    if (fd < 0 || bind(fd, (struct sockaddr *)&at, sizeof at) != 0 || listen(fd, 128) != 0)
        live_fail("bare loop: %s: %s", path, strerror(errno));
    return fd;
}

static void bare_accept(struct bare *bare, const int listener[2])
{
    while (bare->peers < SUBSCRIBERS) {
        int yes = 1, is_tcp = bare->peers % 2;
        struct bare_peer *peer = &bare->peer[bare->peers++];
        *peer = (struct bare_peer){.fd = accept4(listener[is_tcp], NULL, NULL, SOCK_NONBLOCK),
                                   .at = SEQ_FIRST + 1};
        struct epoll_event event = {.data.ptr = peer};
        if (peer->fd < 0 || epoll_ctl(bare->epoll, EPOLL_CTL_ADD, peer->fd, &event) != 0)
            live_fail("bare loop: %s", strerror(errno));
        if (is_tcp)
            (void)setsockopt(peer->fd, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    }
}

static void run_bare(int order, int tell)
{
    static struct bare bare;
    int port, listener[2];
    int64_t events;
    char path[200];
    snprintf(path, sizeof path, "%s/bare", place.folder);
    bare = (struct bare){
        .epoll = epoll_create1(0), .order = order, .first = SEQ_FIRST + 1, .next = SEQ_FIRST + 1};
    listener[0] = bare_listen_unix(path);
    listener[1] = bare_listen(&port);
    (void)!write(tell, &port, sizeof port);
    bare_accept(&bare, listener);
    struct epoll_event event = {.events = EPOLLIN, .data.ptr = &bare};
    (void)epoll_ctl(bare.epoll, EPOLL_CTL_ADD, order, &event);
    for (;;) {
        struct epoll_event ready[256];
        int count = epoll_wait(bare.epoll, ready, 256, -1);
        for (int i = 0; i < count; i++) {
            struct bare_peer *peer = ready[i].data.ptr;
            if (ready[i].data.ptr == &bare) {
                if (read(order, &events, sizeof events) != (ssize_t)sizeof events)
                    _exit(0);
                bare_publish(&bare, events);
                continue;
            }
            bare_watch(&bare, peer, false);
            while (peer->at < bare.next && bare_write(&bare, peer))
                ;
        }
    }
}

/* ---- a server in a child ---- */

static int start_child(struct side *side, void (*run)(int order, int tell))
{
    int order[2], tell[2], port;
    pid_t parent = getpid();
    if (pipe2(order, O_CLOEXEC) != 0 || pipe2(tell, O_CLOEXEC) != 0)
        live_fail("pipe: %s", strerror(errno));
    side->pid = fork();
    if (side->pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        if (getppid() != parent)
            _exit(1);
        close(order[1]);
        run(order[0], tell[1]);
        _exit(0);
    }
    close(order[0]);
    close(tell[1]);
    if (read(tell[0], &port, sizeof port) != (ssize_t)sizeof port)
        live_fail("a server did not start");
    close(tell[0]);
    side->order = order[1];
    return port;
}

static void end_side(struct side *side)
{
    live_crowd_close(&side->crowd);
    close(side->order);
    (void)kill(side->pid, SIGKILL);
    (void)waitpid(side->pid, NULL, 0);
    side->pid = 0;
}

/* Half of the subscribers over the unix socket, half over TCP, in turn; or all over TCP. */
static void join_crowd(struct side *side, const char *path, int port, int count, const char *hello)
{
    live_crowd_open(&side->crowd);
    for (int i = 0; i < count; i++) {
        bool is_tcp = path == NULL || i % 2 == 1;
        live_crowd_join(&side->crowd, is_tcp ? live_crowd_tcp(port) : live_connect(path), hello,
                        strlen(hello), 0);
    }
}

static void start_ours(struct side *side, int count, bool all_tcp)
{
    char path[200];
    *side = (struct side){.seq = SEQ_FIRST};
    int port = start_child(side, run_ours);
    snprintf(path, sizeof path, "%s/ours-%d", place.folder, (int)side->pid);
    join_crowd(side, all_tcp ? NULL : path, port, count,
               "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}\n");
    struct event_text *event = event_text(SEQ_FIRST);
    side->event_bytes = event->len;
    event_text_drop(event);
}

static void start_bare(struct side *side)
{
    char path[200];
    int port = start_child(side, run_bare);
    snprintf(path, sizeof path, "%s/bare", place.folder);
    join_crowd(side, path, port, SUBSCRIBERS, "");
}

/* ---- the broker ---- */

static const char CONNECT[] =
    "\x10\x10\0\x04MQTT\x04\x02\0\0\0\x04"; /* 3.1.1, clean session; four characters of id follow */
static const char SUBSCRIBE_ALL[] = "\x82\x06\0\x01\0\x01"
                                    "e\0"; /* topic "e", QoS 0 */

static int mqtt_hello(int number, char out[64])
{
    size_t len = sizeof CONNECT - 1;
    memcpy(out, CONNECT, len);
    snprintf(out + len, 8, "%04d", number);
    len += 4;
    memcpy(out + len, SUBSCRIBE_ALL, sizeof SUBSCRIBE_ALL - 1);
    return (int)(len + sizeof SUBSCRIBE_ALL - 1);
}

static size_t mqtt_publish(const struct event_text *event, char *out)
{
    size_t rest = 3 + event->len;
    out[0] = 0x30;
    out[1] = (char)(0x80 | (rest & 0x7F)); /* two bytes of length: 128 to 16,383 */
    out[2] = (char)(rest >> 7);
    out[3] = 0;
    out[4] = 1;
    out[5] = 'e';
    memcpy(out + 6, event->bytes, event->len);
    return 6 + event->len;
}

static int free_port(void)
{
    int port;
    close(bare_listen(&port));
    return port;
}

static void broker_run(int port)
{
    char path[200];
    snprintf(path, sizeof path, "%s/broker.conf", place.folder);
    FILE *out = fopen(path, "w");
    if (out == NULL)
        _exit(1);
    fprintf(out,
            "listener %d 127.0.0.1\nallow_anonymous true\npersistence false\nlog_type none\nuser root\n"
            "set_tcp_nodelay true\nmax_queued_messages 0\nmax_queued_bytes 0\n",
            port);
    fclose(out);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    int quiet = open("/dev/null", O_WRONLY);
    dup2(quiet, 2);
    execlp("mosquitto", "mosquitto", "-c", path, (char *)NULL);
    execl("/usr/sbin/mosquitto", "mosquitto", "-c", path, (char *)NULL);
    _exit(127);
}

static void start_broker(struct side *side)
{
    char hello[64];
    int port = free_port(), fd = -1;
    *side = (struct side){.seq = SEQ_FIRST, .order = -1};
    side->pid = fork();
    if (side->pid == 0)
        broker_run(port);
    for (int i = 0; fd < 0 && i < 5000; i++) {
        usleep(1000);
        fd = live_crowd_tcp(port);
        if (waitpid(side->pid, NULL, WNOHANG) != 0)
            break;
    }
    if (fd < 0) {
        fprintf(stderr, "fanout: no mosquitto to be had (Debian package mosquitto): its rows are left out\n");
        side->pid = 0;
        return;
    }
    live_crowd_open(&side->crowd);
    for (int i = 0; i < TCP_SUBSCRIBERS; i++) {
        int len = mqtt_hello(i, hello);
        live_crowd_join(&side->crowd, live_crowd_tcp(port), hello, (size_t)len, 4 + 5);
    }
    (void)mqtt_hello(9999, hello);
    if (write(fd, hello, sizeof CONNECT - 1 + 4) < 0 || read(fd, hello, 4) != 4)
        live_fail("the broker took no publisher");
    side->order = side->crowd.out_fd = fd;
    struct event_text *event = event_text(SEQ_FIRST);
    side->event_bytes = 6 + event->len;
    event_text_drop(event);
}

static void order_broker(struct side *side, int64_t events)
{
    static char room[FLAT_EVENTS * 4096];
    size_t len = 0;
    for (int64_t i = 0; i < events; i++) {
        struct event_text *event = event_text(++side->seq);
        len += mqtt_publish(event, room + len);
        event_text_drop(event);
    }
    side->crowd.out = room;
    side->crowd.out_left = len;
}

/* ---- measuring ---- */

/* Seconds until every subscriber has so many events more. */
static double deliver(struct side *side, enum who who, int64_t events)
{
    side->crowd.got = 0;
    if (who == BROKER)
        order_broker(side, events);
    double begun = bench_wall_s();
    if (who != BROKER && write(side->order, &events, sizeof events) != (ssize_t)sizeof events)
        live_fail("a server takes no orders");
    uint64_t bytes = (uint64_t)events * (uint64_t)side->crowd.count * side->event_bytes;
    if (!live_crowd_await(&side->crowd, bytes) || side->crowd.got != bytes)
        live_fail("side %d: %llu of %llu bytes came", (int)who, (unsigned long long)side->crowd.got,
                  (unsigned long long)bytes);
    return bench_wall_s() - begun;
}

static double cpu_of(pid_t pid)
{
    clockid_t clock;
    struct timespec used;
    if (clock_getcpuclockid(pid, &clock) != 0 || clock_gettime(clock, &used) != 0)
        return 0;
    return (double)used.tv_sec + (double)used.tv_nsec / 1e9;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double quantile(double *from, int count, double part)
{
    qsort(from, (size_t)count, sizeof *from, compare);
    return count > 0 ? from[(int)(part * (count - 1) + 0.5)] : 0;
}

/* Each gets ten a second, a part of the pace apart, so that none works while another is measured. */
static void paced_round(struct side side[SIDES], int events)
{
    double p50[SIDES] = {0}, p99[SIDES] = {0};
    int64_t at_ns = live_now_ns();
    for (int i = 0; i < SIDES; i++)
        side[i].paced = 0;
    for (int event = 0; event < events; event++)
        for (int i = 0; i < SIDES; i++, at_ns += PACE_NS / SIDES) {
            int64_t wait_ns = at_ns - live_now_ns();
            if (wait_ns > 0)
                usleep((unsigned)(wait_ns / 1000));
            if (side[i].pid != 0)
                side[i].paced_ms[side[i].paced++] = deliver(&side[i], (enum who)i, 1) * 1e3;
        }
    for (int i = 0; i < SIDES; i++) {
        p50[i] = quantile(side[i].paced_ms, side[i].paced, 0.5);
        p99[i] = quantile(side[i].paced_ms, side[i].paced, 0.99);
    }
    bench_say("fan-out at 10/s: last of 2,000, p50, by bare loop", "ms", p50[OURS], p50[BARE], 0, "show");
    bench_say("fan-out at 10/s: last of 2,000, p99, by bare loop", "ms", p99[OURS], p99[BARE], 1.3, "cost");
    if (side[BROKER].pid == 0)
        return;
    bench_say("fan-out at 10/s: last of 1,000, p99, by mosquitto", "ms", p99[OURS_TCP], p99[BROKER], 1,
              "cost");
    bench_say("fan-out at 10/s: 2,000, p99, by mosquitto's 1,000", "ms", p99[OURS], p99[BROKER], 0, "show");
}

struct flat {
    double per_s, cpu_us; /* deliveries a second; of the server, each */
};

static struct flat flat_out(struct side *side, enum who who, int events)
{
    double cpu_s = cpu_of(side->pid);
    double wall_s = deliver(side, who, events);
    double deliveries = (double)events * side->crowd.count;
    return (struct flat){deliveries / wall_s, (cpu_of(side->pid) - cpu_s) * 1e6 / deliveries};
}

static void flat_round(struct side side[SIDES], int events)
{
    struct flat flat[SIDES] = {{0, 0}};
    for (int i = 0; i < SIDES; i++)
        if (side[i].pid != 0)
            flat[i] = flat_out(&side[i], (enum who)i, events);
    const struct flat *ours = &flat[OURS], *bare = &flat[BARE], *tcp = &flat[OURS_TCP],
                      *broker = &flat[BROKER];
    bench_say("fan-out flat out, by bare loop", "deliveries/s", ours->per_s, bare->per_s, 1.5, "rate");
    bench_say("fan-out flat out: processor, by bare loop", "us a delivery", ours->cpu_us, bare->cpu_us, 0,
              "show");
    if (side[BROKER].pid == 0)
        return;
    bench_say("fan-out flat out, 1,000 TCP, by mosquitto", "deliveries/s", tcp->per_s, broker->per_s, 3,
              "rate");
    bench_say("fan-out flat out: processor, by mosquitto", "us a delivery", tcp->cpu_us, broker->cpu_us,
              1.0 / 3, "cost");
}

/* ---- growth ---- */

static void say_growth(const char *what, const double seconds[3])
{
    char name[80];
    snprintf(name, sizeof name, "fan-out growth by %s, exponent 1x to 10x", what);
    bench_say(name, "", log10(seconds[1] / seconds[0]), 1, 0, "show");
    snprintf(name, sizeof name, "fan-out growth by %s, exponent 10x to 100x", what);
    bench_say(name, "", log10(seconds[2] / seconds[1]), 1, 0, "show");
}

static void growth_round(void)
{
    static struct side side;
    double seconds[3];
    for (int i = 0, count = SUBSCRIBERS / 100; i < 3; i++, count *= 10) {
        start_ours(&side, count, false);
        seconds[i] = deliver(&side, OURS, FLAT_EVENTS);
        if (i < 2)
            end_side(&side);
    }
    say_growth("subscribers", seconds);
    for (int i = 0, events = FLAT_EVENTS / 100; i < 3; i++, events *= 10)
        seconds[i] = deliver(&side, OURS, events);
    say_growth("events", seconds);
    end_side(&side);
}

/* ---- kept ---- */

/* One press from the line to *kept*; soft presses are made beside, which keep a fan-out going. */
static double kept_ms(struct live_pad *pad, int socket, int soft)
{
    static const char press[] =
        "{\"jsonrpc\":\"2.0\",\"method\":\"press\",\"params\":{\"key\":\"A1\",\"seat\":\"science\"}}\n";
    for (int i = 0; i < soft; i++)
        (void)!write(socket, press, sizeof press - 1);
    uint32_t kept = pad->kept;
    double begun = bench_wall_s();
    live_pad_press(pad, 1);
    while (pad->kept == kept) {
        struct pollfd look = {.fd = pad->fd, .events = POLLIN};
        (void)live_pad_run(pad);
        if (pad->kept == kept && poll(&look, 1, 5000) == 0)
            live_fail("a press was not kept within 5 s");
    }
    double ms = (bench_wall_s() - begun) * 1e3;
    for (int64_t until_ns = live_now_ns() + 45000000; live_now_ns() < until_ns; usleep(2000))
        (void)live_pad_run(pad);
    return ms;
}

static void kept_round(struct live_pad *pad, int socket, int presses, int soft, const char *load, double p[2])
{
    static double ms[SAMPLES_MAX];
    char name[96];
    for (int i = 0; i < presses; i++)
        ms[i] = kept_ms(pad, socket, soft);
    double p50 = quantile(ms, presses, 0.5), p99 = quantile(ms, presses, 0.99);
    if (load != NULL) {
        snprintf(name, sizeof name, "press to kept, 2,000 subscribers%s, p50", load);
        bench_say(name, "ms", p50, p[0], 0, "show");
        snprintf(name, sizeof name, "press to kept, 2,000 subscribers%s, p99", load);
        bench_say(name, "ms", p99, p[1], 0, "show");
    }
    p[0] = p50;
    p[1] = p99;
}

static void measure_kept(int rounds)
{
    char more[2048], link[200];
    struct live_pad pad;
    double idle[2], busy[2];
    int port = free_port();
    snprintf(more, sizeof more,
             "tcp = 127.0.0.1:%d\nconnections = %d\n[pad ours]\nport = pad-ours\nplan = "
             "%s/science.plan\nseat = science\n",
             port, SUBSCRIBERS + 50, live_plans());
    live_configure(&place, more);
    snprintf(link, sizeof link, "%s/pad-ours", place.folder);
    live_pad_open(&pad, link, "P-01");
    live_start(&place);
    live_pty_opened(pad.fd);
    int socket = live_connect(place.socket);
    for (int i = 0; i < 10; i++)
        (void)kept_ms(&pad, socket, 0);
    for (int i = 0; i < rounds; i++) {
        kept_round(&pad, socket, 60, 0, NULL, idle);
        kept_round(&pad, socket, 60, 20, NULL, busy);
        pid_t crowd = live_crowd_child(place.socket, port, SUBSCRIBERS);
        kept_round(&pad, socket, 60, 0, "", idle);
        kept_round(&pad, socket, 60, 20, " and 20 soft presses", busy);
        (void)kill(crowd, SIGKILL);
        (void)waitpid(crowd, NULL, 0);
    }
    close(socket);
    live_stop(&place);
}

int main(int argc, char **argv)
{
    static struct side side[SIDES];
    int rounds = argc > 1 ? atoi(argv[1]) : 5;
    double scale = argc > 2 ? atof(argv[2]) : 1;
    int paced = scale < 1 ? 10 : 100, flat = scale < 1 ? FLAT_EVENTS / 12 : FLAT_EVENTS;
    (void)signal(SIGPIPE, SIG_IGN);
    live_crowd_descriptors(2 * (SUBSCRIBERS + TCP_SUBSCRIBERS) + 64);
    live_folder(&place);
    bench_event_marker(&entry);
    if (argc > 3 && strcmp(argv[3], "kept") == 0) {
        measure_kept(rounds);
        return 0;
    }
    start_ours(&side[OURS], SUBSCRIBERS, false);
    start_bare(&side[BARE]);
    side[BARE].event_bytes = side[OURS].event_bytes;
    start_broker(&side[BROKER]);
    if (side[BROKER].pid != 0)
        start_ours(&side[OURS_TCP], TCP_SUBSCRIBERS, true);
    for (int i = 0; i < rounds; i++) {
        paced_round(side, paced);
        flat_round(side, flat);
    }
    for (int i = 0; i < SIDES; i++)
        if (side[i].pid != 0)
            end_side(&side[i]);
    for (int i = 0; scale >= 1 && i < rounds; i++)
        growth_round();
    if (scale >= 1)
        measure_kept(rounds);
    return 0;
}
