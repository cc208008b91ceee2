#include "export/clips_captions.h"

#include "export/caption.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define CUE_NS (4 * NS_PER_S)

struct cue {
    int64_t frame;
    const struct clips_marker *marker;
};

static int by_frame(const void *a, const void *b)
{
    const struct cue *x = a, *y = b;
    if (x->frame != y->frame)
        return x->frame < y->frame ? -1 : 1;
    return x->marker->number < y->marker->number ? -1 : x->marker->number > y->marker->number;
}

/* Up to the millisecond in which the frame is there already. */
static int64_t ns_of(const struct clips_stretch *stretch, int64_t frame)
{
    double ms = ceil(clips_frame_s(stretch->video, (double)frame) * 1e3 - 1e-6);
    return (int64_t)ms * NS_PER_MS;
}

static void put_cue(struct caption *caption, const struct clips_stretch *stretch, const struct cue *cue)
{
    const struct clips_marker *marker = cue->marker;
    char ref[REF_SIZE], label[TIMECODE_TEXT];
    int64_t start_ns = ns_of(stretch, cue->frame - stretch->from), end_ns = start_ns + CUE_NS;
    int64_t most_ns = ns_of(stretch, stretch->frames);
    entry_ref(ref, stretch->record->dive, 'M', marker->number);
    caption_begin(caption, ref, start_ns > 0 ? start_ns : 0, end_ns < most_ns ? end_ns : most_ns);
    caption_text(caption, marker->label);
    if (marker->sighting != 0) {
        entry_ref(ref, "", 'S', marker->sighting);
        fprintf(caption->out, " · %s", ref);
    }
    if (marker->has_depth)
        fprintf(caption->out, " · %.1f m", marker->depth_m);
    clips_label(stretch->video, cue->frame, label);
    if (label[0] != '\0')
        fprintf(caption->out, " · %s", label);
    if (marker->note[0] != '\0') {
        fputc('\n', caption->out);
        caption_text(caption, marker->note);
    }
    caption_end(caption);
}

void clips_captions_write(void *ctx, FILE *out)
{
    const struct clips_stretch *stretch = ctx;
    const struct clips_record *record = stretch->record;
    struct caption caption;
    struct cue *cues = calloc(record->marker_count + 1, sizeof *cues);
    size_t count = 0;
    int64_t cue_frames = (int64_t)(4.0 * stretch->video->num / stretch->video->den);
    for (size_t i = 0; cues != NULL && i < record->marker_count; i++) {
        struct cue cue = {.marker = &record->marker[i]};
        if (clips_marker_frame(stretch->video, record, cue.marker, &cue.frame, NULL) &&
            cue.frame > stretch->from - cue_frames && cue.frame < stretch->from + stretch->frames)
            cues[count++] = cue;
    }
    if (count > 0)
        qsort(cues, count, sizeof cues[0], by_frame);
    caption_open(&caption, out, CAPTION_WEBVTT);
    for (size_t i = 0; i < count; i++)
        put_cue(&caption, stretch, &cues[i]);
    free(cues);
}

/* FFmpeg metadata: a backslash before '=', ';', '#', '\' and the end of a line. */
static void put_escaped(FILE *out, const char *text)
{
    for (; *text != '\0'; text++) {
        if (strchr("=;#\\\n", *text) != NULL)
            fputc('\\', out);
        fputc(*text, out);
    }
}

void clips_chapters_write(void *ctx, FILE *out)
{
    const struct clips_stretch *stretch = ctx;
    const struct clips_record *record = stretch->record;
    fputs(";FFMETADATA1\n", out);
    for (size_t i = 0; i < record->object_count; i++) {
        const struct clips_object *object = &record->object[i];
        char ref[REF_SIZE];
        int64_t start, end;
        if (!clips_frame_at(stretch->video, record, object->start_ns, &start) ||
            !clips_frame_at(stretch->video, record, object->end_ns, &end))
            continue;
        start -= stretch->from;
        end -= stretch->from - 1;
        if (end <= 0 || start >= stretch->frames)
            continue;
        entry_ref(ref, record->dive, object->letter, object->number);
        fprintf(out, "[CHAPTER]\nTIMEBASE=%d/%d\nSTART=%lld\nEND=%lld\ntitle=", stretch->video->den,
                stretch->video->num, (long long)(start > 0 ? start : 0),
                (long long)(end < stretch->frames ? end : stretch->frames));
        put_escaped(out, object->title);
        fprintf(out, " (%s)\n", ref);
    }
}
