#include "export/way.h"

#include "export/spool.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { SIZE = sizeof(struct way_point) };

struct drawing {
    struct way *way;
    struct path_liner liner;
};

static int failed(const struct way *way)
{
    return export_fail(way->job, "a temporary file cannot be used: %s", strerror(errno));
}

/* The points in memory that are not in the file yet go there. */
static void file_away(struct way *way)
{
    size_t bytes = (size_t)(way->count - way->loaded) * SIZE;
    way->failed |= pwrite(way->fd, way->points, bytes, way->loaded * SIZE) != (ssize_t)bytes;
    way->loaded = way->count;
}

static bool keep_point(void *ctx, const struct path_point *point)
{
    struct drawing *drawing = ctx;
    struct way *way = drawing->way;
    path_liner_point(&drawing->liner, point);
    struct way_point *kept = &way->points[way->count++ - way->loaded];
    kept->utc = point->utc;
    kept->lat_deg = point->lat_deg;
    kept->lon_deg = point->lon_deg;
    kept->uncertainty_m = point->uncertainty_m;
    kept->new_run = point->new_run;
    if (way->count - way->loaded == WAY_POINTS)
        file_away(way);
    return !way->failed;
}

int way_open(struct way *way, struct export_job *job, utc_ns from, utc_ns to, const struct path_sink *sink,
             void *ctx)
{
    *way = (struct way){.job = job, .fd = spool_file(), .from = from, .to = to};
    struct drawing drawing = {.way = way, .liner = {.sink = sink, .ctx = ctx}};
    if (way->fd < 0)
        return failed(way);
    way->points = calloc(WAY_POINTS, SIZE); /* no byte goes into the file that was never set */
    if (way->points == NULL) {
        close(way->fd);
        return export_fail(job, "out of memory");
    }
    int result = path_walk(job->reader, PATH_VEHICLE, from, to, keep_point, &drawing);
    path_liner_end(&drawing.liner);
    if (result != 0)
        return export_reader_failed(job);
    file_away(way);
    return way->failed ? failed(way) : 0;
}

void way_close(struct way *way)
{
    if (way->points != NULL)
        close(way->fd);
    free(way->points);
    way->points = NULL;
}

/* The point of that index, read with those behind it; NULL: it cannot be read. */
static const struct way_point *point_at(struct way *way, int64_t index)
{
    if (index < way->loaded || index >= way->loaded + WAY_POINTS || way->loaded == way->count) {
        int64_t left = way->count - index;
        size_t bytes = (size_t)(left < WAY_POINTS ? left : WAY_POINTS) * SIZE;
        if (pread(way->fd, way->points, bytes, index * SIZE) != (ssize_t)bytes)
            return NULL;
        way->loaded = index;
    }
    return &way->points[index - way->loaded];
}

/* The first point not before the instant; `count` where there is none; -1: it cannot be read. */
static int64_t first_from(const struct way *way, utc_ns at)
{
    int64_t low = 0, high = way->count;
    while (low < high) {
        struct way_point point;
        int64_t middle = low + (high - low) / 2;
        if (pread(way->fd, &point, SIZE, middle * SIZE) != SIZE)
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
    if (from.ns < way->from.ns || to.ns > way->to.ns)
        return path_lines(way->job->reader, from, to, sink, ctx) == 0 ? 0 : export_reader_failed(way->job);
    int64_t first = first_from(way, from);
    bool sound = first >= 0;
    for (int64_t at = first; sound && at < way->count; at++) {
        const struct way_point *kept = point_at(way, at);
        sound = kept != NULL;
        if (!sound || kept->utc.ns > to.ns)
            break;
        struct path_point point = {.utc = kept->utc,
                                   .lat_deg = kept->lat_deg,
                                   .lon_deg = kept->lon_deg,
                                   .uncertainty_m = kept->uncertainty_m,
                                   .new_run = kept->new_run || at == first};
        path_liner_point(&liner, &point);
    }
    path_liner_end(&liner);
    return sound ? 0 : failed(way);
}
