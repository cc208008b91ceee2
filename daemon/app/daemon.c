#include "app/daemon.h"

#include "app/backend.h"
#include "app/keeper.h"
#include "app/recall.h"
#include "app/status.h"
#include "bellrope/version.h"
#include "core/event.h"
#include "core/fields.h"
#include "export/rowjson.h"
#include "io/feed.h"
#include "io/hostclock.h"
#include "io/keyplan_file.h"
#include "io/log.h"
#include "io/ltcpipe.h"
#include "io/notify.h"
#include "io/padlink.h"
#include "io/player.h"
#include "io/socket.h"
#include "io/wakeup.h"

#include <inttypes.h>
#include <malloc.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* How old the last observation of UTC may be when an input comes. */
#define UTC_EVERY_NS NS_PER_S
enum { TAPE_FLUSH_MS = 1000, SIGNALS = 3 };

struct daemon {
    const struct config *config;
    uv_loop_t loop;
    uv_signal_t signal[SIGNALS];
    uv_timer_t stop_timer, tape_timer, watchdog;
    struct wakeup *wakeup;
    struct keeper *keeper;
    struct backend *backend;
    struct recall *recall;
    struct tape_writer *tape;
    bool tape_told;
    struct player *player;
    struct engine_sink sink;
    struct socket_server *socket;
    struct padlink *pad[ENGINE_PADS_MAX];
    struct feed *feed[ENGINE_FEEDS_MAX];
    struct ltcpipe *audio;
    mono_ns utc_at;
    bool utc_seen;
    bool holds; /* entries of the input in hand, which share a commit */
    bool stopping;
    int exit_code;
    char event[EVENT_BYTES_MAX];
};

static void stop(struct daemon *d, int exit_code);

/* ---- inputs: to the tape, then to the engine ---- */

static void on_tape_timer(uv_timer_t *timer)
{
    struct daemon *d = timer->data;
    if (d->tape == NULL)
        return;
    tape_flush(d->tape);
    int failure = tape_failed(d->tape);
    if (failure != 0 && !d->tape_told)
        log_error("tape: %s: %s; nothing more is written on it until the daemon is started again",
                  d->config->tape_file, strerror(failure));
    d->tape_told = failure != 0;
}

static int play(struct daemon *d, enum tape_kind kind, int source, mono_ns at, const void *bytes, size_t len)
{
    if (d->tape != NULL) {
        tape_write(d->tape, kind, source, at, bytes, len);
        if (!uv_is_active((uv_handle_t *)&d->tape_timer))
            uv_timer_start(&d->tape_timer, on_tape_timer, TAPE_FLUSH_MS, 0);
    }
    struct tape_record record = {.kind = kind, .source = source, .at = at, .bytes = bytes, .len = len};
    int result = player_deliver(d->player, &record);
    if (d->holds)
        store_release(keeper_store(d->keeper));
    d->holds = false;
    return result;
}

static void observe_utc(struct daemon *d, mono_ns now)
{
    struct hostclock_utc observation;
    char record[HOSTCLOCK_RECORD_SIZE];
    hostclock_observe(&observation);
    d->utc_at = now;
    d->utc_seen = true;
    size_t len = hostclock_record(&observation, record, sizeof record);
    (void)play(d, TAPE_UTC, 0, now, record, len);
}

/* What the engine gets, it gets here. While the daemon stops, only what the store says still counts. */
static void on_input(void *ctx, enum input_kind kind, int source, mono_ns now, const void *bytes, size_t len)
{
    struct daemon *d = ctx;
    if (d->stopping && kind != INPUT_COMMITTED && kind != INPUT_STORE)
        return;
    /* The restored state comes before any other input. */
    if (kind != INPUT_RESTORE && (!d->utc_seen || now.ns - d->utc_at.ns >= UTC_EVERY_NS))
        observe_utc(d, now);
    (void)play(d, tape_kind_of(kind), source, now, bytes, len);
}

