#include "export/clips_work.h"

#include "core/event.h"
#include "export/clips_captions.h"
#include "export/clips_file.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RECIPE_VERSION 1 /* another: everything is made again */
#define RECIPE_SIZE 640
#define STILL_COST 20 /* in frames of encoding, about */

void clips_piece_name(const struct clips_work *work, const struct clips_piece *piece,
                      char out[CLIPS_FILE_SIZE])
{
    char ref[REF_SIZE];
    bool sighting = !piece->view;
    entry_ref(ref, work->record->dive, sighting ? 'S' : 'M', sighting ? piece->sighting : piece->marker);
    snprintf(out, CLIPS_FILE_SIZE, "%s.%s", ref, work->videos[piece->video].name);
}

void clips_shot_name(const struct clips_work *work, const struct clips_shot *shot, char out[CLIPS_FILE_SIZE])
{
    char ref[REF_SIZE];
    entry_ref(ref, work->record->dive, 'M', shot->marker->number);
    snprintf(out, CLIPS_FILE_SIZE, "%s.%s", ref, work->videos[shot->video].name);
}

/* ---- progress ---- */

static int64_t cost_of(const struct clips_work *work, const struct clips_piece *piece)
{
    return work->options->exact ? 10 + piece->frames : 20 + piece->frames / 50;
}

void clips_work_measure(struct clips_work *work, const struct clips_plan *plan)
{
    work->progress = (struct clips_progress){.pieces_total = (int64_t)(plan->piece_count + plan->shot_count),
                                             .total = (int64_t)plan->shot_count * STILL_COST};
    for (size_t i = 0; i < plan->piece_count; i++)
        work->progress.total += cost_of(work, &plan->piece[i]);
}

static void tell(struct clips_work *work)
{
    if (work->options->on_progress != NULL)
        work->options->on_progress(work->options->ctx, &work->progress);
}

static void begin_piece(struct clips_work *work, const char *what, int64_t cost)
{
    work->progress.what = what;
    work->piece_begun = work->progress.done;
    work->piece_cost = cost;
    work->encoded = 0;
    tell(work);
}

static void end_piece(struct clips_work *work, bool skipped)
{
    work->progress.done = work->piece_begun + work->piece_cost;
    work->progress.pieces_done++;
    if (skipped)
        work->progress.skipped += work->piece_cost;
    tell(work);
}

static void take_line(void *ctx, const char *line)
{
    struct clips_work *work = ctx;
    if (strncmp(line, "frame=", 6) != 0)
        return;
    int64_t frames = strtoll(line + 6, NULL, 10);
    work->encoded = frames;
    if (!work->options->exact)
        frames /= 50;
    if (frames > 0 && frames < work->piece_cost) {
        work->progress.done = work->piece_begun + frames;
        tell(work);
    }
}

/* ---- clips ---- */

static void titled(const struct clips_work *work, const struct clips_piece *piece, char out[CLIPS_TITLE_SIZE])
{
    const struct clips_object *sighting = clips_record_sighting(work->record, piece->sighting);
    const struct clips_marker *marker = clips_record_marker(work->record, piece->marker);
    char ref[REF_SIZE];
    entry_ref(ref, work->record->dive, piece->view ? 'M' : 'S',
              piece->view ? piece->marker : piece->sighting);
    snprintf(out, CLIPS_TITLE_SIZE, "%s %s", ref,
             !piece->view && sighting != NULL ? sighting->title
             : marker != NULL                 ? marker->label
                                              : "");
}

static void recipe_of(const struct clips_work *work, size_t at, const char *what, int64_t from,
                      int64_t frames, const char *title, char out[RECIPE_SIZE])
{
    const struct clips_video *video = &work->videos[at];
    const char *slash = strrchr(video->path, '/');
    const char *mode = work->options->burn_in ? "burnt in" : work->options->exact ? "exact" : "copy";
    bool still = strcmp(what, "still") == 0;
    snprintf(out, RECIPE_SIZE, "%d %s of %.120s, %lld bytes of %lld, %lld+%lld, %s %llx %.11s %.200s",
             RECIPE_VERSION, what, slash != NULL ? slash + 1 : video->path, (long long)video->bytes,
             (long long)video->mtime_ns, (long long)from, (long long)frames, still ? "" : mode,
             still || !work->options->burn_in ? 0ULL : (unsigned long long)work->overlay_sum[at],
             video->start_text, title);
}

