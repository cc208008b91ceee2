/*
 * Data quality: how well the times of markers are known, what timecode did, what feeds and positions left out, what waited in pads, and what
 * the daemon told.
 */
#include "export/html.h"
#include "export/report_gaps.h"
#include "export/report_part.h"
#include "export/svg.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

#define HELD_NS NS_PER_S /* a press that was in the pad longer is listed */
#define HELD_MOST 40
#define NOTICES_MOST 200

/* ---- clocks ---- */

static const int64_t BOUND_TOPS_NS[] = {300000,   1000000,   3000000,    10000000,
                                        30000000, 100000000, 1000000000, INT64_MAX};
static const char *const BOUND_NAMES[] = {"up to 0.3 ms", "0.3 to 1 ms",   "1 to 3 ms",
                                          "3 to 10 ms",   "10 to 30 ms",   "30 to 100 ms",
                                          "0.1 to 1 s",   "more than 1 s", "no bound known"};
#define BOUNDS (sizeof BOUND_NAMES / sizeof BOUND_NAMES[0])

static size_t bound_class(int64_t bound_ns)
{
    size_t at = 0;
    if (bound_ns < 0)
        return BOUNDS - 1;
    while (bound_ns > BOUND_TOPS_NS[at])
        at++;
    return at;
}

static void put_rod(FILE *out, const char *label, uint32_t value, uint32_t most)
{
    fprintf(out,
            "<td role=\"cell\" class=\"n\" data-l=\"%s\"><span class=\"rod\" style=\"--w:%.0f%%\">%" PRIu32
            "</span></td>",
            label, most > 0 ? 100.0 * value / most : 0.0, value);
}

static void put_bounds(struct report *report)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    uint32_t count[BOUNDS] = {0}, most = 0;
    for (size_t i = 0; i < data->markers; i++)
        if (report_marker_stands(&data->marker[i]))
            count[bound_class(data->marker[i].when.utc_bound_ns)]++;
    for (size_t i = 0; i < BOUNDS; i++)
        most = count[i] > most ? count[i] : most;
    fputs("<h3>Clocks</h3>\n<p>The bound of a marker's UTC is half the width of the interval that holds its "
          "true "
          "instant.</p>\n",
          out);
    report_table(out, "Markers by the bound of their UTC", "Bound|Markers", false);
    for (size_t i = 0; i < BOUNDS; i++) {
        if (count[i] == 0)
            continue;
        report_row(out);
        fprintf(out, "<th role=\"rowheader\" scope=\"row\">%s</th>", BOUND_NAMES[i]);
        put_rod(out, "Markers", count[i], most);
        fputs("</tr>", out);
    }
    report_table_end(out);
}

static void put_trusts(struct report *report)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    uint32_t clock[4] = {0}, timecode[3] = {0};
    static const char *const clock_says[] = {"no UTC at all",
                                             "unsynced: the machine's clock, which nobody disciplined",
                                             "holdover: was disciplined, the bound grows", "synced"};
    static const char *const timecode_says[] = {"none", "holdover: carried on, not heard", "locked"};
    for (size_t i = 0; i < data->markers; i++) {
        if (!report_marker_stands(&data->marker[i]))
            continue;
        clock[data->marker[i].when.trust]++;
        timecode[data->marker[i].timecode_trust]++;
    }
    report_table(out, "Markers by the state of clock and timecode", "State|Markers", false);
    for (int i = 3; i >= 0; i--) {
        report_row(out);
        fprintf(out, "<th role=\"rowheader\" scope=\"row\">UTC %s</th>", clock_says[i]);
        report_cell_number(out, "Markers", "%" PRIu32, clock[i]);
        fputs("</tr>", out);
    }
    for (int i = 2; i >= 0; i--) {
        report_row(out);
        fprintf(out, "<th role=\"rowheader\" scope=\"row\">Timecode %s</th>", timecode_says[i]);
        report_cell_number(out, "Markers", "%" PRIu32, timecode[i]);
        fputs("</tr>", out);
    }
    report_table_end(out);
}

/* ---- timecode over time ---- */

enum heard { HEARD_UNKNOWN, HEARD_LOCKED, HEARD_CARRIED };

static enum heard heard_after(const struct query_notice *notice, enum heard before)
{
    const char *state = notice->notice.state;
    if (strcmp(state, "locked") == 0)
        return HEARD_LOCKED;
    if (strcmp(state, "lost") == 0 || strcmp(state, "audio ended") == 0)
        return before == HEARD_UNKNOWN ? HEARD_UNKNOWN : HEARD_CARRIED;
    return before;
}

