/*
 * Effort and counts per effort. Lengths are those of core/track.h along the smoothed track, with their standard deviation; an area is
 * length times the width of the field of view where that is given. A sighting counts for a transect if it starts within it.
 */
#include "export/html.h"
#include "export/report_part.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct transect {
    const struct query_span *row;
    utc_ns end;
    bool measured;
    struct track_distance way; /* where it was */
    uint32_t sightings, individuals;
};

struct effort {
    int64_t bottom_ns;
    double transect_m, transect_var; /* sums over transects with a known length */
    int64_t transect_ns;
    struct transect *transect;
    size_t transects;
    uint32_t measured;
};

static bool is_transect(const struct query_span *row)
{
    return row->span.transect != 0 && report_state_stands(row->span.state);
}

/* The transect a sighting started in; NULL: none. */
static struct transect *transect_at(const struct effort *effort, utc_ns at)
{
    for (size_t i = 0; i < effort->transects; i++)
        if (at.ns >= effort->transect[i].row->span.start.ns && at.ns <= effort->transect[i].end.ns)
            return &effort->transect[i];
    return NULL;
}

/* A length that drowns in its own error is shown, but nothing is divided by it. */
static bool length_counts(const struct effort *effort)
{
    return effort->transect_m > 0 && effort->transect_m > 2 * sqrt(effort->transect_var);
}

static void add_transect(struct effort *effort, struct report *report, const struct query_span *row)
{
    struct transect *transect = &effort->transect[effort->transects++];
    *transect = (struct transect){.row = row, .end = report_span_end(&report->data, row)};
    transect->measured = report_track_length(&report->track, row->span.start, transect->end, &transect->way);
    effort->transect_ns += transect->end.ns - row->span.start.ns;
    if (!transect->measured)
        return;
    effort->measured++;
    effort->transect_m += transect->way.length_m;
    effort->transect_var += transect->way.sigma_m * transect->way.sigma_m;
}

static void sum_up(struct effort *effort, struct report *report)
{
    const struct report_data *data = &report->data;
    effort->bottom_ns = report_bottom_ns(data);
    for (size_t i = 0; i < data->spans; i++)
        if (is_transect(&data->span[i]))
            add_transect(effort, report, &data->span[i]);
    for (size_t i = 0; i < data->sightings; i++) {
        const struct sighting_entry *sighting = &data->sighting[i].sighting;
        struct transect *transect =
            report_state_stands(sighting->state) ? transect_at(effort, sighting->start) : NULL;
        if (transect == NULL)
            continue;
        transect->sightings++;
        transect->individuals += sighting->individuals;
    }
}

/* ---- transects ---- */

static void put_transect(struct report *report, const struct transect *transect)
{
    FILE *out = report->out;
    double width_m = report->options->view_width_m;
    const struct span_entry *span = &transect->row->span;
    const struct track_distance *way = &transect->way;
    report_row(out);
    fprintf(out, "<th role=\"rowheader\" scope=\"row\">%" PRIu32 "</th>", span->transect);
    report_cell(out, "When");
    report_interval(report, span->start, span->end, strcmp(span->state, "open") == 0);
    fputs("</td>", out);
    if (transect->measured)
        report_cell_number(out, "Length", "%.1f ± %.1f m%s", way->length_m, way->sigma_m,
                           way->bridged_m > 0 ? ", with gaps" : "");
    else
        report_cell_number(out, "Length", "not known");
    if (width_m > 0) {
        if (transect->measured)
            report_cell_number(out, "Area", "%.0f ± %.0f m²", way->length_m * width_m,
                               way->sigma_m * width_m);
        else
            report_cell_number(out, "Area", "not known");
    }
    report_cell_number(out, "Sightings", "%" PRIu32, transect->sightings);
    report_cell_number(out, "Individuals", "%" PRIu32, transect->individuals);
    fputs("</tr>", out);
}

static void put_transects(struct report *report, const struct effort *effort)
{
    FILE *out = report->out;
    if (effort->transects == 0)
        return;
    report_table(out, "Transects",
                 report->options->view_width_m > 0 ? "No.|When|Length|Area|Sightings|Individuals"
                                                   : "No.|When|Length|Sightings|Individuals",
                 true);
    for (size_t i = 0; i < effort->transects; i++)
        put_transect(report, &effort->transect[i]);
    report_table_end(out);
}

/* ---- phases and other spans ---- */

static void put_span(struct report *report, const struct query_span *row)
{
    FILE *out = report->out;
    report_row(out);
    fprintf(out, "<th role=\"rowheader\" scope=\"row\">T%03" PRIu32 "</th>", row->span.number);
    report_cell_text(out, "What", row->span.label);
    report_cell_text(out, "Kind", row->span.kind);
    report_cell(out, "When");
    report_interval(report, row->span.start, row->span.end, strcmp(row->span.state, "open") == 0);
    fputs("</td></tr>", out);
}

static void put_spans(struct report *report)
{
    const struct report_data *data = &report->data;
    size_t others = 0;
    for (size_t i = 0; i < data->spans; i++)
        others += report_state_stands(data->span[i].span.state) && !is_transect(&data->span[i]) ? 1 : 0;
    if (others == 0)
        return;
    report_table(report->out, "Phases and other spans", "No.|What|Kind|When", true);
    for (size_t i = 0; i < data->spans; i++)
        if (report_state_stands(data->span[i].span.state) && !is_transect(&data->span[i]))
            put_span(report, &data->span[i]);
    report_table_end(report->out);
}

/* ---- counts ---- */