static void on_record(struct daemon *d, enum input_kind kind, const struct fields_writer *record)
{
    on_input(d, kind, 0, hostclock_now(), record->bytes, record->len);
}

static void on_committed(void *ctx, int64_t seq)
{
    char text[64];
    struct fields_writer record;
    fields_begin(&record, text, sizeof text, "committed");
    fields_put_int(&record, "seq", seq);
    on_record(ctx, INPUT_COMMITTED, &record);
}

static void on_trouble(void *ctx, enum store_state state, const char *why)
{
    char text[512];
    struct fields_writer record;
    if (state == STORE_STATE_OK)
        log_info("store: writing again");
    else
        log_error("store: %s", why);
    fields_begin(&record, text, sizeof text, "store");
    fields_put(&record, "state", store_state_name(state));
    fields_put(&record, "why", why);
    on_record(ctx, INPUT_STORE, &record);
}

/* ---- effects ---- */

static void do_commit(void *ctx, const struct entry *entry)
{
    struct daemon *d = ctx;
    /* The input that this came of goes to the tape's file at once, ahead of the entry: a daemon that is killed now leaves a
     * tape that knows what the record knows. */
    if (d->tape != NULL && tape_is_dirty(d->tape))
        tape_flush(d->tape);
    if (!d->holds)
        store_hold(keeper_store(d->keeper));
    d->holds = true;
    size_t len = event_json(entry, d->event, sizeof d->event);
    if (len == 0 || store_submit(keeper_store(d->keeper), entry, d->event, len) != STORE_OK) {
        log_error("store: entry %" PRId64
                  " could not be taken; the daemon ends, because the record would have a hole",
                  entry->seq);
        stop(d, 1);
        return;
    }
    if (d->socket != NULL)
        socket_stage(d->socket, entry->seq, entry->type, d->event, len);
}

static void do_publish(void *ctx, int64_t seq_to)
{
    struct daemon *d = ctx;
    if (d->socket != NULL)
        socket_publish(d->socket, seq_to);
}

static void do_pad_send(void *ctx, int pad, const uint8_t *bytes, size_t len)
{
    struct daemon *d = ctx;
    if (d->pad[pad] != NULL)
        (void)padlink_send(d->pad[pad], bytes, len);
}

static void do_sample(void *ctx, const struct engine_sample *sample)
{
    store_sample(keeper_store(((struct daemon *)ctx)->keeper), sample);
}

static void do_observe(void *ctx, const struct engine_observation *observation)
{
    store_observe(keeper_store(((struct daemon *)ctx)->keeper), observation);
}

static void do_reply(void *ctx, const struct engine_reply *reply)
{
    struct daemon *d = ctx;
    if (reply->token > 0 && d->socket != NULL)
        socket_reply(d->socket, reply);
    else if (reply->refusal != REFUSED_NOT)
        log_warning("dive: %s", reply->text);
}

static void on_wake(void *ctx, mono_ns now)
{
    on_input(ctx, INPUT_TICK, 0, now, NULL, 0);
}

static void do_wake(void *ctx, mono_ns at)
{
    struct daemon *d = ctx;
    if (!d->stopping)
        wakeup_at(d->wakeup, at);
}

static void do_lookup(void *ctx, const struct engine_lookup *lookup)
{
    struct daemon *d = ctx;
    if (d->recall != NULL && !d->stopping)
        recall_lookup(d->recall, lookup);
}

static void do_log(void *ctx, enum engine_log_level level, const char *text)
{
    (void)ctx;
    log_text(level == ENGINE_LOG_ERROR     ? LOG_LEVEL_ERROR
             : level == ENGINE_LOG_WARNING ? LOG_LEVEL_WARNING
                                           : LOG_LEVEL_INFO,
             text);
}

/* ---- the socket's backend ---- */

