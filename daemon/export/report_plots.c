/*
 * Depth, temperature and salinity over time. Each drawing has the same axis of time; phases and spans lie above the depth, sightings and
 * samples on it. A line is thinned to the lowest and highest value of each part of its width, so that no spike is lost.
 */
#include "export/html.h"
#include "export/report_part.h"
#include "export/svg.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

#define LEFT 82.0 /* room for the letters of the axis */
#define RIGHT (SVG_WIDTH - 12.0)
#define FOOT 30.0
#define LETTER 7.2 /* width of one, about */
#define LANE 17.0
#define LANES_MOST 6
#define CROWD 80 /* more dots than this are drawn small */

struct plot {
    struct report *report;
    const struct report_series *series;
    const char *id, *title, *unit, *line; /* line: its class */
    bool down;                            /* larger values are lower */
    double top, height;                   /* of the drawing; of the whole */
    struct svg_scale x, y;
};

static double at_time(const struct plot *plot, utc_ns utc)
{
    double place = svg_place(&plot->x, (double)(utc.ns - plot->report->data.from.ns) / 1e9);
    return fmin(fmax(place, LEFT), RIGHT);
}

/* ---- axes ---- */

static void put_times(const struct plot *plot)
{
    const struct report_data *data = &plot->report->data;
    FILE *out = plot->report->out;
    char text[HTML_TEXT_SIZE];
    int64_t step = svg_time_step_ns(data->to.ns - data->from.ns, 9);
    int64_t first = (data->from.ns / step + 1) * step;
    int shown = step < 60 * NS_PER_S ? 8 : 5; /* "05:06:07" or "05:06" */
    double bottom = plot->height - FOOT;
    for (int64_t at = first, k = 0; at < data->to.ns; at += step, k++) {
        double x = at_time(plot, (utc_ns){at});
        fprintf(out, "<path class=\"grid\" d=\"M%.1f %.1fV%.1f\"/>", x, plot->top, bottom);
        if (x > LEFT + 10 && x < RIGHT - 16)
            fprintf(out, "<text class=\"tick mid%s\" x=\"%.1f\" y=\"%.1f\">%.*s</text>\n",
                    k % 2 == 0 ? "" : " o", x, plot->height - 8, shown, html_clock((utc_ns){at}, text));
    }
}

static void put_values(const struct plot *plot)
{
    FILE *out = plot->report->out;
    double low = fmin(plot->y.from, plot->y.to), high = fmax(plot->y.from, plot->y.to);
    double step = svg_step(high - low, 5);
    double first = ceil(low / step);
    for (int k = 0; (first + k) * step <= high + step * 1e-9; k++) {
        double value = (first + k) * step, y = svg_place(&plot->y, value);
        fprintf(out, "<path class=\"grid\" d=\"M%.1f %.1fH%.1f\"/>", LEFT, y, RIGHT);
        fprintf(out, "<text class=\"tick end%s\" x=\"%.1f\" y=\"%.1f\">%.*f</text>\n", k % 2 == 0 ? "" : " o",
                LEFT - 6, y + 4, svg_decimals(step), fabs(value) < step * 1e-9 ? 0.0 : value);
    }
}

static void put_line(const struct plot *plot)
{
    const struct report_series *series = plot->series;
    struct svg_path path;
    svg_path_begin(&path, plot->report->out, plot->line);
    for (size_t i = 0; i < series->count; i++) {
        if (i > 0 && series->sample[i].utc.ns - series->sample[i - 1].utc.ns > series->gap_ns)
            svg_path_break(&path);
        svg_path_point(&path, at_time(plot, series->sample[i].utc),
                       svg_place(&plot->y, series->sample[i].value));
    }
    svg_path_end(&path);
}

static void set_values(struct plot *plot)
{
    double low = plot->series->low, high = plot->series->high;
    double room = (high - low) * 0.06;
    double least = fmax(fabs(high) * 1e-4, 1e-3);
    if (room < least)
        room = least;
    double top = plot->top + 4, bottom = plot->height - FOOT - 2;
    plot->y =
        (struct svg_scale){low - room, high + room, plot->down ? top : bottom, plot->down ? bottom : top};
}

