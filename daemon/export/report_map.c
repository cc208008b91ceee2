/*
 * The map: raw fixes, the smoothed track, the ship's track, sightings and samples by number, on a plane that touches the ellipsoid in the
 * middle (core/geo.h), north up. The scale bar is a geodesic of PROJ laid into that plane. What lies outside the frame is cut off:
 * the frame holds the vehicle's way and every record, and outliers and the ship may be far from it.
 */
#include "core/geo.h"
#include "export/html.h"
#include "export/report_part.h"
#include "export/svg.h"

#include <geodesic.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define EDGE 1.0     /* of the frame */
#define LEAST_M 20.0 /* side of the smallest piece of sea that is drawn */
#define HEIGHT_LEAST 340.0
#define HEIGHT_MOST 600.0
#define CROWD 80       /* more signs than this are drawn small, and their numbers keep apart */
#define DOTS_MOST 6000 /* raw fixes drawn; of more, every n-th */

struct box {
    double south, north, west, east; /* degrees; a dive across 180 degrees is drawn around its first point */
    double about;                    /* longitudes are brought within 180 degrees of this */
    bool any;
};

/* Where a number stands, and whether it also does on a narrow screen, where letters are larger. */
struct label {
    double west, east, y, narrow_west, narrow_east;
    bool narrow;
};

struct map {
    struct report *report;
    struct box box;
    struct geo_plane plane;
    struct svg_scale x, y; /* metres east and north to units */
    double height;
    struct label *label; /* the numbers that stand on the map */
    size_t labels, unlabelled;
    double apart; /* room that numbers keep between them */
};

static double near_lon(const struct box *box, double lon_deg)
{
    return box->about + geo_wrap_180(lon_deg - box->about);
}

static void take_in(struct box *box, double lat_deg, double lon_deg)
{
    if (!box->any)
        *box = (struct box){lat_deg, lat_deg, lon_deg, lon_deg, lon_deg, true};
    lon_deg = near_lon(box, lon_deg);
    box->south = fmin(box->south, lat_deg);
    box->north = fmax(box->north, lat_deg);
    box->west = fmin(box->west, lon_deg);
    box->east = fmax(box->east, lon_deg);
}

/* The press that made a sighting or sample, if its place is known. */
static const struct report_marker *placed(const struct report_data *data, uint32_t number)
{
    const struct report_marker *marker = report_marker_of(data, number);
    return marker != NULL && marker->position.known ? marker : NULL;
}

static void take_markers(struct box *box, const struct report_data *data)
{
    for (size_t i = 0; i < data->sightings; i++) {
        const struct report_marker *marker = placed(data, data->sighting[i].sighting.first_marker);
        if (marker != NULL && report_state_stands(data->sighting[i].sighting.state))
            take_in(box, marker->position.lat_deg, marker->position.lon_deg);
    }
    for (size_t i = 0; i < data->samples; i++) {
        const struct report_marker *marker = placed(data, data->sample[i].sample.marker);
        if (marker != NULL && report_state_stands(data->sample[i].sample.state))
            take_in(box, marker->position.lat_deg, marker->position.lon_deg);
    }
}

static void find_box(struct map *map)
{
    const struct report *report = map->report;
    for (size_t i = 0; i < report->track.points; i++)
        take_in(&map->box, report->track.point[i].lat_deg, report->track.point[i].lon_deg);
    take_markers(&map->box, &report->data);
}

static void set_scales(struct map *map)
{
    const struct box *box = &map->box;
    geo_plane_at(&map->plane, (box->south + box->north) / 2, (box->west + box->east) / 2);
    double tall_m = fmax((box->north - box->south) * map->plane.north_m_per_deg, LEAST_M) * 1.16;
    double broad_m = fmax((box->east - box->west) * map->plane.east_m_per_deg, LEAST_M) * 1.16;
    double height = fmin(fmax(SVG_WIDTH * tall_m / broad_m, HEIGHT_LEAST), HEIGHT_MOST);
    double metre = fmin(SVG_WIDTH / broad_m, height / tall_m);
    map->height = height;
    map->x = (struct svg_scale){-1, 1, SVG_WIDTH / 2.0 - metre, SVG_WIDTH / 2.0 + metre};
    map->y = (struct svg_scale){-1, 1, height / 2 + metre, height / 2 - metre};
}

