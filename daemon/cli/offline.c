#include "cli/offline.h"

#include "core/event.h"
#include "core/fields.h"
#include "export/rowjson.h"
#include "io/checklist_file.h"
#include "io/config.h"
#include "io/hostclock.h"
#include "io/jsonrpc.h"
#include "io/keyplan_file.h"
#include "io/request.h"
#include "store/lookback.h"

#include <stdlib.h>
#include <string.h>

struct offline {
    struct config config;
    struct store *store;
    struct store_reader *reader;
    struct engine *engine;
    char *why;
    bool failed;
    bool answered;
    struct engine_reply reply;
    bool has_lookup;
    struct engine_lookup lookup;
    int64_t last_seq;
    char event[EVENT_BYTES_MAX];
    char record[FIELDS_BYTES_MAX];
};

static void fail(struct offline *o, const char *text)
{
    if (!o->failed)
        snprintf(o->why, CLIENT_WHY_SIZE, "%s", text);
    o->failed = true;
}

/* ---- the engine's effects ---- */

static void on_commit(void *ctx, const struct entry *entry)
{
    struct offline *o = ctx;
    size_t len = event_json(entry, o->event, sizeof o->event);
    if (len == 0 || store_submit(o->store, entry, o->event, len) != STORE_OK)
        fail(o, "the database took no more entries");
    o->last_seq = entry->seq;
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    struct offline *o = ctx;
    o->reply = *reply;
    o->answered = true;
}

static void on_log(void *ctx, enum engine_log_level level, const char *text)
{
    (void)ctx;
    if (level != ENGINE_LOG_INFO)
        fprintf(stderr, "%s\n", text);
}

static void on_lookup(void *ctx, const struct engine_lookup *lookup)
{
    struct offline *o = ctx;
    o->lookup = *lookup;
    o->has_lookup = true;
}

static const struct engine_sink EFFECTS = {
    .commit = on_commit, .reply = on_reply, .log = on_log, .lookup = on_lookup};

/* ---- opening ---- */

static void print_problem(void *ctx, const struct ini_problem *problem)
{
    char text[512];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "%s\n", text);
}

static bool read_config(struct offline *o, const struct target *target)
{
    const struct ini_text_report report = {print_problem, NULL};
    char *text = NULL;
    size_t len = 0;
    o->config.engine.utc_feed = -1;
    o->config.engine.rate = TC_RATE_25;
    if (target->config[0] == '\0')
        return true;
    int problems = config_load(&o->config, target->config, &text, &len, &report);
    free(text);
    if (problems != 0) {
        snprintf(o->why, CLIENT_WHY_SIZE, "%.500s: %d problem%s; see above", target->config, problems,
                 problems == 1 ? "" : "s");
        return false;
    }
    /* No feed is heard here: the machine's clock says what is now, and the file what was. */
    o->config.engine.utc_feed = -1;
    return true;
}

static bool open_record(struct offline *o, const struct target *target)
{
    struct store_error error = {.text = ""};
    char boot[HOSTCLOCK_BOOT_ID_SIZE];
    struct hostclock_utc now;
    (void)hostclock_boot_id(boot);
    hostclock_observe(&now);
    struct store_options options = {
        .path = target->db, .host_boot_id = boot, .now = now.utc, .wait_for_room = true};
    if (store_reader_open(&o->reader, target->db, &error) == STORE_OK && /* never makes a file */
        store_open(&o->store, &options, &error) == STORE_OK)
        return true;
    snprintf(o->why, CLIENT_WHY_SIZE, "%s", error.text);
    return false;
}

/* ---- key plans ---- */

static void plan_from_file(struct offline *o, size_t pad)
{
    const struct ini_text_report report = {print_problem, NULL};
    struct keyplan *plan = malloc(sizeof *plan);
    char *text = NULL;
    size_t len = 0;
    if (plan != NULL && keyplan_file_load(plan, o->config.pad[pad].plan, &text, &len, &report) == 0)
        engine_plan(o->engine, (int)pad, hostclock_now(), plan);
    free(text);
    free(plan);
}

struct learning {
    const char *seat;
    struct keyplan *plan;
    uint32_t line;
};

static void set(struct learning *learning, const char *section, const char *name, const char *value)
{
    struct keyplan_error error;
    if (value[0] != '\0')
        (void)keyplan_set(learning->plan, section, name, value, ++learning->line, &error);
}

