/*
 * overlay: what burns in or runs beside a video: UTC, depth, heading, temperature and the sighting in hand, once a second, as WebVTT or,
 * with --as srt, as SRT. Cues begin at whole seconds of the video; what they say is the state at that instant. What is not known, or is
 * older than 10 s, shows as a dash. Memory: 32 bytes a sighting and what videoclock keeps.
 */
#include "export/caption.h"
#include "export/stands.h"
#include "export/videoclock.h"
#include "export/window.h"

#include "core/event.h"
#include "core/geo.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const CHANNELS[] = {"vehicle.depth_m", "vehicle.heading_deg", "water.temperature_C", NULL};
enum { DEPTH, HEADING, TEMPERATURE };

struct stay {
    int64_t start_ns, end_ns; /* UTC */
    uint32_t number;
};

struct overlay {
    struct export_job *job;
    struct videoclock clock;
    struct window window;
    struct caption caption;
    struct stay *stay; /* by start */
    size_t count, size;
    size_t from;    /* stays before it are over */
    uint32_t named; /* whose name `name` is; 0: none */
    char name[LABEL_SIZE + REF_SIZE];
    bool failed;
};

static bool take_sighting(void *ctx, const struct query_sighting *row)
{
    struct overlay *overlay = ctx;
    const struct sighting_entry *sighting = &row->sighting;
    if (!stands(sighting->state))
        return true;
    if (overlay->count == overlay->size) {
        size_t size = overlay->size == 0 ? 128 : overlay->size * 2;
        struct stay *grown = realloc(overlay->stay, size * sizeof *grown);
        overlay->failed = grown == NULL;
        if (grown == NULL)
            return false;
        overlay->stay = grown;
        overlay->size = size;
    }
    overlay->stay[overlay->count++] = (struct stay){
        sighting->start.ns, sighting->closed_by[0] != '\0' ? sighting->end.ns : INT64_MAX, sighting->number};
    return true;
}

static int by_start(const void *a, const void *b)
{
    const struct stay *x = a, *y = b;
    if (x->start_ns != y->start_ns)
        return x->start_ns < y->start_ns ? -1 : 1;
    return x->number < y->number ? -1 : x->number > y->number;
}

/* The one that began last of those open at the instant; 0: none. */
static uint32_t sighting_at(struct overlay *overlay, int64_t at_ns)
{
    uint32_t found = 0;
    while (overlay->from < overlay->count && overlay->stay[overlay->from].end_ns <= at_ns)
        overlay->from++;
    for (size_t i = overlay->from; i < overlay->count && overlay->stay[i].start_ns <= at_ns; i++)
        if (overlay->stay[i].end_ns > at_ns)
            found = overlay->stay[i].number;
    return found;
}

static bool take_name(void *ctx, const struct query_sighting *row)
{
    struct overlay *overlay = ctx;
    if (row->sighting.number == overlay->named)
        snprintf(overlay->name, sizeof overlay->name, "%s %s", row->sighting.label, row->ref);
    return false;
}

static void put_sighting(struct overlay *overlay, int64_t at_ns)
{
    uint32_t number = sighting_at(overlay, at_ns);
    if (number == 0)
        return;
    if (number != overlay->named) {
        struct query_want want = {
            .dive = overlay->job->dive, .after = (int64_t)number - 1, .limit = 1, .brief = true};
        overlay->named = number;
        overlay->name[0] = '\0';
        overlay->failed = query_sightings(overlay->job->reader, &want, take_name, overlay) < 0;
    }
    fputc('\n', overlay->caption.out);
    caption_text(&overlay->caption, overlay->name);
}

static void put_number(struct overlay *overlay, size_t channel, utc_ns utc, int decimals, const char *unit)
{
    double value;
    if (!window_value(&overlay->window, channel, utc, &value)) {
        fprintf(overlay->caption.out, " · – %s", unit);
        return;
    }
    if (channel == HEADING) {
        value = floor(geo_wrap_360(value) + 0.5);
        fprintf(overlay->caption.out, " · %03.0f%s", value < 360 ? value : 0.0, unit);
        return;
    }
    fprintf(overlay->caption.out, " · %.*f %s", decimals, value, unit);
}

