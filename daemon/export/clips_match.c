#include "export/clips_match.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define GAP_LEAST_NS (100 * NS_PER_MS) /* less is rounding between clocks */
#define ROUNDING 1e-6                  /* of a frame: an instant on the edge of two belongs to the later */

/* ---- markers and frames ---- */

/* The marker's timecode at the video's rate, as a count since midnight. */
static bool at_rate(const struct clips_video *video, const struct clips_marker *marker, int64_t *frame,
                    double *within)
{
    if (!video->by_timecode || marker->frame < 0)
        return false;
    *frame = marker->frame;
    *within = marker->within;
    if (marker->rate == video->rate)
        return true;
    if (timecode_word_rate(video->rate) == marker->rate) {
        double twice = 2 * marker->within;
        *frame = 2 * marker->frame + (twice >= 1);
        *within = twice - (twice >= 1);
        return true;
    }
    if (timecode_word_rate(marker->rate) == video->rate) {
        *frame = marker->frame / 2;
        *within = (marker->within + (double)(marker->frame % 2)) / 2;
        return true;
    }
    return false;
}

/* Since the video's first frame: in the video if it can be, else by the shorter way. */
static int64_t since_start(const struct clips_video *video, int64_t frame)
{
    int64_t after = timecode_wrap(frame - video->start_frame, video->rate);
    return after < video->frames ? after : timecode_wrap_near(after, video->rate);
}

static double frames_of(const struct clips_video *video, int64_t ns)
{
    return (double)ns / 1e9 * video->num / video->den;
}

/* The marker with a timecode that counts, nearest in UTC; the earlier of two. */
static const struct clips_marker *anchor_near(const struct clips_video *video,
                                              const struct clips_record *record, int64_t at_ns)
{
    const struct clips_marker *best = NULL;
    int64_t frame;
    double within;
    for (size_t i = 0; i < record->marker_count; i++) {
        const struct clips_marker *marker = &record->marker[i];
        if (best != NULL && marker->utc_ns - at_ns >= llabs(best->utc_ns - at_ns))
            break; /* they come in order of UTC */
        if (at_rate(video, marker, &frame, &within))
            if (best == NULL || llabs(marker->utc_ns - at_ns) < llabs(best->utc_ns - at_ns))
                best = marker;
    }
    return best;
}

bool clips_frame_at(const struct clips_video *video, const struct clips_record *record, int64_t at_ns,
                    int64_t *frame)
{
    int64_t label = 0;
    double within = 0;
    if (!video->by_timecode) {
        *frame = (int64_t)floor(frames_of(video, at_ns - video->creation.ns) + ROUNDING);
        return true;
    }
    const struct clips_marker *anchor = anchor_near(video, record, at_ns);
    if (anchor == NULL)
        return false;
    at_rate(video, anchor, &label, &within);
    *frame = since_start(video, label) +
             (int64_t)floor(within + frames_of(video, at_ns - anchor->utc_ns) + ROUNDING);
    return true;
}

bool clips_marker_frame(const struct clips_video *video, const struct clips_record *record,
                        const struct clips_marker *marker, int64_t *frame, bool *by_timecode)
{
    double within;
    bool own = at_rate(video, marker, frame, &within);
    if (by_timecode != NULL)
        *by_timecode = own;
    if (own)
        *frame = since_start(video, *frame);
    return own || clips_frame_at(video, record, marker->utc_ns, frame);
}

bool clips_utc_at(const struct clips_video *video, const struct clips_record *record, int64_t frame,
                  int64_t *at_ns)
{
    int64_t label, best = INT64_MAX;
    double within;
    if (!video->by_timecode) {
        *at_ns = video->creation.ns + llround(clips_frame_s(video, (double)frame) * 1e9);
        return true;
    }
    for (size_t i = 0; i < record->marker_count; i++) {
        const struct clips_marker *marker = &record->marker[i];
        if (!at_rate(video, marker, &label, &within))
            continue;
        int64_t away = since_start(video, label) - frame;
        if (llabs(away) >= best)
            continue;
        best = llabs(away);
        *at_ns = marker->utc_ns - llround(clips_frame_s(video, (double)away + within) * 1e9);
    }
    return best != INT64_MAX;
}