static json_t *made_json(const char *file, const char *method, const char *why, int64_t from, int64_t frames)
{
    return json_pack("{s:s, s:s, s:s, s:I, s:I}", "file", file, "method", method, "why", why, "from",
                     (json_int_t)from, "frames", (json_int_t)frames);
}

static void beside(struct clips_work *work, const struct clips_piece *piece, const json_t *made)
{
    struct clips_stretch stretch = {.record = work->record,
                                    .video = &work->videos[piece->video],
                                    .from = json_integer_value(json_object_get(made, "from")),
                                    .frames = json_integer_value(json_object_get(made, "frames"))};
    char name[CLIPS_FILE_SIZE], file[CLIPS_FILE_SIZE + 32], why[CLIPS_WHY_SIZE];
    clips_piece_name(work, piece, name);
    /* captions are a help beside a clip: one that cannot be written is no reason to lose the clip */
    snprintf(file, sizeof file, "clips/%s.vtt", name);
    (void)clips_file_make(work->options->folder, file, clips_captions_write, &stretch, why);
    snprintf(file, sizeof file, "clips/%s.chapters.txt", name);
    (void)clips_file_make(work->options->folder, file, clips_chapters_write, &stretch, why);
}

struct clip_job {
    struct clips_work *work;
    const struct clips_piece *piece;
    const char *recipe, *title;
    char base[CLIPS_FILE_SIZE]; /* "clips/T001-S001.CAM1" */
};

/* Cuts frames [from, from + frames), by copy where `keys` is given, and gives the file its name. */
static int cut_file(const struct clip_job *job, const char *file, int64_t from, int64_t frames,
                    const struct clips_keys *keys, char *why)
{
    struct clips_work *work = job->work;
    const struct clips_video *video = &work->videos[job->piece->video];
    char path[CLIPS_PATH_SIZE], label[TIMECODE_TEXT], utc[32] = "";
    int64_t utc_;
    clips_file_part(work->options->folder, file, path);
    clips_label(video, from, label);
    if (clips_utc_at(video, work->record, from, &utc_))
        event_utc_text((utc_ns){utc_}, utc);
    struct clips_cut cut = {.video = video,
                            .from = from,
                            .frames = frames,
                            .path = path,
                            .timecode = label,
                            .title = job->title,
                            .creation = utc,
                            .overlay_fd = work->options->burn_in ? work->overlay_fd[job->piece->video] : -1,
                            .line = take_line,
                            .ctx = work};
    int result = keys != NULL ? clips_cut_copy(&cut, keys, why) : clips_cut_exact(&cut, why);
    if (result == 0)
        return clips_file_keep(work->options->folder, file, why);
    unlink(path);
    return -1;
}

static json_t *try_copy(const struct clip_job *job, char *why)
{
    const struct clips_video *video = &job->work->videos[job->piece->video];
    struct clips_keys keys;
    char file[CLIPS_FILE_SIZE + 8];
    if (clips_keys_find(video, job->piece->from, job->piece->frames, &keys, why) != 0)
        return NULL;
    snprintf(file, sizeof file, "%s%s", job->base, clips_cut_ending(video, false));
    if (cut_file(job, file, keys.first, keys.frames, &keys, why) != 0)
        return NULL;
    return made_json(file, "copy", "", keys.first, keys.frames);
}

