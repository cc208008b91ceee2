/* The report of a small dive, looked at as bytes and through libxml2's HTML parser; and what the doctor says of the same dive. */
#include "unit/store_fixture.h"

#include "export/doctor.h"
#include "export/html.h"
#include "export/report.h"
#include "export/svg.h"

#include <libxml/parser.h>
#include <math.h>

/* T0 is 2031-02-27T23:06:40Z */
#define S NS_PER_S
#define HOSTILE "<script>alert(1)</script> & \"x\" 'y' \xFF\x01"
#define LAT0 (-21.4)
#define LON0 8.2

static void place(struct marker *marker, double lat_deg, double lon_deg, double depth_m)
{
    marker->telemetry.position = (struct marker_position){.known = true,
                                                          .lat_deg = lat_deg,
                                                          .lon_deg = lon_deg,
                                                          .uncertainty_m = 6,
                                                          .method = READING_METHOD_FILTERED};
    SET_TEXT(marker->telemetry.position.source, "vehicle");
    struct marker_reading *reading = &marker->telemetry.reading[marker->telemetry.reading_count++];
    SET_TEXT(reading->channel, "vehicle.depth_m");
    reading->value = depth_m;
}

static void put_marker(struct fixture *f, uint32_t number, int64_t at_s, const char *kind, const char *label,
                       const char *term, uint32_t sighting)
{
    struct entry *entry = make_marker("D007", number, number, at_s * S);
    SET_TEXT(entry->of.marker.kind, kind);
    SET_TEXT(entry->of.marker.label, label);
    SET_TEXT(entry->of.marker.term, term);
    entry->of.marker.sighting = sighting;
    if (strcmp(kind, "phase") == 0)
        SET_TEXT(entry->of.marker.phase, "on bottom");
    entry->of.marker.timecode = (struct timecode_stamp){.trust = TIMECODE_TRUST_LOCKED, .bound_frames = 0.04};
    SET_TEXT(entry->of.marker.timecode.label, "23:07:00:05");
    SET_TEXT(entry->of.marker.timecode.rate, "25");
    place(&entry->of.marker, LAT0, LON0 + (double)at_s * 5e-6, 1000 + (double)at_s / 10);
    submit(f, entry);
}

static void put_sighting(struct fixture *f, uint32_t number, const char *state, const char *label,
                         uint32_t first, uint32_t individuals, int64_t from_s, int64_t to_s)
{
    struct entry *entry = make_entry(ENTRY_SIGHTING, "D007", to_s * S);
    entry->of.sighting = (struct sighting_entry){.number = number,
                                                 .first_marker = first,
                                                 .last_marker = first,
                                                 .marker_count = 1,
                                                 .individuals = individuals,
                                                 .start = {T0 + from_s * S},
                                                 .end = {T0 + to_s * S}};
    SET_TEXT(entry->of.sighting.state, state);
    SET_TEXT(entry->of.sighting.closed_by, "key");
    SET_TEXT(entry->of.sighting.label, label);
    submit(f, entry);
}

static void put_span(struct fixture *f, uint32_t number, const char *kind, const char *label,
                     uint32_t transect, uint32_t first, int64_t from_s, int64_t to_s)
{
    struct entry *entry = make_entry(ENTRY_SPAN, "D007", to_s * S);
    entry->of.span = (struct span_entry){.number = number,
                                         .transect = transect,
                                         .first_marker = first,
                                         .start = {T0 + from_s * S},
                                         .end = {T0 + to_s * S}};
    SET_TEXT(entry->of.span.kind, kind);
    SET_TEXT(entry->of.span.label, label);
    SET_TEXT(entry->of.span.state, "closed");
    SET_TEXT(entry->of.span.closed_by, "key");
    submit(f, entry);
}

static void put_name(struct fixture *f, const char *name, const char *qualifier, const char *by, int64_t at_s)
{
    struct entry *entry = make_entry(ENTRY_IDENTIFICATION, "D007", at_s * S);
    SET_TEXT(entry->of.identification.target, "D007-S001");
    SET_TEXT(entry->of.identification.name, name);
    SET_TEXT(entry->of.identification.qualifier, qualifier);
    SET_TEXT(entry->of.identification.by, by);
    submit(f, entry);
}

static void put_value(struct fixture *f, const char *channel, const char *feed, int64_t at_ms, double value)
{
    struct engine_sample sample = {.channel = channel,
                                   .feed = feed,
                                   .at = {1000 + at_ms * NS_PER_MS},
                                   .utc = {T0 + at_ms * NS_PER_MS},
                                   .value = value};
    store_sample(f->store, &sample);
}

