/* What was struck, listed as struck: nothing of it is counted anywhere else on the page. */
#include "export/html.h"
#include "export/report_part.h"

#include <string.h>

/* The latest strike of a record. */
static const struct query_strike *strike_of(const struct report_data *data, const char *ref)
{
    for (size_t i = data->strikes; i-- > 0;)
        if (strcmp(data->strike[i].strike.target, ref) == 0)
            return &data->strike[i];
    return NULL;
}

static void put_record(struct report *report, const char *ref, const char *kind, const char *label,
                       const char *state, const char *why)
{
    FILE *out = report->out;
    const struct query_strike *strike = strike_of(&report->data, ref);
    char text[HTML_TEXT_SIZE];
    report_row(out);
    fputs("<th role=\"rowheader\" scope=\"row\"><s>", out);
    html_text(out, ref);
    fputs("</s></th>", out);
    report_cell_text(out, "Kind", kind);
    report_cell_text(out, "Label", label);
    report_cell_text(out, "State", state);
    report_cell(out, "When, by whom, why");
    if (strike != NULL && strike->made.at.trust != CLOCK_TRUST_NONE)
        fprintf(out, "%s ", html_clock(strike->made.at.utc, text));
    html_text(out, strike != NULL ? strike->strike.by : "");
    if (strike != NULL && strike->strike.why[0] != '\0') {
        fputs(": ", out);
        html_text(out, strike->strike.why);
    } else if (why[0] != '\0') {
        html_text(out, why);
    } else if (strike != NULL && strike->strike.by_marker != 0) {
        fputs("by the strike key", out);
    }
    fputs("</td></tr>", out);
}

static size_t count_struck(const struct report_data *data)
{
    size_t count = 0;
    for (size_t i = 0; i < data->markers; i++)
        count += data->marker[i].struck ? 1 : 0;
    for (size_t i = 0; i < data->sightings; i++)
        count += report_state_stands(data->sighting[i].sighting.state) ? 0 : 1;
    for (size_t i = 0; i < data->spans; i++)
        count += report_state_stands(data->span[i].span.state) ? 0 : 1;
    for (size_t i = 0; i < data->samples; i++)
        count += report_state_stands(data->sample[i].sample.state) ? 0 : 1;
    return count;
}

static void put_rows(struct report *report)
{
    const struct report_data *data = &report->data;
    char ref[REF_SIZE];
    for (size_t i = 0; i < data->markers; i++) {
        entry_ref(ref, data->dive, 'M', data->marker[i].number);
        if (data->marker[i].struck)
            put_record(report, ref, data->marker[i].kind, data->marker[i].label, "struck", "");
    }
    for (size_t i = 0; i < data->sightings; i++)
        if (!report_state_stands(data->sighting[i].sighting.state))
            put_record(report, data->sighting[i].ref, "sighting", data->sighting[i].sighting.label,
                       data->sighting[i].sighting.state, "");
    for (size_t i = 0; i < data->spans; i++)
        if (!report_state_stands(data->span[i].span.state))
            put_record(report, data->span[i].ref, data->span[i].span.kind, data->span[i].span.label,
                       data->span[i].span.state, "");
    for (size_t i = 0; i < data->samples; i++)
        if (!report_state_stands(data->sample[i].sample.state))
            put_record(report, data->sample[i].ref, "sample", data->sample[i].sample.label,
                       data->sample[i].sample.state, data->sample[i].sample.why);
}

int report_struck(struct report *report)
{
    report_section(report->out, "struck", "Struck records");
    if (count_struck(&report->data) == 0) {
        fputs("<p>None.</p>\n</section>\n", report->out);
        return 0;
    }
    fputs(
        "<p class=\"soft\">Kept, and counted nowhere above. Withdrawn: no marker makes it any more, after a "
        "late press or a strike.</p>\n",
        report->out);
    report_table(report->out, "Records that do not stand", "Record|Kind|Label|State|When, by whom, why",
                 true);
    put_rows(report);
    report_table_end(report->out);
    fputs("</section>\n", report->out);
    return 0;
}
