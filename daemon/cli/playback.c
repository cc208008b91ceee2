#include "cli/playback.h"

#include "bellrope/version.h"
#include "core/event.h"
#include "core/fields.h"
#include "io/player.h"
#include "store/store.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct replay {
    struct playback *count;
    const struct cli_verb *verb;
    const char *path;
    struct store *store;
    bool failed;
    /* A run's first records: the store is opened anew for it once what the run before had on disk has been handed over. */
    bool begins;
    char boot[64];
    int64_t begin_utc;
    int64_t last_seq, at_ns;
    char event[EVENT_BYTES_MAX];
};

static void fail(struct replay *replay, const char *text)
{
    if (!replay->failed)
        cli_fail(replay->verb, "%s", text);
    replay->failed = true;
}

/* -- the engine's effects -- */

static void on_commit(void *ctx, const struct entry *entry)
{
    struct replay *replay = ctx;
    char text[200];
    size_t len = event_json(entry, replay->event, sizeof replay->event);
    if (replay->failed || replay->store == NULL)
        return;
    enum store_result result = store_submit(replay->store, entry, replay->event, len);
    if (result == STORE_ORDER) {
        snprintf(text, sizeof text,
                 "entry %" PRId64 " does not follow on %" PRId64
                 ": a piece of the tape is missing where the daemon was killed",
                 entry->seq, replay->last_seq);
        fail(replay, text);
    } else if (result != STORE_OK) {
        fail(replay, "out of memory");
    }
    replay->last_seq = entry->seq;
    replay->count->entries++;
    replay->count->markers += entry->type == ENTRY_MARKER ? 1 : 0;
}

static void on_sample(void *ctx, const struct engine_sample *sample)
{
    struct replay *replay = ctx;
    if (replay->store != NULL)
        store_sample(replay->store, sample);
}

static void on_observe(void *ctx, const struct engine_observation *observation)
{
    struct replay *replay = ctx;
    if (replay->store != NULL)
        store_observe(replay->store, observation);
}

static const struct engine_sink EFFECTS = {.commit = on_commit, .sample = on_sample, .observe = on_observe};

/* -- the runs on the tape -- */

static void close_store(struct replay *replay)
{
    if (replay->store != NULL && store_close(replay->store) != STORE_OK)
        fail(replay, "the database cannot be written; is the disk full?");
    replay->store = NULL;
}

static void open_store(struct replay *replay)
{
    struct store_error error;
    close_store(replay);
    struct store_options options = {.path = replay->path,
                                    .host_boot_id = replay->boot,
                                    .now = {replay->begin_utc},
                                    .wait_for_room = true};
    if (!replay->failed && store_open(&replay->store, &options, &error) != STORE_OK)
        fail(replay, error.text);
    replay->begins = false;
}

static void begin_run(struct replay *replay, const struct tape_record *record)
{
    struct fields fields;
    char program[sizeof replay->count->program] = "";
    snprintf(replay->boot, sizeof replay->boot, "tape");
    replay->begin_utc = 0;
    if (fields_parse(&fields, (const char *)record->bytes, record->len)) {
        fields_text(&fields, "boot", replay->boot, sizeof replay->boot);
        fields_int(&fields, "utc", &replay->begin_utc);
        fields_text(&fields, "program", program, sizeof program);
    }
    if (program[0] != '\0' && strcmp(program, BELLROPE_VERSION) != 0)
        snprintf(replay->count->program, sizeof replay->count->program, "%s", program);
    replay->count->runs++;
    replay->begins = true;
}

/* Whether the record still belongs to what a run begins with, before its engine makes anything. */
static bool is_opening(const struct tape_record *record)
{
    return record->kind == TAPE_BEGIN || record->kind == TAPE_CONFIG || record->kind == TAPE_PLAN;
}

static bool says_how_far(const struct tape_record *record)
{
    struct fields fields;
    char op[24];
    return record->kind == TAPE_RESTORE && fields_parse(&fields, (const char *)record->bytes, record->len) &&
           fields_text(&fields, "op", op, sizeof op) && strcmp(op, "restore.seq") == 0;
}

static void on_problem(void *ctx, const struct ini_problem *problem)
{
    struct replay *replay = ctx;
    char text[512];
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "on the tape: %s\n", text);
    replay->count->problems++;
}

static void play_record(struct replay *replay, struct player *player, const struct tape_record *record)
{
    bool how_far = says_how_far(record);
    replay->count->records++;
    if (record->kind != TAPE_BEGIN && record->at.ns > replay->at_ns && replay->count->records > 1)
        replay->count->taken_ns += record->at.ns - replay->at_ns;
    replay->at_ns = record->at.ns;
    replay->count->gaps += record->kind == TAPE_GAP ? 1 : 0;
    if (record->kind == TAPE_BEGIN)
        begin_run(replay, record);
    if (replay->begins && !is_opening(record) && !how_far)
        open_store(replay);
    if (player_deliver(player, record) != 0)
        replay->count->problems++;
    if (replay->begins && how_far)
        open_store(replay);
}

static void play(struct replay *replay, struct tape_reader *reader)
{
    struct engine_sink effects = EFFECTS;
    effects.ctx = replay;
    const struct player_sink sink = {.engine = &effects, .problem = on_problem, .ctx = replay};
    struct player *player = player_new(&sink, PLAYER_REPLAY);
    struct tape_record record;
    if (player == NULL)
        fail(replay, "out of memory");
    while (!replay->failed && tape_reader_next(reader, &record))
        play_record(replay, player, &record);
    if (!replay->failed && replay->count->runs == 0)
        fail(replay, "nothing on the tape: no run of the daemon begins there");
    if (!replay->failed)
        player_end(player);
    player_free(player);
    close_store(replay);
}

int playback_run(const struct cli_verb *verb, const char *tape, const char *path, struct playback *out)
{
    char why[512];
    *out = (struct playback){0};
    if (access(path, F_OK) == 0)
        return cli_fail(verb, "%s is there already; name another or move it away", path);
    struct tape_reader *reader = tape_reader_open(tape, why, sizeof why);
    if (reader == NULL)
        return cli_fail(verb, "%s: %s", tape, why);
    struct replay *replay = calloc(1, sizeof *replay);
    if (replay == NULL) {
        tape_reader_close(reader);
        return cli_fail(verb, "out of memory");
    }
    replay->count = out;
    replay->verb = verb;
    replay->path = path;
    play(replay, reader);
    bool failed = replay->failed;
    out->damage = *tape_reader_damage(reader);
    free(replay);
    tape_reader_close(reader);
    return failed ? CLI_FAILED : CLI_DONE;
}