static json_t *cut_piece(const struct clip_job *job, char *why)
{
    const struct clips_work *work = job->work;
    const struct clips_piece *piece = job->piece;
    char file[CLIPS_FILE_SIZE + 8], reason[CLIPS_WHY_SIZE] = "";
    if (work->options->burn_in && work->overlay_fd[piece->video] < 0) {
        snprintf(why, CLIPS_WHY_SIZE, "there is nothing to burn in; the video's note says why");
        return NULL;
    }
    if (!work->options->exact) {
        json_t *made = try_copy(job, reason);
        if (made != NULL)
            return made;
    }
    snprintf(file, sizeof file, "%s%s", job->base, clips_cut_ending(&work->videos[piece->video], true));
    if (cut_file(job, file, piece->from, piece->frames, NULL, why) != 0)
        return NULL;
    /* a file that says it is longer than it is gives fewer at its end */
    return made_json(file, "exact", reason, piece->from,
                     work->encoded > 0 && work->encoded < piece->frames ? work->encoded : piece->frames);
}

/* A piece whose ending depends on how it could be cut: both are looked for. */
static const json_t *find_made(const struct clip_job *job)
{
    for (int exact = 0; exact < 2; exact++) {
        char file[CLIPS_FILE_SIZE + 8];
        snprintf(file, sizeof file, "%s%s", job->base,
                 clips_cut_ending(&job->work->videos[job->piece->video], exact == 1));
        const json_t *made = clips_journal_find(&job->work->journal, file, job->recipe);
        if (made != NULL)
            return made;
    }
    return NULL;
}

/* Puts it in the journal and hands back what is kept there. */
static const json_t *keep(struct clips_work *work, const char *recipe, json_t *made, char *why)
{
    char file[CLIPS_FILE_SIZE + 32];
    snprintf(file, sizeof file, "%s", json_string_value(json_object_get(made, "file")));
    if (clips_journal_add(&work->journal, file, recipe, made) == 0)
        return clips_journal_find(&work->journal, file, recipe);
    snprintf(why, CLIPS_WHY_SIZE, "the journal in %.300s cannot be written", work->options->folder);
    return NULL;
}

const json_t *clips_work_piece(struct clips_work *work, const struct clips_piece *piece,
                               char why[CLIPS_WHY_SIZE])
{
    char name[CLIPS_FILE_SIZE], recipe[RECIPE_SIZE], title[CLIPS_TITLE_SIZE];
    clips_piece_name(work, piece, name);
    titled(work, piece, title);
    recipe_of(work, piece->video, "clip", piece->from, piece->frames, title, recipe);
    struct clip_job job = {.work = work, .piece = piece, .recipe = recipe, .title = title};
    snprintf(job.base, sizeof job.base, "clips/%.240s", name);
    begin_piece(work, name, cost_of(work, piece));
    const json_t *made = find_made(&job);
    bool skipped = made != NULL;
    if (!skipped) {
        json_t *fresh = cut_piece(&job, why);
        made = fresh != NULL ? keep(work, recipe, fresh, why) : NULL;
    }
    if (made != NULL)
        beside(work, piece, made);
    end_piece(work, skipped);
    return made;
}

/* ---- stills ---- */

const json_t *clips_work_shot(struct clips_work *work, const struct clips_shot *shot,
                              char why[CLIPS_WHY_SIZE])
{
    const char *folder = work->options->folder;
    char name[CLIPS_FILE_SIZE], recipe[RECIPE_SIZE], file[CLIPS_FILE_SIZE + 32], small[CLIPS_FILE_SIZE + 32];
    char path[CLIPS_PATH_SIZE], small_path[CLIPS_PATH_SIZE];
    clips_shot_name(work, shot, name);
    snprintf(file, sizeof file, "stills/%s.png", name);
    snprintf(small, sizeof small, "small/%s.jpg", name);
    recipe_of(work, shot->video, "still", shot->frame, 1, "", recipe);
    begin_piece(work, name, STILL_COST);
    const json_t *made = clips_journal_find(&work->journal, file, recipe);
    bool skipped = made != NULL;
    clips_file_part(folder, file, path);
    clips_file_part(folder, small, small_path);
    /* the small one gets its name first: where the journal knows the still, both are there */
    if (!skipped && clips_cut_still(&work->videos[shot->video], shot->frame, path, small_path, why) == 0 &&
        clips_file_keep(folder, small, why) == 0 && clips_file_keep(folder, file, why) == 0)
        made = keep(work, recipe, json_pack("{s:s, s:s}", "file", file, "small", small), why);
    end_piece(work, skipped);
    return made;
}
