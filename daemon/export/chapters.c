/*
 * chapters: FFmpeg's metadata text (ffmpeg-formats manual, section "Metadata"): ;FFMETADATA1, then [CHAPTER] sections with TIMEBASE, START,
 * END and title; `=`, `;`, `#`, `\` and line ends are escaped by a backslash. Times are in ns. Such chapters do not overlap: each ends at the
 * latest where the next begins, and one of the dive's name opens the video. Use:  ffmpeg -i dive.mp4 -i dive.ffmeta -map_metadata 1 -codec copy out.mp4
 */
#include "export/chapterlist.h"
#include "export/plain.h"

#include <inttypes.h>
#include <string.h>

static void put_value(FILE *out, const char *text)
{
    char unit[PLAIN_UNIT];
    while ((text = plain_next(text, unit)) != NULL) {
        if (strchr("=;#\\", unit[0]) != NULL)
            fputc('\\', out);
        fputs(unit, out);
    }
}

static void put_head(FILE *out, int64_t start_ns, int64_t end_ns)
{
    fprintf(out, "\n[CHAPTER]\nTIMEBASE=1/1000000000\nSTART=%" PRId64 "\nEND=%" PRId64 "\ntitle=", start_ns,
            end_ns);
}

/* MP4 has no room before its first chapter and would draw it out to the video's first frame. */
static void put_opening(const struct chapterlist *list)
{
    if (list->count == 0 || list->chapter[0].start_ns == 0)
        return;
    put_head(list->job->out, 0, list->chapter[0].start_ns);
    put_value(list->job->out, list->job->dive[0] != '\0' ? list->job->dive : "Before");
    fputc('\n', list->job->out);
}

static int put_chapters(struct chapterlist *list)
{
    FILE *out = list->job->out;
    char title[CHAPTERLIST_TITLE], ref[REF_SIZE];
    put_opening(list);
    for (size_t i = 0; i < list->count; i++) {
        const struct chapter *chapter = &list->chapter[i];
        int64_t end = chapter->end_ns;
        if (i + 1 < list->count && list->chapter[i + 1].start_ns < end)
            end = list->chapter[i + 1].start_ns;
        if (!chapterlist_title(list, chapter, title, ref))
            return export_reader_failed(list->job);
        put_head(out, chapter->start_ns, end);
        put_value(out, title);
        fputc('\n', out);
    }
    return 0;
}

static int write_chapters(struct export_job *job)
{
    struct chapterlist list;
    int result = chapterlist_open(&list, job);
    if (result == 0) {
        fputs(";FFMETADATA1\ntitle=", job->out);
        put_value(job->out, job->dive[0] != '\0' ? job->dive : "without a dive");
        fputs("\ncomment=", job->out);
        put_value(job->out, "times count from ");
        put_value(job->out, list.clock.zero_text);
        fprintf(job->out,
                "\\; left out: %" PRIu64 " without a known place, %" PRIu64 " before the first frame\n",
                list.unplaced, list.before);
        result = put_chapters(&list);
    }
    chapterlist_close(&list);
    return result;
}

const struct export_format export_chapters = {
    .name = "chapters", .summary = "chapters for a video, FFmpeg metadata text", .write = write_chapters};
