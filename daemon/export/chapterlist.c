#include "export/chapterlist.h"

#include "export/plain.h"
#include "export/stands.h"

#include <stdlib.h>
#include <string.h>

static bool keep(struct chapterlist *list, struct chapter chapter)
{
    if (list->count == list->size) {
        size_t size = list->size == 0 ? 128 : list->size * 2;
        struct chapter *grown = realloc(list->chapter, size * sizeof *grown);
        if (grown == NULL)
            return false;
        list->chapter = grown;
        list->size = size;
    }
    list->chapter[list->count++] = chapter;
    return true;
}

/* `lead_ns` is taken off a sighting's start in the video, where its first press is exact to the frame. */
static bool place(struct chapterlist *list, struct chapter chapter, utc_ns start, int64_t lead_ns, utc_ns end)
{
    utc_ns press = {start.ns + lead_ns};
    if (!videoclock_at(&list->clock, press, &chapter.start_ns) ||
        !videoclock_at(&list->clock, end, &chapter.end_ns)) {
        list->unplaced++;
        return true;
    }
    chapter.start_ns -= lead_ns;
    if (chapter.end_ns <= 0) {
        list->before++;
        return true;
    }
    if (chapter.start_ns < 0)
        chapter.start_ns = 0;
    if (chapter.end_ns < chapter.start_ns + NS_PER_MS)
        chapter.end_ns = chapter.start_ns + NS_PER_MS;
    list->failed = !keep(list, chapter);
    return !list->failed;
}

static utc_ns end_of(const struct chapterlist *list, const char *closed_by, utc_ns end, utc_ns start)
{
    int64_t last = list->last_utc_ns > start.ns ? list->last_utc_ns : start.ns;
    return closed_by[0] != '\0' ? end : (utc_ns){last};
}

static bool take_sighting(void *ctx, const struct query_sighting *row)
{
    struct chapterlist *list = ctx;
    const struct sighting_entry *sighting = &row->sighting;
    struct chapter chapter = {.letter = 'S', .number = sighting->number};
    if (!stands(sighting->state))
        return true;
    return place(list, chapter, sighting->start, sighting->lead_ns,
                 end_of(list, sighting->closed_by, sighting->end, sighting->start));
}

static bool take_span(void *ctx, const struct query_span *row)
{
    struct chapterlist *list = ctx;
    const struct span_entry *span = &row->span;
    struct chapter chapter = {.letter = 'T', .number = span->number};
    if (!stands(span->state))
        return true;
    return place(list, chapter, span->start, 0, end_of(list, span->closed_by, span->end, span->start));
}

/* Spans before sightings that begin with them. */
static int by_start(const void *a, const void *b)
{
    const struct chapter *x = a, *y = b;
    if (x->start_ns != y->start_ns)
        return x->start_ns < y->start_ns ? -1 : 1;
    if (x->letter != y->letter)
        return x->letter > y->letter ? -1 : 1;
    return x->number < y->number ? -1 : x->number > y->number;
}

int chapterlist_open(struct chapterlist *list, struct export_job *job)
{
    struct query_want want = {.dive = job->dive};
    *list = (struct chapterlist){.job = job, .last_utc_ns = INT64_MIN};
    if (videoclock_begin(&list->clock, job) != 0 || videoclock_anchors(&list->clock, job) != 0)
        return -1;
    if (job->row != NULL && !job->row->open)
        list->last_utc_ns = job->row->ended.utc.ns;
    else if (list->clock.count > 0)
        list->last_utc_ns = list->clock.anchor[list->clock.count - 1].utc_ns;
    if (query_spans(job->reader, &want, take_span, list) < 0 ||
        query_sightings(job->reader, &want, take_sighting, list) < 0)
        return export_reader_failed(job);
    if (list->failed)
        return export_fail(job, "out of memory");
    if (list->count > 0)
        qsort(list->chapter, list->count, sizeof list->chapter[0], by_start);
    return 0;
}

void chapterlist_close(struct chapterlist *list)
{
    videoclock_free(&list->clock);
    free(list->chapter);
    list->chapter = NULL;
}

struct title {
    uint32_t number;
    char *out, *ref;
};

static bool sighting_title(void *ctx, const struct query_sighting *row)
{
    const struct title *title = ctx;
    const struct identification_entry *name = &row->identification;
    char text[CHAPTERLIST_TITLE];
    if (row->sighting.number != title->number)
        return false;
    snprintf(text, sizeof text, "%s%s%s%s%s (%s)", row->sighting.label, row->identified ? ": " : "",
             row->identified ? name->name : "", row->identified && name->qualifier[0] != '\0' ? " " : "",
             row->identified ? name->qualifier : "", row->ref);
    plain_copy(title->out, CHAPTERLIST_TITLE, text);
    snprintf(title->ref, REF_SIZE, "%s", row->ref);
    return false;
}

static bool span_title(void *ctx, const struct query_span *row)
{
    const struct title *title = ctx;
    char text[CHAPTERLIST_TITLE], transect[24] = "";
    if (row->span.number != title->number)
        return false;
    if (row->span.transect != 0)
        snprintf(transect, sizeof transect, " %u", row->span.transect);
    snprintf(text, sizeof text, "%s%s (%s)", row->span.label[0] != '\0' ? row->span.label : row->span.kind,
             transect, row->ref);
    plain_copy(title->out, CHAPTERLIST_TITLE, text);
    snprintf(title->ref, REF_SIZE, "%s", row->ref);
    return false;
}

bool chapterlist_title(const struct chapterlist *list, const struct chapter *chapter,
                       char out[CHAPTERLIST_TITLE], char ref[REF_SIZE])
{
    struct title title = {.number = chapter->number, .out = out, .ref = ref};
    struct query_want want = {
        .dive = list->job->dive, .after = (int64_t)chapter->number - 1, .limit = 1, .brief = true};
    out[0] = ref[0] = '\0';
    if (chapter->letter == 'S')
        return query_sightings(list->job->reader, &want, sighting_title, &title) >= 0;
    return query_spans(list->job->reader, &want, span_title, &title) >= 0;
}
