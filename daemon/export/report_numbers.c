/* The dive in numbers: a list of what one asks first. */
#include "export/html.h"
#include "export/report_part.h"

#include <inttypes.h>
#include <string.h>

#include <geodesic.h>

static void item(FILE *out, const char *name, const char *value, const char *more)
{
    fprintf(out, "<div><dt>%s</dt><dd>", name);
    html_text(out, value);
    if (more[0] != '\0') {
        fputs(" <span class=\"soft\">", out);
        html_text(out, more);
        fputs("</span>", out);
    }
    fputs("</dd></div>\n", out);
}

static void put_times(struct report *report)
{
    const struct report_data *data = &report->data;
    char text[HTML_TEXT_SIZE];
    int64_t bottom_ns = report_bottom_ns(data);
    bool open = data->row != NULL && data->row->open;
    if (data->timed)
        item(report->out, "Duration", html_duration(data->to.ns - data->from.ns, text),
             open ? "so far: the dive is open" : "");
    item(report->out, "On the bottom", bottom_ns > 0 ? html_duration(bottom_ns, text) : "not marked", "");
}

static void put_depth(struct report *report)
{
    char deepest[HTML_TEXT_SIZE], at[HTML_TEXT_SIZE], clock[HTML_TEXT_SIZE];
    if (report->depth.count == 0)
        return;
    snprintf(deepest, sizeof deepest, "%.1f m", report->depth.high);
    snprintf(at, sizeof at, "at %s", html_clock(report->depth.high_at, clock));
    item(report->out, "Greatest depth", deepest, at);
}

/* From the first to the last point on the ellipsoid (PROJ), beside the length of the way. */
static void put_way(struct report *report)
{
    const struct report_track *track = &report->track;
    struct track_distance way;
    char length[HTML_TEXT_SIZE], sigma[HTML_TEXT_SIZE], straight[HTML_TEXT_SIZE], more[HTML_TEXT_SIZE * 3];
    if (!report_track_length(track, report->data.from, report->data.to, &way))
        return;
    const struct track_point *first = &track->point[0], *last = &track->point[track->points - 1];
    struct geod_geodesic earth;
    double apart_m, azimuth1, azimuth2;
    geod_init(&earth, GEO_WGS84_A_M, GEO_WGS84_F);
    geod_inverse(&earth, first->lat_deg, first->lon_deg, last->lat_deg, last->lon_deg, &apart_m, &azimuth1,
                 &azimuth2);
    snprintf(more, sizeof more, "± %s; its ends are %s apart", html_length(way.sigma_m, sigma),
             html_length(apart_m, straight));
    item(report->out, "Length of track", html_length(way.length_m, length), more);
}

struct counted {
    uint32_t sightings, individuals, named, asked, samples, retired, markers, struck;
};

static struct counted count(const struct report_data *data)
{
    struct counted sum = {0};
    for (size_t i = 0; i < data->sightings; i++) {
        const struct query_sighting *row = &data->sighting[i];
        if (!report_state_stands(row->sighting.state))
            continue;
        sum.sightings++;
        sum.individuals += row->sighting.individuals;
        sum.named += row->identified ? 1 : 0;
        sum.asked += report_sighting_has(data, row->sighting.number, "rope:ask") ? 1 : 0;
    }
    for (size_t i = 0; i < data->samples; i++)
        *(report_state_stands(data->sample[i].sample.state) ? &sum.samples : &sum.retired) += 1;
    for (size_t i = 0; i < data->markers; i++)
        *(data->marker[i].struck ? &sum.struck : &sum.markers) += 1;
    return sum;
}

static void put_counts(struct report *report)
{
    struct counted sum = count(&report->data);
    char value[HTML_TEXT_SIZE], more[HTML_TEXT_SIZE];
    snprintf(value, sizeof value, "%" PRIu32, sum.sightings);
    snprintf(more, sizeof more, "%" PRIu32 " individuals, %" PRIu32 " named", sum.individuals, sum.named);
    item(report->out, "Sightings", value, more);
    snprintf(value, sizeof value, "%" PRIu32, sum.samples);
    snprintf(more, sizeof more, "%" PRIu32 " struck, not counted", sum.retired);
    item(report->out, "Samples", value, sum.retired > 0 ? more : "");
    snprintf(value, sizeof value, "%" PRIu32, sum.asked);
    item(report->out, "Asked of shore", value, sum.asked == 1 ? "sighting" : "sightings");
    snprintf(value, sizeof value, "%" PRIu32, sum.markers);
    snprintf(more, sizeof more, "%" PRIu32 " struck, not counted", sum.struck);
    item(report->out, "Markers", value, sum.struck > 0 ? more : "");
}

static void put_range(FILE *out, const char *name, const struct report_series *series, int decimals,
                      const char *unit)
{
    char value[HTML_TEXT_SIZE * 3];
    if (series->count == 0)
        return;
    char low[HTML_TEXT_SIZE], high[HTML_TEXT_SIZE];
    snprintf(low, sizeof low, "%.*f", decimals, series->low);
    snprintf(high, sizeof high, "%.*f", decimals, series->high);
    bool same = strcmp(low, high) == 0;
    snprintf(value, sizeof value, "%s%s%s%s", low, same ? "" : " to ", same ? "" : high, unit);
    item(out, name, value, "");
}

int report_numbers(struct report *report)
{
    FILE *out = report->out;
    report_section(out, "numbers", "The dive in numbers");
    fputs("<dl class=\"numbers\">\n", out);
    put_times(report);
    put_depth(report);
    put_way(report);
    put_counts(report);
    put_range(out, "Temperature", &report->temperature, 2, " °C");
    put_range(out, "Salinity", &report->salinity, 2, "");
    fputs("</dl>\n</section>\n", out);
    return 0;
}
