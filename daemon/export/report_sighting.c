/* The table of sightings, and what its cells say; the page for shore says the same of those that shore is asked about. */
#include "export/html.h"
#include "export/report_part.h"

#include <inttypes.h>
#include <string.h>

/* Names, the latest first; the ones before it as a list of who said what when. */
void report_sighting_names(struct report *report, const struct query_sighting *row)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    bool first = true;
    char text[HTML_TEXT_SIZE];
    if (!row->identified) {
        fputs("<div class=\"soft\">no name given</div>", out);
        return;
    }
    for (size_t i = data->identifications; i-- > 0;) {
        const struct query_identification *made = &data->identification[i];
        if (strcmp(made->identification.target, row->ref) != 0)
            continue;
        fprintf(out, "<div class=\"%s\">", first ? "name" : "soft was");
        if (!first)
            fputs("before: ", out);
        report_name(out, &made->identification);
        fputs(" <span class=\"soft\">", out);
        html_text(out, made->identification.by[0] != '\0' ? made->identification.by : "not said by whom");
        if (made->made.at.trust != CLOCK_TRUST_NONE)
            fprintf(out, ", %s", html_date_clock(made->made.at.utc, text));
        if (made->identification.why[0] != '\0') {
            fputs(": ", out);
            html_text(out, made->identification.why);
        }
        fputs("</span></div>", out);
        first = false;
    }
}

void report_sighting_ties(struct report *report, const struct query_sighting *row)
{
    FILE *out = report->out;
    const struct sighting_entry *sighting = &row->sighting;
    if (sighting->tied_to != 0) {
        fputs("<div>", out);
        report_sighting_link(report, sighting->tied_to);
        fputc(' ', out);
        const struct query_sighting *other = report_sighting_of(&report->data, sighting->tied_to);
        html_text(out, other != NULL ? other->sighting.label : "");
        fputs(" <b>", out);
        html_text(out, sighting->tie);
        fputs("</b> this one</div>", out);
    }
    if (sighting->again_of != 0) {
        fputs("<div>seen before as ", out);
        report_sighting_link(report, sighting->again_of);
        fputs("</div>", out);
    }
}

static bool is_said(const struct report_marker *marker)
{
    return report_marker_stands(marker) && (strcmp(marker->kind, "detail") == 0 ||
                                            strcmp(marker->kind, "note") == 0 || marker->note[0] != '\0');
}

static void put_marker_note(FILE *out, const struct report_marker *marker)
{
    char text[HTML_TEXT_SIZE];
    bool asks = strcmp(marker->term, "rope:ask") == 0;
    fprintf(out, "<li%s>", asks ? " class=\"ask\"" : "");
    html_text(out, marker->label);
    if (marker->note[0] != '\0') {
        fputs(": ", out);
        html_text(out, marker->note);
    }
    if (marker->timecode[0] != '\0') {
        fputs(" <span class=\"soft tc\">", out);
        html_text(out, marker->timecode);
        fputs("</span>", out);
    } else if (marker->when.trust != CLOCK_TRUST_NONE) {
        fprintf(out, " <span class=\"soft tc\">%s</span>", html_clock(marker->when.utc, text));
    }
    fputs("</li>", out);
}

static void put_remark(FILE *out, const struct query_remark *remark)
{
    fputs("<li>", out);
    html_text(out, remark->remark.text);
    if (remark->remark.by[0] != '\0') {
        fputs(" <span class=\"soft\">", out);
        html_text(out, remark->remark.by);
        fputs("</span>", out);
    }
    fputs("</li>", out);
}

/* A remark about the sighting or about one of its markers that stand. */
static bool is_about(const struct report_data *data, const struct query_remark *remark,
                     const struct query_sighting *row)
{
    char dive[DIVE_ID_SIZE], letter = ' ';
    uint32_t number = 0;
    if (strcmp(remark->remark.target, row->ref) == 0)
        return true;
    if (!entry_ref_parse(remark->remark.target, dive, &letter, &number) || letter != 'M')
        return false;
    const struct report_marker *marker = report_marker_of(data, number);
    return marker != NULL && report_marker_stands(marker) && marker->sighting == row->sighting.number;
}

void report_sighting_notes(struct report *report, const struct query_sighting *row)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    bool any = false;
    for (const struct report_marker *marker = report_sighting_marker(data, row->sighting.number);
         marker != NULL; marker = report_next_marker(data, marker)) {
        if (!is_said(marker))
            continue;
        fputs(any ? "" : "<ul class=\"said\">", out);
        any = true;
        put_marker_note(out, marker);
    }
    for (size_t i = 0; i < data->remarks; i++) {
        if (!is_about(data, &data->remark[i], row))
            continue;
        fputs(any ? "" : "<ul class=\"said\">", out);
        any = true;
        put_remark(out, &data->remark[i]);
    }
    fputs(any ? "</ul>" : "", out);
}