void clips_label(const struct clips_video *video, int64_t frame, char text[TIMECODE_TEXT])
{
    text[0] = '\0';
    if (video->by_timecode)
        timecode_format(timecode_from_frame(video->start_frame + frame, video->rate), video->rate, text);
}

/* ---- the plan ---- */

struct matching {
    struct clips_plan *plan;
    const struct clips_record *record;
    const struct clips_video *videos;
    size_t count;
    int64_t lead_ns, tail_ns;
};

static void *more(struct clips_plan *plan, void *array, size_t *size, size_t count, size_t each)
{
    if (count < *size)
        return array;
    size_t wanted = *size == 0 ? 64 : *size * 2;
    void *grown = realloc(array, wanted * each);
    plan->failed |= grown == NULL;
    if (grown == NULL)
        return array;
    *size = wanted;
    return grown;
}

static void add_piece(struct clips_plan *plan, struct clips_piece piece)
{
    plan->piece = more(plan, plan->piece, &plan->piece_size, plan->piece_count, sizeof piece);
    if (!plan->failed)
        plan->piece[plan->piece_count++] = piece;
}

static void add_shot(struct clips_plan *plan, struct clips_shot shot)
{
    plan->shot = more(plan, plan->shot, &plan->shot_size, plan->shot_count, sizeof shot);
    if (!plan->failed)
        plan->shot[plan->shot_count++] = shot;
}

static void add_gap(struct clips_plan *plan, struct clips_gap gap)
{
    plan->gap = more(plan, plan->gap, &plan->gap_size, plan->gap_count, sizeof gap);
    if (!plan->failed)
        plan->gap[plan->gap_count++] = gap;
}

static int64_t lead_of(const struct matching *matching, int64_t key_ns)
{
    if (matching->lead_ns >= 0)
        return matching->lead_ns;
    return key_ns > 0 ? key_ns : CLIPS_LEAD_NS;
}

/* What lies in the video of the frames from `lead` before the press to `tail` after the end; the frame in force there is the last. */
static void match_one(struct matching *matching, struct clips_piece piece, int64_t press_ns, int64_t lead_ns,
                      int64_t end_ns)
{
    const struct clips_video *video = &matching->videos[piece.video];
    const struct clips_marker *marker = clips_record_marker(matching->record, piece.marker);
    int64_t last;
    bool known = marker != NULL ? clips_marker_frame(video, matching->record, marker, &piece.press, NULL)
                                : clips_frame_at(video, matching->record, press_ns, &piece.press);
    if (!known || !clips_frame_at(video, matching->record, end_ns, &last))
        return;
    if (last < piece.press)
        last = piece.press;
    piece.from = piece.press - (int64_t)ceil(frames_of(video, lead_ns) - 1e-6);
    int64_t behind = last + (int64_t)ceil(frames_of(video, matching->tail_ns) - 1e-6) + 1;
    piece.cut_before = piece.from < 0;
    piece.cut_after = behind > video->frames;
    if (piece.cut_before)
        piece.from = 0;
    if (piece.cut_after)
        behind = video->frames;
    piece.frames = behind - piece.from;
    if (piece.frames > 0)
        add_piece(matching->plan, piece);
}

static void match_sightings(struct matching *matching)
{
    for (size_t i = 0; i < matching->record->object_count; i++) {
        const struct clips_object *object = &matching->record->object[i];
        if (object->letter != 'S')
            continue;
        for (size_t video = 0; video < matching->count; video++) {
            struct clips_piece piece = {
                .video = video, .sighting = object->number, .marker = object->first_marker};
            match_one(matching, piece, object->press_ns,
                      lead_of(matching, object->press_ns - object->start_ns), object->end_ns);
        }
    }
}