struct tally {
    const char *label;
    uint32_t sightings, individuals, on_transects;
};

static int by_count(const void *a, const void *b)
{
    const struct tally *x = a, *y = b;
    if (x->individuals != y->individuals)
        return x->individuals > y->individuals ? -1 : 1;
    return strcmp(x->label, y->label);
}

static size_t tally_up(const struct report_data *data, const struct effort *effort, struct tally *tally)
{
    size_t count = 0;
    for (size_t i = 0; i < data->sightings; i++) {
        const struct query_sighting *row = &data->sighting[i];
        const char *label = row->identified ? row->identification.name : row->sighting.label;
        size_t at = 0;
        if (!report_state_stands(row->sighting.state))
            continue;
        while (at < count && strcmp(tally[at].label, label) != 0)
            at++;
        if (at == count)
            tally[count++] = (struct tally){.label = label};
        tally[at].sightings++;
        tally[at].individuals += row->sighting.individuals;
        if (transect_at(effort, row->sighting.start) != NULL)
            tally[at].on_transects += row->sighting.individuals;
    }
    return count;
}

static void put_tally(struct report *report, const struct effort *effort, const struct tally *tally,
                      uint32_t most)
{
    FILE *out = report->out;
    double width_m = report->options->view_width_m;
    report_row(out);
    fputs("<th role=\"rowheader\" scope=\"row\">", out);
    html_text(out, tally->label);
    fputs("</th>", out);
    report_cell_number(out, "Sightings", "%" PRIu32, tally->sightings);
    fprintf(out,
            "<td role=\"cell\" class=\"n\" data-l=\"Individuals\"><span class=\"rod\" "
            "style=\"--w:%.0f%%\">%" PRIu32 "</span></td>",
            most > 0 ? 100.0 * tally->individuals / most : 0.0, tally->individuals);
    if (effort->bottom_ns > 0)
        report_cell_number(out, "Per bottom hour", "%.1f",
                           tally->individuals / ((double)effort->bottom_ns / 3600e9));
    if (length_counts(effort))
        report_cell_number(out, "Per 100 m", "%.2f", tally->on_transects / effort->transect_m * 100);
    if (length_counts(effort) && width_m > 0)
        report_cell_number(out, "Per 100 m²", "%.2f",
                           tally->on_transects / (effort->transect_m * width_m) * 100);
    fputs("</tr>", out);
}

static void put_counts(struct report *report, const struct effort *effort, const struct tally *tally,
                       size_t count)
{
    char columns[160];
    snprintf(columns, sizeof columns, "What|Sightings|Individuals%s%s%s",
             effort->bottom_ns > 0 ? "|Per bottom hour" : "", length_counts(effort) ? "|Per 100 m" : "",
             length_counts(effort) && report->options->view_width_m > 0 ? "|Per 100 m²" : "");
    report_table(report->out, "Counts, and individuals per effort", columns, true);
    for (size_t i = 0; i < count; i++)
        put_tally(report, effort, &tally[i], tally[0].individuals);
    report_table_end(report->out);
    if (length_counts(effort))
        fputs("<p class=\"soft\">Per 100 m counts individuals of sightings that started on a transect whose "
              "length is "
              "known, and only presses: a key pressed once for many counts one.</p>\n",
              report->out);
    else if (effort->measured > 0)
        fputs("<p class=\"soft\">The length of the transects is within twice its error: no count is divided "
              "by it.</p>\n",
              report->out);
}

static void put_summary(struct report *report, const struct effort *effort)
{
    FILE *out = report->out;
    double width_m = report->options->view_width_m;
    char text[HTML_TEXT_SIZE];
    fputs("<p>", out);
    if (effort->bottom_ns > 0)
        fprintf(out, "%s on the bottom. ", html_duration(effort->bottom_ns, text));
    else
        fputs("No time on the bottom was marked. ", out);
    if (effort->transects > 0)
        fprintf(out, "%zu transect%s in %s. ", effort->transects, effort->transects == 1 ? "" : "s",
                html_duration(effort->transect_ns, text));
    if (effort->measured > 0)
        fprintf(out, "Together %.1f ± %.1f m along the smoothed track. ", effort->transect_m,
                sqrt(effort->transect_var));
    if (effort->measured > 0 && width_m > 0)
        fprintf(out, "At a field of view %.2f m wide that is %.0f ± %.0f m². ", width_m,
                effort->transect_m * width_m, sqrt(effort->transect_var) * width_m);
    fputs("The error is one standard deviation; what stays the same from fix to fix (alignment, sound speed, "
          "lever arm) "
          "is not in it.</p>\n",
          out);
}

static void put_part(struct report *report, struct effort *effort, struct tally *tally)
{
    sum_up(effort, report);
    report_section(report->out, "effort", "Effort and counts");
    put_summary(report, effort);
    put_transects(report, effort);
    size_t count = tally_up(&report->data, effort, tally);
    if (count > 0) {
        qsort(tally, count, sizeof *tally, by_count);
        put_counts(report, effort, tally, count);
    }
    put_spans(report);
    fputs("</section>\n", report->out);
}

int report_effort(struct report *report)
{
    struct effort effort = {.transect = calloc(report->data.spans + 1, sizeof *effort.transect)};
    struct tally *tally = calloc(report->data.sightings + 1, sizeof *tally);
    bool room = effort.transect != NULL && tally != NULL;
    if (room)
        put_part(report, &effort, tally);
    free(effort.transect);
    free(tally);
    return room ? 0 : export_fail(report->job, "out of memory");
}