static void put_cue(struct overlay *overlay, int64_t second, utc_ns utc)
{
    char id[24], text[32];
    snprintf(id, sizeof id, "%" PRId64, second);
    caption_begin(&overlay->caption, id, second * NS_PER_S, (second + 1) * NS_PER_S);
    event_utc_text(utc, text);
    fprintf(overlay->caption.out, "%.10s %.8s UTC", text, text + 11);
    put_number(overlay, DEPTH, utc, 1, "m");
    put_number(overlay, HEADING, utc, 0, "°");
    put_number(overlay, TEMPERATURE, utc, 2, "°C");
    put_sighting(overlay, utc.ns);
    caption_end(&overlay->caption);
}

/* The UTC at a second of the video: what videoclock_at() says, the other way round. */
static bool utc_of(const struct overlay *overlay, int64_t second, int64_t *at_ns)
{
    const struct videoclock *clock = &overlay->clock;
    if (!clock->by_timecode) {
        *at_ns = clock->zero.ns + second * NS_PER_S;
        return true;
    }
    const struct videoclock_anchor *best = NULL;
    for (size_t i = 0; i < clock->count; i++) {
        const struct videoclock_anchor *anchor = &clock->anchor[i];
        if (anchor->placed && (best == NULL || llabs(anchor->video_ns - second * NS_PER_S) <
                                                   llabs(best->video_ns - second * NS_PER_S)))
            best = anchor;
    }
    if (best != NULL)
        *at_ns = best->utc_ns + second * NS_PER_S - best->video_ns;
    return best != NULL;
}

/* From the first whole second of the video in the dive to the dive's end. */
static void put_cues(struct overlay *overlay, utc_ns from, utc_ns to)
{
    int64_t first, utc;
    if (!videoclock_at(&overlay->clock, from, &first))
        return;
    int64_t second = first > 0 ? (first + NS_PER_S - 1) / NS_PER_S : 0;
    int64_t length = overlay->job->options->video_length_ns;
    for (; !overlay->failed && utc_of(overlay, second, &utc) && utc <= to.ns; second++) {
        if (length > 0 && second * NS_PER_S >= length)
            break;
        put_cue(overlay, second, (utc_ns){utc});
    }
}

static int prepare(struct overlay *overlay, utc_ns *from, utc_ns *to)
{
    struct export_job *job = overlay->job;
    struct query_want want = {.dive = job->dive};
    if (videoclock_begin(&overlay->clock, job) != 0 || videoclock_anchors(&overlay->clock, job) != 0)
        return -1;
    if (job->row == NULL || job->row->begun.trust == CLOCK_TRUST_NONE)
        return export_fail(job, "an overlay needs a dive whose begin has a known UTC");
    *from = job->row->begun.utc;
    *to = job->row->ended.utc;
    if (job->row->open && window_last(job->reader, *from, to) != 0)
        return export_reader_failed(job);
    if (query_sightings(job->reader, &want, take_sighting, overlay) < 0 ||
        window_open(&overlay->window, job->reader, *from, *to, CHANNELS) != 0)
        return export_reader_failed(job);
    if (overlay->count > 0)
        qsort(overlay->stay, overlay->count, sizeof overlay->stay[0], by_start);
    return overlay->failed ? export_fail(job, "out of memory") : 0;
}

static int write_overlay(struct export_job *job)
{
    struct overlay overlay = {.job = job};
    utc_ns from = {0}, to = {0};
    int result = prepare(&overlay, &from, &to);
    if (result == 0) {
        caption_open(&overlay.caption, job->out, job->options->as_srt ? CAPTION_SRT : CAPTION_WEBVTT);
        put_cues(&overlay, from, to);
        if (overlay.failed || overlay.window.failed)
            result = export_reader_failed(job);
    }
    window_close(&overlay.window);
    videoclock_free(&overlay.clock);
    free(overlay.stay);
    return result;
}

const struct export_format export_overlay = {
    .name = "overlay",
    .summary = "time, depth, heading and temperature once a second (WebVTT or SRT)",
    .write = write_overlay};