static void locate(const struct map *map, double lat_deg, double lon_deg, double *x, double *y)
{
    double north_m, east_m;
    geo_to_plane(&map->plane, lat_deg, lon_deg, &north_m, &east_m);
    *x = svg_place(&map->x, east_m);
    *y = svg_place(&map->y, north_m);
}

static bool in_frame(const struct map *map, double x, double y, double room)
{
    return x > room && x < SVG_WIDTH - room && y > room && y < map->height - room;
}

/* ---- lines of latitude and longitude ---- */

static void put_parallels(const struct map *map, double step)
{
    FILE *out = map->report->out;
    double half_deg = map->height / 2 / fabs(map->y.end - map->y.at) * 2 / map->plane.north_m_per_deg;
    double first = ceil((map->plane.lat_deg - half_deg) / step);
    for (double k = first; k * step < map->plane.lat_deg + half_deg; k++) {
        double x, y;
        locate(map, k * step, map->plane.lon_deg, &x, &y);
        if (!in_frame(map, SVG_WIDTH / 2.0, y, 14))
            continue;
        fprintf(out, "<path class=\"grid\" d=\"M0 %.1fH%d\"/>", y, SVG_WIDTH);
        if (y > 76) /* below the arrow to the north */
            fprintf(out, "<text class=\"tick o\" x=\"6\" y=\"%.1f\">%.*f° %c</text>\n", y - 4,
                    svg_decimals(step), fabs(k * step), k * step < 0 ? 'S' : 'N');
    }
}

static void put_meridians(const struct map *map, double step)
{
    FILE *out = map->report->out;
    double half_deg = SVG_WIDTH / fabs(map->x.end - map->x.at) / map->plane.east_m_per_deg;
    double first = ceil((map->plane.lon_deg - half_deg) / step);
    for (double k = first; k * step < map->plane.lon_deg + half_deg; k++) {
        double x, y, lon_deg = geo_wrap_180(k * step);
        locate(map, map->plane.lat_deg, lon_deg, &x, &y);
        if (!in_frame(map, x, map->height / 2, 60))
            continue;
        fprintf(out, "<path class=\"grid\" d=\"M%.1f 0V%.1f\"/>", x, map->height);
        fprintf(out, "<text class=\"tick o\" x=\"%.1f\" y=\"%.1f\">%.*f° %c</text>\n", x + 4, map->height - 6,
                svg_decimals(step), fabs(lon_deg), lon_deg < 0 ? 'W' : 'E');
    }
}

static void put_grid(const struct map *map)
{
    double metre = fabs(map->x.end - map->x.at) / 2;
    put_parallels(map, svg_step(map->height / metre / map->plane.north_m_per_deg, 5));
    put_meridians(map, svg_step(SVG_WIDTH / metre / map->plane.east_m_per_deg, 5));
}

/* ---- tracks ---- */

static bool put_ship(const struct map *map)
{
    const struct report_ship *ship = &map->report->ship;
    const struct report_ship_point *point = ship->point;
    struct svg_path path;
    if (ship->lats < 2 || ship->lons < 2)
        return false;
    svg_path_begin(&path, map->report->out, "ship");
    for (size_t i = 0; i < ship->points; i++) {
        double x, y;
        if (!point[i].whole)
            continue;
        if (i > 0 && point[i].utc.ns - point[i - 1].utc.ns > ship->gap_ns + (int64_t)ship->every * NS_PER_S)
            svg_path_break(&path);
        locate(map, point[i].lat_deg, point[i].lon_deg, &x, &y);
        svg_path_point(&path, fmin(fmax(x, -9999), 9999), fmin(fmax(y, -9999), 9999));
    }
    svg_path_end(&path);
    return true;
}

