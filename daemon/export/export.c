#include "export/export.h"

#include "export/rowjson.h"

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const struct export_format *const FORMATS[] = {&export_csv, &export_json, &export_webvtt};
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

/* Finds the dive and lets the format write it. */
static int write_dive(const struct export_format *format, struct export_job *job)
{
    char id[DIVE_ID_SIZE] = "";
    struct dive_find find = {.id = id};
    struct query_want want = {0};
    const char *asked = job->options->dive;
    if (asked != NULL && strlen(asked) >= sizeof id)
        return export_fail(job, "there is no dive %s", asked);
    if (asked != NULL)
        strcpy(id, asked);
    else if (!rowjson_default_dive(job->reader, id))
        return export_reader_failed(job);
    if (query_dives(job->reader, &want, find_row, &find) < 0)
        return export_reader_failed(job);
    if (!find.found && id[0] != '\0')
        return export_fail(job, "there is no dive %s; `bellrope dive list` shows the dives", id);
    job->dive = id;
    job->row = find.found ? &find.row : NULL;
    return format->write(job);
}

/* One state of the record for all of the format's queries. */
static int write_held(const struct export_format *format, struct export_job *job)
{
    if (store_reader_hold(job->reader) != STORE_OK)
        return export_reader_failed(job);
    int result = write_dive(format, job);
    store_reader_release(job->reader);
    return result;
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

int export_write(const struct export_format *format, struct store_reader *reader,
                 const struct export_options *options, const char *path, char why[EXPORT_WHY_SIZE])
{
    char name[4096];
    bool to_file = strcmp(path, "-") != 0;
    struct export_job job = {.reader = reader, .options = options, .out = stdout, .why = why};
    if (to_file)
        job.out = open_beside(path, name, sizeof name, why);
    if (job.out == NULL)
        return -1;
    int result = write_held(format, &job);
    if (result == 0 && settle(job.out, to_file) != 0)
        result = export_fail(&job, "%.500s: %s", path, strerror(errno));
    if (!to_file)
        return result;
    if (fclose(job.out) != 0 && result == 0)
        result = export_fail(&job, "%.500s: %s", path, strerror(errno));
    if (result == 0 && rename(name, path) != 0)
        result = export_fail(&job, "%.500s: %s", path, strerror(errno));
    if (result != 0)
        unlink(name);
    return result;
}
