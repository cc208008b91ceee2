#include "export/export.h"

#include "export/rowjson.h"

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const struct export_format *const FORMATS[] = {
    &export_csv,    &export_json, &export_geojson, &export_gpx,      &export_kml,
    &export_webvtt, &export_srt,  &export_overlay, &export_chapters, &export_matroska_chapters,
    &export_edl,    &export_dwca};
#define FORMAT_COUNT (sizeof FORMATS / sizeof FORMATS[0])

const struct export_format *export_format_at(size_t i)
{
    return i < FORMAT_COUNT ? FORMATS[i] : NULL;
}

const struct export_format *export_format_find(const char *name)
{
    for (size_t i = 0; i < FORMAT_COUNT; i++)
        if (strcmp(FORMATS[i]->name, name) == 0)
            return FORMATS[i];
    return NULL;
}

int export_fail(struct export_job *job, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vsnprintf(job->why, EXPORT_WHY_SIZE, format, args);
    va_end(args);
    return -1;
}

int export_reader_failed(struct export_job *job)
{
    return export_fail(job, "%s", store_reader_error(job->reader));
}

struct dive_find {
    const char *id;
    bool found;
    struct query_dive row;
};

static bool find_row(void *ctx, const struct query_dive *row)
{
    struct dive_find *find = ctx;
    if (strcmp(row->id, find->id) != 0)
        return true;
    find->row = *row;
    find->found = true;
    return false;
}

/* Finds the dive and lets the format do its step with it. */
static int do_dive(struct export_job *job, export_step *step)
{
    char id[DIVE_ID_SIZE] = "";
    struct dive_find find = {.id = id};
    struct query_want want = {0};
    const char *asked = job->options->dive;
    if (asked != NULL && strlen(asked) >= sizeof id)
        return export_fail(job, "there is no dive %s", asked);
    if (asked != NULL)
        snprintf(id, sizeof id, "%s", asked);
    else if (!rowjson_default_dive(job->reader, id))
        return export_reader_failed(job);
    if (query_dives(job->reader, &want, find_row, &find) < 0)
        return export_reader_failed(job);
    if (!find.found && id[0] != '\0')
        return export_fail(job, "there is no dive %s; `bellrope dive list` shows the dives", id);
    job->dive = id;
    job->row = find.found ? &find.row : NULL;
    return step(job);
}

/* The stream is complete on disk, or -1. */
static int settle(FILE *out, bool sync)
{
    bool fine = fflush(out) == 0 && ferror(out) == 0;
    return fine && (!sync || fsync(fileno(out)) == 0) ? 0 : -1;
}

static FILE *open_beside(const char *path, char *name, size_t size, char *why)
{
    int len = snprintf(name, size, "%s.part-XXXXXX", path);
    int fd = len > 0 && (size_t)len < size ? mkstemp(name) : -1;
    FILE *out = fd >= 0 ? fdopen(fd, "wb") : NULL;
    if (out == NULL) {
        snprintf(why, EXPORT_WHY_SIZE, "%.500s cannot be written there: %s", path, strerror(errno));
        if (fd >= 0) {
            close(fd);
            unlink(name);
        }
        return NULL;
    }
    mode_t mask = umask(0);
    umask(mask);
    if (fchmod(fd, 0666 & ~mask) != 0)
        why[0] = '\0'; /* it stays private, which is no reason to fail */
    return out;
}

int export_with_dive(struct export_job *job, export_step *step)
{
    if (store_reader_hold(job->reader) != STORE_OK)
        return export_reader_failed(job);
    int result = do_dive(job, step);
    store_reader_release(job->reader);
    return result;
}

/* Puts the open file in place, or takes it away. */
static int finish(struct export_job *job, int result, const char *name, const char *path)
{
    if (fclose(job->out) != 0 && result == 0)
        result = export_fail(job, "%.500s: %s", path, strerror(errno));
    if (result == 0 && rename(name, path) != 0)
        result = export_fail(job, "%.500s: %s", path, strerror(errno));
    if (result != 0)
        unlink(name);
    return result;
}

static int write_one(const struct export_format *format, struct export_job *job, const char *path)
{
    char name[4096];
    char buffer[65536]; /* of the stream, which is closed before this returns: libc's own is a page */
    bool to_file = strcmp(path, "-") != 0;
    job->out = to_file ? open_beside(path, name, sizeof name, job->why) : stdout;
    if (job->out == NULL)
        return -1;
    if (to_file)
        setvbuf(job->out, buffer, _IOFBF, sizeof buffer);
    int result = do_dive(job, format->write);
    if (result == 0 && settle(job->out, to_file) != 0)
        result = export_fail(job, "%.500s: %s", path, strerror(errno));
    return to_file ? finish(job, result, name, path) : result;
}

/* "cut.edl" and 2: "cut-2.edl" */
static bool part_path(char *out, size_t size, const char *path, int part)
{
    const char *slash = strrchr(path, '/');
    const char *dot = strrchr(slash != NULL ? slash : path, '.');
    size_t stem = dot != NULL && dot != path ? (size_t)(dot - path) : strlen(path);
    int len = snprintf(out, size, "%.*s-%d%s", (int)stem, path, part, path + stem);
    return len > 0 && (size_t)len < size;
}

/* `options` are those of the job. */
static int write_parts(const struct export_format *format, struct export_job *job,
                       struct export_options *options, const char *path)
{
    char other[4096];
    int parts = format->parts != NULL ? do_dive(job, format->parts) : 1;
    if (parts > 1 && strcmp(path, "-") == 0)
        return export_fail(job, "the dive needs %d files of %s; name one, the others are named after it",
                           parts, format->name);
    int result = parts < 0 ? -1 : 0;
    for (int part = 1; part <= parts && result == 0; part++) {
        options->part = (unsigned)part;
        if (part > 1 && !part_path(other, sizeof other, path, part))
            return export_fail(job, "%.500s: the name is too long", path);
        result = write_one(format, job, part > 1 ? other : path);
    }
    return result;
}

int export_write(const struct export_format *format, struct store_reader *reader,
                 const struct export_options *options, const char *path, char why[EXPORT_WHY_SIZE])
{
    struct export_options each = *options;
    struct export_job job = {.reader = reader, .options = &each, .why = why};
    /* one state of the record for all of the format's queries */
    if (store_reader_hold(reader) != STORE_OK)
        return export_reader_failed(&job);
    int result = write_parts(format, &job, &each, path);
    if (format->done != NULL)
        format->done(&job);
    store_reader_release(reader);
    return result;
}