static bool on_command(void *ctx, const char *record, size_t len)
{
    struct daemon *d = ctx;
    if (d->stopping)
        return false;
    if (d->recall == NULL || !recall_command(d->recall, record, len))
        on_input(d, INPUT_COMMAND, 0, hostclock_now(), record, len);
    return true;
}

static void on_recalled_dive(void *ctx, const char *record, size_t len)
{
    on_input(ctx, INPUT_RESTORE, 0, hostclock_now(), record, len);
}

static void on_recalled(void *ctx, const char *record, size_t len)
{
    on_input(ctx, INPUT_COMMAND, 0, hostclock_now(), record, len);
}

static void tell_hand(void *ctx, struct lookback_hand *hand)
{
    const struct engine *engine = player_engine(((struct daemon *)ctx)->player);
    snprintf(hand->dive, sizeof hand->dive, "%s", engine_dive_in_hand(engine));
    hand->open = engine_dive(engine)[0] != '\0';
}

static const char *open_dive(void *ctx)
{
    return engine_dive(player_engine(((struct daemon *)ctx)->player));
}

static void on_status(void *ctx, socket_line_fn *line, void *line_ctx)
{
    struct daemon *d = ctx;
    struct status_sources sources = {d->config, player_engine(d->player), keeper_store(d->keeper), d->tape};
    status_tell(&sources, line, line_ctx);
}

static bool on_journal(void *ctx, int64_t after, int64_t upto, socket_row_fn *row, void *row_ctx,
                       char why[SOCKET_WHY_SIZE])
{
    return backend_journal(((struct daemon *)ctx)->backend, after, upto, row, row_ctx, why);
}

static char *on_query(void *ctx, const struct socket_query *query, char why[SOCKET_WHY_SIZE])
{
    return backend_query(((struct daemon *)ctx)->backend, query, why);
}

/* ---- key plans ---- */

static void tell_problem(void *ctx, const struct ini_problem *problem)
{
    char text[1024];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    log_text(LOG_LEVEL_ERROR, text);
}

static const struct ini_text_report to_log = {tell_problem, NULL};

/* Reads the plan of a pad and plays its text. False where it does not read: what was in force stays in force. */
static bool give_plan(struct daemon *d, size_t pad)
{
    char *text = NULL;
    size_t len = 0;
    struct keyplan *plan = malloc(sizeof *plan);
    bool good = plan != NULL && keyplan_file_load(plan, d->config->pad[pad].plan, &text, &len, &to_log) == 0;
    if (good)
        (void)play(d, TAPE_PLAN, (int)pad, hostclock_now(), text, len);
    free(text);
    free(plan);
    return good;
}

static void reload_plans(struct daemon *d)
{
    recall_names(d->recall);
    for (size_t i = 0; i < d->config->engine.pad_count; i++) {
        const char *name = d->config->engine.pad[i].name;
        if (give_plan(d, i))
            log_info("pad %s: key plan %s read again", name, d->config->pad[i].plan);
        else
            log_error("pad %s: key plan %s has errors; the one in force stays", name, d->config->pad[i].plan);
    }
}

/* ---- end ---- */

static void close_inputs(struct daemon *d)
{
    for (size_t i = 0; i < ENGINE_FEEDS_MAX; i++) {
        feed_close(d->feed[i]);
        d->feed[i] = NULL;
    }
    ltcpipe_close(d->audio);
    d->audio = NULL;
}

static void on_socket_stopped(void *ctx)
{
    (void)ctx;
}

static void close_rest(struct daemon *d)
{
    for (size_t i = 0; i < ENGINE_PADS_MAX; i++) {
        padlink_close(d->pad[i]);
        d->pad[i] = NULL;
    }
    if (d->socket != NULL)
        socket_stop(d->socket, on_socket_stopped, d);
    d->socket = NULL;
    recall_stop(d->recall);
    keeper_quiet(d->keeper);
    for (int i = 0; i < SIGNALS; i++)
        uv_close((uv_handle_t *)&d->signal[i], NULL);
    wakeup_close(d->wakeup);
    uv_close((uv_handle_t *)&d->stop_timer, NULL);
    uv_close((uv_handle_t *)&d->tape_timer, NULL);
    uv_close((uv_handle_t *)&d->watchdog, NULL);
}