/* A tap with a key and a meaning: what that key meant. Said again it changes nothing, since a key's kind is given once. */
static bool learn_key(void *ctx, const struct query_marker *row)
{
    struct learning *learning = ctx;
    const struct marker *marker = &row->marker;
    char section[48], lead[24];
    bool tap = strcmp(marker->gesture, "tap") == 0 || strcmp(marker->gesture, "soft") == 0;
    if (!tap || marker->key[0] == '\0' || strchr(marker->key, '+') != NULL ||
        strcmp(marker->seat, learning->seat) != 0 || key_kind_find(marker->kind) == KEY_KIND_NONE ||
        keyplan_find_name(learning->plan, marker->key, KEY_GESTURE_TAP) != NULL)
        return true;
    snprintf(section, sizeof section, "key %s", marker->key);
    snprintf(lead, sizeof lead, "%.3f", (double)marker->lead_ns / 1e9);
    set(learning, section, "kind", marker->kind);
    set(learning, section, "label", marker->label);
    set(learning, section, "term", marker->term);
    set(learning, section, "phase", marker->phase);
    if (marker->lead_ns > 0)
        set(learning, section, "lead_s", lead);
    if (marker->container[0] != '\0') {
        char container[48], capacity[16];
        snprintf(container, sizeof container, "container %s", marker->container);
        snprintf(capacity, sizeof capacity, "%u", marker->capacity);
        set(learning, container, "capacity", marker->capacity > 0 ? capacity : "");
        set(learning, section, "container", marker->container);
    }
    return true;
}

static void plans_from_dive(struct offline *o, const char *dive)
{
    static const char *const seats[] = {"science", "nav"};
    struct keyplan *plan = malloc(sizeof *plan);
    struct query_want want = {.dive = dive};
    for (int i = 0; i < 2 && plan != NULL; i++) {
        struct learning learning = {.seat = seats[i], .plan = plan};
        keyplan_begin(plan);
        set(&learning, "plan", "rows", "8");
        set(&learning, "plan", "columns", "8");
        set(&learning, "plan", "subjects", "elsewhere");
        (void)query_markers(o->reader, &want, learn_key, &learning);
        engine_plan(o->engine, i, hostclock_now(), plan);
    }
    free(plan);
}

static void seats_of_their_own(struct offline *o)
{
    struct engine_config *engine = &o->config.engine;
    engine->pad_count = 2;
    snprintf(engine->pad[0].name, sizeof engine->pad[0].name, "science");
    snprintf(engine->pad[0].seat, sizeof engine->pad[0].seat, "science");
    snprintf(engine->pad[1].name, sizeof engine->pad[1].name, "nav");
    snprintf(engine->pad[1].seat, sizeof engine->pad[1].seat, "nav");
}

/* ---- running ---- */

static void deliver(struct offline *o, enum input_kind kind, const char *record, size_t len)
{
    engine_input(o->engine, kind, 0, hostclock_now(), record, len);
}

static void on_restore(void *ctx, const char *bytes, size_t len)
{
    deliver(ctx, INPUT_RESTORE, bytes, len);
}

static bool begin(struct offline *o, const char *dive, bool has_config)
{
    struct store_error error;
    struct hostclock_utc now;
    char record[HOSTCLOCK_RECORD_SIZE], in_hand[DIVE_ID_SIZE];
    struct engine_sink effects = EFFECTS;
    effects.ctx = o;
    if (!has_config)
        seats_of_their_own(o);
    o->engine = engine_new(&o->config.engine, &effects);
    if (o->engine == NULL) {
        fail(o, "out of memory");
        return false;
    }
    if (store_restore(o->store, on_restore, o, &error) != STORE_OK) {
        fail(o, error.text);
        return false;
    }
    hostclock_observe(&now);
    deliver(o, INPUT_UTC, record, hostclock_record(&now, record, sizeof record));
    snprintf(in_hand, sizeof in_hand, "%s", dive[0] != '\0' ? dive : engine_dive_in_hand(o->engine));
    for (size_t i = 0; i < o->config.engine.pad_count && has_config; i++)
        plan_from_file(o, i);
    if (!has_config)
        plans_from_dive(o, in_hand);
    return true;
}