void report_sighting_stills(struct report *report, const struct query_sighting *row, bool embed)
{
    FILE *out = report->out;
    for (size_t i = 0; i < report->stills.count; i++) {
        const struct report_still *still = &report->stills.still[i];
        if (still->sighting != row->sighting.number)
            continue;
        const struct report_marker *marker = report_marker_of(&report->data, still->marker);
        fputs("<img class=\"still\" loading=\"lazy\" src=\"", out);
        report_still_source(out, report->options->clips, report->options->link, still->file, embed);
        fputs("\" alt=\"Still of ", out);
        html_text(out, row->ref);
        fputs(", ", out);
        html_text(out, row->sighting.label);
        if (marker != NULL && marker->timecode[0] != '\0') {
            fputs(", at timecode ", out);
            html_text(out, marker->timecode);
        }
        fputs("\">", out);
    }
}

/* ---- the table ---- */

static void put_depths(FILE *out, const struct report_data *data, uint32_t sighting)
{
    double low = 0, high = 0;
    bool any = false;
    for (const struct report_marker *marker = report_sighting_marker(data, sighting); marker != NULL;
         marker = report_next_marker(data, marker)) {
        if (!report_marker_stands(marker) || !marker->has_depth)
            continue;
        low = !any || marker->depth_m < low ? marker->depth_m : low;
        high = !any || marker->depth_m > high ? marker->depth_m : high;
        any = true;
    }
    if (any && high - low < 0.05)
        fprintf(out, "<div>%.1f m</div>", high);
    else if (any)
        fprintf(out, "<div>%.1f to %.1f m</div>", low, high);
    else
        fputs("<div>depth not known</div>", out);
}

static void put_what(struct report *report, const struct query_sighting *row)
{
    FILE *out = report->out;
    report_cell(out, "What");
    fputs("<div class=\"label\">", out);
    html_text(out, row->sighting.label);
    if (row->sighting.individuals > 1)
        fprintf(out, " <span class=\"count\">× %" PRIu32 "</span>", row->sighting.individuals);
    fputs("</div>", out);
    report_sighting_names(report, row);
    report_sighting_ties(report, row);
    fputs("</td>", out);
}

static void put_when(struct report *report, const struct query_sighting *row,
                     const struct report_marker *first)
{
    FILE *out = report->out;
    report_cell(out, "When");
    report_interval(report, row->sighting.start, row->sighting.end, strcmp(row->sighting.state, "open") == 0);
    if (first != NULL && first->timecode[0] != '\0') {
        fputs("<div class=\"soft tc\">", out);
        html_text(out, first->timecode);
        fputs("</div>", out);
    }
    fputs("</td>", out);
}

static void put_row(struct report *report, const struct query_sighting *row)
{
    FILE *out = report->out;
    const struct report_marker *first = report_marker_of(&report->data, row->sighting.first_marker);
    uint32_t number = row->sighting.number;
    report_row(out);
    fprintf(out, "<th role=\"rowheader\" scope=\"row\" id=\"s%" PRIu32 "\">S%03" PRIu32 "</th>", number,
            number);
    put_what(report, row);
    put_when(report, row, first);
    report_cell(out, "Where");
    put_depths(out, &report->data, number);
    if (first != NULL)
        report_place(out, first);
    fputs("</td>", out);
    report_cell(out, "Noted");
    report_sighting_notes(report, row);
    report_sighting_stills(report, row, false);
    fputs("</td></tr>", out);
}

int report_sightings(struct report *report)
{
    const struct report_data *data = &report->data;
    size_t standing = 0;
    report_section(report->out, "sightings", "Sightings");
    for (size_t i = 0; i < data->sightings; i++)
        standing += report_state_stands(data->sighting[i].sighting.state) ? 1 : 0;
    if (standing == 0) {
        fputs("<p>None.</p>\n</section>\n", report->out);
        return 0;
    }
    fputs("<p class=\"soft\">A sighting begins at its first press less the key's lead time. Times are UTC, "
          "timecode "
          "and place those of the first press.</p>\n",
          report->out);
    report_table(report->out, "Sightings, in order of their numbers", "No.|What|When|Where|Noted", true);
    for (size_t i = 0; i < data->sightings; i++)
        if (report_state_stands(data->sighting[i].sighting.state))
            put_row(report, &data->sighting[i]);
    report_table_end(report->out);
    fputs("</section>\n", report->out);
    return 0;
}
