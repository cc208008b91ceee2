#include "dive.h"

#include "campaign.h"
#include "core/event.h"
#include "io/player.h"
#include "io/tape.h"
#include "taped.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static char the_event[EVENT_BYTES_MAX];

static void *need(void *memory)
{
    if (memory == NULL)
        abort();
    return memory;
}

static struct dive_step *add(struct dive *dive, enum dive_kind kind)
{
    if (dive->count == dive->room) {
        dive->room = dive->room == 0 ? 1024 : 2 * dive->room;
        dive->step = need(realloc(dive->step, dive->room * sizeof *dive->step));
    }
    struct dive_step *step = &dive->step[dive->count++];
    memset(step, 0, sizeof *step);
    step->kind = kind;
    return step;
}

static void on_commit(void *ctx, const struct entry *entry)
{
    struct dive *dive = ctx;
    struct dive_step *step = add(dive, DIVE_ENTRY);
    step->entry = need(calloc(1, sizeof *entry));
    memcpy(step->entry, entry, entry_size(entry));
    step->event_len = event_json(entry, the_event, sizeof the_event);
    step->event = need(malloc(step->event_len + 1));
    memcpy(step->event, the_event, step->event_len);
    step->event[step->event_len] = '\0';
    dive->entries = entry->seq;
    dive->markers += entry->type == ENTRY_MARKER;
}

static void on_sample(void *ctx, const struct engine_sample *sample)
{
    struct dive_step *step = add(ctx, DIVE_SAMPLE);
    step->sample = *sample;
    step->sample.channel = step->text[0] = need(strdup(sample->channel));
    step->sample.feed = step->text[1] = need(strdup(sample->feed));
}

static void on_observe(void *ctx, const struct engine_observation *observation)
{
    struct dive_step *step = add(ctx, DIVE_OBSERVATION);
    step->observation = *observation;
    step->observation.clock = step->text[0] = need(strdup(observation->clock));
}

static bool play(struct dive *dive, const char *tape)
{
    char why[256];
    struct engine_sink effects = {
        .ctx = dive, .commit = on_commit, .sample = on_sample, .observe = on_observe};
    const struct player_sink sink = {.engine = &effects};
    struct tape_reader *reader = tape_reader_open(tape, why, sizeof why);
    struct player *player = player_new(&sink, PLAYER_REPLAY);
    struct tape_record record;
    bool good = reader != NULL && player != NULL;
    while (good && tape_reader_next(reader, &record))
        good = player_deliver(player, &record) == 0;
    if (good)
        player_end(player);
    player_free(player);
    tape_reader_close(reader);
    return good && dive->entries > 0;
}

static void tell_problem(void *ctx, int line, const char *text)
{
    (void)ctx;
    fprintf(stderr, "script, line %d: %s\n", line, text);
}

bool dive_make(struct dive *dive, const char *folder, const char *name)
{
    char config[512];
    char tape[512];
    char from[512];
    const char *const pairs[] = {"@DIR@",    folder,   "@PLANS@", FAULT_DATA, "@RATE@",  "25",
                                 "@SOCKET@", "socket", "@PORT0@", "5501",     "@PORT1@", "5502",
                                 "@PORT2@",  "5503",   "@PORT3@", "5504",     NULL};
    const char *const none[] = {NULL};
    struct script script;
    snprintf(config, sizeof config, "%s/dive.ini", folder);
    snprintf(tape, sizeof tape, "%s/dive.tape", folder);
    snprintf(from, sizeof from, "%s/%s.rig", FAULT_DATA, name);
    char *text = campaign_fill(FAULT_DATA "/live.ini", pairs);
    char *rig = campaign_fill(from, none);
    memset(dive, 0, sizeof *dive);
    script_init(&script);
    bool good = text != NULL && rig != NULL && campaign_write(config, text) &&
                script_parse(&script, rig, strlen(rig), tell_problem, NULL) == 0 &&
                taped_run(&script, &(struct taped_options){.config = config, .tape = tape}) == 0 &&
                play(dive, tape);
    script_free(&script);
    free(text);
    free(rig);
    return good;
}

void dive_free(struct dive *dive)
{
    for (size_t i = 0; i < dive->count; i++) {
        struct dive_step *step = &dive->step[i];
        free(step->entry);
        free(step->event);
        free(step->text[0]);
        free(step->text[1]);
    }
    free(dive->step);
}

size_t dive_after(const struct dive *dive, int64_t seq)
{
    size_t at = 0;
    for (size_t i = 0; i < dive->count; i++)
        if (dive->step[i].kind == DIVE_ENTRY && dive->step[i].entry->seq <= seq)
            at = i + 1;
    return at;
}