static bool is_of_recorder(const struct query_notice *notice)
{
    return notice->made.type == ENTRY_TIMECODE && strcmp(notice->notice.about, "recorder") == 0;
}

static double time_at(const struct report_data *data, utc_ns utc)
{
    double part = (double)(utc.ns - data->from.ns) / (double)(data->to.ns - data->from.ns);
    return 4 + (SVG_WIDTH - 8) * fmin(fmax(part, 0), 1);
}

static void put_state(FILE *out, double from, double to, enum heard heard)
{
    static const char *const names[] = {"tc-none", "tc-locked", "tc-carried"};
    if (to - from > 0.05)
        fprintf(out, "<path class=\"%s\" d=\"M%.1f 8H%.1fv18H%.1fz\"/>", names[heard], from, to, from);
}

static void put_states(struct report *report)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    enum heard heard = HEARD_UNKNOWN;
    double from = 4;
    for (size_t i = 0; i < data->befores; i++)
        if (is_of_recorder(&data->before[i]))
            heard = heard_after(&data->before[i], heard);
    for (size_t i = 0; i < data->notices; i++) {
        const struct query_notice *notice = &data->notice[i];
        enum heard after = is_of_recorder(notice) ? heard_after(notice, heard) : heard;
        if (after == heard)
            continue;
        double at = time_at(data, notice->made.at.utc);
        put_state(out, from, at, heard);
        from = at;
        heard = after;
    }
    put_state(out, from, SVG_WIDTH - 4, heard);
    for (size_t i = 0; i < data->notices; i++)
        if (is_of_recorder(&data->notice[i]) && strcmp(data->notice[i].notice.state, "jumped") == 0)
            fprintf(out, "<path class=\"jump\" d=\"M%.1f 3V31\"/>",
                    time_at(data, data->notice[i].made.at.utc));
}

static void put_hours(struct report *report)
{
    const struct report_data *data = &report->data;
    char text[HTML_TEXT_SIZE];
    int64_t step = svg_time_step_ns(data->to.ns - data->from.ns, 9), k = 0;
    for (int64_t at = (data->from.ns / step + 1) * step; at < data->to.ns; at += step, k++) {
        double x = time_at(data, (utc_ns){at});
        if (x > 20 && x < SVG_WIDTH - 24)
            fprintf(report->out, "<text class=\"tick mid%s\" x=\"%.1f\" y=\"44\">%.*s</text>",
                    k % 2 == 0 ? "" : " o", x, step < 60 * NS_PER_S ? 8 : 5, html_clock((utc_ns){at}, text));
    }
}

static void put_timecode(struct report *report)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    size_t told = 0, jumps = 0, losses = 0;
    char text[200];
    for (size_t i = 0; i < data->notices; i++) {
        told += is_of_recorder(&data->notice[i]) ? 1 : 0;
        jumps +=
            is_of_recorder(&data->notice[i]) && strcmp(data->notice[i].notice.state, "jumped") == 0 ? 1 : 0;
        losses +=
            is_of_recorder(&data->notice[i]) && strcmp(data->notice[i].notice.state, "lost") == 0 ? 1 : 0;
    }
    fputs("<h3>Timecode over time</h3>\n", out);
    if (told + data->befores == 0 || !data->timed || data->to.ns <= data->from.ns) {
        fputs("<p>Nothing was told about the recorder's timecode: it was not listened to, or never "
              "changed.</p>\n",
              out);
        return;
    }
    snprintf(text, sizeof text, "Lost %zu times, jumped %zu times.", losses, jumps);
    fputs("<figure>\n", out);
    svg_begin(out, "timecode-svg", 52, "State of the timecode over the dive", text);
    put_states(report);
    put_hours(report);
    svg_end(out);
    fprintf(
        out,
        "<figcaption><span class=\"legend\"><svg class=\"sign\" viewBox=\"0 0 22 10\" "
        "aria-hidden=\"true\"><path "
        "class=\"tc-locked\" d=\"M0 1h22v8H0z\"/></svg>heard "
        "<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><path class=\"tc-carried\" d=\"M0 "
        "1h22v8H0z\"/></svg>carried on "
        "<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><path class=\"tc-none\" d=\"M0 "
        "1h22v8H0z\"/></svg>not yet heard "
        "<svg class=\"sign\" viewBox=\"0 0 22 10\" aria-hidden=\"true\"><path class=\"jump\" d=\"M11 "
        "0v10\"/></svg>jump</span> %s</figcaption>\n</figure>\n",
        text);
}

/* ---- feeds and positions ---- */