/* ---- phases and spans ---- */

static bool is_phase(const struct query_span *span)
{
    return strcmp(span->span.kind, "phase") == 0;
}

static void put_band(const struct plot *plot, const struct query_span *span, double y, const char *kind)
{
    FILE *out = plot->report->out;
    double from = at_time(plot, span->span.start);
    double to = at_time(plot, report_span_end(&plot->report->data, span));
    char number[24] = "";
    if (span->span.transect != 0)
        snprintf(number, sizeof number, " %" PRIu32, span->span.transect);
    fprintf(out, "<path class=\"%s\" d=\"M%.1f %.1fH%.1fv%.1fH%.1fz\"><title>", kind, from, y,
            fmax(to, from + 1.5), LANE - 4, from);
    html_text(out, span->span.label);
    fprintf(out, "%s</title></path>", number);
    if ((double)(strlen(span->span.label) + strlen(number)) * LETTER + 8 > to - from)
        return;
    fprintf(out, "<text class=\"band-name o\" x=\"%.1f\" y=\"%.1f\">", from + 5, y + LANE - 7.5);
    html_text(out, span->span.label);
    fprintf(out, "%s</text>\n", number);
}

/* Spans that overlap lie in lanes of their own, the first that is free; what finds none is drawn in the last. Returns the lanes used. */
static int put_spans(const struct plot *plot, double top, bool draw)
{
    const struct report_data *data = &plot->report->data;
    double until[LANES_MOST] = {0};
    int used = 0;
    for (size_t i = 0; i < data->spans; i++) {
        const struct query_span *span = &data->span[i];
        int lane = 0;
        if (is_phase(span) || !report_state_stands(span->span.state))
            continue;
        while (lane + 1 < LANES_MOST && until[lane] > at_time(plot, span->span.start))
            lane++;
        until[lane] = at_time(plot, report_span_end(data, span)) + 1;
        used = lane + 1 > used ? lane + 1 : used;
        if (draw)
            put_band(plot, span, top + lane * LANE, span->span.transect != 0 ? "transect" : "span");
    }
    return used;
}

static void put_phases(const struct plot *plot)
{
    const struct report_data *data = &plot->report->data;
    for (size_t i = 0; i < data->spans; i++)
        if (is_phase(&data->span[i]) && report_state_stands(data->span[i].span.state))
            put_band(plot, &data->span[i], 2,
                     report_span_is_bottom(data, &data->span[i]) ? "phase bottom" : "phase");
}

/* ---- markers ---- */

/* Where a marker lies on the line of depth: its own, else the line's, else nowhere. */
static bool depth_of(const struct plot *plot, const struct report_marker *marker, double *depth)
{
    const struct report_series *series = plot->series;
    size_t from = 0;
    if (marker->has_depth) {
        *depth = marker->depth_m;
        return true;
    }
    const struct report_sample *sample = report_series_before(series, marker->when.utc, &from);
    if (sample == NULL)
        return false;
    int64_t since = marker->when.utc.ns - sample->utc.ns;
    *depth = sample->value;
    if (from + 1 == series->count || sample[1].utc.ns - sample->utc.ns > series->gap_ns)
        return since <= series->gap_ns;
    *depth += (sample[1].value - sample->value) * (double)since / (double)(sample[1].utc.ns - sample->utc.ns);
    return true;
}

static void put_signs(const struct plot *plot)
{
    const struct report_data *data = &plot->report->data;
    FILE *out = plot->report->out;
    double depth;
    fprintf(out, "<path class=\"seen-dots%s\" d=\"", data->sightings > CROWD ? " crowd" : "");
    struct svg_path path = {.out = out};
    for (size_t i = 0; i < data->sightings; i++) {
        const struct report_marker *marker = report_marker_of(data, data->sighting[i].sighting.first_marker);
        if (marker != NULL && report_state_stands(data->sighting[i].sighting.state) &&
            depth_of(plot, marker, &depth))
            svg_path_dot(&path, at_time(plot, marker->when.utc), svg_place(&plot->y, depth));
    }
    fputs("\"/>\n", out);
    for (size_t i = 0; i < data->samples; i++) {
        const struct report_marker *marker = report_marker_of(data, data->sample[i].sample.marker);
        if (marker != NULL && report_state_stands(data->sample[i].sample.state) &&
            depth_of(plot, marker, &depth))
            fprintf(out, "<path class=\"taken\" d=\"M%.1f %.1fl5 5-5 5-5-5z\"/>\n",
                    at_time(plot, marker->when.utc), svg_place(&plot->y, depth) - 5);
    }
}

