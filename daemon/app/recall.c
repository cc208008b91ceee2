#include "app/recall.h"

#include "core/fields.h"
#include "io/checklist_file.h"
#include "io/lane.h"
#include "io/log.h"

#include <stdlib.h>
#include <string.h>

struct recall {
    const struct config *config;
    struct store *store;
    struct recall_events events;
    struct lane lane;
    struct store_reader *reader; /* the lane's */
    struct checklist_file *names;
    bool stopped;
};

/* A restore record of an ended dive, kept until the loop's thread delivers it. */
struct kept {
    struct kept *next;
    size_t len;
    char bytes[];
};

struct job {
    struct lane_job lane; /* first */
    struct recall *recall;
    struct lookback_hand hand;
    bool is_lookup;
    struct engine_lookup lookup;
    struct kept *first, *last;
    struct checklist_file *names; /* in force when the command came */
    struct store_error error;
    size_t len;
    char record[FIELDS_BYTES_MAX];
    char done[FIELDS_BYTES_MAX];
    size_t done_len;
};

static void keep(void *ctx, const char *bytes, size_t len)
{
    struct job *job = ctx;
    struct kept *kept = malloc(sizeof *kept + len);
    if (kept == NULL)
        return;
    kept->next = NULL;
    kept->len = len;
    memcpy(kept->bytes, bytes, len);
    if (job->last != NULL)
        job->last->next = kept;
    else
        job->first = kept;
    job->last = kept;
}

static bool open_reader(struct job *job)
{
    struct recall *recall = job->recall;
    if (recall->reader != NULL)
        return true;
    return store_reader_open(&recall->reader, recall->config->store_file, &job->error) == STORE_OK;
}

/* On a worker thread. */
static void run(struct lane_job *lane_job)
{
    struct job *job = (struct job *)(void *)lane_job;
    struct recall *recall = job->recall;
    bool looks = job->is_lookup || lookback_needed(&job->hand, job->record, job->len);
    job->done_len = 0;
    if (looks)
        (void)store_flush(recall->store); /* a disk in trouble: what is there is looked at */
    if (looks && open_reader(job))
        job->done_len =
            job->is_lookup ? lookback_stored(recall->reader, &recall->config->engine, &job->lookup, job->done)
                           : lookback_command(recall->reader, &job->hand, job->record, job->len, keep, job,
                                              job->done, &job->error);
    if (job->done_len == 0 && !job->is_lookup) { /* as it came: the engine refuses what it cannot place */
        memcpy(job->done, job->record, job->len);
        job->done_len = job->len;
    }
    if (job->names != NULL)
        job->done_len = checklist_file_fill(job->names, job->done, job->done_len, sizeof job->done);
}

static void done(struct lane_job *lane_job, bool has_run)
{
    struct job *job = (struct job *)(void *)lane_job;
    struct recall *recall = job->recall;
    const struct recall_events *events = &recall->events;
    struct lookback_hand hand;
    bool live = has_run && !recall->stopped;
    if (live && job->error.text[0] != '\0')
        log_error("the record could not be asked: %s", job->error.text);
    if (live)
        events->hand(events->ctx, &hand);
    for (struct kept *kept = job->first; kept != NULL;) {
        struct kept *next = kept->next;
        if (live && !hand.open)
            events->restore(events->ctx, kept->bytes, kept->len);
        free(kept);
        kept = next;
    }
    if (live && job->done_len > 0)
        events->command(events->ctx, job->done, job->done_len);
    free(job);
}

static struct job *job_new(struct recall *recall)
{
    struct job *job = calloc(1, sizeof *job);
    if (job == NULL)
        return NULL;
    job->lane = (struct lane_job){.run = run, .done = done};
    job->recall = recall;
    recall->events.hand(recall->events.ctx, &job->hand);
    return job;
}

static bool is_identify(const char *record, size_t len)
{
    static const char op[] = "op=identify";
    return len >= sizeof op - 1 && memcmp(record, op, sizeof op - 1) == 0;
}

bool recall_command(struct recall *recall, const char *record, size_t len)
{
    struct lookback_hand hand;
    bool named = recall->names != NULL && is_identify(record, len);
    recall->events.hand(recall->events.ctx, &hand);
    if (!named && !lookback_needed(&hand, record, len))
        return false;
    struct job *job = job_new(recall);
    if (job == NULL || len >= sizeof job->record) {
        free(job);
        return false;
    }
    memcpy(job->record, record, len);
    job->len = len;
    job->names = named ? recall->names : NULL;
    lane_submit(&recall->lane, &job->lane);
    return true;
}

void recall_lookup(struct recall *recall, const struct engine_lookup *lookup)
{
    struct job *job = job_new(recall);
    if (job == NULL)
        return;
    job->is_lookup = true;
    job->lookup = *lookup;
    lane_submit(&recall->lane, &job->lane);
}

/* A list that is read again takes the old one's place when no job may be using it; else the old one stays until the next time. */
void recall_names(struct recall *recall)
{
    char why[CONFIG_PATH_SIZE + 256];
    const char *path = recall->config->checklist_file;
    if (path[0] == '\0')
        return;
    struct checklist_file *names = checklist_file_load(path, why, sizeof why);
    if (names == NULL) {
        log_error("checklist: %s; %s", why,
                  recall->names != NULL ? "the one in force stays" : "names are taken as they come");
        return;
    }
    if (!lane_is_idle(&recall->lane)) {
        checklist_file_free(names);
        log_warning("checklist: %s: identifications are under way; read it again in a moment", path);
        return;
    }
    checklist_file_free(recall->names);
    recall->names = names;
    log_info("checklist: %s: %u names, %u lines passed over", path, checklist_file_names(names),
             checklist_file_skipped(names));
}

struct recall *recall_new(uv_loop_t *loop, const struct config *config, struct store *store,
                          const struct recall_events *events)
{
    struct recall *recall = calloc(1, sizeof *recall);
    if (recall == NULL)
        return NULL;
    recall->config = config;
    recall->store = store;
    recall->events = *events;
    lane_init(&recall->lane, loop);
    return recall;
}

void recall_stop(struct recall *recall)
{
    if (recall == NULL)
        return;
    recall->stopped = true;
    lane_stop(&recall->lane);
}

void recall_free(struct recall *recall)
{
    if (recall == NULL)
        return;
    store_reader_close(recall->reader);
    checklist_file_free(recall->names);
    free(recall);
}
