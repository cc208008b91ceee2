#include "export/clips_probe.h"

#include "core/event.h"
#include "export/clips_program.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text != NULL ? text : "";
}

/* Tags differ in case between containers. */
static const char *tag_of(const json_t *object, const char *name)
{
    json_t *tags = json_object_get(object, "tags");
    const char *key;
    json_t *value;
    json_object_foreach(tags, key, value)
    {
        if (strcasecmp(key, name) == 0 && json_is_string(value) && json_string_length(value) > 0)
            return json_string_value(value);
    }
    return NULL;
}

static double number_of(const json_t *object, const char *name)
{
    double value = atof(text_of(object, name));
    return isfinite(value) && fabs(value) < 1e12 ? value : 0;
}

/* ---- rate ---- */

static double fraction_of(const json_t *stream, const char *name)
{
    long num = 0, den = 0;
    if (sscanf(text_of(stream, name), "%9ld/%9ld", &num, &den) != 2 || num <= 0 || den <= 0)
        return 0;
    return (double)num / (double)den;
}

/* The nearest rate of ST 12-1 within 0.02 %, which keeps 29.97 and 30 apart; non-drop. */
static bool known_rate(double fps, enum timecode_rate *rate)
{
    for (int i = 0; i < TIMECODE_RATES; i++) {
        int32_t num, den;
        timecode_rate_fraction((enum timecode_rate)i, &num, &den);
        double real = (double)num / den;
        if (!timecode_is_drop((enum timecode_rate)i) && fabs(fps - real) < real * 2e-4) {
            *rate = (enum timecode_rate)i;
            return true;
        }
    }
    return false;
}

/* The average counts first: of interlaced video the other may be its rate of fields. */
static bool take_rate(const json_t *stream, struct clips_video *video, bool *known)
{
    double average = fraction_of(stream, "avg_frame_rate"), real = fraction_of(stream, "r_frame_rate");
    *known = known_rate(average, &video->rate) || known_rate(real, &video->rate);
    if (*known) {
        timecode_rate_fraction(video->rate, &video->num, &video->den);
    } else {
        double fps = real > 0 ? real : average;
        if (fps <= 0.01 || fps > 10000)
            return false;
        video->num = (int32_t)lround(fps * 1000);
        video->den = 1000;
    }
    double fps = (double)video->num / video->den;
    if (average > 0 && fabs(average - fps) > fps * 2e-3)
        snprintf(video->note, sizeof video->note,
                 "its frames are not evenly spaced (%.3f a second on average); they are found by their time",
                 average);
    return true;
}

double clips_frame_s(const struct clips_video *video, double frame)
{
    return frame * video->den / video->num;
}

static void take_length(const json_t *stream, const json_t *format, struct clips_video *video)
{
    double fps = (double)video->num / video->den;
    double length_s = number_of(stream, "duration");
    const char *tag = tag_of(stream, "duration"); /* Matroska: up to its end */
    int hours, minutes;
    double seconds;
    if (length_s <= 0 && tag != NULL && sscanf(tag, "%4d:%2d:%12lf", &hours, &minutes, &seconds) == 3 &&
        hours >= 0 && minutes >= 0 && seconds >= 0 && seconds < 61)
        length_s = (hours * 60.0 + minutes) * 60.0 + seconds - video->first_s;
    long long counted = atoll(text_of(stream, "nb_frames"));
    if (length_s <= 0)
        length_s = number_of(format, "duration") - (video->first_s - video->zero_s);
    video->frames = length_s > 0 ? llround(length_s * fps) : 0;
    /* counted by the container; not believed where the frames are not even */
    if (counted > 0 && counted < INT64_C(1) << 32 && (length_s <= 0 || video->note[0] == '\0'))
        video->frames = counted;
}

/* ---- when ---- */