static void match_marker(struct matching *matching, const struct clips_marker *marker, size_t at)
{
    const struct clips_video *video = &matching->videos[at];
    struct clips_shot shot = {.video = at, .marker = marker};
    if (!clips_marker_frame(video, matching->record, marker, &shot.frame, &shot.by_timecode))
        return;
    if (marker->still && shot.frame >= 0 && shot.frame < video->frames)
        add_shot(matching->plan, shot);
    if (marker->view) {
        struct clips_piece piece = {
            .video = at, .sighting = marker->sighting, .marker = marker->number, .view = true};
        match_one(matching, piece, marker->utc_ns, lead_of(matching, marker->lead_ns), marker->utc_ns);
    }
}

/* ---- gaps ---- */

struct stretch {
    int64_t from_ns, to_ns;
};

static int by_from(const void *a, const void *b)
{
    const struct stretch *x = a, *y = b;
    return x->from_ns < y->from_ns ? -1 : x->from_ns > y->from_ns;
}

/* What of [whole] the sorted stretches leave out. */
static void name_gaps(struct clips_plan *plan, uint32_t sighting, struct stretch whole, struct stretch *shown,
                      size_t count)
{
    int64_t at = whole.from_ns;
    if (count > 0)
        qsort(shown, count, sizeof shown[0], by_from);
    for (size_t i = 0; i < count && at < whole.to_ns; i++) {
        int64_t until = shown[i].from_ns < whole.to_ns ? shown[i].from_ns : whole.to_ns;
        if (until - at > GAP_LEAST_NS)
            add_gap(plan, (struct clips_gap){sighting, at, until});
        if (shown[i].to_ns > at)
            at = shown[i].to_ns;
    }
    if (whole.to_ns - at > GAP_LEAST_NS)
        add_gap(plan, (struct clips_gap){sighting, at, whole.to_ns});
}

static bool stretch_of(const struct matching *matching, size_t video, int64_t from, int64_t frames,
                       struct stretch *out)
{
    const struct clips_video *of = &matching->videos[video];
    return clips_utc_at(of, matching->record, from, &out->from_ns) &&
           clips_utc_at(of, matching->record, from + frames, &out->to_ns);
}

static void find_gaps(struct matching *matching)
{
    const struct clips_record *record = matching->record;
    struct stretch shown[CLIPS_VIDEOS_MAX];
    size_t count = 0;
    for (size_t i = 0; i < matching->count && i < CLIPS_VIDEOS_MAX; i++)
        count += stretch_of(matching, i, 0, matching->videos[i].frames, &shown[count]);
    if (record->marker_count > 0) {
        struct stretch dive = {record->marker[0].utc_ns, record->marker[record->marker_count - 1].utc_ns};
        name_gaps(matching->plan, 0, dive, shown, count);
    }
    for (size_t i = 0; i < record->object_count; i++) {
        const struct clips_object *object = &record->object[i];
        if (object->letter == 'S')
            name_gaps(matching->plan, object->number, (struct stretch){object->start_ns, object->end_ns},
                      shown, count);
    }
}

int clips_match(struct clips_plan *plan, const struct clips_record *record, const struct clips_video *videos,
                size_t count, int64_t lead_ns, int64_t tail_ns)
{
    struct matching matching = {plan, record, videos, count, lead_ns, tail_ns};
    *plan = (struct clips_plan){0};
    match_sightings(&matching);
    for (size_t i = 0; i < record->marker_count; i++)
        for (size_t video = 0; video < count; video++)
            match_marker(&matching, &record->marker[i], video);
    find_gaps(&matching);
    return plan->failed ? -1 : 0;
}

void clips_plan_free(struct clips_plan *plan)
{
    free(plan->piece);
    free(plan->shot);
    free(plan->gap);
    *plan = (struct clips_plan){0};
}