/* 5e-6 degrees of longitude a second at 21.4 S is 0.5186 m/s due east. The CTD is silent from 120 to 180 s. */
static void put_telemetry(struct fixture *f)
{
    for (int64_t s = 0; s <= 300; s += 2) {
        put_value(f, "vehicle.lat_deg", "acoustic", s * 1000, LAT0);
        put_value(f, "vehicle.lon_deg", "acoustic", s * 1000, LON0 + (double)s * 5e-6);
        put_value(f, "vehicle.position_uncertainty_m", "acoustic", s * 1000, 2);
    }
    for (int64_t s = 0; s <= 300; s++) {
        put_value(f, "vehicle.depth_m", "vehicle", s * 1000, s == 77 ? 1234.5 : 1000 + (double)s / 10);
        if (s >= 120 && s < 180)
            continue;
        put_value(f, "water.pressure_dbar", "ctd", s * 1000, 0);
        put_value(f, "water.temperature_C", "ctd", s * 1000, 15 / 1.00024);
        put_value(f, "water.conductivity_mS_cm", "ctd", s * 1000, 42.914); /* PSS-78: salinity 35 */
    }
}

static void put_records(struct fixture *f)
{
    put_marker(f, 1, 10, "phase", "On bottom", "", 0);
    put_marker(f, 2, 60, "subject", HOSTILE, "", 1);
    put_marker(f, 3, 65, "detail", "Ask shore", "rope:ask", 1);
    put_marker(f, 4, 120, "subject", "Slippedfish", "", 2);
    put_marker(f, 5, 150, "sample", "Push core", "", 0);
    put_marker(f, 6, 250, "subject", "Coral", "", 3);
    put_sighting(f, 1, "closed", HOSTILE, 2, 3, 55, 70);
    put_sighting(f, 2, "struck", "Slippedfish", 4, 5, 115, 130);
    put_sighting(f, 3, "closed", "Coral", 6, 1, 245, 260);
    put_span(f, 1, "phase", "On bottom", 0, 1, 10, 290);
    put_span(f, 2, "transect", "Transect", 1, 1, 50, 250);
    put_name(f, "Asteria prima", "cf.", "Ida Moor", 200);
    put_name(f, "Asteria secunda", "", "Per Vang", 210);
    struct entry *entry = make_entry(ENTRY_STRIKE, "D007", 125 * S);
    SET_TEXT(entry->of.strike.target, "D007-M0004");
    SET_TEXT(entry->of.strike.why, "a slip of the hand");
    submit(f, entry);
    for (uint32_t number = 1; number <= 2; number++) {
        entry = make_entry(ENTRY_SAMPLE, "D007", 151 * S);
        entry->of.sample = (struct sample_entry){.number = number, .marker = 5, .taken = {T0 + 150 * S}};
        SET_TEXT(entry->of.sample.state, number == 1 ? "taken" : "retired");
        SET_TEXT(entry->of.sample.container, "QUIVER");
        SET_TEXT(entry->of.sample.label, number == 1 ? "Push core" : "Wrongcore");
        submit(f, entry);
    }
}

static void put_notice(struct fixture *f, enum entry_type type, const char *about, const char *state,
                       int64_t at_s)
{
    struct entry *entry = make_notice(type, about, state);
    entry->at = when_at(at_s * S);
    SET_TEXT(entry->dive, "D007");
    SET_TEXT(entry->of.notice.text, state);
    submit(f, entry);
}

static struct store_reader *small_dive(struct fixture *f)
{
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    put_notice(f, ENTRY_FEED, "ctd", "silent", 130);
    put_notice(f, ENTRY_FEED, "ctd", "silent", 140); /* part of the same silence */
    put_notice(f, ENTRY_FEED, "ctd", "heard", 180);
    put_notice(f, ENTRY_TIMECODE, "recorder", "jumped", 200);
    put_notice(f, ENTRY_PAD, "P-03", "lost", 280);
    put_records(f);
    put_telemetry(f);
    submit(f, make_dive("D007", "ended", 300 * S));
    flush(f);
    return open_reader(f);
}

static char *written(struct fixture *f, struct store_reader *reader, const struct report_options *how)
{
    const struct export_options options = {.dive = "D007", .report = how};
    char path[160], why[EXPORT_WHY_SIZE] = "";
    snprintf(path, sizeof path, "%s/out.html", f->folder);
    if (export_write(&export_report, reader, &options, path, why) != 0)
        fail_msg("%s", why);
    FILE *in = fopen(path, "rb");
    char *text = calloc(1, 400000);
    size_t len = fread(text, 1, 399999, in);
    assert_in_range(len, 1000, 399998);
    fclose(in);
    return text;
}

