#include "deck.h"

#include "compare.h"
#include "fifo.h"
#include "listeners.h"
#include "pty.h"
#include "rig.h"
#include "truth.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <netinet/in.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/timerfd.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { PORTS = 4, PATH_SIZE = 256 };

#define MS INT64_C(1000000)
#define FINISH_NS (60000 * MS)

struct deck_pad {
    struct deck *deck;
    int index;
    struct pty *pty;
    int64_t next_ns;
    struct wire_decoder heard;
    bool red;
};

struct deck {
    struct campaign *campaign;
    struct deck_options options;
    uv_loop_t loop;
    uv_poll_t timer;
    int timer_fd;
    uv_udp_t udp;
    struct sockaddr_in address[SCRIPT_FEEDS];
    int port[PORTS];
    char config[PATH_SIZE], socket[PATH_SIZE], database[PATH_SIZE], log[PATH_SIZE], truth_path[PATH_SIZE],
        fifo_path[PATH_SIZE];

    struct script script;
    struct rig_sink sink;
    struct rig *rig;
    struct truth truth;
    struct deck_pad pad[DECK_PADS];
    struct pty *feed[DECK_SERIAL_FEEDS];
    struct fifo fifo;
    struct listeners *listeners;
    int64_t start_ns, now_ns;
    uint64_t chance;
    bool pressing;

    pid_t pid; /* 0: none */
    bool may_end;
    int ended_by_itself;

    struct rig_press *press; /* by number - 1: the latest that was told */
    int presses, press_room;
    struct deck_count count;
    int64_t fault_ns; /* INT64_MAX: none is being recovered from */
    double *recovery;
    size_t recoveries, recovery_room;
};

/* ---- the rig's news ---- */

static void on_pad_bytes(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    struct deck *deck = ctx;
    (void)now_ns;
    pty_send(deck->pad[pad].pty, bytes, len);
}

static void on_pad_plug(void *ctx, int pad, int64_t now_ns, bool plugged)
{
    struct deck *deck = ctx;
    (void)now_ns;
    if (!plugged)
        pty_pull(deck->pad[pad].pty);
    else if (pty_plug(deck->pad[pad].pty) != 0)
        campaign_fail(deck->campaign, "no pseudo-terminal");
}

static void on_feed(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes, size_t len)
{
    struct deck *deck = ctx;
    char datagram[2048];
    (void)now_ns;
    if (len > sizeof datagram)
        return;
    memcpy(datagram, bytes, len);
    if (deck->options.serial_feeds && feed >= SCRIPT_VEHICLE) {
        pty_send(deck->feed[feed - SCRIPT_VEHICLE], (const uint8_t *)datagram, len);
        return;
    }
    uv_buf_t buffer = uv_buf_init(datagram, (unsigned)len);
    (void)uv_udp_try_send(&deck->udp, &buffer, 1, (const struct sockaddr *)&deck->address[feed]);
}

static void on_audio(void *ctx, int64_t now_ns, const int16_t *samples, size_t count)
{
    struct deck *deck = ctx;
    fifo_send(&deck->fifo, now_ns, samples, count);
}

static void on_recorder(void *ctx, int64_t now_ns, bool running)
{
    struct deck *deck = ctx;
    (void)now_ns;
    fifo_run(&deck->fifo, running);
}

static void on_say(void *ctx, int64_t now_ns, const char *text)
{
    (void)ctx;
    (void)now_ns;
    (void)text;
}

static void keep_recovery(struct deck *deck, const struct rig_press *press)
{
    int64_t from_ns = press->at_ns > deck->fault_ns ? press->at_ns : deck->fault_ns;
    if (deck->recoveries == deck->recovery_room) {
        deck->recovery_room = deck->recovery_room == 0 ? 256 : 2 * deck->recovery_room;
        deck->recovery = realloc(deck->recovery, deck->recovery_room * sizeof *deck->recovery);
        if (deck->recovery == NULL)
            abort();
    }
    deck->recovery[deck->recoveries++] = (double)(press->kept_ns - from_ns) / 1e6;
    deck->fault_ns = INT64_MAX;
}

