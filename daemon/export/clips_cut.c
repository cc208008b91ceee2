#include "export/clips_cut.h"

#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define SMALL_WIDTH 480
#define RUN_UP_S                                                                                             \
    30.0 /* where there is no index; key frames are seldom further apart (common practice, no published source) */
#define TRIM_SIZE 40
#define EARLIER_S                                                                                            \
    0.131 /* ffmpeg looks 3/23 s before what is asked for where frames are reordered, but not in MOV and MP4 */

const char *clips_cut_ending(const struct clips_video *video, bool exact)
{
    const char *dot = strrchr(video->path, '.');
    if (exact)
        return ".mp4";
    if (strncmp(video->container, "matroska", 8) == 0)
        return ".mkv";
    return dot != NULL && (strcmp(dot, ".mp4") == 0 || strcmp(dot, ".MP4") == 0) ? ".mp4" : ".mov";
}

static const char *muxer_of(const char *ending)
{
    return strcmp(ending, ".mp4") == 0 ? "mp4" : strcmp(ending, ".mkv") == 0 ? "matroska" : "mov";
}

static void begin(struct clips_args *args)
{
    clips_arg(args, "ffmpeg");
    clips_arg(args, "-nostdin");
    clips_arg(args, "-v");
    clips_arg(args, "error");
    clips_arg(args, "-nostats");
    clips_arg(args, "-y");
}

/*
 * Whether ffmpeg finds the key frame before any time by the file's own index. Elsewhere (MPEG transport streams) it lands on any packet near that
 * time and what is decoded begins at the next key frame, so the cut is begun well before and what comes first is trimmed off.
 */
static bool has_index(const struct clips_video *video)
{
    static const char *const with[] = {"mov,", "matroska,", "mxf"};
    for (size_t i = 0; i < sizeof with / sizeof with[0]; i++)
        if (strncmp(video->container, with[i], strlen(with[i])) == 0)
            return true;
    return false;
}

/* ffmpeg counts -ss from the file's start, which may be the sound's. */
static void seek(struct clips_args *args, const struct clips_video *video, double time_s)
{
    double at_s = time_s - video->zero_s;
    if (at_s > 0) {
        clips_arg(args, "-ss");
        clips_argf(args, "%.6f", ceil(at_s * 1e6) / 1e6);
    }
}

/*
 * Asks for a frame half a frame early; returns before which time there is still to be trimmed, 0: there is nothing. Where there is no index that time
 * is the file's own (-copyts): what ffmpeg takes for its beginning depends there on which of its streams are in use.
 */
static double seek_before(struct clips_args *args, const struct clips_video *video, int64_t frame)
{
    double at_s = video->first_s + clips_frame_s(video, (double)frame - 0.5);
    if (has_index(video)) {
        seek(args, video, at_s);
        return 0;
    }
    clips_arg(args, "-copyts");
    seek(args, video, at_s - RUN_UP_S);
    return at_s;
}

/* "trim=start=29.5," or nothing. */
static const char *trimmed(char out[TRIM_SIZE], double skip_s)
{
    out[0] = '\0';
    if (skip_s > 1e-6)
        snprintf(out, TRIM_SIZE, "trim=start=%.6f,", skip_s);
    return out;
}

static void input(struct clips_args *args, const struct clips_video *video)
{
    clips_arg(args, "-i");
    clips_argf(args, "file:%s", video->path);
}

static void names(struct clips_args *args, const struct clips_cut *cut, bool exact)
{
    clips_arg(args, "-map_metadata");
    clips_arg(args, "-1");
    clips_arg(args, "-map_chapters");
    clips_arg(args, "-1");
    if (cut->title[0] != '\0') {
        clips_arg(args, "-metadata");
        clips_argf(args, "title=%s", cut->title);
    }
    if (cut->creation[0] != '\0') {
        clips_arg(args, "-metadata");
        clips_argf(args, "creation_time=%s", cut->creation);
    }
    if (cut->timecode[0] != '\0') {
        bool matroska = strncmp(cut->video->container, "matroska", 8) == 0 && !exact;
        clips_arg(args, matroska ? "-metadata:s:v:0" : "-timecode");
        clips_argf(args, "%s%s", matroska ? "timecode=" : "", cut->timecode);
    }
}

static void output(struct clips_args *args, const struct clips_cut *cut, bool exact)
{
    clips_arg(args, "-progress");
    clips_arg(args, "pipe:1");
    clips_arg(args, "-f");
    clips_arg(args, muxer_of(clips_cut_ending(cut->video, exact)));
    clips_argf(args, "file:%s", cut->path);
}

static void no_line(void *ctx, const char *line)
{
    (void)ctx;
    (void)line;
}

static int run_cut(struct clips_args *args, const struct clips_cut *cut, char *why)
{
    struct clips_run run = {
        .fd3 = cut->overlay_fd, .line = cut->line != NULL ? cut->line : no_line, .ctx = cut->ctx};
    return clips_program(args, &run, why);
}

/* Frames are numbered on a clock of one tick a frame; the overlay goes by their place in the whole video. */
static void picture_filter(struct clips_args *args, const struct clips_cut *cut, double skip_s)
{
    char trim[TRIM_SIZE];
    const struct clips_video *video = cut->video;
    const char *even = (video->width | video->height) & 1 ? ",crop=trunc(iw/2)*2:trunc(ih/2)*2" : "";
    clips_arg(args, "-vf");
    if (cut->overlay_fd < 0)
        clips_argf(args, "%ssettb=%d/%d,setpts=N%s", trimmed(trim, skip_s), video->den, video->num, even);
    else
        clips_argf(
            args,
            "%ssettb=%d/%d,setpts=N+%lld,subtitles=filename=/dev/fd/3:force_style='FontSize=14,Alignment=1,"
            "BorderStyle=3,OutlineColour=&H80000000,Outline=2,Shadow=0,MarginL=10,MarginV=8',setpts=N%s",
            trimmed(trim, skip_s), video->den, video->num, (long long)cut->from, even);
}

