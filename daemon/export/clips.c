#include "export/clips.h"

#include "core/event.h"
#include "export/clips_captions.h"
#include "export/clips_file.h"
#include "export/clips_index.h"
#include "export/clips_page.h"
#include "export/export.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct making {
    struct store_reader *reader;
    const struct clips_options *options;
    struct clips_record record;
    struct clips_video *videos;
    size_t count;
    bool overlay[CLIPS_VIDEOS_MAX];
    struct clips_plan plan;
    struct clips_work work;
    json_t *index;
    char *why;
};

static json_t *list_of(const struct making *making, const char *name)
{
    return json_object_get(making->index, name);
}

/* ---- the videos ---- */

/* "C0001.MOV" becomes "C0001"; a second one "C0001-2". */
static void name_video(struct making *making, struct clips_video *video)
{
    const char *slash = strrchr(video->path, '/'), *base = slash != NULL ? slash + 1 : video->path;
    const char *dot = strrchr(base, '.');
    size_t len = dot != NULL && dot != base ? (size_t)(dot - base) : strlen(base);
    char stem[CLIPS_NAME_SIZE - 8];
    if (len >= sizeof stem)
        len = sizeof stem - 1;
    for (size_t i = 0; i < len; i++) {
        char c = base[i];
        bool fine = (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '-' ||
                    c == '_' || (c == '.' && i > 0);
        stem[i] = fine ? c : '_';
    }
    stem[len] = '\0';
    snprintf(video->name, sizeof video->name, "%s", stem);
    for (int again = 2, i = 0; i < (int)making->count;) {
        if (strcmp(making->videos[i].name, video->name) != 0) {
            i++;
            continue;
        }
        snprintf(video->name, sizeof video->name, "%s-%d", stem, again++);
        i = 0;
    }
}

/* Any marker whose timecode counts at the video's rate? */
static bool is_tied(const struct making *making, const struct clips_video *video)
{
    bool by_timecode = false;
    int64_t frame;
    for (size_t i = 0; i < making->record.marker_count && !by_timecode; i++)
        (void)clips_marker_frame(video, &making->record, &making->record.marker[i], &frame, &by_timecode);
    return by_timecode;
}

static const char *rate_of_dive(const struct making *making)
{
    for (size_t i = 0; i < making->record.marker_count; i++)
        if (making->record.marker[i].frame >= 0)
            return timecode_rate_name(making->record.marker[i].rate);
    return NULL;
}

/* Timecode that no marker can be compared with gives way to the creation time. */
static int place_video(const struct making *making, struct clips_video *video, char *why)
{
    if (!video->by_timecode || is_tied(making, video))
        return 0;
    const char *rate = rate_of_dive(making);
    char reason[200], utc[32];
    if (rate == NULL)
        snprintf(reason, sizeof reason, "no marker of the dive has a timecode to compare its own with");
    else
        snprintf(reason, sizeof reason, "its timecode is at %s frames a second and the dive's at %s",
                 timecode_rate_name(video->rate), rate);
    if (!video->has_creation) {
        snprintf(why, CLIPS_WHY_SIZE, "%s, and it has no creation time", reason);
        return -1;
    }
    video->by_timecode = false;
    event_utc_text(video->creation, utc);
    snprintf(
        video->note, sizeof video->note,
        "%s; it is placed by its creation time, %s, which is a whole second at best and by the recorder's "
        "own clock",
        reason, utc);
    return 0;
}

/* Timecode comes again every day: the file's date is a check on it. */
static void check_date(const struct making *making, struct clips_video *video)
{
    int64_t first;
    char utc[32], file[32];
    if (!video->by_timecode || !video->has_creation || video->note[0] != '\0' ||
        !clips_utc_at(video, &making->record, 0, &first) ||
        llabs(first - video->creation.ns) < INT64_C(12) * 3600 * NS_PER_S)
        return;
    event_utc_text((utc_ns){first}, utc);
    event_utc_text(video->creation, file);
    snprintf(video->note, sizeof video->note,
             "by its timecode it began at %s, but the file says %s: it may be of another day", utc, file);
}

static int take_videos(struct making *making, const char *const *paths, size_t count)
{
    char why[CLIPS_WHY_SIZE];
    for (size_t i = 0; i < count; i++) {
        struct clips_video *video = &making->videos[making->count];
        if (clips_probe(paths[i], making->options->video_start, video, why) != 0 ||
            place_video(making, video, why) != 0) {
            json_array_append_new(list_of(making, "left_out"), clips_index_without(paths[i], why));
            continue;
        }
        check_date(making, video);
        name_video(making, video);
        making->count++;
    }
    if (making->count > 0)
        return 0;
    snprintf(making->why, CLIPS_WHY_SIZE, "%.200s: %.400s", paths[count - 1], why);
    return -1;
}

/* ---- what goes beside each video ---- */

static uint64_t sum_of(int fd)
{
    unsigned char bytes[4096];
    uint64_t sum = UINT64_C(14695981039346656037); /* FNV-1a, 64 bits */
    ssize_t len;
    while ((len = read(fd, bytes, sizeof bytes)) > 0)
        for (ssize_t i = 0; i < len; i++)
            sum = (sum ^ bytes[i]) * UINT64_C(1099511628211);
    return sum;
}

static bool write_overlay(struct making *making, size_t at)
{
    struct clips_video *video = &making->videos[at];
    struct export_options options = {.dive = making->record.dive};
    char path[CLIPS_PATH_SIZE], why[EXPORT_WHY_SIZE];
    const char *rate = rate_of_dive(making);
    int64_t first;
    snprintf(path, sizeof path, "%s/videos/%s.overlay.vtt", making->options->folder, video->name);
    if (!clips_utc_at(video, &making->record, 0, &first))
        return false;
    if (video->by_timecode && rate != NULL && strcmp(rate, timecode_rate_name(video->rate)) == 0)
        options.video_timecode = video->start_text;
    options.has_video_utc = options.video_timecode == NULL;
    options.video_utc.ns = first;
    options.video_length_ns = (int64_t)(clips_frame_s(video, (double)video->frames) * 1e9);
    if (export_write(&export_overlay, making->reader, &options, path, why) != 0) {
        if (video->note[0] == '\0')
            snprintf(video->note, sizeof video->note, "no overlay: %.300s", why);
        return false;
    }
    if (making->options->burn_in) {
        int fd = open(path, O_RDONLY | O_CLOEXEC);
        making->work.overlay_fd[at] = fd;
        making->work.overlay_sum[at] = fd >= 0 ? sum_of(fd) : 0;
    }
    return true;
}

static int write_beside(struct making *making)
{
    for (size_t i = 0; i < making->count; i++) {
        struct clips_stretch stretch = {
            .record = &making->record, .video = &making->videos[i], .frames = making->videos[i].frames};
        char file[CLIPS_NAME_SIZE + 32];
        snprintf(file, sizeof file, "videos/%s.vtt", making->videos[i].name);
        if (clips_file_make(making->options->folder, file, clips_captions_write, &stretch, making->why) != 0)
            return -1;
        snprintf(file, sizeof file, "videos/%s.chapters.txt", making->videos[i].name);
        if (clips_file_make(making->options->folder, file, clips_chapters_write, &stretch, making->why) != 0)
            return -1;
        making->overlay[i] = write_overlay(making, i);
    }
    return 0;
}

/* ---- the work, and the index of it ---- */

static void cut_clips(struct making *making)
{
    char why[CLIPS_WHY_SIZE], name[CLIPS_FILE_SIZE];
    for (size_t i = 0; i < making->plan.piece_count; i++) {
        const struct clips_piece *piece = &making->plan.piece[i];
        const json_t *made = clips_work_piece(&making->work, piece, why);
        if (made != NULL) {
            json_array_append_new(list_of(making, "clips"), clips_index_clip(&making->work, piece, made));
            continue;
        }
        clips_piece_name(&making->work, piece, name);
        json_array_append_new(list_of(making, "failed"), clips_index_without(name, why));
    }
}

static void take_stills(struct making *making)
{
    char why[CLIPS_WHY_SIZE], name[CLIPS_FILE_SIZE];
    for (size_t i = 0; i < making->plan.shot_count; i++) {
        const struct clips_shot *shot = &making->plan.shot[i];
        const json_t *made = clips_work_shot(&making->work, shot, why);
        if (made != NULL) {
            json_array_append_new(list_of(making, "stills"), clips_index_still(&making->work, shot, made));
            continue;
        }
        clips_shot_name(&making->work, shot, name);
        json_array_append_new(list_of(making, "failed"), clips_index_without(name, why));
    }
}

static void dump_index(void *ctx, FILE *out)
{
    json_dumpf(ctx, out, JSON_INDENT(1) | JSON_REAL_PRECISION(9));
    fputc('\n', out);
}

static int write_index(struct making *making)
{
    for (size_t i = 0; i < making->count; i++)
        json_array_append_new(list_of(making, "videos"),
                              clips_index_video(&making->work, &making->videos[i], making->overlay[i]));
    for (size_t i = 0; i < making->plan.gap_count; i++)
        json_array_append_new(list_of(making, "gaps"), clips_index_gap(&making->work, &making->plan.gap[i]));
    clips_index_posters(making->index);
    if (clips_file_make(making->options->folder, "index.json", dump_index, making->index, making->why) != 0)
        return -1;
    return clips_file_make(making->options->folder, "index.html", clips_page_write, making->index,
                           making->why);
}

static json_t *new_index(const struct making *making)
{
    const struct clips_options *options = making->options;
    const char *method = options->burn_in ? "exact, burnt in" : options->exact ? "exact" : "copy";
    return json_pack("{s:s, s:s, s:[], s:[], s:[], s:[], s:[], s:[]}", "dive", making->record.dive, "method",
                     method, "videos", "clips", "stills", "gaps", "left_out", "failed");
}

static int make(struct making *making, const char *const *paths, size_t count)
{
    const struct clips_options *options = making->options;
    making->work.options = options;
    making->work.record = &making->record;
    making->work.videos = making->videos;
    if (clips_record_read(&making->record, making->reader, options->dive, making->why) != 0)
        return -1;
    making->index = new_index(making);
    if (making->index == NULL) {
        snprintf(making->why, CLIPS_WHY_SIZE, "out of memory");
        return -1;
    }
    if (take_videos(making, paths, count) != 0 || clips_folder_make(options->folder, making->why) != 0 ||
        clips_journal_open(&making->work.journal, options->folder, making->why) != 0 ||
        write_beside(making) != 0)
        return -1;
    if (clips_match(&making->plan, &making->record, making->videos, making->count, options->lead_ns,
                    options->tail_ns) != 0) {
        snprintf(making->why, CLIPS_WHY_SIZE, "out of memory");
        return -1;
    }
    clips_work_measure(&making->work, &making->plan);
    take_stills(making);
    cut_clips(making);
    if (write_index(making) != 0)
        return -1;
    clips_folder_done(options->folder);
    return 0;
}

json_t *clips_make(struct store_reader *reader, const char *const *videos, size_t count,
                   const struct clips_options *options, char why[CLIPS_WHY_SIZE])
{
    struct making *making = calloc(1, sizeof *making);
    struct clips_video *room = calloc(count + 1, sizeof *room);
    json_t *index = NULL;
    if (making == NULL || room == NULL || count == 0 || count > CLIPS_VIDEOS_MAX) {
        snprintf(why, CLIPS_WHY_SIZE, "out of memory, or more than %d videos", CLIPS_VIDEOS_MAX);
        goto out;
    }
    *making = (struct making){.reader = reader, .options = options, .videos = room, .why = why};
    for (size_t i = 0; i < CLIPS_VIDEOS_MAX; i++)
        making->work.overlay_fd[i] = -1;
    if (make(making, videos, count) == 0)
        index = json_incref(making->index);
    for (size_t i = 0; i < CLIPS_VIDEOS_MAX; i++)
        if (making->work.overlay_fd[i] >= 0)
            close(making->work.overlay_fd[i]);
    clips_journal_close(&making->work.journal);
    clips_plan_free(&making->plan);
    clips_record_free(&making->record);
    json_decref(making->index);
out:
    free(room);
    free(making);
    return index;
}