static void remember(struct deck *deck, const struct rig_press *press)
{
    while (press->number > deck->press_room) {
        deck->press_room = deck->press_room == 0 ? 1024 : 2 * deck->press_room;
        deck->press = realloc(deck->press, (size_t)deck->press_room * sizeof *deck->press);
        if (deck->press == NULL)
            abort();
    }
    while (deck->presses < press->number)
        memset(&deck->press[deck->presses++], 0, sizeof *deck->press);
    deck->press[press->number - 1] = *press;
}

static void on_press(void *ctx, int64_t now_ns, const struct rig_press *press, int news)
{
    struct deck *deck = ctx;
    truth_press(&deck->truth, now_ns, press, (enum rig_news)news);
    remember(deck, press);
    deck->count.made += news == RIG_TOUCHED;
    deck->count.kept += news == RIG_KEPT;
    deck->count.refused += news == RIG_KEPT && press->result == WIRE_RESULT_REFUSED;
    deck->count.gone += news == RIG_GONE;
    if (news == RIG_KEPT && deck->fault_ns != INT64_MAX)
        keep_recovery(deck, press);
}

static void on_event(void *ctx, int64_t now_ns, const char *what, int pad, uint32_t boot, const char *text)
{
    struct deck *deck = ctx;
    truth_event(&deck->truth, now_ns, what, pad, boot, text);
}

static void on_message(void *ctx, const struct wire_message *message)
{
    struct deck_pad *pad = ctx;
    if (message->type != WIRE_LAMP)
        return;
    pad->red = message->u.lamp.cue == WIRE_CUE_FAULT;
    pad->deck->count.red[pad->index] += pad->red;
}

static void on_host_bytes(void *ctx, const uint8_t *bytes, size_t len)
{
    struct deck_pad *pad = ctx;
    wire_decoder_feed(&pad->heard, bytes, len, on_message, pad);
    rig_pad_bytes(pad->deck->rig, pad->index, campaign_clock_ns(), bytes, len);
}

static void on_nothing(void *ctx, const uint8_t *bytes, size_t len)
{
    (void)ctx;
    (void)bytes;
    (void)len;
}

/* ---- the loop ---- */

static int64_t utc_offset(void)
{
    struct timespec utc;
    int64_t before_ns = campaign_clock_ns();
    clock_gettime(CLOCK_REALTIME, &utc);
    int64_t after_ns = campaign_clock_ns();
    return (int64_t)utc.tv_sec * 1000000000 + utc.tv_nsec - before_ns - (after_ns - before_ns) / 2;
}

/* Between half and one and a half of the mean distance; nothing is pressed while a pad has no power. */
static void press(struct deck *deck, struct deck_pad *pad)
{
    int64_t every_ns = deck->options.press_every_ns;
    if (!deck->pressing || deck->now_ns < pad->next_ns)
        return;
    (void)rig_press_now(deck->rig, pad->index, (uint8_t)campaign_range(&deck->chance, 0, 15),
                        deck->now_ns + 2 * MS, campaign_range(&deck->chance, 50, 120) * MS);
    pad->next_ns =
        deck->now_ns +
        campaign_range(&deck->chance, every_ns / 2 < 185 * MS ? 185 * MS : every_ns / 2, every_ns * 3 / 2);
}

static void watch_daemon(struct deck *deck)
{
    int status = 0;
    if (deck->pid == 0 || waitpid(deck->pid, &status, WNOHANG) != deck->pid)
        return;
    deck->pid = 0;
    deck->ended_by_itself++;
    if (!deck->may_end || !WIFEXITED(status))
        campaign_fail(deck->campaign, "the daemon ended by itself with %s %d",
                      WIFEXITED(status) ? "exit code" : "signal",
                      WIFEXITED(status) ? WEXITSTATUS(status) : WTERMSIG(status));
}

static void on_tick(uv_poll_t *timer, int status, int events)
{
    struct deck *deck = timer->data;
    uint64_t expirations = 0;
    (void)status;
    (void)events;
    (void)!read(deck->timer_fd, &expirations, sizeof expirations);
    deck->now_ns = campaign_clock_ns();
    rig_set_utc(deck->rig, utc_offset());
    for (int i = 0; i < DECK_PADS; i++) {
        pty_watch(deck->pad[i].pty);
        press(deck, &deck->pad[i]);
    }
    for (int i = 0; i < DECK_SERIAL_FEEDS && deck->options.serial_feeds; i++)
        pty_watch(deck->feed[i]);
    rig_advance(deck->rig, deck->now_ns);
    listeners_watch(deck->listeners, deck->now_ns);
    watch_daemon(deck);
}