static void put_feed(struct report *report, const struct report_feed *feed)
{
    FILE *out = report->out;
    char from[HTML_TEXT_SIZE], to[HTML_TEXT_SIZE], length[HTML_TEXT_SIZE];
    report_row(out);
    fputs("<th role=\"rowheader\" scope=\"row\">", out);
    html_text(out, feed->name);
    fputs("</th>", out);
    report_cell_number(out, "Samples", "%" PRIu64, feed->samples);
    report_cell_number(out, "Every", "%.2g s", feed->interval_s);
    report_cell_number(out, "Silences", "%zu", feed->gaps);
    report_cell_text(out, "Together", feed->gaps > 0 ? html_duration(feed->silent_ns, length) : "");
    report_cell(out, "The longest, in order of time");
    for (size_t i = 0; i < feed->kept; i++)
        fprintf(out, "<div>%s to %s <span class=\"soft nw\">(%s)</span></div>",
                html_clock(feed->longest[i].from, from), html_clock(feed->longest[i].to, to),
                html_duration(feed->longest[i].to.ns - feed->longest[i].from.ns, length));
    fputs("</td></tr>", out);
}

static int put_feeds(struct report *report)
{
    FILE *out = report->out;
    struct report_feeds *feeds = &report->feeds;
    if (report_feeds_end(feeds, &report->data) != 0)
        return export_reader_failed(report->job);
    fputs("<h3>Feeds</h3>\n", out);
    if (feeds->count == 0) {
        fputs("<p>Nothing of any feed is stored for the time of the dive.</p>\n", out);
        return 0;
    }
    fputs("<p class=\"soft\">A silence is longer than ten usual intervals and than 5 s; the dive's begin and "
          "end "
          "count.</p>\n",
          out);
    report_table(out, "Feeds and their silences",
                 "Feed|Samples|Every|Silences|Together|The longest, in order of time", true);
    for (size_t i = 0; i < feeds->count; i++)
        put_feed(report, &feeds->feed[i]);
    report_table_end(out);
    return 0;
}

struct placing {
    uint32_t between, last, filtered, derived, ship, none, waited;
    double oldest_s;
};

static struct placing count_places(const struct report_data *data)
{
    struct placing sum = {0};
    for (size_t i = 0; i < data->markers; i++) {
        const struct report_marker *marker = &data->marker[i];
        const struct marker_position *position = &marker->position;
        if (!report_marker_stands(marker))
            continue;
        sum.waited += marker->waited ? 1 : 0;
        if (!position->known) {
            sum.none++;
            continue;
        }
        sum.ship += strcmp(position->source, "ship") == 0 ? 1 : 0;
        sum.oldest_s = fmax(sum.oldest_s, position->age_s);
        *(position->method == READING_METHOD_INTERPOLATED ? &sum.between
          : position->method == READING_METHOD_LAST       ? &sum.last
          : position->method == READING_METHOD_FILTERED   ? &sum.filtered
                                                          : &sum.derived) += 1;
    }
    return sum;
}

static void put_positions(struct report *report)
{
    FILE *out = report->out;
    const struct report_track *track = &report->track;
    struct placing sum = count_places(&report->data);
    char text[HTML_TEXT_SIZE];
    fputs("<h3>Positions</h3>\n<ul>\n", out);
    fprintf(out,
            "<li>Markers: %" PRIu32 " by the filtered track, %" PRIu32 " between two fixes, %" PRIu32
            " by the last fix before them, %" PRIu32 " with no position.</li>\n",
            sum.filtered + sum.derived, sum.between, sum.last, sum.none);
    if (sum.ship > 0)
        fprintf(out, "<li>%" PRIu32 " of them have the ship's place, for want of the vehicle's.</li>\n",
                sum.ship);
    fprintf(out,
            "<li>%" PRIu32
            " settled without all their feeds: the time to wait for late fixes ran out. The oldest "
            "fix used was %.1f s from its press.</li>\n",
            sum.waited, sum.oldest_s);
    if (track->fixes > 0)
        fprintf(
            out,
            "<li>Of %zu fixes %zu (%.1f %%) were outliers to the smoother, the longest pause between two was "
            "%s.</li>\n",
            track->fixes, track->outliers, 100.0 * (double)track->outliers / (double)track->fixes,
            html_duration(track->longest_ns, text));
    if (track->thinned > 0)
        fprintf(out,
                "<li>%zu more fixes came within 1 s of the one before and were not used for the smoothed "
                "track.</li>\n",
                track->thinned);
    fputs("</ul>\n", out);
}

/* ---- pads ---- */

static bool was_held(const struct report_marker *marker)
{
    return marker->origin == MARKER_FROM_KEY && marker->held_ns > HELD_NS;
}

