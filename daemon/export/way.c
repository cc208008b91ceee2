#include "export/way.h"

#include "export/spool.h"

#include <errno.h>
#include <string.h>

struct drawing {
    struct way *way;
    struct path_liner liner;
};

static int failed(const struct way *way)
{
    return export_fail(way->job, "a temporary file cannot be used: %s", strerror(errno));
}

static bool keep_point(void *ctx, const struct path_point *point)
{
    struct drawing *drawing = ctx;
    struct way *way = drawing->way;
    path_liner_point(&drawing->liner, point);
    way->failed = fwrite(point, sizeof *point, 1, way->points) != 1;
    way->count++;
    return !way->failed;
}

int way_open(struct way *way, struct export_job *job, utc_ns from, utc_ns to, const struct path_sink *sink,
             void *ctx)
{
    *way = (struct way){.job = job, .points = spool_open(), .from = from, .to = to};
    struct drawing drawing = {.way = way, .liner = {.sink = sink, .ctx = ctx}};
    if (way->points == NULL)
        return failed(way);
    int result = path_walk(job->reader, PATH_VEHICLE, from, to, keep_point, &drawing);
    path_liner_end(&drawing.liner);
    if (result != 0)
        return export_reader_failed(job);
    return way->failed || fflush(way->points) != 0 ? failed(way) : 0;
}

void way_close(struct way *way)
{
    if (way->points != NULL)
        fclose(way->points);
    way->points = NULL;
}

/* Reads the point of that index; the next is read from there on. */
static bool read_at(struct way *way, long index, struct path_point *point)
{
    return fseek(way->points, index * (long)sizeof *point, SEEK_SET) == 0 &&
           fread(point, sizeof *point, 1, way->points) == 1;
}

/* The first point not before the instant; `count` where there is none; -1: it cannot be read. */
static long first_from(struct way *way, utc_ns at)
{
    long low = 0, high = way->count;
    while (low < high) {
        struct path_point point;
        long middle = low + (high - low) / 2;
        if (!read_at(way, middle, &point))
            return -1;
        if (point.utc.ns < at.ns)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

int way_lines(struct way *way, utc_ns from, utc_ns to, const struct path_sink *sink, void *ctx)
{
    struct path_liner liner = {.sink = sink, .ctx = ctx};
    struct path_point point;
    if (from.ns < way->from.ns || to.ns > way->to.ns)
        return path_lines(way->job->reader, from, to, sink, ctx) == 0 ? 0 : export_reader_failed(way->job);
    long first = first_from(way, from), at = first;
    bool sound = first >= 0 && (first == way->count || read_at(way, first, &point));
    while (sound && at < way->count && point.utc.ns <= to.ns) {
        point.new_run |= at == first;
        path_liner_point(&liner, &point);
        if (++at < way->count)
            sound = fread(&point, sizeof point, 1, way->points) == 1;
    }
    path_liner_end(&liner);
    return sound ? 0 : failed(way);
}
