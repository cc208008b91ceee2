/*
 * webvtt: markers as captions (W3C WebVTT: The Web Video Text Tracks Format, Candidate Recommendation 4 April 2019).
 *
 * A cue begins at the press and lasts CUE_NS; what it says is plain text, escaped. Cue times count from the video's first frame:
 * the dive's begin, or --video-start. Where that is a timecode, cue times are differences of the markers' own timecodes, so they
 * stay exact to the frame even where UTC is not; differences are taken over midnight by the shorter way, so a video may be up to
 * 12 hours long. A cue that begins before the first frame but reaches into it starts at 0; struck markers and those
 * whose place in the video is not known have no cue, and a note says how many.
 */
#include "export/export.h"

#include "core/event.h"
#include "core/timecode.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#define CUE_NS (4 * NS_PER_S)

struct cue {
    int64_t start_ns;
    uint32_t number;
};

struct webvtt_job {
    struct export_job *job;
    bool by_timecode;
    utc_ns zero;
    char zero_text[40]; /* for people; a timecode where by_timecode */
    struct cue *cue;    /* in order of start, then number */
    size_t count, size;
    uint64_t struck, unplaced, before;
    bool failed;
};

/* When the marker is in the video. False: not known. */
static bool start_of(const struct webvtt_job *job, const struct marker *marker, int64_t *start_ns)
{
    if (!job->by_timecode) {
        *start_ns = marker->when.utc.ns - job->zero.ns;
        return marker->when.trust != CLOCK_TRUST_NONE;
    }
    enum timecode_rate rate;
    struct timecode first;
    int64_t frame;
    if (marker->timecode.trust == TIMECODE_TRUST_NONE ||
        timecode_rate_parse(marker->timecode.rate, &rate) != 0 ||
        timecode_parse(job->zero_text, rate, &first) != 0 || timecode_to_frame(first, rate, &frame) != 0)
        return false;
    int64_t day = timecode_frames_per_day(rate);
    int64_t frames = timecode_wrap(marker->timecode.frame - frame, rate);
    if (frames > day / 2)
        frames -= day;
    *start_ns = timecode_frame_start_ns(frames, rate);
    return true;
}

static bool add_cue(struct webvtt_job *job, struct cue cue)
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
    struct webvtt_job *job = ctx;
    struct cue cue = {.number = row->marker.number};
    if (row->struck) {
        job->struck++;
    } else if (!start_of(job, &row->marker, &cue.start_ns)) {
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

/* hh:mm:ss.ttt, rounded down */
static void put_time(FILE *out, int64_t ns)
{
    int64_t ms = ns / NS_PER_MS;
    fprintf(out, "%02" PRId64 ":%02" PRId64 ":%02" PRId64 ".%03" PRId64, ms / 3600000, ms / 60000 % 60,
            ms / 1000 % 60, ms % 1000);
}

static void put_escaped(FILE *out, const char *text)
{
    for (; *text != '\0'; text++) {
        if (*text == '&')
            fputs("&amp;", out);
        else if (*text == '<')
            fputs("&lt;", out);
        else if (*text == '>')
            fputs("&gt;", out);
        else
            fputc((unsigned char)*text < 0x20 ? ' ' : *text, out);
    }
}

static void put_depth(FILE *out, const struct marker_telemetry *telemetry)
{
    for (uint32_t i = 0; i < telemetry->reading_count; i++)
        if (strcmp(telemetry->reading[i].channel, "vehicle.depth_m") == 0)
            fprintf(out, " · %.1f m", telemetry->reading[i].value);
}

struct put_cue {
    const struct webvtt_job *job;
    int64_t start_ns;
    uint32_t number;
};

static bool put_marker(void *ctx, const struct query_marker *row)
{
    const struct put_cue *cue = ctx;
    const struct marker *marker = &row->marker;
    FILE *out = cue->job->job->out;
    char ref[REF_SIZE];
    if (marker->number != cue->number)
        return false;
    fprintf(out, "\n%s\n", row->ref);
    put_time(out, cue->start_ns > 0 ? cue->start_ns : 0);
    fputs(" --> ", out);
    put_time(out, cue->start_ns + CUE_NS);
    fputc('\n', out);
    put_escaped(out, marker->label[0] != '\0' ? marker->label : marker->kind);
    if (marker->sighting != 0) {
        entry_ref(ref, "", 'S', marker->sighting);
        fprintf(out, " · %s", ref);
    }
    put_depth(out, &marker->telemetry);
    if (marker->timecode.label[0] != '\0')
        fprintf(out, " · %s", marker->timecode.label);
    fputc('\n', out);
    if (marker->note[0] != '\0') {
        put_escaped(out, marker->note);
        fputc('\n', out);
    }
    return false;
}

static int put_cues(struct webvtt_job *job)
{
    for (size_t i = 0; i < job->count; i++) {
        struct put_cue cue = {.job = job, .start_ns = job->cue[i].start_ns, .number = job->cue[i].number};
        struct query_want want = {.dive = job->job->dive, .after = (int64_t)cue.number - 1, .limit = 1};
        if (query_markers(job->job->reader, &want, put_marker, &cue) < 0)
            return export_reader_failed(job->job);
    }
    return 0;
}

static void put_head(const struct webvtt_job *job)
{
    FILE *out = job->job->out;
    fputs("WEBVTT\n\nNOTE\n", out);
    fprintf(out, "dive %s; times count from ", job->job->dive[0] != '\0' ? job->job->dive : "none");
    put_escaped(out, job->zero_text);
    fprintf(out,
            "\nleft out: %" PRIu64 " struck, %" PRIu64 " without a known time, %" PRIu64
            " before the first frame\n",
            job->struck, job->unplaced, job->before);
}

/* What the cue times count from. */
static int find_zero(struct webvtt_job *job)
{
    const struct export_options *options = job->job->options;
    const struct query_dive *dive = job->job->row;
    struct timecode tc;
    job->by_timecode = options->video_timecode != NULL;
    if (job->by_timecode) {
        const char *given = options->video_timecode;
        /* each marker's own rate reads it later; here any rate will do to see that it is a label */
        if (timecode_parse(given, TC_RATE_60, &tc) != 0 && timecode_parse(given, TC_RATE_59_94_DF, &tc) != 0)
            return export_fail(job->job, "'%.60s' is no timecode such as 05:06:07:02", given);
        snprintf(job->zero_text, sizeof job->zero_text, "%s", given);
        return 0;
    }
    if (!options->has_video_utc && (dive == NULL || dive->begun.trust == CLOCK_TRUST_NONE))
        return export_fail(job->job,
                           "the UTC of the dive's begin is not known; say what the video begins with");
    job->zero = options->has_video_utc ? options->video_utc : dive->begun.utc;
    event_utc_text(job->zero, job->zero_text);
    return 0;
}

static int write_webvtt(struct export_job *export)
{
    struct webvtt_job job = {.job = export};
    struct query_want want = {.dive = export->dive};
    if (find_zero(&job) != 0)
        return -1;
    int result = 0;
    if (query_markers(export->reader, &want, place_marker, &job) < 0)
        result = export_reader_failed(export);
    else if (job.failed)
        result = export_fail(export, "out of memory");
    if (result == 0) {
        if (job.count > 0)
            qsort(job.cue, job.count, sizeof job.cue[0], by_start);
        put_head(&job);
        result = put_cues(&job);
    }
    free(job.cue);
    return result;
}

const struct export_format export_webvtt = {"webvtt", "captions beside the video (W3C WebVTT)", write_webvtt};
