#include "export/html.h"
#include "export/report_part.h"

#include <inttypes.h>
#include <stdarg.h>
#include <string.h>

void report_section(FILE *out, const char *id, const char *heading)
{
    fprintf(out, "<section aria-labelledby=\"%s\">\n<h2 id=\"%s\">%s</h2>\n", id, id, heading);
}

/* Roles are named because a browser forgets those of a table whose rows are laid out as blocks. */
void report_table(FILE *out, const char *caption, const char *columns, bool stacks)
{
    fprintf(
        out,
        "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"%s\">\n<table role=\"table\"%s>\n",
        caption, stacks ? " class=\"stack\"" : "");
    fprintf(out, "<caption>%s</caption>\n<thead role=\"rowgroup\"><tr role=\"row\">", caption);
    while (*columns != '\0') {
        size_t length = strcspn(columns, "|");
        fprintf(out, "<th role=\"columnheader\" scope=\"col\">%.*s</th>", (int)length, columns);
        columns += length + (columns[length] == '|' ? 1 : 0);
    }
    fputs("</tr></thead>\n<tbody role=\"rowgroup\">", out);
}

void report_table_end(FILE *out)
{
    fputs("</tbody></table></div>\n", out);
}

void report_row(FILE *out)
{
    fputs("\n<tr role=\"row\">", out);
}

void report_cell(FILE *out, const char *label)
{
    fprintf(out, "<td role=\"cell\" data-l=\"%s\">", label);
}

void report_cell_text(FILE *out, const char *label, const char *text)
{
    report_cell(out, label);
    html_text(out, text);
    fputs("</td>", out);
}

void report_cell_number(FILE *out, const char *label, const char *format, ...)
{
    char text[HTML_TEXT_SIZE];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    fprintf(out, "<td role=\"cell\" class=\"n\" data-l=\"%s\">", label);
    html_text(out, text);
    fputs("</td>", out);
}

void report_sighting_link(struct report *report, uint32_t number)
{
    const struct query_sighting *row = report_sighting_of(&report->data, number);
    bool there = !report->options->for_shore && row != NULL && report_state_stands(row->sighting.state);
    if (there)
        fprintf(report->out, "<a href=\"#s%" PRIu32 "\">", number);
    fprintf(report->out, "S%03" PRIu32 "%s", number, there ? "</a>" : "");
}

void report_name(FILE *out, const struct identification_entry *identification)
{
    fputs("<i>", out);
    html_text(out, identification->name);
    fputs("</i>", out);
    if (identification->qualifier[0] != '\0') {
        fputc(' ', out);
        html_text(out, identification->qualifier);
    }
}

void report_place(FILE *out, const struct report_marker *marker)
{
    char text[HTML_TEXT_SIZE];
    const struct marker_position *position = &marker->position;
    if (!position->known) {
        fputs("position not known", out);
        return;
    }
    html_text(out, html_position(position->lat_deg, position->lon_deg, position->uncertainty_m, text));
    if (position->uncertainty_m >= 0)
        fprintf(out, " <span class=\"nw\">± %.0f m</span>", position->uncertainty_m);
    if (strcmp(position->source, "ship") == 0)
        fputs(" (of the ship)", out);
}

void report_interval(struct report *report, utc_ns from, utc_ns to, bool open)
{
    char start[HTML_TEXT_SIZE], end[HTML_TEXT_SIZE], length[HTML_TEXT_SIZE];
    if (open)
        fprintf(report->out, "from %s, still open", html_clock(from, start));
    else
        fprintf(report->out, "%s to %s <span class=\"soft nw\">(%s)</span>", html_clock(from, start),
                html_clock(to, end), html_duration(to.ns - from.ns, length));
}
