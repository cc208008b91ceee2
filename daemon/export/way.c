#include "export/way.h"

#include <errno.h>
#include <string.h>

/* A fix as it is kept. */
struct way_point {
    utc_ns utc;
    double lat_deg, lon_deg, uncertainty_m;
    uint64_t new_run;
};

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
    struct way_point *kept = timefile_add(drawing->way->points);
    *kept =
        (struct way_point){point->utc, point->lat_deg, point->lon_deg, point->uncertainty_m, point->new_run};
    path_liner_point(&drawing->liner, point);
    return true;
}

int way_open(struct way *way, struct export_job *job, utc_ns from, utc_ns to, const struct path_sink *sink,
             void *ctx)
{
    *way =
        (struct way){.job = job, .points = timefile_open(sizeof(struct way_point)), .from = from, .to = to};
    struct drawing drawing = {.way = way, .liner = {.sink = sink, .ctx = ctx}};
    if (way->points == NULL)
        return failed(way);
    int result = path_walk(job->reader, PATH_VEHICLE, from, to, keep_point, &drawing);
    path_liner_end(&drawing.liner);
    return result == 0 ? 0 : export_reader_failed(job);
}

void way_close(struct way *way)
{
    timefile_close(way->points);
    way->points = NULL;
}

int way_lines(struct way *way, utc_ns from, utc_ns to, const struct path_sink *sink, void *ctx)
{
    struct path_liner liner = {.sink = sink, .ctx = ctx};
    const struct way_point *kept;
    bool first = true;
    int error;
    if (from.ns < way->from.ns || to.ns > way->to.ns)
        return path_lines(way->job->reader, from, to, sink, ctx) == 0 ? 0 : export_reader_failed(way->job);
    if (timefile_seek(way->points, from) != 0)
        return failed(way);
    while ((kept = timefile_next(way->points, &error)) != NULL && kept->utc.ns <= to.ns) {
        struct path_point point = {.utc = kept->utc,
                                   .lat_deg = kept->lat_deg,
                                   .lon_deg = kept->lon_deg,
                                   .uncertainty_m = kept->uncertainty_m,
                                   .new_run = first || kept->new_run != 0};
        path_liner_point(&liner, &point);
        first = false;
    }
    path_liner_end(&liner);
    errno = error;
    return error == 0 ? 0 : failed(way);
}