static void sound(struct clips_args *args, const struct clips_video *video, double skip_s)
{
    if (!video->audio)
        return;
    if (skip_s > 0) { /* sound has no frames to count: it is trimmed by time */
        clips_arg(args, "-af");
        clips_argf(args, "atrim=start=%.6f,asetpts=PTS-STARTPTS", skip_s);
    }
    clips_arg(args, "-c:a");
    clips_arg(args, "aac");
    clips_arg(args, "-b:a");
    clips_arg(args, "160k");
}

int clips_cut_exact(const struct clips_cut *cut, char why[CLIPS_WHY_SIZE])
{
    static const char *const encode[] = {"-fps_mode", "passthrough", "-c:v",      "libx264",   "-preset",
                                         "fast",      "-crf",        "16",        "-bf",       "0",
                                         "-pix_fmt",  "yuv420p",     "-movflags", "+faststart"};
    struct clips_args args = {0};
    begin(&args);
    double skip_s = seek_before(&args, cut->video, cut->from);
    input(&args, cut->video);
    clips_arg(&args, "-map");
    clips_arg(&args, "0:v:0");
    clips_arg(&args, "-map");
    clips_arg(&args, "0:a?");
    picture_filter(&args, cut, skip_s);
    for (size_t i = 0; i < sizeof encode / sizeof encode[0]; i++)
        clips_arg(&args, encode[i]);
    if (cut->video->interlaced) {
        clips_arg(&args, "-flags:v");
        clips_arg(&args, "+ildct+ilme");
    }
    clips_arg(&args, "-frames:v");
    clips_argf(&args, "%lld", (long long)cut->frames);
    /* the cut was asked for half a frame early; take that half off again */
    sound(&args, cut->video, cut->from > 0 ? skip_s + clips_frame_s(cut->video, 0.5) : 0);
    clips_arg(&args, "-t");
    clips_argf(&args, "%.6f", clips_frame_s(cut->video, (double)cut->frames));
    names(&args, cut, true);
    output(&args, cut, true);
    return run_cut(&args, cut, why);
}

int clips_cut_copy(const struct clips_cut *cut, const struct clips_keys *keys, char why[CLIPS_WHY_SIZE])
{
    struct clips_args args = {0};
    begin(&args);
    bool later = cut->video->reorders && strncmp(cut->video->container, "mov,", 4) != 0;
    double shift_s = later ? EARLIER_S : 0;
    seek(&args, cut->video, keys->first_s + shift_s);
    input(&args, cut->video);
    clips_arg(&args, "-map");
    clips_arg(&args, "0:v:0");
    clips_arg(&args, "-map");
    clips_arg(&args, "0:a?");
    clips_arg(&args, "-c");
    clips_arg(&args, "copy");
    clips_arg(&args, "-frames:v");
    clips_argf(&args, "%lld", (long long)keys->frames);
    clips_arg(&args, "-t");
    clips_argf(&args, "%.6f", clips_frame_s(cut->video, (double)keys->frames) - shift_s);
    names(&args, cut, false);
    output(&args, cut, false);
    if (run_cut(&args, cut, why) != 0)
        return -1;
    if (clips_keys_begins(cut->path, keys->hash))
        return 0;
    snprintf(why, CLIPS_WHY_SIZE, "the copy does not begin with the key frame that was asked for");
    return -1;
}

static bool is_there(const char *path)
{
    struct stat made;
    return stat(path, &made) == 0 && made.st_size > 0;
}

int clips_cut_still(const struct clips_video *video, int64_t frame, const char *path, const char *small,
                    char why[CLIPS_WHY_SIZE])
{
    struct clips_args args = {0};
    struct clips_run run = {.fd3 = -1, .line = no_line};
    begin(&args);
    char trim[TRIM_SIZE];
    double skip_s = seek_before(&args, video, frame);
    input(&args, video);
    for (int i = 0; i < 2; i++) {
        clips_arg(&args, "-map");
        clips_arg(&args, "0:v:0");
        clips_arg(&args, "-frames:v");
        clips_arg(&args, "1");
        clips_arg(&args, "-fps_mode");
        clips_arg(&args, "passthrough");
        clips_arg(&args, "-map_metadata");
        clips_arg(&args, "-1");
        clips_arg(&args, "-vf");
        if (i == 0)
            clips_argf(&args, "%snull", trimmed(trim, skip_s));
        else
            clips_argf(&args, "%sscale=%d:-2", trimmed(trim, skip_s),
                       video->width > SMALL_WIDTH ? SMALL_WIDTH : (video->width + 1) / 2 * 2);
        if (i == 1) {
            clips_arg(&args, "-q:v");
            clips_arg(&args, "4");
        }
        clips_arg(&args, "-c:v");
        clips_arg(&args, i == 0 ? "png" : "mjpeg");
        clips_arg(&args, "-f");
        clips_arg(&args, "image2pipe"); /* a name is then a name, whatever signs are in it */
        clips_argf(&args, "file:%s", i == 0 ? path : small);
    }
    if (clips_program(&args, &run, why) != 0)
        return -1;
    if (is_there(path) && is_there(small))
        return 0;
    snprintf(why, CLIPS_WHY_SIZE, "there is no frame %lld in it", (long long)frame);
    return -1;
}