static size_t put_fixes(const struct map *map)
{
    const struct report_track *track = &map->report->track;
    struct svg_path path;
    size_t every = track->fixes / DOTS_MOST + 1, outside = 0;
    svg_path_begin(&path, map->report->out, track->fixes < 1000 ? "fixes few" : "fixes");
    for (size_t i = 0; i < track->fixes; i++) {
        double x, y;
        locate(map, track->fix[i].lat_deg, track->fix[i].lon_deg, &x, &y);
        bool inside = in_frame(map, x, y, EDGE);
        outside += inside ? 0 : 1;
        if (inside && i % every == 0)
            svg_path_dot(&path, x, y);
    }
    svg_path_end(&path);
    return outside;
}

/* Points that move the pen by less than a unit are left out; the last of each run stays. */
static void put_track(const struct map *map)
{
    const struct report_track *track = &map->report->track;
    struct svg_path path;
    double last_x = 0, last_y = 0;
    svg_path_begin(&path, map->report->out, "track");
    for (size_t i = 0; i < track->points; i++) {
        double x, y;
        bool first = i == 0 || track->point[i].run != track->point[i - 1].run;
        bool last = i + 1 == track->points || track->point[i + 1].run != track->point[i].run;
        locate(map, track->point[i].lat_deg, track->point[i].lon_deg, &x, &y);
        if (first)
            svg_path_break(&path);
        if (!first && !last && hypot(x - last_x, y - last_y) < 1)
            continue;
        svg_path_point(&path, x, y);
        last_x = x;
        last_y = y;
    }
    svg_path_end(&path);
}

/* ---- numbers ---- */

#define LETTER 6.8 /* room that a digit takes, and its height; on a narrow screen: */
#define HEIGHT 13.0
#define NARROW_LETTER 12.5
#define NARROW_HEIGHT 22.0

/* A number on one side of its sign: 0 east, 1 west, 2 above, 3 below. */
static struct label label_at(double x, double y, int side, double letters)
{
    static const double shift[4] = {0, 1, 0.5, 0.5};
    struct label label = {.y = side == 2 ? y - 15 : side == 3 ? y + 15 : y};
    double from = side == 0 ? x + 9 : side == 1 ? x - 9 : x;
    label.west = from - shift[side] * letters * LETTER;
    label.east = label.west + letters * LETTER;
    label.narrow_west = from - shift[side] * letters * NARROW_LETTER;
    label.narrow_east = label.narrow_west + letters * NARROW_LETTER;
    return label;
}

static bool is_free(const struct map *map, const struct label *label)
{
    for (size_t i = 0; i < map->labels; i++)
        if (map->label[i].west < label->east + map->apart && map->label[i].east + map->apart > label->west &&
            fabs(map->label[i].y - label->y) < HEIGHT + map->apart)
            return false;
    return label->west > 4 && label->east < SVG_WIDTH - 4 && label->y > 8 && label->y < map->height - 8;
}

static bool is_free_narrow(const struct map *map, const struct label *label)
{
    for (size_t i = 0; i < map->labels; i++)
        if (map->label[i].narrow && map->label[i].narrow_west < label->narrow_east &&
            map->label[i].narrow_east > label->narrow_west &&
            fabs(map->label[i].y - label->y) < NARROW_HEIGHT)
            return false;
    return label->narrow_west > 0 && label->narrow_east < SVG_WIDTH;
}

/* On the first of four sides where no other number stands; else nowhere, and counted. */
static void put_number(struct map *map, double x, double y, const char *text)
{
    static const char *const classes[4] = {"num", "num end", "num mid", "num mid"};
    for (int side = 0; side < 4; side++) {
        struct label label = label_at(x, y, side, (double)strlen(text));
        if (!is_free(map, &label))
            continue;
        label.narrow = is_free_narrow(map, &label);
        map->label[map->labels++] = label;
        double from = side == 0 ? label.west : side == 1 ? label.east : x;
        fprintf(map->report->out, "<text class=\"%s%s\" x=\"%.1f\" y=\"%.1f\" dy=\".35em\">%s</text>\n",
                classes[side], label.narrow ? "" : " o", from, label.y, text);
        return;
    }
    map->unlabelled++;
}

