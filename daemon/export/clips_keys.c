#include "export/clips_keys.h"

#include "export/clips_program.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define AFTER_S 3.0 /* read on behind the last wanted frame: further than any decoder reorders */

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text != NULL ? text : "";
}

/* False: the packet does not say when it is shown. */
static bool frame_of(const json_t *packet, const struct clips_video *video, int64_t *frame)
{
    const char *text = text_of(packet, "pts_time");
    char *end;
    double s = strtod(text, &end);
    if (end == text || !isfinite(s) || fabs(s) > 1e9)
        return false;
    *frame = llround((s - video->first_s) * video->num / video->den);
    return true;
}

static bool is_key(const json_t *packet)
{
    return text_of(packet, "flags")[0] == 'K';
}

/* The packet of the last key frame at or before `from`; -1: none. */
static long find_key(const json_t *packets, const struct clips_video *video, int64_t from, int64_t *first)
{
    long found = -1;
    size_t i;
    json_t *packet;
    json_array_foreach(packets, i, packet)
    {
        int64_t frame;
        if (is_key(packet) && frame_of(packet, video, &frame) && frame <= from &&
            (found < 0 || frame >= *first)) {
            found = (long)i;
            *first = frame;
        }
    }
    return found;
}

/* The least packets from `at` on that are a run of frames up to `last`; all there are, where the video ends in them. 0: there is no such run. */
static int64_t count_packets(const json_t *packets, size_t at, const struct clips_video *video, int64_t first,
                             int64_t last, const char **why)
{
    int64_t taken = 0, highest = first - 1;
    for (size_t i = at; i < json_array_size(packets); i++) {
        int64_t frame;
        if (!frame_of(json_array_get(packets, i), video, &frame)) {
            *why = "its packets do not say when they are shown";
            return 0;
        }
        if (frame < first) {
            *why = "its groups of pictures are open, so that what is shown first cannot be decoded";
            return 0;
        }
        taken++;
        if (frame > highest)
            highest = frame;
        if (highest >= last && highest - first + 1 == taken)
            return taken;
    }
    *why = "its frames do not follow each other evenly";
    return 0;
}

int clips_keys_parse(const char *json, size_t len, const struct clips_video *video, int64_t from,
                     int64_t frames, struct clips_keys *keys, char why[CLIPS_WHY_SIZE])
{
    const char *reason = "ffprobe's answer cannot be read";
    json_t *root = json_loadb(json, len, 0, NULL);
    const json_t *packets = json_object_get(root, "packets");
    int64_t first = 0;
    int result = 1;
    long at = json_is_array(packets) ? find_key(packets, video, from, &first) : -2;
    if (at == -1)
        result = 2;
    if (at >= 0) {
        keys->first = first;
        keys->first_s = atof(text_of(json_array_get(packets, (size_t)at), "pts_time"));
        keys->frames = count_packets(packets, (size_t)at, video, first, from + frames - 1, &reason);
        snprintf(keys->hash, sizeof keys->hash, "%s",
                 text_of(json_array_get(packets, (size_t)at), "data_hash"));
        result = keys->frames > 0 ? 0 : 1;
    }
    if (result == 1)
        snprintf(why, CLIPS_WHY_SIZE, "%s", reason);
    json_decref(root);
    return result;
}

static void probe_packets(struct clips_args *args)
{
    clips_arg(args, "ffprobe");
    clips_arg(args, "-v");
    clips_arg(args, "error");
    clips_arg(args, "-print_format");
    clips_arg(args, "json");
    clips_arg(args, "-select_streams");
    clips_arg(args, "v:0");
    clips_arg(args, "-show_data_hash");
    clips_arg(args, "CRC32");
    clips_arg(args, "-show_entries");
    clips_arg(args, "packet=pts_time,flags,data_hash");
}

static int read_packets(const struct clips_video *video, double start_s, double end_s, struct clips_run *run,
                        char *why)
{
    struct clips_args args = {0};
    *run = (struct clips_run){.fd3 = -1};
    probe_packets(&args);
    clips_arg(&args, "-read_intervals");
    if (start_s <= video->first_s)
        clips_argf(&args, "%%%.6f", end_s);
    else
        clips_argf(&args, "%.6f%%%.6f", start_s, end_s);
    clips_arg(&args, "-i");
    clips_argf(&args, "file:%s", video->path);
    return clips_program(&args, run, why);
}

/* Goes back further and further until a key frame is among the packets. */
int clips_keys_find(const struct clips_video *video, int64_t from, int64_t frames, struct clips_keys *keys,
                    char why[CLIPS_WHY_SIZE])
{
    double start_s = video->first_s + clips_frame_s(video, (double)from);
    double end_s = video->first_s + clips_frame_s(video, (double)(from + frames)) + AFTER_S;
    for (double back_s = 1;; back_s *= 4) {
        struct clips_run run;
        if (read_packets(video, start_s, end_s, &run, why) != 0)
            return -1;
        int result =
            clips_keys_parse(run.out != NULL ? run.out : "", run.len, video, from, frames, keys, why);
        free(run.out);
        if (result != 2)
            return result;
        if (start_s <= video->first_s) {
            snprintf(why, CLIPS_WHY_SIZE, "no key frame lies before it");
            return 1;
        }
        start_s -= back_s;
    }
}

bool clips_keys_begins(const char *path, const char *hash)
{
    struct clips_args args = {0};
    struct clips_run run = {.fd3 = -1};
    char why[CLIPS_WHY_SIZE];
    probe_packets(&args);
    clips_arg(&args, "-read_intervals");
    clips_arg(&args, "%+#1");
    clips_arg(&args, "-i");
    clips_argf(&args, "file:%s", path);
    if (clips_program(&args, &run, why) != 0)
        return false;
    json_t *root = json_loadb(run.out != NULL ? run.out : "", run.len, 0, NULL);
    const json_t *packet = json_array_get(json_object_get(root, "packets"), 0);
    bool same = hash[0] != '\0' && strcmp(text_of(packet, "data_hash"), hash) == 0;
    json_decref(root);
    free(run.out);
    return same;
}