/* Runs in a turn of its own: stop() may be called from within the engine. */
static void on_stop(uv_timer_t *timer)
{
    struct daemon *d = timer->data;
    close_inputs(d);
    /* What was pressed before the end is synced, and its pads are told while they are still there. */
    if (d->exit_code == 0 && d->player != NULL && player_engine(d->player) != NULL) {
        keeper_flush(d->keeper);
        (void)play(d, TAPE_END, 0, hostclock_now(), "op=end", 6);
    }
    close_rest(d);
}

static void stop(struct daemon *d, int exit_code)
{
    if (exit_code != 0)
        d->exit_code = exit_code;
    if (d->stopping)
        return;
    d->stopping = true;
    notify_send("STOPPING=1");
    uv_timer_start(&d->stop_timer, on_stop, 0, 0);
}

static void on_signal(uv_signal_t *signal, int number)
{
    struct daemon *d = signal->data;
    if (number == SIGHUP && !d->stopping) {
        reload_plans(d);
    } else if (number != SIGHUP) {
        log_info("ending on %s", number == SIGTERM ? "SIGTERM" : "SIGINT");
        stop(d, 0);
    }
}

static void on_watchdog(uv_timer_t *timer)
{
    (void)timer;
    notify_send("WATCHDOG=1");
}

/* ---- start ---- */

static bool refuse(struct daemon *d, int line, const char *section, const char *key, const char *text)
{
    struct ini_problem problem = {d->config->file, line, section, key, text};
    tell_problem(NULL, &problem);
    return false;
}

static void open_handles(struct daemon *d)
{
    static const int numbers[SIGNALS] = {SIGTERM, SIGINT, SIGHUP};
    for (int i = 0; i < SIGNALS; i++) {
        uv_signal_init(&d->loop, &d->signal[i]);
        d->signal[i].data = d;
        uv_signal_start(&d->signal[i], on_signal, numbers[i]);
    }
    uv_timer_init(&d->loop, &d->stop_timer);
    uv_timer_init(&d->loop, &d->tape_timer);
    uv_timer_init(&d->loop, &d->watchdog);
    d->stop_timer.data = d->tape_timer.data = d->watchdog.data = d;
    uint64_t watchdog_ms = notify_watchdog_ms();
    if (watchdog_ms > 0)
        uv_timer_start(&d->watchdog, on_watchdog, watchdog_ms, watchdog_ms);
}

static bool open_store(struct daemon *d)
{
    struct store_error error = {.text = ""};
    struct keeper_events events = {d, on_committed, on_trouble};
    if (keeper_open(&d->keeper, &d->loop, d->config->store_file, &events, &error) != STORE_OK)
        return refuse(d, d->config->lines.store_file, "store", "file", error.text);
    d->backend = backend_new(d->config->store_file);
    return d->backend != NULL;
}

static bool open_tape(struct daemon *d)
{
    char why[160], text[CONFIG_PATH_SIZE + 256];
    if (d->config->tape_file[0] == '\0')
        return true;
    d->tape = tape_open(d->config->tape_file, why, sizeof why);
    if (d->tape != NULL)
        return true;
    snprintf(text, sizeof text, "%s %s; accepted: a new file, or a tape of this version to append to",
             d->config->tape_file, why);
    return refuse(d, d->config->lines.store_tape, "store", "tape", text);
}

static void on_restore(void *ctx, const char *bytes, size_t len)
{
    on_input(ctx, INPUT_RESTORE, 0, hostclock_now(), bytes, len);
}

