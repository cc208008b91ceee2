#include "export/path.h"

struct lines {
    const struct path_sink *sink;
    void *ctx;
    bool waiting; /* `last` is the first of its line and alone: no line of one point */
    bool open;
    struct path_point last;
};

static void end(struct lines *lines)
{
    if (lines->open)
        lines->sink->end(lines->ctx);
    lines->open = false;
}

static void begin(struct lines *lines, double lat_deg, double lon_deg, const struct path_point *point)
{
    lines->sink->begin(lines->ctx);
    lines->sink->vertex(lines->ctx, lat_deg, lon_deg, point);
    lines->open = true;
}

static bool take_point(void *ctx, const struct path_point *point)
{
    struct lines *lines = ctx;
    struct path_point last = lines->last;
    double lat;
    lines->last = *point;
    if (point->new_run) {
        end(lines);
        lines->waiting = true;
        return true;
    }
    if (lines->waiting)
        begin(lines, last.lat_deg, last.lon_deg, &last);
    lines->waiting = false;
    if (path_crossing(&last, point, &lat)) {
        double edge = last.lon_deg > 0 ? 180 : -180;
        lines->sink->vertex(lines->ctx, lat, edge, point);
        end(lines);
        begin(lines, lat, -edge, point);
    }
    lines->sink->vertex(lines->ctx, point->lat_deg, point->lon_deg, point);
    return true;
}

int path_lines(struct store_reader *reader, utc_ns from, utc_ns to, const struct path_sink *sink, void *ctx)
{
    struct lines lines = {.sink = sink, .ctx = ctx};
    int result = path_walk(reader, PATH_VEHICLE, from, to, take_point, &lines);
    end(&lines);
    return result;
}
