#include "export/markercues.h"

#include "export/videoclock.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#define CUE_NS (4 * NS_PER_S)

struct cue {
    int64_t start_ns;
    uint32_t number;
};

struct cue_job {
    struct export_job *job;
    struct videoclock clock;
    struct caption caption;
    struct cue *cue; /* in order of start, then number */
    size_t count, size;
    uint64_t struck, unplaced, before;
    bool failed;
};

static bool add_cue(struct cue_job *job, struct cue cue)
{
    if (job->count == job->size) {
        size_t size = job->size == 0 ? 256 : job->size * 2;
        struct cue *grown = realloc(job->cue, size * sizeof *grown);
        if (grown == NULL)
            return false;
        job->cue = grown;
        job->size = size;
    }
    job->cue[job->count++] = cue;
    return true;
}

static bool place_marker(void *ctx, const struct query_marker *row)
{
    struct cue_job *job = ctx;
    struct cue cue = {.number = row->marker.number};
    if (row->struck) {
        job->struck++;
    } else if (!videoclock_marker(&job->clock, &row->marker, &cue.start_ns)) {
        job->unplaced++;
    } else if (cue.start_ns + CUE_NS <= 0) {
        job->before++;
    } else {
        job->failed = !add_cue(job, cue);
    }
    return !job->failed;
}

static int by_start(const void *a, const void *b)
{
    const struct cue *x = a, *y = b;
    if (x->start_ns != y->start_ns)
        return x->start_ns < y->start_ns ? -1 : 1;
    return x->number < y->number ? -1 : x->number > y->number;
}

static void put_depth(FILE *out, const struct marker_telemetry *telemetry)
{
    for (uint32_t i = 0; i < telemetry->reading_count; i++)
        if (strcmp(telemetry->reading[i].channel, "vehicle.depth_m") == 0)
            fprintf(out, " · %.1f m", telemetry->reading[i].value);
}

struct put_cue {
    struct cue_job *job;
    const struct cue *cue;
};

static bool put_marker(void *ctx, const struct query_marker *row)
{
    const struct put_cue *put = ctx;
    const struct marker *marker = &row->marker;
    struct caption *caption = &put->job->caption;
    char ref[REF_SIZE];
    if (marker->number != put->cue->number)
        return false;
    int64_t start_ns = put->cue->start_ns;
    caption_begin(caption, row->ref, start_ns > 0 ? start_ns : 0, start_ns + CUE_NS);
    caption_text(caption, marker->label[0] != '\0' ? marker->label : marker->kind);
    if (marker->sighting != 0) {
        entry_ref(ref, "", 'S', marker->sighting);
        fprintf(caption->out, " · %s", ref);
    }
    put_depth(caption->out, &marker->telemetry);
    if (marker->timecode.label[0] != '\0')
        fprintf(caption->out, " · %s", marker->timecode.label);
    if (marker->note[0] != '\0') {
        fputc('\n', caption->out);
        caption_text(caption, marker->note);
    }
    caption_end(caption);
    return false;
}

/* Cues that come as their markers do, which they hardly ever do not: all in one question. */
static bool put_next(void *ctx, const struct query_marker *row)
{
    struct put_cue *put = ctx;
    const struct cue *end = put->job->cue + put->job->count;
    if (put->cue < end && row->marker.number == put->cue->number) {
        put_marker(put, row);
        put->cue++;
    }
    return put->cue < end;
}

static bool in_order_of_number(const struct cue_job *job)
{
    for (size_t i = 1; i < job->count; i++)
        if (job->cue[i].number < job->cue[i - 1].number)
            return false;
    return true;
}

static int put_cues(struct cue_job *job)
{
    if (in_order_of_number(job)) {
        struct put_cue put = {.job = job, .cue = job->cue};
        struct query_want want = {.dive = job->job->dive};
        return query_markers(job->job->reader, &want, put_next, &put) < 0 ? export_reader_failed(job->job)
                                                                          : 0;
    }
    for (size_t i = 0; i < job->count; i++) {
        struct put_cue put = {.job = job, .cue = &job->cue[i]};
        struct query_want want = {
            .dive = job->job->dive, .after = (int64_t)job->cue[i].number - 1, .limit = 1};
        if (query_markers(job->job->reader, &want, put_marker, &put) < 0)
            return export_reader_failed(job->job);
    }
    return 0;
}

static void put_note(const struct cue_job *job)
{
    FILE *out = job->job->out;
    fprintf(out, "\nNOTE\ndive %s; times count from ", job->job->dive[0] != '\0' ? job->job->dive : "none");
    caption_put(out, CAPTION_WEBVTT, job->clock.zero_text);
    fprintf(out,
            "\nleft out: %" PRIu64 " struck, %" PRIu64 " without a known time, %" PRIu64
            " before the first frame\n",
            job->struck, job->unplaced, job->before);
}

int markercues_write(struct export_job *job, enum caption_style style)
{
    struct cue_job cues = {.job = job};
    struct query_want want = {.dive = job->dive, .brief = true};
    if (videoclock_begin(&cues.clock, job) != 0)
        return -1;
    int result = 0;
    if (query_markers(job->reader, &want, place_marker, &cues) < 0)
        result = export_reader_failed(job);
    else if (cues.failed)
        result = export_fail(job, "out of memory");
    if (result == 0) {
        if (cues.count > 0)
            qsort(cues.cue, cues.count, sizeof cues.cue[0], by_start);
        caption_open(&cues.caption, job->out, style);
        if (style == CAPTION_WEBVTT)
            put_note(&cues);
        result = put_cues(&cues);
    }
    free(cues.cue);
    return result;
}