static void begin_tape(struct daemon *d)
{
    char text[160], boot_id[HOSTCLOCK_BOOT_ID_SIZE];
    struct fields_writer record;
    struct hostclock_utc now;
    (void)hostclock_boot_id(boot_id);
    hostclock_observe(&now);
    fields_begin(&record, text, sizeof text, "begin");
    fields_put(&record, "boot", boot_id);
    fields_put(&record, "program", BELLROPE_VERSION);
    fields_put_int(&record, "utc", now.utc.ns);
    (void)play(d, TAPE_BEGIN, 0, now.after, record.bytes, record.len);
}

/* The engine, with its configuration, its plans and what the database remembers. */
static bool begin_run(struct daemon *d, const char *text, size_t len)
{
    d->sink = (struct engine_sink){d,          do_commit, do_publish, do_pad_send, do_sample,
                                   do_observe, do_reply,  do_wake,    do_log,      do_lookup};
    struct player_sink sink = {.engine = &d->sink};
    struct store_error error = {.text = ""};
    d->player = player_new(&sink, PLAYER_LIVE);
    if (d->player == NULL)
        return false;
    begin_tape(d);
    if (play(d, TAPE_CONFIG, 0, hostclock_now(), text, len) != 0)
        return false;
    for (size_t i = 0; i < d->config->engine.pad_count; i++)
        if (!give_plan(d, i))
            return false;
    if (store_restore(keeper_store(d->keeper), on_restore, d, &error) != STORE_OK)
        return refuse(d, d->config->lines.store_file, "store", "file", error.text);
    if (player_engine(d->player) == NULL)
        return false;
    const struct recall_events events = {d, on_recalled_dive, on_recalled, tell_hand};
    d->recall = recall_new(&d->loop, d->config, keeper_store(d->keeper), &events);
    if (d->recall != NULL)
        recall_names(d->recall);
    return d->recall != NULL;
}

/* The socket's sentence names what it is about; the key that says so is told with it. */
static bool refuse_socket(struct daemon *d, const char *why)
{
    const struct config_socket *socket = &d->config->socket;
    const struct config_lines *lines = &d->config->lines;
    if (socket->unix_path[0] != '\0' && strstr(why, socket->unix_path) != NULL)
        return refuse(d, lines->unix_path, "socket", "unix", why);
    if (socket->token_file[0] != '\0' && strstr(why, socket->token_file) != NULL)
        return refuse(d, lines->token_file, "socket", "token_file", why);
    return refuse(d, lines->tcp != 0 ? lines->tcp : lines->unix_path, "socket",
                  lines->tcp != 0 ? "tcp" : "unix", why);
}

static bool open_socket(struct daemon *d)
{
    const struct config_socket *from = &d->config->socket;
    char why[SOCKET_WHY_SIZE];
    struct socket_config config = {.unix_path = from->unix_path[0] == '\0' ? NULL : from->unix_path,
                                   .unix_mode = from->unix_mode,
                                   .unix_group = from->unix_group[0] == '\0' ? NULL : from->unix_group,
                                   .tcp_host = from->tcp_host[0] == '\0' ? NULL : from->tcp_host,
                                   .tcp_port = from->tcp_port,
                                   .token_file = from->token_file[0] == '\0' ? NULL : from->token_file,
                                   .connections = from->connections};
    struct socket_backend backend = {d, on_command, on_status, open_dive, on_journal, on_query};
    if (config.unix_path == NULL && config.tcp_host == NULL)
        return true;
    if (socket_start(&d->socket, &d->loop, &config, &backend, store_last_seq(keeper_store(d->keeper)), why) ==
        0)
        return true;
    d->socket = NULL;
    return refuse_socket(d, why);
}

