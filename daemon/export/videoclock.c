#include "export/videoclock.h"

#include "core/event.h"

#include <stdlib.h>
#include <string.h>

int videoclock_begin(struct videoclock *clock, struct export_job *job)
{
    const struct export_options *options = job->options;
    const struct query_dive *dive = job->row;
    struct timecode tc;
    *clock = (struct videoclock){.by_timecode = options->video_timecode != NULL};
    if (clock->by_timecode) {
        const char *given = options->video_timecode;
        /* each marker's own rate reads it later; here any rate will do to see that it is a label */
        if (timecode_parse(given, TC_RATE_60, &tc) != 0 && timecode_parse(given, TC_RATE_59_94_DF, &tc) != 0)
            return export_fail(job, "'%.60s' is no timecode such as 05:06:07:02", given);
        snprintf(clock->zero_text, sizeof clock->zero_text, "%s", given);
        return 0;
    }
    if (!options->has_video_utc && (dive == NULL || dive->begun.trust == CLOCK_TRUST_NONE))
        return export_fail(job, "the UTC of the dive's begin is not known; say what the video begins with");
    clock->zero = options->has_video_utc ? options->video_utc : dive->begun.utc;
    event_utc_text(clock->zero, clock->zero_text);
    return 0;
}

bool videoclock_marker(const struct videoclock *clock, const struct marker *marker, int64_t *video_ns)
{
    if (!clock->by_timecode) {
        *video_ns = marker->when.utc.ns - clock->zero.ns;
        return marker->when.trust != CLOCK_TRUST_NONE;
    }
    enum timecode_rate rate;
    struct timecode first;
    int64_t frame;
    if (marker->timecode.trust == TIMECODE_TRUST_NONE ||
        timecode_rate_parse(marker->timecode.rate, &rate) != 0 ||
        timecode_parse(clock->zero_text, rate, &first) != 0 || timecode_to_frame(first, rate, &frame) != 0)
        return false;
    int64_t day = timecode_frames_per_day(rate);
    int64_t frames = timecode_wrap(marker->timecode.frame - frame, rate);
    if (frames > day / 2)
        frames -= day;
    *video_ns = timecode_frame_start_ns(frames, rate);
    return true;
}

static bool keep(struct videoclock *clock, struct videoclock_anchor anchor)
{
    if (clock->count == clock->size) {
        size_t size = clock->size == 0 ? 256 : clock->size * 2;
        struct videoclock_anchor *grown = realloc(clock->anchor, size * sizeof *grown);
        if (grown == NULL)
            return false;
        clock->anchor = grown;
        clock->size = size;
    }
    clock->anchor[clock->count++] = anchor;
    return true;
}

static bool take_marker(void *ctx, const struct query_marker *row)
{
    struct videoclock *clock = ctx;
    const struct marker *marker = &row->marker;
    struct videoclock_anchor anchor = {.utc_ns = marker->when.utc.ns, .frame = -1};
    enum timecode_rate rate;
    if (row->struck || marker->when.trust == CLOCK_TRUST_NONE)
        return true;
    anchor.placed = videoclock_marker(clock, marker, &anchor.video_ns);
    if (marker->timecode.trust != TIMECODE_TRUST_NONE &&
        timecode_rate_parse(marker->timecode.rate, &rate) == 0) {
        anchor.frame = marker->timecode.frame;
        anchor.within = marker->timecode.within;
        if (clock->by_timecode) {
            int32_t num, den;
            timecode_rate_fraction(rate, &num, &den);
            anchor.video_ns += (int64_t)(anchor.within * 1e9 * (double)den / (double)num);
        }
        anchor.rate = (uint8_t)rate;
    }
    clock->failed = !keep(clock, anchor);
    return !clock->failed;
}

int videoclock_anchors(struct videoclock *clock, struct export_job *job)
{
    struct query_want want = {.dive = job->dive, .brief = true};
    if (query_markers_by_time(job->reader, &want, take_marker, clock) < 0)
        return export_reader_failed(job);
    return clock->failed ? export_fail(job, "out of memory") : 0;
}

void videoclock_free(struct videoclock *clock)
{
    free(clock->anchor);
    clock->anchor = NULL;
    clock->count = clock->size = 0;
}

/* The first anchor not before the instant. */
static size_t first_from(const struct videoclock *clock, int64_t at_ns)
{
    size_t low = 0, high = clock->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (clock->anchor[middle].utc_ns < at_ns)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

typedef bool anchor_fits(const struct videoclock_anchor *anchor, enum timecode_rate rate);

static bool is_placed(const struct videoclock_anchor *anchor, enum timecode_rate rate)
{
    (void)rate;
    return anchor->placed;
}

static bool has_frame(const struct videoclock_anchor *anchor, enum timecode_rate rate)
{
    return anchor->frame >= 0 && anchor->rate == rate;
}

/* The nearest that fits; the earlier of two at one distance. */
static const struct videoclock_anchor *nearest(const struct videoclock *clock, int64_t at_ns,
                                               anchor_fits *fits, enum timecode_rate rate)
{
    size_t after = first_from(clock, at_ns), before = after;
    while (after < clock->count && !fits(&clock->anchor[after], rate))
        after++;
    while (before > 0 && !fits(&clock->anchor[before - 1], rate))
        before--;
    const struct videoclock_anchor *later = after < clock->count ? &clock->anchor[after] : NULL;
    const struct videoclock_anchor *earlier = before > 0 ? &clock->anchor[before - 1] : NULL;
    if (later == NULL || earlier == NULL)
        return later != NULL ? later : earlier;
    return later->utc_ns - at_ns < at_ns - earlier->utc_ns ? later : earlier;
}

bool videoclock_at(const struct videoclock *clock, utc_ns utc, int64_t *video_ns)
{
    if (!clock->by_timecode) {
        *video_ns = utc.ns - clock->zero.ns;
        return true;
    }
    const struct videoclock_anchor *anchor = nearest(clock, utc.ns, is_placed, TC_RATE_25);
    if (anchor != NULL)
        *video_ns = anchor->video_ns + (utc.ns - anchor->utc_ns);
    return anchor != NULL;
}

const struct videoclock_anchor *videoclock_near(const struct videoclock *clock, utc_ns utc,
                                                enum timecode_rate rate)
{
    return nearest(clock, utc.ns, has_frame, rate);
}
