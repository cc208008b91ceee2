#include "io/player.h"

#include "core/fields.h"
#include "io/keyplan_file.h"

#include <stdlib.h>
#include <string.h>

struct held {
    struct held *next;
    struct entry entry;
};

struct player {
    struct player_sink sink;
    struct engine_sink engine_sink; /* the caller's, with commit() turned aside in a replay */
    enum player_mode mode;
    struct engine *engine;
    struct config config;
    bool configured;                       /* the run in hand has a configuration that reads */
    bool failed;                           /* the run in hand is passed over */
    struct keyplan *plan[ENGINE_PADS_MAX]; /* given before the engine was made */
    struct held *first, *last;
    uint64_t dropped;
};

/* ---- entries held back ---- */

static void hand_over(struct player *player, int64_t seq_to)
{
    while (player->first != NULL && player->first->entry.seq <= seq_to) {
        struct held *held = player->first;
        player->first = held->next;
        if (player->first == NULL)
            player->last = NULL;
        player->sink.engine->commit(player->sink.engine->ctx, &held->entry);
        free(held);
    }
}

static void drop_from(struct player *player, int64_t seq)
{
    struct held **at = &player->first;
    player->last = NULL;
    while (*at != NULL && (*at)->entry.seq < seq) {
        player->last = *at;
        at = &(*at)->next;
    }
    struct held *rest = *at;
    *at = NULL;
    while (rest != NULL) {
        struct held *next = rest->next;
        free(rest);
        rest = next;
        player->dropped++;
    }
}

/* Where memory is short the entry goes on at once: a replay with an entry too many is better than one with a hole. */
static void hold(void *ctx, const struct entry *entry)
{
    struct player *player = ctx;
    if (player->last != NULL && player->last->entry.seq >= entry->seq)
        drop_from(player, entry->seq);
    struct held *held = malloc(sizeof *held);
    if (held == NULL) {
        hand_over(player, INT64_MAX);
        player->sink.engine->commit(player->sink.engine->ctx, entry);
        return;
    }
    held->next = NULL;
    memcpy(&held->entry, entry, entry_size(entry));
    if (player->last == NULL)
        player->first = held;
    else
        player->last->next = held;
    player->last = held;
}

static void pass_sample(void *ctx, const struct engine_sample *sample)
{
    const struct engine_sink *sink = ((struct player *)ctx)->sink.engine;
    sink->sample(sink->ctx, sample);
}

static void pass_observe(void *ctx, const struct engine_observation *observation)
{
    const struct engine_sink *sink = ((struct player *)ctx)->sink.engine;
    sink->observe(sink->ctx, observation);
}

/* ---- runs ---- */

static void tell(void *ctx, const struct ini_problem *problem)
{
    const struct player *player = ctx;
    if (player->sink.problem != NULL)
        player->sink.problem(player->sink.ctx, problem);
}

static void end_run(struct player *player)
{
    bool told = player->configured && player->sink.run != NULL;
    engine_free(player->engine);
    player->engine = NULL;
    player->configured = false;
    for (int i = 0; i < ENGINE_PADS_MAX; i++) {
        free(player->plan[i]);
        player->plan[i] = NULL;
    }
    if (told)
        player->sink.run(player->sink.ctx, NULL);
}

static int take_config(struct player *player, const struct tape_record *record)
{
    struct ini_text_report report = {tell, player};
    if (player->configured)
        end_run(player);
    player->configured = config_parse(&player->config, "configuration", (const char *)record->bytes,
                                      record->len, &report) == 0;
    player->failed = !player->configured;
    if (player->configured && player->sink.run != NULL)
        player->sink.run(player->sink.ctx, &player->config);
    return player->configured ? 0 : -1;
}

static int take_plan(struct player *player, const struct tape_record *record)
{
    struct ini_text_report report = {tell, player};
    if (!player->configured || record->source < 0 || record->source >= (int)player->config.engine.pad_count)
        return -1;
    struct keyplan *plan = malloc(sizeof *plan);
    if (plan == NULL ||
        keyplan_file_parse(plan, "key plan", (const char *)record->bytes, record->len, &report) != 0) {
        free(plan);
        return -1;
    }
    if (player->engine != NULL) {
        engine_plan(player->engine, record->source, record->at, plan);
        free(plan);
    } else {
        free(player->plan[record->source]);
        player->plan[record->source] = plan;
    }
    return 0;
}

static bool make_engine(struct player *player, mono_ns at)
{
    if (player->engine != NULL)
        return true;
    if (!player->configured)
        return false;
    player->engine = engine_new(&player->config.engine, &player->engine_sink);
    for (int i = 0; i < ENGINE_PADS_MAX && player->engine != NULL; i++) {
        if (player->plan[i] != NULL)
            engine_plan(player->engine, i, at, player->plan[i]);
        free(player->plan[i]);
        player->plan[i] = NULL;
    }
    return player->engine != NULL;
}

/* How far the live record had got, as two kinds of input say it. */
static void look_for_commits(struct player *player, enum input_kind kind, const struct tape_record *record)
{
    struct fields fields;
    char op[16];
    int64_t seq = 0;
    if ((kind != INPUT_COMMITTED && kind != INPUT_RESTORE) ||
        !fields_parse(&fields, (const char *)record->bytes, record->len))
        return;
    if (kind == INPUT_COMMITTED && fields_int(&fields, "seq", &seq))
        hand_over(player, seq);
    if (kind == INPUT_RESTORE && fields_text(&fields, "op", op, sizeof op) &&
        strcmp(op, "restore.seq") == 0 && fields_int(&fields, "last", &seq)) {
        hand_over(player, seq);
        drop_from(player, seq + 1);
    }
}

static int take_input(struct player *player, enum input_kind kind, const struct tape_record *record)
{
    if (!make_engine(player, record->at))
        return -1;
    if (player->mode == PLAYER_REPLAY)
        look_for_commits(player, kind, record);
    engine_input(player->engine, kind, record->source, record->at, record->bytes, record->len);
    return 0;
}

int player_deliver(struct player *player, const struct tape_record *record)
{
    enum input_kind kind;
    switch (record->kind) {
    case TAPE_BEGIN:
        end_run(player);
        player->failed = false;
        return 0;
    case TAPE_CONFIG:
        return take_config(player, record);
    case TAPE_PLAN:
        return take_plan(player, record);
    case TAPE_END:
    case TAPE_GAP:
        return 0;
    default:
        return tape_input_kind(record->kind, &kind) ? take_input(player, kind, record) : -1;
    }
}

void player_end(struct player *player)
{
    hand_over(player, INT64_MAX);
}

struct engine *player_engine(const struct player *player)
{
    return player->engine;
}

uint64_t player_dropped(const struct player *player)
{
    return player->dropped;
}

struct player *player_new(const struct player_sink *sink, enum player_mode mode)
{
    struct player *player = calloc(1, sizeof *player);
    if (player == NULL)
        return NULL;
    player->sink = *sink;
    player->mode = mode;
    player->engine_sink = *sink->engine;
    if (mode == PLAYER_REPLAY)
        player->engine_sink =
            (struct engine_sink){.ctx = player,
                                 .commit = hold,
                                 .sample = sink->engine->sample != NULL ? pass_sample : NULL,
                                 .observe = sink->engine->observe != NULL ? pass_observe : NULL};
    return player;
}

void player_free(struct player *player)
{
    if (player == NULL)
        return;
    end_run(player);
    drop_from(player, INT64_MIN);
    free(player);
}