static bool open_inputs(struct daemon *d)
{
    const struct engine_config *engine = &d->config->engine;
    struct deliver deliver = {on_input, d};
    bool good = true;
    for (size_t i = 0; i < engine->pad_count && good; i++) {
        d->pad[i] = padlink_new(&d->loop, engine->pad[i].name, &d->config->pad[i], (int)i, &deliver);
        good = d->pad[i] != NULL;
    }
    for (size_t i = 0; i < engine->feed_count && good; i++) {
        d->feed[i] = feed_new(&d->loop, engine->feed[i].name, &d->config->feed[i], (int)i, &deliver);
        good = d->feed[i] != NULL;
    }
    if (!good || d->config->audio == CONFIG_AUDIO_NONE)
        return good;
    struct ltcpipe_plan plan = {.kind = d->config->audio,
                                .source = d->config->audio_source,
                                .folder = d->config->folder,
                                .sample_rate_hz = engine->audio_sample_rate_hz,
                                .frames_per_s = timecode_nominal_fps(timecode_word_rate(engine->rate)),
                                .deliver = deliver};
    d->audio = ltcpipe_new(&d->loop, &plan);
    return d->audio != NULL;
}

/* [dive] id opens that dive, unless one is open already or it has been dived before. */
static void begin_dive(struct daemon *d)
{
    struct store_reader *reader = NULL;
    struct store_error error;
    char text[128];
    struct fields_writer record;
    const char *id = d->config->dive_id;
    if (id[0] == '\0' || open_dive(d)[0] != '\0')
        return;
    if (store_reader_open(&reader, d->config->store_file, &error) != STORE_OK) {
        log_warning("dive %s: not begun: %s", id, error.text);
        return;
    }
    int known = rowjson_dive_known(reader, id);
    store_reader_close(reader);
    if (known != 0) {
        log_warning(
            "dive %s: not begun, because the database has it already; `bellrope dive begin` opens a new one",
            id);
        return;
    }
    fields_begin(&record, text, sizeof text, "dive.begin");
    fields_put_int(&record, "token", 0);
    fields_put(&record, "id", id);
    on_record(d, INPUT_COMMAND, &record);
}

static bool start(struct daemon *d, const char *text, size_t len)
{
    if (!open_store(d) || !open_tape(d) || !begin_run(d, text, len) || !open_socket(d) || !open_inputs(d))
        return false;
    begin_dive(d);
    return true;
}

static int finish(struct daemon *d)
{
    backend_free(d->backend);
    recall_free(d->recall);
    player_free(d->player);
    if (keeper_close(d->keeper) != STORE_OK && d->exit_code == 0) {
        log_error("store: some entries did not reach the disk; their pads keep the presses");
        d->exit_code = 1;
    }
    int failure = tape_close(d->tape);
    if (failure != 0)
        log_error("tape: %s: %s", d->config->tape_file, strerror(failure));
    if (uv_loop_close(&d->loop) != 0)
        log_error("a handle was left open at the end");
    return d->exit_code;
}

int daemon_run(const struct config *config, const char *text, size_t len)
{
    struct daemon *d = calloc(1, sizeof *d);
    if (d == NULL || uv_loop_init(&d->loop) != 0) {
        free(d);
        log_error("not enough memory");
        return 1;
    }
    d->config = config;
    (void)signal(SIGPIPE, SIG_IGN);
    open_handles(d);
    d->wakeup = wakeup_new(&d->loop, on_wake, d);
    if (d->wakeup == NULL)
        log_error("no timer to be had from the system");
    if (d->wakeup != NULL && start(d, text, len)) {
        log_info("bellroped " BELLROPE_VERSION ": configuration %s, database %s, %s%s", config->file,
                 config->store_file, open_dive(d)[0] == '\0' ? "no dive open" : "dive ", open_dive(d));
        notify_send("READY=1");
        (void)malloc_trim(0); /* what the start needed and the run does not */
    } else {
        stop(d, 1);
    }
    (void)uv_run(&d->loop, UV_RUN_DEFAULT);
    int exit_code = finish(d);
    free(d);
    if (exit_code == 0)
        log_info("ended");
    return exit_code;
}