static size_t complete(struct offline *o, const char *record, size_t len)
{
    struct lookback_hand hand = {.open = engine_dive(o->engine)[0] != '\0'};
    struct store_error error;
    char why[CONFIG_PATH_SIZE + 256];
    snprintf(hand.dive, sizeof hand.dive, "%s", engine_dive_in_hand(o->engine));
    size_t done = len;
    if (lookback_needed(&hand, record, len)) {
        done = lookback_command(o->reader, &hand, record, len, on_restore, o, o->record, &error);
        if (done == 0)
            fail(o, error.text);
    } else {
        memcpy(o->record, record, len);
    }
    if (o->config.checklist_file[0] == '\0' || done == 0)
        return done;
    struct checklist_file *names = checklist_file_load(o->config.checklist_file, why, sizeof why);
    if (names == NULL)
        fprintf(stderr, "%s\n", why);
    else
        done = checklist_file_fill(names, o->record, done, sizeof o->record);
    checklist_file_free(names);
    return done;
}

static void commit(struct offline *o)
{
    char text[64];
    struct fields_writer record;
    if (store_flush(o->store) != STORE_OK) {
        fail(o, "the database cannot be written; is the disk full, or the file on a read-only medium?");
        return;
    }
    fields_begin(&record, text, sizeof text, "committed");
    fields_put_int(&record, "seq", o->last_seq);
    deliver(o, INPUT_COMMITTED, record.bytes, record.len);
}

static void carry_out(struct offline *o, const char *record, size_t len)
{
    size_t done = complete(o, record, len);
    if (o->failed)
        return;
    deliver(o, INPUT_COMMAND, o->record, done);
    if (o->has_lookup && !o->failed) {
        commit(o);
        done = lookback_stored(o->reader, &o->config.engine, &o->lookup, o->record);
        deliver(o, INPUT_COMMAND, o->record, done);
    }
    if (!o->failed)
        commit(o);
}

static json_t *result_of(struct offline *o)
{
    if (!o->failed && !o->answered)
        fail(o, "no answer came of it");
    if (!o->failed && o->reply.refusal != REFUSED_NOT)
        fail(o, o->reply.text);
    if (o->failed)
        return NULL;
    json_t *result = json_pack("{s:I, s:s}", "seq", (json_int_t)o->reply.seq, "ref", o->reply.ref);
    if (o->reply.text[0] != '\0')
        json_object_set_new(result, "note", json_string(o->reply.text));
    return result;
}

static bool is_known_dive(struct offline *o, const char *dive)
{
    if (dive[0] == '\0' || rowjson_dive_known(o->reader, dive) != 0)
        return true;
    snprintf(o->why, CLIENT_WHY_SIZE, "there is no dive %s; `bellrope dive list` shows the dives", dive);
    return false;
}

static json_t *run(struct offline *o, const struct target *target, const struct request *request)
{
    json_t *result = NULL;
    const char *dive = request->query.dive_given ? request->query.dive : "";
    if (read_config(o, target) && open_record(o, target) && is_known_dive(o, dive) &&
        begin(o, dive, target->config[0] != '\0')) {
        carry_out(o, request->record, request->record_len);
        result = result_of(o);
    }
    engine_free(o->engine);
    store_reader_close(o->reader);
    if (store_close(o->store) != STORE_OK && result != NULL) {
        json_decref(result);
        result = NULL;
        snprintf(o->why, CLIENT_WHY_SIZE, "the database cannot be written; is the disk full?");
    }
    return result;
}

json_t *offline_call(const struct target *target, const char *method, json_t *params,
                     char why[CLIENT_WHY_SIZE])
{
    struct offline *o = calloc(1, sizeof *o);
    struct request *request = calloc(1, sizeof *request);
    const struct jsonrpc_call call = {.method = method, .params = params};
    json_t *result = NULL;
    why[0] = '\0';
    if (o == NULL || request == NULL)
        snprintf(why, CLIENT_WHY_SIZE, "out of memory");
    else if (request_read(&call, 1, request, why) == JSONRPC_FINE && request->kind == REQUEST_COMMAND) {
        o->why = why;
        result = run(o, target, request);
    } else if (why[0] == '\0') {
        snprintf(why, CLIENT_WHY_SIZE, "%s needs a daemon; leave --db out", method);
    }
    free(request);
    free(o);
    json_decref(params);
    return result;
}
