#include "export/path.h"

void path_liner_end(struct path_liner *liner)
{
    if (liner->open)
        liner->sink->end(liner->ctx);
    liner->open = false;
}

static void begin(struct path_liner *liner, double lat_deg, double lon_deg, const struct path_point *point)
{
    liner->sink->begin(liner->ctx);
    liner->sink->vertex(liner->ctx, lat_deg, lon_deg, point);
    liner->open = true;
}

void path_liner_point(struct path_liner *liner, const struct path_point *point)
{
    struct path_point last = liner->last;
    double lat;
    liner->last = *point;
    if (point->new_run) {
        path_liner_end(liner);
        liner->waiting = true;
        return;
    }
    if (liner->waiting)
        begin(liner, last.lat_deg, last.lon_deg, &last);
    liner->waiting = false;
    if (path_crossing(&last, point, &lat)) {
        double edge = last.lon_deg > 0 ? 180 : -180;
        liner->sink->vertex(liner->ctx, lat, edge, point);
        path_liner_end(liner);
        begin(liner, lat, -edge, point);
    }
    liner->sink->vertex(liner->ctx, point->lat_deg, point->lon_deg, point);
}

static bool take_point(void *ctx, const struct path_point *point)
{
    path_liner_point(ctx, point);
    return true;
}

int path_lines(struct store_reader *reader, utc_ns from, utc_ns to, const struct path_sink *sink, void *ctx)
{
    struct path_liner liner = {.sink = sink, .ctx = ctx};
    int result = path_walk(reader, PATH_VEHICLE, from, to, take_point, &liner);
    path_liner_end(&liner);
    return result;
}