void deck_run_until(struct deck *deck, int64_t at_ns)
{
    while (campaign_clock_ns() < at_ns)
        (void)uv_run(&deck->loop, UV_RUN_ONCE);
}

void deck_run(struct deck *deck, int64_t for_ns)
{
    deck_run_until(deck, campaign_clock_ns() + for_ns);
}

/* ---- the daemon ---- */

static void become_daemon(const struct deck *deck)
{
    int log = open(deck->log, O_WRONLY | O_CREAT | O_APPEND, 0640);
    (void)dup2(log, STDERR_FILENO);
    (void)dup2(log, STDOUT_FILENO);
    if (deck->options.preload != NULL) {
        (void)setenv("LD_PRELOAD", deck->options.preload, 1);
        (void)setenv("BELLROPE_SHIM", deck->options.preload_file, 1);
        /* The shim comes before the sanitizer's own library, which is in order here. */
        (void)setenv("ASAN_OPTIONS", "verify_asan_link_order=0:detect_leaks=0", 1);
    }
    (void)execl(FAULT_BUILD "/bellroped", "bellroped", "--config", deck->config, (char *)NULL);
    _exit(127);
}

void deck_start(struct deck *deck)
{
    deck->pid = fork();
    if (deck->pid == 0)
        become_daemon(deck);
}

void deck_kill(struct deck *deck)
{
    int status;
    watch_daemon(deck);
    if (deck->pid == 0)
        return;
    (void)kill(deck->pid, SIGKILL);
    (void)waitpid(deck->pid, &status, 0);
    deck->pid = 0;
}

int deck_stop(struct deck *deck)
{
    int status = 0;
    int64_t until_ns = campaign_clock_ns() + 20000 * MS;
    if (deck->pid == 0)
        return -1;
    (void)kill(deck->pid, SIGTERM);
    while (campaign_clock_ns() < until_ns) {
        if (waitpid(deck->pid, &status, WNOHANG) == deck->pid) {
            deck->pid = 0;
            return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
        }
        pid_t pid = deck->pid;
        deck->pid = 0; /* not to be waited for by the loop */
        deck_run(deck, 5 * MS);
        deck->pid = pid;
    }
    deck_kill(deck);
    return -1;
}

bool deck_alive(struct deck *deck)
{
    watch_daemon(deck);
    return deck->pid != 0;
}

pid_t deck_pid(const struct deck *deck)
{
    return deck->pid;
}

void deck_may_end(struct deck *deck, bool may)
{
    deck->may_end = may;
}

/* ---- orders ---- */

void deck_presses(struct deck *deck, bool on)
{
    deck->pressing = on;
}

int64_t deck_next_press_ns(const struct deck *deck)
{
    int64_t next_ns = INT64_MAX;
    for (int i = 0; i < DECK_PADS; i++)
        if (deck->pad[i].next_ns < next_ns)
            next_ns = deck->pad[i].next_ns;
    return next_ns + 2 * MS;
}

static void order(struct deck *deck, struct script_action action)
{
    action.at_ns = campaign_clock_ns() - deck->start_ns;
    if (!script_add(&deck->script, &action))
        abort();
}

void deck_pull(struct deck *deck, int pad, bool keeps_power)
{
    order(deck, (struct script_action){.verb = SCRIPT_PULL, .pad = pad, .on = keeps_power});
}

void deck_plug(struct deck *deck, int pad)
{
    order(deck, (struct script_action){.verb = SCRIPT_PLUG, .pad = pad});
}

void deck_recorder(struct deck *deck, bool on)
{
    order(deck, (struct script_action){.verb = SCRIPT_RECORDER, .pad = -1, .on = on});
}

void deck_feed_pull(struct deck *deck, int feed)
{
    pty_pull(deck->feed[feed]);
}