/* The page is written so that it is XML too but for what HTML leaves open; here that is closed, and a strict reader judges the rest. */
static void assert_well_formed(const char *page)
{
    char *text = calloc(2, strlen(page) + 1), *out = text;
    for (const char *at = page; *at != '\0'; at++) {
        bool is_void =
            strncmp(at, "<meta ", 6) == 0 || strncmp(at, "<br>", 4) == 0 || strncmp(at, "<img ", 5) == 0;
        if (strncmp(at, "<!DOCTYPE", 9) == 0)
            at = strchr(at, '>') + 1;
        if (!is_void) {
            *out++ = *at;
            continue;
        }
        while (*at != '>')
            *out++ = *at++;
        *out++ = '/';
        *out++ = '>';
    }
    xmlDocPtr doc = xmlReadMemory(text, (int)strlen(text), "page", NULL, XML_PARSE_NONET);
    if (doc == NULL)
        fail_msg("%s", xmlGetLastError()->message);
    xmlFreeDoc(doc);
    free(text);
}

static void assert_has(const char *page, const char *text)
{
    if (strstr(page, text) == NULL)
        fail_msg("the page does not have: %s", text);
}

static const char *section(const char *page, const char *id)
{
    char head[64];
    snprintf(head, sizeof head, "<h2 id=\"%s\">", id);
    const char *at = strstr(page, head);
    assert_non_null(at);
    return at;
}

static void the_page_is_well_formed_and_the_same_each_time(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    const struct report_options how = {.view_width_m = 2};
    char *page = written(f, reader, &how), *again = written(f, reader, &how);
    assert_string_equal(page, again);
    assert_well_formed(page);
    assert_null(strstr(page, "<script"));
    assert_null(strstr(page, "http"));
    assert_has(page, "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;x&quot; &#39;y&#39; \xEF\xBF\xBD");
    free(page);
    free(again);
    store_reader_close(reader);
}

static void its_numbers_are_right(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    const struct report_options how = {.view_width_m = 2};
    char *page = written(f, reader, &how);
    assert_has(page, "<dt>Duration</dt><dd>5 min 00 s");
    assert_has(page, "<dt>On the bottom</dt><dd>4 min 40 s");
    assert_has(page, "<dt>Greatest depth</dt><dd>1234.5 m"); /* one sample of 301: no spike is lost */
    assert_has(page, "<dt>Sightings</dt><dd>2 <span class=\"soft\">4 individuals, 1 named");
    assert_has(page, "<dt>Samples</dt><dd>1 <span class=\"soft\">1 struck, not counted");
    assert_has(page, "<dt>Markers</dt><dd>5 <span class=\"soft\">1 struck, not counted");
    assert_has(page, "<dt>Salinity</dt><dd>35.00</dd>"); /* PSS-78's defining point */
    /* a transect of 200 s due east */
    double length_m = 0, sigma_m = 0;
    const char *at = strstr(section(page, "effort"), "Together ");
    assert_non_null(at);
    assert_int_equal(sscanf(at, "Together %lf ± %lf m", &length_m, &sigma_m), 2);
    assert_true(fabs(length_m - 103.7) < 3 * sigma_m + 0.5);
    assert_true(sigma_m < 5);
    /* of the sightings one of 3 starts on it; both on 280 s of bottom */
    assert_has(page, "data-l=\"Per bottom hour\">38.6</td>");
    /* the later name first, the earlier kept */
    const char *later = strstr(section(page, "sightings"), "<i>Asteria secunda</i>");
    assert_non_null(later);
    assert_non_null(strstr(later, "before: <i>Asteria prima</i> cf."));
    /* the silence of the CTD */
    assert_has(section(page, "quality"),
               "<div>23:08:39 to 23:09:40 <span class=\"soft nw\">(1 min 01 s)</span></div>");
    free(page);
    store_reader_close(reader);
}

static void what_is_struck_shows_as_struck_alone(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    char *page = written(f, reader, NULL);
    char *struck = strstr(page, "<h2 id=\"struck\">");
    assert_non_null(struck);
    assert_has(struck, "<s>D007-M0004</s>");
    assert_has(struck, "<s>D007-S002</s>");
    assert_has(struck, "<s>D007-A002</s>");
    assert_has(struck, "a slip of the hand");
    *struck = '\0';
    assert_null(strstr(page, "Slippedfish"));
    assert_null(strstr(page, "Wrongcore"));
    free(page);
    store_reader_close(reader);
}

static void for_shore_has_what_is_asked_alone(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    const struct report_options how = {.for_shore = true};
    char *page = written(f, reader, &how);
    assert_well_formed(page);
    assert_has(page, "<h3 id=\"s1\">D007-S001: &lt;script&gt;");
    assert_has(page, "23:07:00:05");
    assert_null(strstr(page, "Coral"));
    assert_null(strstr(page, "Slippedfish"));
    free(page);
    store_reader_close(reader);
}

