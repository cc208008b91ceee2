#include "live.h"

#include "fifo.h"
#include "pty.h"
#include "rig.h"
#include "truth.h"

#include <inttypes.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>
#include <uv.h>

enum { TICK_NS = 250000 };

struct live;

struct live_pad {
    struct live *live;
    int index;
    struct pty *pty;
};

struct live {
    const struct script *script;
    const struct live_options *options;
    uv_loop_t loop;
    uv_poll_t timer; /* of timer_fd: libuv's own timers go by whole milliseconds */
    int timer_fd;
    uv_signal_t interrupt, terminate;
    uv_udp_t udp;
    struct sockaddr_storage address[SCRIPT_FEEDS];
    struct live_pad pad[SCRIPT_PADS_MAX];
    struct fifo fifo;
    struct truth truth;
    struct rig_sink sink;
    struct rig *rig;
    int64_t start_ns, now_ns, late_ns;
    bool udp_open, stopped;
};

/* ---- clocks ---- */

static int64_t read_clock(clockid_t id)
{
    struct timespec now;
    clock_gettime(id, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

/* UTC less CLOCK_BOOTTIME: of five readings the one that took the least time. */
static int64_t utc_offset(void)
{
    int64_t best_ns = INT64_MAX;
    int64_t offset_ns = 0;
    for (int i = 0; i < 5; i++) {
        int64_t before_ns = read_clock(CLOCK_BOOTTIME);
        int64_t utc_ns = read_clock(CLOCK_REALTIME);
        int64_t after_ns = read_clock(CLOCK_BOOTTIME);
        if (after_ns - before_ns < best_ns) {
            best_ns = after_ns - before_ns;
            offset_ns = utc_ns - before_ns - best_ns / 2;
        }
    }
    return offset_ns;
}

/* ---- what the rig puts out ---- */

static void on_pad_bytes(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    struct live *live = ctx;
    (void)now_ns;
    pty_send(live->pad[pad].pty, bytes, len);
}

static void on_pad_plug(void *ctx, int pad, int64_t now_ns, bool plugged)
{
    struct live *live = ctx;
    (void)now_ns;
    if (!plugged) {
        pty_pull(live->pad[pad].pty);
        return;
    }
    int error = pty_plug(live->pad[pad].pty);
    if (error != 0)
        fprintf(stderr, "bellrope-rig: pad %s: no pseudo-terminal: %s\n", live->script->pad[pad].name,
                strerror(-error));
}

static void on_feed(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes, size_t len)
{
    struct live *live = ctx;
    (void)now_ns;
    char datagram[2048];
    if (len > sizeof datagram)
        return;
    memcpy(datagram, bytes, len);
    uv_buf_t buffer = uv_buf_init(datagram, (unsigned)len);
    /* A datagram that cannot go now is lost, as on a real network. */
    (void)uv_udp_try_send(&live->udp, &buffer, 1, (const struct sockaddr *)&live->address[feed]);
}

static void on_audio(void *ctx, int64_t now_ns, const int16_t *samples, size_t count)
{
    struct live *live = ctx;
    fifo_send(&live->fifo, now_ns, samples, count);
}

static void on_recorder(void *ctx, int64_t now_ns, bool running)
{
    struct live *live = ctx;
    (void)now_ns;
    fifo_run(&live->fifo, running);
}

static void on_say(void *ctx, int64_t now_ns, const char *text)
{
    const struct live *live = ctx;
    if (live->options->quiet)
        return;
    printf("-- %.1f s: %s\n", (double)(now_ns - live->start_ns) / 1e9, text);
    (void)fflush(stdout);
}

static void on_press(void *ctx, int64_t now_ns, const struct rig_press *press, int news)
{
    struct live *live = ctx;
    truth_press(&live->truth, now_ns, press, (enum rig_news)news);
}

static void on_event(void *ctx, int64_t now_ns, const char *what, int pad, uint32_t boot, const char *text)
{
    struct live *live = ctx;
    truth_event(&live->truth, now_ns, what, pad, boot, text);
}

/* ---- the loop ---- */

static void close_outputs(struct live *live)
{
    if (live->udp_open)
        uv_close((uv_handle_t *)&live->udp, NULL);
    for (int i = 0; i < live->script->pad_count; i++)
        pty_close(live->pad[i].pty);
    fifo_close(&live->fifo);
}

static void stop(struct live *live)
{
    if (live->stopped)
        return;
    live->stopped = true;
    uv_close((uv_handle_t *)&live->timer, NULL);
    uv_close((uv_handle_t *)&live->interrupt, NULL);
    uv_close((uv_handle_t *)&live->terminate, NULL);
    close_outputs(live);
}

static void on_signal(uv_signal_t *signal, int number)
{
    (void)number;
    stop(signal->data);
}

static void on_tick(uv_poll_t *timer, int status, int events)
{
    struct live *live = timer->data;
    uint64_t expirations = 0;
    (void)status;
    (void)events;
    (void)!read(live->timer_fd, &expirations, sizeof expirations);
    int64_t now_ns = read_clock(CLOCK_BOOTTIME);
    if (now_ns - live->now_ns > live->late_ns)
        live->late_ns = now_ns - live->now_ns;
    live->now_ns = now_ns;
    rig_set_utc(live->rig, utc_offset());
    for (int i = 0; i < live->script->pad_count; i++)
        pty_watch(live->pad[i].pty);
    rig_advance(live->rig, now_ns);
    if (!live->options->stay && rig_done(live->rig))
        stop(live);
}

/* The clock is read after the bytes: they cannot have reached the pad before. */
static void on_host_bytes(void *ctx, const uint8_t *bytes, size_t len)
{
    struct live_pad *pad = ctx;
    rig_pad_bytes(pad->live->rig, pad->index, read_clock(CLOCK_BOOTTIME), bytes, len);
}

/* ---- beginning and end ---- */

static bool complain(const char *what, int error)
{
    fprintf(stderr, "bellrope-rig: %s: %s\n", what, strerror(error));
    return false;
}

static bool open_feeds(struct live *live)
{
    for (int i = 0; i < SCRIPT_FEEDS; i++) {
        const struct script_feed_plan *feed = &live->script->feed[i];
        if (feed->used && uv_ip4_addr(feed->host, feed->port, (struct sockaddr_in *)&live->address[i]) != 0) {
            fprintf(stderr, "bellrope-rig: %s: '%s' is no IPv4 address\n",
                    script_feed_name((enum script_feed)i), feed->host);
            return false;
        }
    }
    int error = uv_udp_init_ex(&live->loop, &live->udp, AF_INET);
    live->udp_open = error == 0;
    return error == 0 || complain("UDP", -error);
}

static bool open_pads(struct live *live)
{
    for (int i = 0; i < live->script->pad_count; i++) {
        char link[512];
        snprintf(link, sizeof link, "%s/pad-%s", live->options->folder, live->script->pad[i].name);
        live->pad[i].live = live;
        live->pad[i].index = i;
        live->pad[i].pty = pty_new(&live->loop, link, on_host_bytes, &live->pad[i]);
        if (!live->pad[i].pty)
            return complain("memory", ENOMEM);
    }
    return true;
}

static bool open_fifo(struct live *live, char *path, size_t size)
{
    const char *given = live->script->recorder.path;
    snprintf(path, size, "%s%s%s", given[0] == '/' ? "" : live->options->folder, given[0] == '/' ? "" : "/",
             given);
    if (!live->script->recorder.used)
        return true;
    int error = fifo_open(&live->fifo, path);
    return error == 0 || complain(path, -error);
}

static bool start_handles(struct live *live)
{
    const struct itimerspec every = {{0, TICK_NS}, {0, TICK_NS}};
    live->timer_fd = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    if (live->timer_fd < 0 || timerfd_settime(live->timer_fd, 0, &every, NULL) != 0)
        return complain("timer", errno);
    uv_poll_init(&live->loop, &live->timer, live->timer_fd);
    uv_signal_init(&live->loop, &live->interrupt);
    uv_signal_init(&live->loop, &live->terminate);
    live->timer.data = live->interrupt.data = live->terminate.data = live;
    uv_poll_start(&live->timer, UV_READABLE, on_tick);
    uv_signal_start(&live->interrupt, on_signal, SIGINT);
    uv_signal_start(&live->terminate, on_signal, SIGTERM);
    return true;
}

static void print_count(const char *name, const struct rig_count *count)
{
    printf("%s: %d presses, %d kept", name, count->made, count->kept - count->refused);
    if (count->refused)
        printf(", %d refused by the plan", count->refused);
    if (count->gone)
        printf(", %d gone with the pad's power", count->gone);
    if (count->kept + count->gone < count->made)
        printf(", %d WAITING", count->made - count->kept - count->gone);
    if (count->missed)
        printf(", %d NOT SEEN BY THE PAD", count->missed);
    if (count->phantoms)
        printf(", %d THAT NOBODY MADE", count->phantoms);
    printf("; contact to green %.1f ms median, %.1f ms p99; stamp off by at most %" PRId64 " us",
           (double)count->green_median_ns / 1e6, (double)count->green_p99_ns / 1e6, count->stamp_worst_us);
    if (count->stamp_outside)
        printf(", %d STAMPS OUTSIDE THEIR BOUND", count->stamp_outside);
    printf("\n");
}

static int summary(struct live *live)
{
    struct rig_count count;
    for (int i = 0; i < live->script->pad_count; i++) {
        char name[64];
        rig_count(live->rig, i, &count);
        snprintf(name, sizeof name, "pad %s (%s)", live->script->pad[i].name, live->script->pad[i].serial);
        print_count(name, &count);
    }
    if (live->fifo.overruns)
        printf("recorder: its reader fell behind %u times\n", live->fifo.overruns);
    rig_count(live->rig, -1, &count);
    bool well = count.kept + count.gone == count.made && count.missed == 0 && count.phantoms == 0;
    return well ? 0 : 1;
}

static bool begin(struct live *live, char *fifo_path, size_t size)
{
    live->sink = (struct rig_sink){live,        on_pad_bytes, on_pad_plug, on_feed, on_audio,
                                   on_recorder, on_say,       on_press,    on_event};
    if (!open_feeds(live) || !open_pads(live) || !open_fifo(live, fifo_path, size))
        return false;
    if (!truth_open(&live->truth, live->options->truth, live->script))
        return complain(live->options->truth, errno);
    live->start_ns = live->now_ns = read_clock(CLOCK_BOOTTIME);
    int64_t offset_ns = utc_offset();
    live->rig = rig_new(live->script, live->options->folder, live->start_ns, offset_ns, &live->sink);
    if (!live->rig)
        return complain(live->options->folder, errno);
    truth_begin(&live->truth, live->start_ns, live->start_ns + offset_ns);
    rig_begin(live->rig);
    return true;
}

int live_run(const struct script *script, const struct live_options *options)
{
    struct live *live = calloc(1, sizeof *live);
    char fifo_path[1024];
    int result = 2;
    if (!live)
        return result;
    live->script = script;
    live->options = options;
    (void)signal(SIGPIPE, SIG_IGN);
    uv_loop_init(&live->loop);
    live->fifo = (struct fifo){.fd = -1};
    live->timer_fd = -1;
    if (begin(live, fifo_path, sizeof fifo_path) && start_handles(live)) {
        uv_run(&live->loop, UV_RUN_DEFAULT);
        truth_end(&live->truth, live->rig, live->now_ns, live->late_ns);
        result = summary(live);
        if (!truth_close(&live->truth)) {
            fprintf(stderr, "bellrope-rig: %s: not all of the truth could be written\n", options->truth);
            result = 2;
        }
    } else {
        close_outputs(live);
        uv_run(&live->loop, UV_RUN_DEFAULT);
        (void)truth_close(&live->truth);
    }
    (void)uv_loop_close(&live->loop);
    if (live->timer_fd >= 0)
        (void)close(live->timer_fd);
    rig_free(live->rig);
    free(live);
    return result;
}