void deck_feed_plug(struct deck *deck, int feed)
{
    if (pty_plug(deck->feed[feed]) != 0)
        campaign_fail(deck->campaign, "no pseudo-terminal");
}

void deck_fault(struct deck *deck)
{
    deck->count.at_risk += deck->count.made - deck->count.kept - deck->count.gone;
    if (deck->fault_ns == INT64_MAX)
        deck->fault_ns = campaign_clock_ns();
}

void deck_fault_over(struct deck *deck)
{
    deck->fault_ns = campaign_clock_ns();
}

/* ---- counts ---- */

void deck_count(const struct deck *deck, struct deck_count *out)
{
    struct listeners_count heard;
    listeners_count(deck->listeners, &heard);
    *out = deck->count;
    out->waiting = out->made - out->kept - out->gone;
    out->events = heard.events;
    out->reconnects = heard.reconnects;
    out->recovery_ms = campaign_quantile(deck->recovery, deck->recoveries, 1);
    out->recovery_median_ms = campaign_quantile(deck->recovery, deck->recoveries, 0.5);
}

bool deck_is_red(const struct deck *deck, int pad)
{
    return deck->pad[pad].red;
}

/* A press that was kept while the lamp was still green from the one before shows no change of the lamp: its answer counts. */
static int64_t green_of(const struct rig_press *one)
{
    return one->amber_ns == INT64_MIN ? one->kept_ns : one->green_ns;
}

double *deck_greens(const struct deck *deck, int64_t from_ns, int64_t to_ns, size_t *count)
{
    double *green = calloc((size_t)deck->presses + 1, sizeof *green);
    *count = 0;
    if (green == NULL)
        abort();
    for (int i = 0; i < deck->presses; i++) {
        const struct rig_press *one = &deck->press[i];
        if (one->touched && one->at_ns >= from_ns && one->at_ns < to_ns && one->result == WIRE_RESULT_KEPT &&
            green_of(one) != INT64_MIN)
            green[(*count)++] = (double)(green_of(one) - one->at_ns) / 1e6;
    }
    return green;
}

int64_t deck_ask(const struct deck *deck, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *stmt = NULL;
    int64_t value = INT64_MIN;
    if (sqlite3_open_v2(deck->database, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK) {
        (void)sqlite3_busy_timeout(db, 2000);
        if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) == SQLITE_OK && sqlite3_step(stmt) == SQLITE_ROW)
            value = sqlite3_column_int64(stmt, 0);
    }
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    return value;
}

const char *deck_socket(const struct deck *deck)
{
    return deck->socket;
}

const char *deck_database(const struct deck *deck)
{
    return deck->database;
}

const char *deck_log(const struct deck *deck)
{
    return deck->log;
}

/* ---- the record against the truth ---- */

/* Every press is stored once, unless the plan gave it no meaning or the pad lost it with its power before it could be saved. */
static void compare_presses(struct deck *deck, sqlite3 *db, struct deck_verdict *verdict)
{
    sqlite3_stmt *stmt = NULL;
    (void)sqlite3_prepare_v2(
        db, "SELECT count(*) FROM marker WHERE pad = ? AND pad_boot = ? AND press_seq = ?", -1, &stmt, NULL);
    for (int i = 0; i < deck->presses; i++) {
        const struct rig_press *one = &deck->press[i];
        if (!one->touched || one->gone)
            continue;
        (void)sqlite3_reset(stmt);
        (void)sqlite3_bind_text(stmt, 1, deck->script.pad[one->pad].serial, -1, SQLITE_STATIC);
        (void)sqlite3_bind_int64(stmt, 2, one->boot);
        (void)sqlite3_bind_int64(stmt, 3, one->seq);
        int64_t rows = sqlite3_step(stmt) == SQLITE_ROW ? sqlite3_column_int64(stmt, 0) : -1;
        bool due = one->result != WIRE_RESULT_REFUSED;
        if (due && rows == 0)
            campaign_fail(deck->campaign, "press %d (pad %d, boot %u, seq %u, %s) is not in the record",
                          one->number, one->pad, one->boot, one->seq,
                          one->green_ns != INT64_MIN ? "green" : "not green");
        verdict->lost += due && rows == 0;
        verdict->doubled += rows > 1;
    }
    sqlite3_finalize(stmt);
}