/* ---- figures ---- */

static void describe(const struct plot *plot, char *text, size_t size)
{
    char low[HTML_TEXT_SIZE], high[HTML_TEXT_SIZE], from[HTML_TEXT_SIZE], to[HTML_TEXT_SIZE];
    const struct report_series *series = plot->series;
    snprintf(text, size, "From %s to %s UTC. Lowest %.2f%s at %s, highest %.2f%s at %s.",
             html_clock(plot->report->data.from, from), html_clock(plot->report->data.to, to), series->low,
             plot->unit, html_clock(series->low_at, low), series->high, plot->unit,
             html_clock(series->high_at, high));
}

static void put_caption(const struct plot *plot, const char *more)
{
    FILE *out = plot->report->out;
    fprintf(out, "<figcaption>%s", more);
    html_text(out, plot->series->feed);
    if (plot->series->derived != NULL)
        fprintf(out, ", worked out %s", plot->series->derived);
    fputs(". Times are UTC.</figcaption>\n</figure>\n", out);
}

static void put_plot(struct plot *plot, double top, double height, const char *more, bool with_markers)
{
    FILE *out = plot->report->out;
    const struct report_data *data = &plot->report->data;
    char text[400];
    plot->x = (struct svg_scale){0, (double)(data->to.ns - data->from.ns) / 1e9, LEFT, RIGHT};
    if (with_markers)
        top += LANE * (1 + put_spans(plot, 0, false));
    plot->top = top;
    plot->height = top + height + FOOT;
    set_values(plot);
    describe(plot, text, sizeof text);
    fprintf(out, "<h3>%s</h3>\n<figure>\n", plot->title);
    svg_begin(out, plot->id, plot->height, plot->title, text);
    put_values(plot);
    put_times(plot);
    if (with_markers) {
        put_phases(plot);
        put_spans(plot, 2 + LANE, true);
    }
    put_line(plot);
    if (with_markers)
        put_signs(plot);
    fprintf(out, "<path class=\"axis\" d=\"M%.1f %.1fV%.1fH%.1f\"/>\n", LEFT, plot->top, plot->height - FOOT,
            RIGHT);
    svg_end(out);
    put_caption(plot, more);
}

static void put_all(struct report *report)
{
    struct plot depth = {.report = report,
                         .series = &report->depth,
                         .id = "depth-svg",
                         .title = "Depth in metres",
                         .unit = " m",
                         .line = "line depth",
                         .down = true};
    struct plot temperature = {.report = report,
                               .series = &report->temperature,
                               .id = "temperature-svg",
                               .title = "Temperature in °C",
                               .unit = " °C",
                               .line = "line warm"};
    struct plot salinity = {.report = report,
                            .series = &report->salinity,
                            .id = "salinity-svg",
                            .title = "Practical salinity",
                            .unit = "",
                            .line = "line salt"};
    if (depth.series->count > 0)
        put_plot(
            &depth, 6, 210,
            "Bands: phases (on the bottom darker), transects and other spans. Dots: sightings at their first "
            "press. Diamonds: samples. Source: ",
            true);
    if (temperature.series->count > 0)
        put_plot(&temperature, 6, 120, "Source: ", false);
    if (salinity.series->count > 0)
        put_plot(&salinity, 6, 120, "Source: ", false);
}

int report_plots(struct report *report)
{
    report_section(report->out, "time", "Over time");
    if (report->depth.count + report->temperature.count + report->salinity.count == 0)
        fputs("<p>No depth, temperature or salinity is stored for the time of the dive.</p>\n", report->out);
    else
        put_all(report);
    fputs("</section>\n", report->out);
    return 0;
}