static bool crowded(const struct map *map)
{
    return map->report->data.sightings > CROWD;
}

/* Where a sighting or sample that stands is; false: nowhere. */
static bool locate_press(const struct map *map, const char *state, uint32_t press, double *x, double *y)
{
    const struct report_marker *marker = placed(&map->report->data, press);
    if (marker == NULL || !report_state_stands(state))
        return false;
    locate(map, marker->position.lat_deg, marker->position.lon_deg, x, y);
    return true;
}

static void put_dots(const struct map *map)
{
    const struct report_data *data = &map->report->data;
    for (size_t i = 0; i < data->sightings; i++) {
        const struct sighting_entry *sighting = &data->sighting[i].sighting;
        double x, y;
        if (locate_press(map, sighting->state, sighting->first_marker, &x, &y))
            fprintf(map->report->out, "<circle class=\"seen%s\" cx=\"%.1f\" cy=\"%.1f\" r=\"%s\"/>\n",
                    crowded(map) ? " crowd" : "", x, y, crowded(map) ? "2.4" : "3.4");
    }
}

static void put_diamonds(const struct map *map)
{
    const struct report_data *data = &map->report->data;
    for (size_t i = 0; i < data->samples; i++) {
        double x, y;
        if (locate_press(map, data->sample[i].sample.state, data->sample[i].sample.marker, &x, &y))
            fprintf(map->report->out, "<path class=\"taken\" d=\"M%.1f %.1fl5 5-5 5-5-5z\"/>\n", x, y - 5);
    }
}

/* Samples first: there are fewer, and they are looked for by number. */
static void put_all_numbers(struct map *map)
{
    const struct report_data *data = &map->report->data;
    char text[16];
    double x, y;
    map->apart = crowded(map) ? 10 : 0;
    for (size_t i = 0; i < data->samples; i++) {
        snprintf(text, sizeof text, "A%" PRIu32, data->sample[i].sample.number);
        if (locate_press(map, data->sample[i].sample.state, data->sample[i].sample.marker, &x, &y))
            put_number(map, x, y, text);
    }
    for (size_t i = 0; i < data->sightings; i++) {
        const struct sighting_entry *sighting = &data->sighting[i].sighting;
        snprintf(text, sizeof text, "%" PRIu32, sighting->number);
        if (locate_press(map, sighting->state, sighting->first_marker, &x, &y))
            put_number(map, x, y, text);
    }
}

/* ---- scale bar and north ---- */

static void put_scale(const struct map *map)
{
    FILE *out = map->report->out;
    struct geod_geodesic earth;
    double lat_deg, lon_deg, azimuth, x, y, middle_x, middle_y;
    double metre = fabs(map->x.end - map->x.at) / 2;
    double length_m = svg_step(SVG_WIDTH / 4.0 / metre, 1);
    if (length_m * metre > SVG_WIDTH / 3.0)
        length_m /= 2;
    char text[HTML_TEXT_SIZE];
    geod_init(&earth, GEO_WGS84_A_M, GEO_WGS84_F);
    geod_direct(&earth, map->plane.lat_deg, map->plane.lon_deg, 90, length_m, &lat_deg, &lon_deg, &azimuth);
    locate(map, lat_deg, lon_deg, &x, &y);
    locate(map, map->plane.lat_deg, map->plane.lon_deg, &middle_x, &middle_y);
    double long_units = hypot(x - middle_x, y - middle_y), right = SVG_WIDTH - 20, top = 24;
    fprintf(out, "<path class=\"plate\" d=\"M%.1f %.1fh%.1fv34h-%.1fz\"/>", right - long_units - 10, top - 18,
            long_units + 20, long_units + 20);
    fprintf(out, "<path class=\"bar\" d=\"M%.1f %.1fv6h%.1fv-6\"/>", right - long_units, top, long_units);
    if (length_m >= 1000)
        snprintf(text, sizeof text, "%.0f km", length_m / 1000);
    else
        snprintf(text, sizeof text, "%.*f m", svg_decimals(length_m), length_m);
    fprintf(out, "<text class=\"key mid\" x=\"%.1f\" y=\"%.1f\">%s</text>\n", right - long_units / 2, top - 2,
            text);
    fputs("<path class=\"north\" d=\"M24 40V16m-6 9l6-10 6 10\"/><text class=\"key mid\" x=\"24\" "
          "y=\"55\">N</text>\n",
          out);
}