static void stills_are_linked_or_put_in(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    char path[160];
    snprintf(path, sizeof path, "%s/index.json", f->folder);
    FILE *out = fopen(path, "w");
    fputs("{\"clips\":[{\"sighting\":\"D007-S001\",\"still\":\"a b.png\"},"
          "{\"sighting\":\"D007-S003\",\"still\":\"../../"
          "secret.png\"},{\"marker\":\"D009-M0002\",\"still\":\"z.png\"}]}",
          out);
    fclose(out);
    snprintf(path, sizeof path, "%s/a b.png", f->folder);
    out = fopen(path, "w");
    fputs("PNG!", out);
    fclose(out);
    struct report_options how = {.clips = f->folder, .link = "clips/"};
    char *page = written(f, reader, &how);
    assert_well_formed(page);
    assert_has(page, "src=\"clips/a%20b.png\"");
    assert_null(strstr(page, "secret"));
    assert_null(strstr(page, "z.png"));
    free(page);
    how.for_shore = true;
    page = written(f, reader, &how);
    assert_has(page, "src=\"data:image/png;base64,UE5HIQ==\"");
    free(page);
    store_reader_close(reader);
}

static void write_text(const struct fixture *f, const char *name, const char *text)
{
    char path[160];
    snprintf(path, sizeof path, "%s/%s", f->folder, name);
    FILE *out = fopen(path, "w");
    fputs(text, out);
    fclose(out);
}

static void a_page_for_shore_takes_the_small_still(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    write_text(f, "index.json",
               "{\"stills\":[{\"marker\":\"D007-M0001\",\"sighting\":\"D007-S001\","
               "\"still\":\"big.png\",\"small\":\"little.jpg\"}]}");
    write_text(f, "big.png", "PNG!");
    write_text(f, "little.jpg", "JPEG");
    struct report_options how = {.clips = f->folder, .link = "clips/"};
    char *page = written(f, reader, &how);
    assert_has(page, "src=\"clips/big.png\"");
    assert_null(strstr(page, "little.jpg"));
    free(page);
    how.for_shore = true;
    page = written(f, reader, &how);
    assert_has(page, "src=\"data:image/jpeg;base64,SlBFRw==\"");
    assert_null(strstr(page, "UE5HIQ"));
    free(page);
    store_reader_close(reader);
}

static void an_empty_dive_has_a_page(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    flush(f);
    struct store_reader *reader = open_reader(f);
    char *page = written(f, reader, NULL);
    assert_well_formed(page);
    assert_has(page, "No position of the vehicle is known.");
    free(page);
    store_reader_close(reader);
}

/* ---- the doctor ---- */

struct heard {
    char text[4000];
};

static void hear(void *ctx, const struct doctor_finding *finding)
{
    struct heard *heard = ctx;
    size_t len = strlen(heard->text);
    int64_t from = finding->timed ? (finding->from.ns - T0) / S : -1;
    int64_t to = finding->timed && finding->lasting && !finding->unended ? (finding->to.ns - T0) / S : -1;
    snprintf(heard->text + len, sizeof heard->text - len, "%s %s %" PRId64 " %" PRId64 "\n", finding->kind,
             finding->about, from, to);
}

static void the_doctor_says_what_when(void **state)
{
    struct fixture *f = *state;
    struct heard heard = {""};
    char why[200] = "";
    struct store_reader *reader = small_dive(f);
    assert_int_equal(doctor_examine(reader, "D007", NULL, hear, &heard, why, sizeof why), 0);
    assert_string_equal(heard.text, "timecode recorder 200 -1\nfeed ctd 130 180\npad P-03 280 -1\n");
    store_reader_close(reader);
}

/* ---- helpers of the drawings ---- */

static void steps_are_round_and_few(void **state)
{
    (void)state;
    assert_true(fabs(svg_step(97, 5) - 20) < 1e-9);
    assert_true(fabs(svg_step(0.0031, 5) - 0.001) < 1e-12);
    assert_int_equal(svg_decimals(0.001), 3);
    assert_int_equal(svg_decimals(20), 0);
    assert_int_equal(svg_time_step_ns(8 * 3600 * S, 9), 3600 * S);
    assert_int_equal(svg_time_step_ns(50 * S, 9), 10 * S);
    for (double span = 1e-6; span < 1e7; span *= 1.37) {
        double pieces = span / svg_step(span, 5);
        assert_true(pieces <= 5 + 1e-9 && pieces > 1.9);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {STORE_TEST(the_page_is_well_formed_and_the_same_each_time),
                                       STORE_TEST(its_numbers_are_right),
                                       STORE_TEST(what_is_struck_shows_as_struck_alone),
                                       STORE_TEST(for_shore_has_what_is_asked_alone),
                                       STORE_TEST(stills_are_linked_or_put_in),
                                       STORE_TEST(a_page_for_shore_takes_the_small_still),
                                       STORE_TEST(an_empty_dive_has_a_page),
                                       STORE_TEST(the_doctor_says_what_when),
                                       cmocka_unit_test(steps_are_round_and_few)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