static int64_t days_since_1970(int64_t year, int64_t month, int64_t day)
{
    /* years from March: the leap day is then the last */
    if (month <= 2)
        year--;
    int64_t era = (year >= 0 ? year : year - 399) / 400;
    int64_t of_era = year - era * 400;
    int64_t of_year = (153 * (month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;
    return era * 146097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719468;
}

static bool take_creation(const char *text, struct clips_video *video)
{
    int year, month, day, hour, minute;
    double second;
    if (text == NULL ||
        sscanf(text, "%4d-%2d-%2d%*1[T ]%2d:%2d:%12lf", &year, &month, &day, &hour, &minute, &second) != 6)
        return false;
    /* 1904 and 1970 are what is there when nobody has set a clock */
    if (year < 1971 || year > 2200 || month < 1 || month > 12 || day < 1 || day > 31 || hour < 0 ||
        hour > 23 || minute < 0 || minute > 59 || !(second >= 0 && second < 61))
        return false;
    int64_t whole = ((days_since_1970(year, month, day) * 24 + hour) * 60 + minute) * 60;
    video->creation.ns = whole * NS_PER_S + llround(second * 1e9);
    video->has_creation = true;
    return true;
}

static enum timecode_rate drop_rate(enum timecode_rate rate, bool drop)
{
    if (drop && rate == TC_RATE_29_97_NDF)
        return TC_RATE_29_97_DF;
    return drop && rate == TC_RATE_59_94_NDF ? TC_RATE_59_94_DF : rate;
}

static int take_timecode(const char *text, struct clips_video *video, char *why)
{
    bool drop = strpbrk(text, ";,.") != NULL;
    enum timecode_rate rate = drop_rate(video->rate, drop);
    struct timecode label;
    int error = timecode_parse(text, rate, &label);
    if (error == 0)
        error = timecode_to_frame(label, rate, &video->start_frame);
    if (error == TIMECODE_EDROPPED) {
        snprintf(why, CLIPS_WHY_SIZE,
                 "its start timecode %.20s does not exist: drop-frame leaves that label out; say what is "
                 "right with --video-start TC",
                 text);
        return -1;
    }
    if (error != 0) {
        snprintf(why, CLIPS_WHY_SIZE,
                 "its start timecode '%.40s' is none at %s frames a second; say what is right with "
                 "--video-start TC",
                 text, timecode_rate_name(rate));
        return -1;
    }
    video->rate = rate;
    video->by_timecode = true;
    timecode_format(label, rate, video->start_text);
    return 0;
}

/* The video stream's own, else another stream's, else the file's. Another that differs is said. */
static const char *find_timecode(const json_t *root, const json_t *stream, struct clips_video *video)
{
    const char *found = tag_of(stream, "timecode");
    size_t i;
    json_t *other;
    json_array_foreach(json_object_get(root, "streams"), i, other)
    {
        const char *its = tag_of(other, "timecode");
        if (found == NULL)
            found = its;
        else if (its != NULL && strcmp(its, found) != 0)
            snprintf(video->note, sizeof video->note,
                     "it has two start timecodes, %.20s (taken) and %.20s (stream %zu)", found, its, i);
    }
    return found != NULL ? found : tag_of(json_object_get(root, "format"), "timecode");
}

static int take_place(const json_t *root, const json_t *stream, const char *given, bool known_rate_,
                      struct clips_video *video, char *why)
{
    const json_t *format = json_object_get(root, "format");
    const char *label = given != NULL ? given : find_timecode(root, stream, video);
    if (!take_creation(tag_of(format, "creation_time"), video))
        take_creation(tag_of(stream, "creation_time"), video);
    if (label != NULL && known_rate_)
        return take_timecode(label, video, why);
    if (!video->has_creation) {
        snprintf(why, CLIPS_WHY_SIZE, "%s; say what its first frame has with --video-start TC",
                 label == NULL ? "it has neither a start timecode nor a creation time"
                               : "its rate is none that timecode is made for, and it has no creation time");
        return -1;
    }
    char utc[32];
    event_utc_text(video->creation, utc);
    snprintf(
        video->note, sizeof video->note,
        "it has no start timecode; it is placed by its creation time, %s, which is a whole second at best "
        "and by the recorder's own clock",
        utc);
    return 0;
}

/* ---- all of it ---- */

static const json_t *find_video(const json_t *root)
{
    size_t i;
    json_t *stream;
    json_array_foreach(json_object_get(root, "streams"), i, stream)
    {
        const json_t *cover = json_object_get(json_object_get(stream, "disposition"), "attached_pic");
        if (strcmp(text_of(stream, "codec_type"), "video") == 0 && json_integer_value(cover) == 0)
            return stream;
    }
    return NULL;
}

static void take_looks(const json_t *root, const json_t *stream, struct clips_video *video)
{
    const json_t *format = json_object_get(root, "format");
    const char *order = text_of(stream, "field_order");
    size_t i;
    json_t *other;
    snprintf(video->container, sizeof video->container, "%s", text_of(format, "format_name"));
    snprintf(video->codec, sizeof video->codec, "%s", text_of(stream, "codec_name"));
    video->width = (int)json_integer_value(json_object_get(stream, "width"));
    video->height = (int)json_integer_value(json_object_get(stream, "height"));
    video->interlaced = order[0] == 't' || order[0] == 'b';
    video->reorders = json_integer_value(json_object_get(stream, "has_b_frames")) > 0;
    video->zero_s = number_of(format, "start_time");
    video->first_s = number_of(stream, "start_time");
    json_array_foreach(json_object_get(root, "streams"), i, other)
    {
        video->audio |= strcmp(text_of(other, "codec_type"), "audio") == 0;
    }
}

int clips_probe_parse(const char *json, size_t len, const char *video_start, struct clips_video *video,
                      char why[CLIPS_WHY_SIZE])
{
    bool known = false;
    json_t *root = json_loadb(json, len, 0, NULL);
    const json_t *stream = find_video(root);
    int result = -1;
    if (stream == NULL) {
        snprintf(why, CLIPS_WHY_SIZE, "there is no video in it");
    } else if (!take_rate(stream, video, &known)) {
        snprintf(why, CLIPS_WHY_SIZE, "it does not say how many frames a second it has");
    } else {
        take_looks(root, stream, video);
        take_length(stream, json_object_get(root, "format"), video);
        if (video->frames <= 0)
            snprintf(why, CLIPS_WHY_SIZE, "it does not say how long it is");
        else
            result = take_place(root, stream, video_start, known, video, why);
    }
    json_decref(root);
    return result;
}

int clips_probe(const char *path, const char *video_start, struct clips_video *video,
                char why[CLIPS_WHY_SIZE])
{
    struct stat stat_;
    struct clips_args args = {0};
    struct clips_run run = {.fd3 = -1};
    *video = (struct clips_video){.path = path};
    if (stat(path, &stat_) != 0) {
        snprintf(why, CLIPS_WHY_SIZE, "%s", strerror(errno));
        return -1;
    }
    video->bytes = stat_.st_size;
    video->mtime_ns = stat_.st_mtim.tv_sec * NS_PER_S + stat_.st_mtim.tv_nsec;
    clips_arg(&args, "ffprobe");
    clips_arg(&args, "-v");
    clips_arg(&args, "error");
    clips_arg(&args, "-print_format");
    clips_arg(&args, "json");
    clips_arg(&args, "-show_format");
    clips_arg(&args, "-show_streams");
    clips_arg(&args, "-i");
    clips_argf(&args, "file:%s", path);
    if (clips_program(&args, &run, why) != 0)
        return -1;
    int result = clips_probe_parse(run.out, run.len, video_start, video, why);
    free(run.out);
    return result;
}