/* ---- the figure ---- */

static void describe(const struct map *map, char *text, size_t size)
{
    const struct box *box = &map->box;
    char from[HTML_TEXT_SIZE], to[HTML_TEXT_SIZE];
    snprintf(text, size,
             "North is up. It reaches from %s to %s. %zu fixes and the smoothed track; sightings as dots and "
             "samples "
             "as diamonds with their numbers. The tables below give every position.",
             html_position(box->south, geo_wrap_180(box->west), -1, from),
             html_position(box->north, geo_wrap_180(box->east), -1, to), map->report->track.fixes);
}

static void put_caption(const struct map *map, size_t outside, bool ship)
{
    FILE *out = map->report->out;
    const struct report_track *track = &map->report->track;
    fputs("<figcaption><span class=\"legend\">", out);
    if (track->fixes > 0)
        fputs("<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><path class=\"fixes\" d=\"M4 "
              "5h0M11 "
              "3h0M18 6h0\"/></svg>raw fixes "
              "<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><path class=\"track\" d=\"M1 "
              "5H21\"/></svg>smoothed track ",
              out);
    if (ship)
        fputs("<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><path class=\"ship\" d=\"M1 "
              "5H21\"/></svg>ship ",
              out);
    fputs("<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><circle class=\"seen\" cx=\"11\" "
          "cy=\"5\" "
          "r=\"3.2\"/></svg>sighting "
          "<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><path class=\"taken\" d=\"M11 0l5 "
          "5-5 "
          "5-5-5z\"/></svg>sample</span> ",
          out);
    if (track->fixes > 0) {
        fprintf(out, "%zu fixes from ", track->fixes);
        html_text(out, track->feed);
        fprintf(out, ", %zu told apart as outliers, %zu outside the frame.", track->outliers, outside);
    }
    if (map->unlabelled > 0)
        fprintf(out, " %zu numbers found no room; the tables have all positions.", map->unlabelled);
    fputs(" Not for navigation.</figcaption>\n", out);
}

static void put_figure(struct map *map)
{
    FILE *out = map->report->out;
    char text[400];
    describe(map, text, sizeof text);
    fputs("<figure>\n", out);
    svg_begin(out, "map-svg", map->height, "Map of the dive", text);
    fprintf(out, "<clipPath id=\"frame\"><path d=\"M0 0H%dV%.0fH0z\"/></clipPath>\n", SVG_WIDTH, map->height);
    fprintf(out, "<path class=\"sea\" d=\"M0 0H%dV%.0fH0z\"/>\n<g clip-path=\"url(#frame)\">\n", SVG_WIDTH,
            map->height);
    put_grid(map);
    bool ship = put_ship(map);
    size_t outside = put_fixes(map);
    if (crowded(map))
        put_dots(map);
    put_track(map);
    fputs("</g>\n", out);
    if (!crowded(map))
        put_dots(map);
    put_diamonds(map);
    put_all_numbers(map);
    put_scale(map);
    svg_end(out);
    put_caption(map, outside, ship);
    fputs("</figure>\n", out);
}

int report_map(struct report *report)
{
    struct map map = {.report = report};
    report_section(report->out, "map", "Map");
    find_box(&map);
    if (!map.box.any) {
        fputs("<p>No position of the vehicle is known.</p>\n</section>\n", report->out);
        return 0;
    }
    map.label = calloc(report->data.sightings + report->data.samples + 1, sizeof *map.label);
    if (map.label == NULL)
        return export_fail(report->job, "out of memory");
    set_scales(&map);
    put_figure(&map);
    free(map.label);
    fputs("</section>\n", report->out);
    return 0;
}