/* What subscribers heard is what the journal has, byte for byte. */
static void compare_journal(struct deck *deck, sqlite3 *db)
{
    sqlite3_stmt *stmt = NULL;
    int64_t seq = 0;
    int64_t different = 0;
    (void)sqlite3_prepare_v2(db, "SELECT seq, event FROM journal ORDER BY seq", -1, &stmt, NULL);
    while (sqlite3_step(stmt) == SQLITE_ROW) {
        int64_t at = sqlite3_column_int64(stmt, 0);
        if (at != seq + 1)
            campaign_fail(deck->campaign, "the journal has a gap after %" PRId64, seq);
        seq = at;
        uint64_t hash = listeners_hash((const char *)sqlite3_column_text(stmt, 1),
                                       (uint64_t)sqlite3_column_bytes(stmt, 1));
        different += deck->options.subscribers > 0 && listeners_heard(deck->listeners, seq) != hash;
    }
    sqlite3_finalize(stmt);
    if (different > 0)
        campaign_fail(deck->campaign, "%" PRId64 " events were heard otherwise than the journal has them",
                      different);
}

static void compare_listeners(struct deck *deck, struct deck_verdict *verdict)
{
    struct listeners_count heard;
    listeners_count(deck->listeners, &heard);
    if (heard.missed + heard.twice + heard.different > 0)
        campaign_fail(deck->campaign,
                      "subscribers: %" PRId64 " missed, %" PRId64 " twice, %" PRId64 " different",
                      heard.missed, heard.twice, heard.different);
    verdict->lost += heard.missed;
    verdict->doubled += heard.twice;
}

