/* The page for shore: only the sightings about which shore is asked, each with what a specialist needs to find its frames. */
#include "export/html.h"
#include "export/report_part.h"

#include <inttypes.h>
#include <string.h>

static bool is_asked(const struct report_data *data, const struct query_sighting *row)
{
    return report_state_stands(row->sighting.state) &&
           report_sighting_has(data, row->sighting.number, "rope:ask");
}

static void put_frames(struct report *report, const struct query_sighting *row)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    char caption[REF_SIZE + 40], text[HTML_TEXT_SIZE];
    snprintf(caption, sizeof caption, "Presses of S%03" PRIu32 " and their frames", row->sighting.number);
    report_table(out, caption, "Press|Timecode|Rate|UTC|Within|Depth", true);
    for (const struct report_marker *marker = report_sighting_marker(data, row->sighting.number);
         marker != NULL; marker = report_next_marker(data, marker)) {
        if (!report_marker_stands(marker))
            continue;
        report_row(out);
        fputs("<th role=\"rowheader\" scope=\"row\">", out);
        html_text(out, marker->label);
        fputs("</th>", out);
        report_cell_text(out, "Timecode", marker->timecode[0] != '\0' ? marker->timecode : "none");
        report_cell_text(out, "Rate", marker->rate);
        report_cell_text(
            out, "UTC", marker->when.trust != CLOCK_TRUST_NONE ? html_clock(marker->when.utc, text) : "none");
        if (marker->timecode_bound_frames >= 0 && marker->timecode[0] != '\0')
            report_cell_number(out, "Within", "± %.2f frames", marker->timecode_bound_frames);
        else
            report_cell_number(out, "Within", "not known");
        if (marker->has_depth)
            report_cell_number(out, "Depth", "%.1f m", marker->depth_m);
        else
            report_cell_number(out, "Depth", "not known");
        fputs("</tr>", out);
    }
    report_table_end(out);
}

static void put_sighting(struct report *report, const struct query_sighting *row)
{
    FILE *out = report->out;
    const struct report_marker *first = report_marker_of(&report->data, row->sighting.first_marker);
    uint32_t number = row->sighting.number;
    fprintf(out, "<article class=\"asked\" aria-labelledby=\"s%" PRIu32 "\">\n<h3 id=\"s%" PRIu32 "\">",
            number, number);
    html_text(out, row->ref);
    fputs(": ", out);
    html_text(out, row->sighting.label);
    if (row->sighting.individuals > 1)
        fprintf(out, " × %" PRIu32, row->sighting.individuals);
    fputs("</h3>\n<p>", out);
    report_interval(report, row->sighting.start, row->sighting.end, strcmp(row->sighting.state, "open") == 0);
    if (first != NULL) {
        fputs("<br>", out);
        report_place(out, first);
    }
    fputs("</p>\n", out);
    report_sighting_names(report, row);
    report_sighting_ties(report, row);
    report_sighting_notes(report, row);
    report_sighting_stills(report, row, true);
    put_frames(report, row);
    fputs("</article>\n", out);
}

int report_shore(struct report *report)
{
    const struct report_data *data = &report->data;
    size_t asked = 0;
    report_section(report->out, "asked", "What we ask");
    for (size_t i = 0; i < data->sightings; i++)
        asked += is_asked(data, &data->sighting[i]) ? 1 : 0;
    if (asked == 0)
        fputs("<p>Nothing is asked of shore on this dive.</p>\n", report->out);
    else
        fprintf(report->out,
                "<p>%zu sighting%s to be named. Answer with the number, the name, how sure you are (open "
                "nomenclature: cf., aff., indet. ...) and why.</p>\n",
                asked, asked == 1 ? "" : "s");
    for (size_t i = 0; i < data->sightings; i++)
        if (is_asked(data, &data->sighting[i]))
            put_sighting(report, &data->sighting[i]);
    fputs("</section>\n", report->out);
    return 0;
}
