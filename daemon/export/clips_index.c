#include "export/clips_index.h"

#include "core/event.h"

#include <math.h>
#include <string.h>

static void set_text(json_t *object, const char *name, const char *text)
{
    /* what is no UTF-8 in a file's name is left out */
    if (text[0] != '\0')
        json_object_set_new(object, name, json_string(text));
}

static void set_int(json_t *object, const char *name, int64_t value)
{
    json_object_set_new(object, name, json_integer((json_int_t)value));
}

static void set_ref(json_t *object, const char *name, const struct clips_work *work, char letter,
                    uint32_t number)
{
    char ref[REF_SIZE];
    if (number == 0)
        return;
    entry_ref(ref, work->record->dive, letter, number);
    set_text(object, name, ref);
}

static void set_utc(json_t *object, const char *name, int64_t ns)
{
    char utc[32];
    event_utc_text((utc_ns){ns}, utc);
    set_text(object, name, utc);
}

static void set_frame(json_t *object, const char *name, const char *utc_name, const struct clips_work *work,
                      const struct clips_video *video, int64_t frame)
{
    char label[TIMECODE_TEXT];
    int64_t utc;
    clips_label(video, frame, label);
    set_text(object, name, label);
    if (clips_utc_at(video, work->record, frame, &utc))
        set_utc(object, utc_name, utc);
}

static const char *base_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}

json_t *clips_index_video(const struct clips_work *work, const struct clips_video *video, bool overlay)
{
    json_t *object = json_object();
    char file[CLIPS_NAME_SIZE + 32], rate[40];
    set_text(object, "file", base_of(video->path));
    set_text(object, "name", video->name);
    set_text(object, "placed_by", video->by_timecode ? "timecode" : "creation time");
    set_frame(object, "timecode", "utc", work, video, 0);
    snprintf(rate, sizeof rate, "%d/%d", video->num, video->den);
    set_text(object, "rate", video->by_timecode ? timecode_rate_name(video->rate) : rate);
    set_int(object, "frames", video->frames);
    snprintf(file, sizeof file, "videos/%s.vtt", video->name);
    set_text(object, "captions", file);
    snprintf(file, sizeof file, "videos/%s.chapters.txt", video->name);
    set_text(object, "chapters", file);
    snprintf(file, sizeof file, "videos/%s.overlay.vtt", video->name);
    set_text(object, "overlay", overlay ? file : "");
    set_text(object, "note", video->note);
    return object;
}

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text != NULL ? text : "";
}

json_t *clips_index_clip(const struct clips_work *work, const struct clips_piece *piece, const json_t *made)
{
    json_t *object = json_object();
    const struct clips_video *video = &work->videos[piece->video];
    const struct clips_object *sighting = clips_record_sighting(work->record, piece->sighting);
    const struct clips_marker *marker = clips_record_marker(work->record, piece->marker);
    int64_t from = json_integer_value(json_object_get(made, "from"));
    int64_t frames = json_integer_value(json_object_get(made, "frames"));
    char name[CLIPS_FILE_SIZE], file[CLIPS_FILE_SIZE + 32];
    set_ref(object, "sighting", work, 'S', piece->sighting);
    set_ref(object, "marker", work, 'M', piece->marker);
    set_text(object, "of", piece->view ? "good view" : "sighting");
    set_text(object, "title",
             piece->view && marker != NULL ? marker->label
             : sighting != NULL            ? sighting->title
                                           : "");
    set_text(object, "video", video->name);
    set_text(object, "file", text_of(made, "file"));
    set_text(object, "method", text_of(made, "method"));
    set_text(object, "why_encoded", text_of(made, "why"));
    set_frame(object, "timecode", "utc", work, video, from);
    set_int(object, "from_frame", from);
    set_int(object, "frames", frames);
    set_int(object, "wanted_from_frame", piece->from);
    set_int(object, "wanted_frames", piece->frames);
    set_int(object, "extra_before", piece->from - from);
    set_int(object, "extra_after", from + frames - piece->from - piece->frames);
    set_int(object, "press_frame", piece->press);
    json_object_set_new(object, "seconds",
                        json_real(floor(clips_frame_s(video, (double)frames) * 1000) / 1000));
    json_object_set_new(object, "cut_before", json_boolean(piece->cut_before));
    json_object_set_new(object, "cut_after", json_boolean(piece->cut_after));
    clips_piece_name(work, piece, name);
    snprintf(file, sizeof file, "clips/%s.vtt", name);
    set_text(object, "captions", file);
    snprintf(file, sizeof file, "clips/%s.chapters.txt", name);
    set_text(object, "chapters", file);
    return object;
}

json_t *clips_index_still(const struct clips_work *work, const struct clips_shot *shot, const json_t *made)
{
    json_t *object = json_object();
    const struct clips_video *video = &work->videos[shot->video];
    char label[TIMECODE_TEXT];
    set_ref(object, "marker", work, 'M', shot->marker->number);
    set_ref(object, "sighting", work, 'S', shot->marker->sighting);
    set_text(object, "label", shot->marker->label);
    set_text(object, "kind", shot->marker->kind);
    set_text(object, "video", video->name);
    set_text(object, "still", text_of(made, "file"));
    set_text(object, "small", text_of(made, "small"));
    set_int(object, "frame", shot->frame);
    clips_label(video, shot->frame, label);
    set_text(object, "timecode", label);
    set_utc(object, "utc", shot->marker->utc_ns); /* of the press, not of the frame's start */
    set_text(object, "placed_by", shot->by_timecode ? "timecode" : "utc");
    if (shot->by_timecode && shot->marker->bound_frames >= 0)
        json_object_set_new(object, "bound_frames", json_real(shot->marker->bound_frames));
    if (shot->marker->late)
        json_object_set_new(object, "late", json_true());
    return object;
}

json_t *clips_index_gap(const struct clips_work *work, const struct clips_gap *gap)
{
    json_t *object = json_object();
    set_ref(object, "sighting", work, 'S', gap->sighting);
    set_utc(object, "from_utc", gap->from_ns);
    set_utc(object, "to_utc", gap->to_ns);
    json_object_set_new(object, "seconds",
                        json_real(floor((double)(gap->to_ns - gap->from_ns) / 1e6) / 1000));
    return object;
}

json_t *clips_index_without(const char *file, const char *why)
{
    json_t *object = json_object();
    set_text(object, "file", base_of(file));
    set_text(object, "why", why);
    return object;
}

/* 2: the clip's own press; 1: its sighting; 0: neither. */
static int fits(const json_t *clip, const json_t *still)
{
    if (strcmp(text_of(clip, "video"), text_of(still, "video")) != 0)
        return 0;
    if (strcmp(text_of(clip, "marker"), text_of(still, "marker")) == 0)
        return 2;
    const char *sighting = text_of(clip, "sighting");
    return sighting[0] != '\0' && strcmp(sighting, text_of(still, "sighting")) == 0;
}

void clips_index_posters(json_t *index)
{
    size_t i, j;
    json_t *clip, *still;
    json_array_foreach(json_object_get(index, "clips"), i, clip)
    {
        int best = 0;
        json_array_foreach(json_object_get(index, "stills"), j, still)
        {
            int fit = fits(clip, still);
            if (fit > best) {
                best = fit;
                json_object_set(clip, "poster", json_object_get(still, "small"));
            }
        }
    }
}