static void put_held(struct report *report)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    size_t held = 0, late = 0, shown = 0;
    char ref[REF_SIZE], at[HTML_TEXT_SIZE], length[HTML_TEXT_SIZE];
    for (size_t i = 0; i < data->markers; i++) {
        held += was_held(&data->marker[i]) ? 1 : 0;
        late += data->marker[i].origin == MARKER_LATE ? 1 : 0;
    }
    fputs("<h3>Presses that waited</h3>\n", out);
    fprintf(out,
            "<p>%zu press%s waited in a pad for more than 1 s before the daemon had %s; each has the instant "
            "of its "
            "key-down. %zu entr%s made afterwards by hand.</p>\n",
            held, held == 1 ? "" : "es", held == 1 ? "it" : "them", late, late == 1 ? "y was" : "ies were");
    if (held == 0)
        return;
    report_table(out, "Presses that waited in a pad", "Marker|Key|Pad|Pressed|Waited", true);
    for (size_t i = 0; i < data->markers && shown < HELD_MOST; i++) {
        const struct report_marker *marker = &data->marker[i];
        if (!was_held(marker))
            continue;
        shown++;
        entry_ref(ref, data->dive, 'M', marker->number);
        report_row(out);
        fputs("<th role=\"rowheader\" scope=\"row\">", out);
        html_text(out, ref);
        fputs("</th>", out);
        report_cell_text(out, "Key", marker->label);
        report_cell_text(out, "Pad", marker->pad);
        report_cell_text(out, "Pressed", html_clock(marker->when.utc, at));
        report_cell_text(out, "Waited", html_duration(marker->held_ns, length));
        fputs("</tr>", out);
    }
    report_table_end(out);
    if (held > shown)
        fprintf(out, "<p>and %zu more.</p>\n", held - shown);
}

/* ---- notices ---- */

static void put_notices(struct report *report)
{
    FILE *out = report->out;
    const struct report_data *data = &report->data;
    char at[HTML_TEXT_SIZE];
    fputs("<h3>What the daemon told</h3>\n", out);
    if (data->notices == 0) {
        fputs("<p>Nothing.</p>\n", out);
        return;
    }
    report_table(out, "Notices about pads, feeds, clocks, timecode and faults", "When|About|What", true);
    for (size_t i = 0; i < data->notices && i < NOTICES_MOST; i++) {
        const struct query_notice *row = &data->notice[i];
        report_row(out);
        report_cell_text(out, "When",
                         row->made.at.trust != CLOCK_TRUST_NONE ? html_clock(row->made.at.utc, at) : "");
        report_cell(out, "About");
        fprintf(out, "%s ", entry_type_name(row->made.type));
        html_text(out, row->notice.about);
        fputs("</td>", out);
        report_cell_text(out, "What", row->notice.text[0] != '\0' ? row->notice.text : row->notice.state);
        fputs("</tr>", out);
    }
    report_table_end(out);
    if (data->notices > NOTICES_MOST)
        fprintf(out, "<p>and %zu more; <code>bellrope doctor</code> sums them up.</p>\n",
                data->notices - NOTICES_MOST);
}

/* ---- channels ---- */

static bool put_channel(void *ctx, const struct query_channel *row)
{
    struct report *report = ctx;
    FILE *out = report->out;
    char first[HTML_TEXT_SIZE], last[HTML_TEXT_SIZE];
    report_row(out);
    fputs("<th role=\"rowheader\" scope=\"row\">", out);
    html_text(out, row->channel);
    fputs("</th>", out);
    report_cell_text(out, "Feed", row->feed);
    report_cell_number(out, "Samples", "%" PRIu64, row->samples);
    report_cell_number(out, "Lowest", "%.8g", row->low);
    report_cell_number(out, "Highest", "%.8g", row->high);
    report_cell(out, "From and to");
    fprintf(out, "%s to %s</td></tr>", html_clock(row->first, first), html_clock(row->last, last));
    return true;
}

static void put_channels(struct report *report)
{
    const struct report_data *data = &report->data;
    fputs("<h3>Channels</h3>\n", report->out);
    if (!data->timed) {
        fputs("<p>Without UTC, what is stored of them cannot be told for this dive.</p>\n", report->out);
        return;
    }
    report_table(report->out, "What is stored of each channel, wild values included",
                 "Channel|Feed|Samples|Lowest|Highest|From and to", true);
    report_channels(data, put_channel, report);
    report_table_end(report->out);
}

int report_quality(struct report *report)
{
    report_section(report->out, "quality", "Data quality");
    put_bounds(report);
    put_trusts(report);
    put_timecode(report);
    if (put_feeds(report) != 0)
        return -1;
    put_positions(report);
    put_held(report);
    put_channels(report);
    put_notices(report);
    fputs("</section>\n", report->out);
    return 0;
}
