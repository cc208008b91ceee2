/* Samples against containers: what should be in each box when it is opened, then the list. */
#include "export/html.h"
#include "export/report_part.h"

#include <inttypes.h>
#include <string.h>

/* A container's capacity as the key plan had it at the last press that knew. */
static uint32_t capacity_of(const struct report_data *data, const char *container)
{
    uint32_t capacity = 0;
    for (size_t i = 0; i < data->markers; i++)
        if (data->marker[i].capacity != 0 && strcmp(data->marker[i].container, container) == 0)
            capacity = data->marker[i].capacity;
    return capacity;
}

static bool seen_before(const struct report_data *data, size_t index)
{
    for (size_t i = 0; i < index; i++)
        if (strcmp(data->sample[i].sample.container, data->sample[index].sample.container) == 0)
            return true;
    return false;
}

static void put_container(struct report *report, size_t first)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    const char *container = data->sample[first].sample.container;
    uint32_t capacity = capacity_of(data, container), held = 0;
    report_row(out);
    fputs("<th role=\"rowheader\" scope=\"row\">", out);
    html_text(out, container[0] != '\0' ? container : "no container named");
    fputs("</th>", out);
    report_cell(out, "Holds");
    for (size_t i = first; i < data->samples; i++) {
        const struct sample_entry *sample = &data->sample[i].sample;
        if (strcmp(sample->container, container) != 0 || !report_state_stands(sample->state))
            continue;
        fprintf(out, "%s<a href=\"#a%" PRIu32 "\">A%03" PRIu32 "</a>", held > 0 ? ", " : "", sample->number,
                sample->number);
        held++;
    }
    fputs(held == 0 ? "nothing" : "", out);
    fputs("</td>", out);
    if (capacity != 0)
        report_cell_number(out, "Full", "%" PRIu32 " of %" PRIu32 "%s", held, capacity,
                           held > capacity ? ": over-full" : "");
    else
        report_cell_number(out, "Full", "%" PRIu32, held);
    fputs("</tr>", out);
}

static void put_sample(struct report *report, const struct query_sample *row)
{
    FILE *out = report->out;
    const struct sample_entry *sample = &row->sample;
    const struct report_marker *marker = report_marker_of(&report->data, sample->marker);
    char text[HTML_TEXT_SIZE];
    report_row(out);
    fprintf(out, "<th role=\"rowheader\" scope=\"row\" id=\"a%" PRIu32 "\">A%03" PRIu32 "</th>",
            sample->number, sample->number);
    report_cell(out, "What");
    html_text(out, sample->label);
    if (sample->sighting != 0) {
        fputs(" <span class=\"soft\">of</span> ", out);
        report_sighting_link(report, sample->sighting);
    }
    fputs("</td>", out);
    report_cell_text(out, "Container", sample->container);
    report_cell_text(out, "Gear", sample->gear);
    report_cell_text(out, "Taken", html_clock(sample->taken, text));
    report_cell(out, "Where");
    if (marker != NULL && marker->has_depth)
        fprintf(out, "<div>%.1f m</div>", marker->depth_m);
    if (marker != NULL)
        report_place(out, marker);
    fputs("</td>", out);
    report_cell_text(out, "Note", sample->note);
    fputs("</tr>", out);
}

int report_samples(struct report *report)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    size_t standing = 0;
    report_section(out, "samples", "Samples");
    for (size_t i = 0; i < data->samples; i++)
        standing += report_state_stands(data->sample[i].sample.state) ? 1 : 0;
    if (standing == 0) {
        fputs("<p>None.</p>\n</section>\n", out);
        return 0;
    }
    report_table(out, "What each container holds", "Container|Holds|Full", true);
    for (size_t i = 0; i < data->samples; i++)
        if (!seen_before(data, i))
            put_container(report, i);
    report_table_end(out);
    report_table(out, "Samples, in order of their numbers", "No.|What|Container|Gear|Taken|Where|Note", true);
    for (size_t i = 0; i < data->samples; i++)
        if (report_state_stands(data->sample[i].sample.state))
            put_sample(report, &data->sample[i]);
    report_table_end(out);
    fputs("</section>\n", out);
    return 0;
}