static void compare(struct deck *deck, struct deck_verdict *verdict)
{
    sqlite3 *db = NULL;
    memset(verdict, 0, sizeof *verdict);
    if (sqlite3_open_v2(deck->database, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK)
        campaign_fail(deck->campaign, "%s cannot be opened", deck->database);
    compare_presses(deck, db, verdict);
    compare_journal(deck, db);
    compare_listeners(deck, verdict);
    sqlite3_close(db);
    if (deck_ask(deck, "SELECT integrity_check = 'ok' FROM pragma_integrity_check") != 1)
        campaign_fail(deck->campaign, "the database is damaged");
    int64_t refused = deck_ask(deck, "SELECT count(*) FROM refused");
    if (refused != 0)
        campaign_fail(deck->campaign, "%" PRId64 " rows were refused by a constraint", refused);
    verdict->doubled += refused;
    const struct compare_options options = {.database = deck->database, .truth = deck->truth_path};
    (void)fflush(stdout);
    if (compare_run(&options) != 0)
        campaign_fail(deck->campaign, "the comparison with the truth fails");
}

static bool all_heard(const struct deck *deck)
{
    struct listeners_count heard;
    listeners_count(deck->listeners, &heard);
    return deck->options.subscribers == 0 || heard.least >= deck_ask(deck, "SELECT max(seq) FROM journal");
}

void deck_finish(struct deck *deck, struct deck_verdict *verdict)
{
    struct rig_count count;
    int64_t until_ns = campaign_clock_ns() + FINISH_NS;
    deck->pressing = false;
    deck_run(deck, 300 * MS);
    while (!rig_done(deck->rig) && campaign_clock_ns() < until_ns)
        deck_run(deck, 50 * MS);
    deck_run(deck, 4000 * MS); /* the last markers settle */
    while (!all_heard(deck) && campaign_clock_ns() < until_ns)
        deck_run(deck, 50 * MS);
    if (!all_heard(deck))
        campaign_fail(deck->campaign, "a subscriber did not get everything");
    int code = deck_stop(deck);
    if (code != 0)
        campaign_fail(deck->campaign, "the daemon ended with %d on SIGTERM", code);
    rig_count(deck->rig, -1, &count);
    if (count.kept + count.gone != count.made || count.missed > 0 || count.phantoms > 0)
        campaign_fail(deck->campaign, "of %d presses %d are kept, %d gone, %d missed, %d phantoms",
                      count.made, count.kept, count.gone, count.missed, count.phantoms);
    truth_end(&deck->truth, deck->rig, deck->now_ns, 0);
    if (!truth_close(&deck->truth))
        campaign_fail(deck->campaign, "the truth could not be written");
    compare(deck, verdict);
}

/* ---- beginning and end ---- */

/* Ports that are free now: tests of one machine run beside each other. */
static void find_ports(struct deck *deck)
{
    int fd[PORTS];
    for (int i = 0; i < PORTS; i++) {
        struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
        socklen_t len = sizeof address;
        fd[i] = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
        (void)bind(fd[i], (struct sockaddr *)&address, sizeof address);
        (void)getsockname(fd[i], (struct sockaddr *)&address, &len);
        deck->port[i] = ntohs(address.sin_port);
        deck->address[i] = address;
    }
    for (int i = 0; i < PORTS; i++)
        (void)close(fd[i]);
}

static bool write_config(struct deck *deck)
{
    const char *folder = deck->campaign->folder;
    char port[PORTS][8];
    char vehicle[PATH_SIZE];
    char ctd[PATH_SIZE];
    char file[PATH_SIZE + 8];
    for (int i = 0; i < PORTS; i++)
        snprintf(port[i], sizeof port[i], "%d", deck->port[i]);
    snprintf(vehicle, sizeof vehicle, "serial:%s/rig/feed-0@115200", folder);
    snprintf(ctd, sizeof ctd, "serial:%s/rig/feed-1@115200", folder);
    snprintf(file, sizeof file, "file = %s", deck->database);
    bool serial = deck->options.serial_feeds;
    const char *const pairs[] = {
        "file = @DIR@/dive.db", file, serial ? "udp:127.0.0.1:@PORT2@" : "@PORT2@",
        serial ? vehicle : port[2], serial ? "udp:127.0.0.1:@PORT3@" : "@PORT3@", serial ? ctd : port[3],
        /* a busy machine lets the deck itself come late */
        "latency_max_ms = 3", "latency_max_ms = 150",
        deck->options.no_tape ? "tape = @DIR@/dive.tape\n" : "@NONE@", "", "@DIR@", folder, "@PLANS@",
        FAULT_DATA, "@RATE@", "25", "@SOCKET@", deck->socket, "@PORT0@", port[0], "@PORT1@", port[1], NULL};
    char *text = campaign_fill(FAULT_DATA "/live.ini", pairs);
    bool good = text != NULL && campaign_write(deck->config, text);
    free(text);
    return good;
}

static void on_problem(void *ctx, int line, const char *text)
{
    (void)ctx;
    fprintf(stderr, "script, line %d: %s\n", line, text);
}

static bool make_rig(struct deck *deck)
{
    char text[1024];
    char folder[PATH_SIZE];
    snprintf(folder, sizeof folder, "%s/rig", deck->campaign->folder);
    int len = snprintf(text, sizeof text,
                       "seed %" PRIu64 "\n"
                       "pad science serial P-01 clock 3100ppm swing 30ppm period 20 batch 1ms turn 500us\n"
                       "pad nav serial P-02 clock -4700ppm batch 4ms turn 500us\n"
                       "ship\nacoustic noise 3m outliers 4%%\nvehicle\nctd\n"
                       "recorder rate 25 start 10:00:00:00 clock 21ppm noise 30dB\n",
                       deck->campaign->seed);
    script_init(&deck->script);
    if (script_parse(&deck->script, text, (size_t)len, on_problem, NULL) != 0)
        return false;
    deck->sink = (struct rig_sink){deck,        on_pad_bytes, on_pad_plug, on_feed, on_audio,
                                   on_recorder, on_say,       on_press,    on_event};
    deck->start_ns = deck->now_ns = campaign_clock_ns();
    int64_t offset_ns = utc_offset();
    deck->rig = rig_new(&deck->script, folder, deck->start_ns, offset_ns, &deck->sink);
    if (deck->rig == NULL || !truth_open(&deck->truth, deck->truth_path, &deck->script))
        return false;
    truth_begin(&deck->truth, deck->start_ns, deck->start_ns + offset_ns);
    return true;
}

static bool make_lines(struct deck *deck)
{
    char path[PATH_SIZE];
    for (int i = 0; i < DECK_PADS; i++) {
        snprintf(path, sizeof path, "%s/rig/pad-%s", deck->campaign->folder, i == 0 ? "science" : "nav");
        deck->pad[i].deck = deck;
        deck->pad[i].index = i;
        wire_decoder_init(&deck->pad[i].heard);
        deck->pad[i].pty = pty_new(&deck->loop, path, on_host_bytes, &deck->pad[i]);
    }
    for (int i = 0; i < DECK_SERIAL_FEEDS && deck->options.serial_feeds; i++) {
        snprintf(path, sizeof path, "%s/rig/feed-%d", deck->campaign->folder, i);
        deck->feed[i] = pty_new(&deck->loop, path, on_nothing, NULL);
        if (pty_plug(deck->feed[i]) != 0)
            return false;
    }
    return uv_udp_init_ex(&deck->loop, &deck->udp, AF_INET) == 0 &&
           fifo_open(&deck->fifo, deck->fifo_path) == 0;
}

static bool start_timer(struct deck *deck)
{
    const long tick_ns = deck->options.tick_ns > 0 ? (long)deck->options.tick_ns : 1000000;
    const struct itimerspec every = {{0, tick_ns}, {0, tick_ns}};
    deck->timer_fd = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    if (deck->timer_fd < 0 || timerfd_settime(deck->timer_fd, 0, &every, NULL) != 0)
        return false;
    uv_poll_init(&deck->loop, &deck->timer, deck->timer_fd);
    deck->timer.data = deck;
    return uv_poll_start(&deck->timer, UV_READABLE, on_tick) == 0;
}

static void name_files(struct deck *deck)
{
    const char *folder = deck->campaign->folder;
    char rig[PATH_SIZE];
    snprintf(rig, sizeof rig, "%s/rig", folder);
    (void)mkdir(rig, 0750);
    snprintf(deck->config, sizeof deck->config, "%s/bellrope.ini", folder);
    snprintf(deck->socket, sizeof deck->socket, "%s/socket", folder);
    snprintf(deck->database, sizeof deck->database, "%s/dive.db",
             deck->options.database != NULL ? deck->options.database : folder);
    snprintf(deck->log, sizeof deck->log, "%s/daemon.log", folder);
    snprintf(deck->truth_path, sizeof deck->truth_path, "%s/truth.jsonl", folder);
    snprintf(deck->fifo_path, sizeof deck->fifo_path, "%s/rig/ltc.fifo", folder);
}

struct deck *deck_new(struct campaign *campaign, const struct deck_options *options)
{
    struct deck *deck = calloc(1, sizeof *deck);
    if (deck == NULL)
        abort();
    (void)signal(SIGPIPE, SIG_IGN);
    deck->campaign = campaign;
    deck->options = *options;
    deck->fifo = (struct fifo){.fd = -1};
    deck->fault_ns = INT64_MAX;
    deck->chance = campaign->seed;
    uv_loop_init(&deck->loop);
    name_files(deck);
    find_ports(deck);
    if (!write_config(deck) || !make_lines(deck) || !make_rig(deck) || !start_timer(deck)) {
        fprintf(stderr, "%s: the deck could not be made: %s\n", campaign->folder, strerror(errno));
        return NULL;
    }
    deck->listeners = listeners_new(&deck->loop, deck->socket, options->subscribers);
    rig_begin(deck->rig);
    return deck;
}

void deck_free(struct deck *deck)
{
    deck_kill(deck);
    listeners_close(deck->listeners);
    for (int i = 0; i < DECK_PADS; i++)
        pty_close(deck->pad[i].pty);
    for (int i = 0; i < DECK_SERIAL_FEEDS && deck->options.serial_feeds; i++)
        pty_close(deck->feed[i]);
    uv_close((uv_handle_t *)&deck->timer, NULL);
    uv_close((uv_handle_t *)&deck->udp, NULL);
    fifo_close(&deck->fifo);
    (void)uv_run(&deck->loop, UV_RUN_DEFAULT);
    (void)uv_loop_close(&deck->loop);
    (void)close(deck->timer_fd);
    listeners_free(deck->listeners);
    rig_free(deck->rig);
    script_free(&deck->script);
    free(deck->press);
    free(deck->recovery);
    free(deck);
}
