/* Exports of a small dive, looked at as bytes: csv, json and webvtt, and the rows that socket and command share. */
#include "unit/store_fixture.h"

#include "export/export.h"
#include "export/rowjson.h"

#include <jansson.h>

/* T0 is 2031-02-27T23:06:40Z */
#define S NS_PER_S

static void add_reading(struct marker *marker, const char *channel, double value)
{
    struct marker_reading *reading = &marker->telemetry.reading[marker->telemetry.reading_count++];
    SET_TEXT(reading->channel, channel);
    reading->value = value;
    reading->method = READING_METHOD_INTERPOLATED;
    SET_TEXT(reading->source, "ctd");
}

static void stamp(struct marker *marker, const char *label, int64_t frame)
{
    marker->timecode =
        (struct timecode_stamp){.trust = TIMECODE_TRUST_LOCKED, .frame = frame, .bound_frames = 0.04};
    SET_TEXT(marker->timecode.label, label);
    SET_TEXT(marker->timecode.rate, "25");
}

/* Dive D007: four markers (the third struck, the fourth before the others in time), a sighting with a name, a sample, a remark. */
static struct store_reader *small_dive(struct fixture *f)
{
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 0));
    struct entry *entry = make_marker("D007", 1, 1, 10 * S);
    stamp(&entry->of.marker, "23:06:50:00", 2080250);
    entry->of.marker.sighting = 1;
    SET_TEXT(entry->of.marker.note, "two, <small> & \"odd\"\nsecond line --> here");
    entry->of.marker.telemetry.position =
        (struct marker_position){.known = true, .lat_deg = -12.345678, .lon_deg = 45.5, .uncertainty_m = 6.1};
    SET_TEXT(entry->of.marker.telemetry.position.source, "vehicle");
    add_reading(&entry->of.marker, "vehicle.depth_m", 1204.6);
    submit(f, entry);
    entry = make_marker("D007", 2, 2, 12 * S + 500 * NS_PER_MS);
    stamp(&entry->of.marker, "23:06:52:12", 2080312);
    SET_TEXT(entry->of.marker.label, "Große Qualle");
    add_reading(&entry->of.marker, "water.temperature_C", 2.75);
    submit(f, entry);
    entry = make_marker("D007", 3, 3, 14 * S);
    stamp(&entry->of.marker, "23:06:54:00", 2080350);
    submit(f, entry);
    entry = make_marker("D007", 4, 0, 5 * S);
    entry->of.marker.origin = MARKER_LATE;
    submit(f, entry);
    entry = make_entry(ENTRY_STRIKE, "D007", 15 * S);
    SET_TEXT(entry->of.strike.target, "D007-M0003");
    SET_TEXT(entry->of.strike.why, "slip");
    submit(f, entry);
    entry = make_entry(ENTRY_SIGHTING, "D007", 16 * S);
    entry->of.sighting = (struct sighting_entry){.number = 1,
                                                 .first_marker = 1,
                                                 .last_marker = 1,
                                                 .marker_count = 1,
                                                 .individuals = 2,
                                                 .start = {T0 + 9 * S}};
    SET_TEXT(entry->of.sighting.seat, "science");
    SET_TEXT(entry->of.sighting.state, "open");
    SET_TEXT(entry->of.sighting.label, "Fish");
    submit(f, entry);
    entry = make_entry(ENTRY_IDENTIFICATION, "D007", 17 * S);
    SET_TEXT(entry->of.identification.target, "D007-S001");
    SET_TEXT(entry->of.identification.name, "Gadus morhua");
    SET_TEXT(entry->of.identification.verbatim, "Gadus morhua cf.");
    SET_TEXT(entry->of.identification.qualifier, "cf.");
    submit(f, entry);
    entry = make_entry(ENTRY_SAMPLE, "D007", 18 * S);
    entry->of.sample = (struct sample_entry){.number = 1, .marker = 1, .taken = {T0 + 10 * S}};
    SET_TEXT(entry->of.sample.state, "taken");
    SET_TEXT(entry->of.sample.container, "box 3");
    SET_TEXT(entry->of.sample.label, "Sponge");
    submit(f, entry);
    entry = make_entry(ENTRY_REMARK, "D007", 19 * S);
    SET_TEXT(entry->of.remark.target, "D007-M0001");
    SET_TEXT(entry->of.remark.text, "well seen");
    submit(f, entry);
    flush(f);
    return open_reader(f);
}

/* Writes an export beside the database and reads it back. */
static char *written(struct fixture *f, struct store_reader *reader, const char *format,
                     const struct export_options *options)
{
    char path[160], why[EXPORT_WHY_SIZE] = "";
    snprintf(path, sizeof path, "%s/out", f->folder);
    if (export_write(export_format_find(format), reader, options, path, why) != 0)
        fail_msg("%s: %s", format, why);
    FILE *in = fopen(path, "rb");
    char *text = calloc(1, 200000);
    size_t len = fread(text, 1, 199999, in);
    assert_true(len > 0);
    fclose(in);
    return text;
}

static void markers_as_csv(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    struct export_options options = {0};
    char *text = written(f, reader, "csv", &options);
    assert_string_equal(
        text, "id,dive,number,struck,utc,utc_bound_ms,clock,utc_as_pressed,timecode,timecode_rate,timecode_"
              "bound_frames,"
              "timecode_state,origin,seat,who,pad,key,gesture,kind,label,term,lead_s,note,sighting,settled,"
              "lat_deg,lon_deg,"
              "position_uncertainty_m,position_source,position_method,position_age_s,vehicle.depth_m,water."
              "temperature_C\r\n"
              "D007-M0001,D007,1,no,2031-02-27T23:06:50.000Z,0,synced,2031-02-27T23:06:50.000Z,23:06:50:00,"
              "25,0.04,locked,key,"
              "science,,P-03,A1,tap,subject,Fish,,0,\"two, <small> & \"\"odd\"\"\nsecond line --> "
              "here\",D007-S001,no,-12.345678,"
              "45.5,6.1,vehicle,interpolated,0,1204.6,\r\n"
              "D007-M0002,D007,2,no,2031-02-27T23:06:52.500Z,0,synced,2031-02-27T23:06:52.500Z,23:06:52:12,"
              "25,0.04,locked,key,"
              "science,,P-03,A1,tap,subject,Große Qualle,,0,,,no,,,,,,,,2.75\r\n"
              "D007-M0003,D007,3,yes,2031-02-27T23:06:54.000Z,0,synced,2031-02-27T23:06:54.000Z,23:06:54:00,"
              "25,0.04,locked,key,"
              "science,,P-03,A1,tap,subject,Fish,,0,,,no,,,,,,,,\r\n"
              "D007-M0004,D007,4,no,2031-02-27T23:06:45.000Z,0,synced,2031-02-27T23:06:45.000Z,,,,none,late,"
              "science,,,A1,soft,subject,Fish,,0,,,no,,,,,,,,\r\n");
    free(text);
    options.table = "sightings";
    text = written(f, reader, "csv", &options);
    assert_non_null(strstr(
        text,
        "\r\nD007-S001,D007,1,open,science,Fish,,2031-02-27T23:06:49.000Z,,,0,2,1,D007-M0001,D007-M0001,"
        ",,,Gadus morhua,cf.,,,\r\n"));
    free(text);
    options.table = "samples";
    text = written(f, reader, "csv", &options);
    assert_non_null(strstr(
        text, "\r\nD007-A001,D007,1,taken,box 3,,,Sponge,,,2031-02-27T23:06:50.000Z,D007-M0001,,\r\n"));
    free(text);
    store_reader_close(reader);
}

static void a_dive_as_json(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    struct export_options options = {.dive = "D007"};
    char *text = written(f, reader, "json", &options);
    char *again = written(f, reader, "json", &options);
    assert_string_equal(text, again);
    json_error_t error;
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, &error);
    if (root == NULL)
        fail_msg("line %d: %s", error.line, error.text);
    assert_string_equal(json_string_value(json_object_get(json_object_get(root, "dive"), "id")), "D007");
    const json_t *markers = json_object_get(root, "markers");
    assert_int_equal(json_array_size(markers), 4);
    assert_true(json_is_false(json_object_get(json_array_get(markers, 1), "struck")));
    assert_true(json_is_true(json_object_get(json_array_get(markers, 2), "struck")));
    const json_t *sighting = json_array_get(json_object_get(root, "sightings"), 0);
    assert_string_equal(
        json_string_value(json_object_get(json_object_get(sighting, "identification"), "qualifier")), "cf.");
    const json_t *sample = json_array_get(json_object_get(root, "samples"), 0);
    assert_true(json_real_value(json_object_get(sample, "depth_m")) > 1204.59);
    assert_int_equal(json_array_size(json_object_get(root, "spans")), 0);
    /* dive, strike, identification, remark */
    assert_int_equal(json_array_size(json_object_get(root, "events")), 4);
    json_decref(root);
    free(text);
    free(again);
    store_reader_close(reader);
}

static void captions_from_the_dives_begin(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    struct export_options options = {0};
    char *text = written(f, reader, "webvtt", &options);
    assert_string_equal(text,
                        "WEBVTT\n\nNOTE\n"
                        "dive D007; times count from 2031-02-27T23:06:40.000Z\n"
                        "left out: 1 struck, 0 without a known time, 0 before the first frame\n"
                        "\nD007-M0004\n00:00:05.000 --> 00:00:09.000\nFish\n"
                        "\nD007-M0001\n00:00:10.000 --> 00:00:14.000\nFish · S001 · 1204.6 m · 23:06:50:00\n"
                        "two, &lt;small&gt; &amp; \"odd\" second line --&gt; here\n"
                        "\nD007-M0002\n00:00:12.500 --> 00:00:16.500\nGroße Qualle · 23:06:52:12\n");
    free(text);
    store_reader_close(reader);
}

static void captions_from_the_videos_first_frame(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    /* by UTC: 12 s into the dive; M4 is long past, M1 reaches into the video by 2 s */
    struct export_options options = {.has_video_utc = true, .video_utc = {T0 + 12 * S}};
    char *text = written(f, reader, "webvtt", &options);
    assert_non_null(strstr(text, "1 struck, 0 without a known time, 1 before the first frame\n"));
    assert_non_null(strstr(text, "\nD007-M0001\n00:00:00.000 --> 00:00:02.000\n"));
    assert_non_null(strstr(text, "\nD007-M0002\n00:00:00.500 --> 00:00:04.500\n"));
    free(text);
    /* by timecode: exact to the frame, over midnight; M4 has none */
    options = (struct export_options){.video_timecode = "23:06:40:00"};
    text = written(f, reader, "webvtt", &options);
    assert_non_null(strstr(text, "1 struck, 1 without a known time, 0 before the first frame\n"));
    assert_non_null(strstr(text, "\nD007-M0001\n00:00:10.000 --> 00:00:14.000\n"));
    assert_non_null(strstr(text, "\nD007-M0002\n00:00:12.480 --> 00:00:16.480\n"));
    free(text);
    options.video_timecode = "12:06:50:00"; /* 11 hours before */
    text = written(f, reader, "webvtt", &options);
    assert_non_null(strstr(text, "\nD007-M0001\n11:00:00.000 --> 11:00:04.000\n"));
    free(text);
    options.video_timecode = "00:00:00:00"; /* after midnight: all before the first frame */
    text = written(f, reader, "webvtt", &options);
    assert_non_null(strstr(text, "1 struck, 1 without a known time, 2 before the first frame\n"));
    free(text);
    store_reader_close(reader);
}

static void what_cannot_be_written_leaves_nothing(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    char path[200], why[EXPORT_WHY_SIZE];
    struct export_options options = {.dive = "D008"};
    snprintf(path, sizeof path, "%s/out", f->folder);
    assert_int_equal(export_write(&export_json, reader, &options, path, why), -1);
    assert_non_null(strstr(why, "there is no dive D008"));
    options = (struct export_options){.table = "whales"};
    assert_int_equal(export_write(&export_csv, reader, &options, path, why), -1);
    assert_non_null(strstr(why, "markers, sightings"));
    options = (struct export_options){.video_timecode = "25:00:00"};
    assert_int_equal(export_write(&export_webvtt, reader, &options, path, why), -1);
    options = (struct export_options){.dive = ""};
    assert_int_equal(export_write(&export_webvtt, reader, &options, path, why), -1);
    assert_non_null(strstr(why, "is not known"));
    snprintf(path, sizeof path, "%s/none/out", f->folder);
    options = (struct export_options){0};
    assert_int_equal(export_write(&export_json, reader, &options, path, why), -1);
    assert_non_null(strstr(why, "none/out"));
    store_reader_close(reader);
    /* the database, its log, its shared memory and its lock; no export, whole or half */
    DIR *folder = opendir(f->folder);
    for (struct dirent *file = readdir(folder); file != NULL; file = readdir(folder))
        if (file->d_name[0] != '.' && strncmp(file->d_name, "dive.db", 7) != 0)
            fail_msg("left behind: %s", file->d_name);
    closedir(folder);
}

static json_t *answer(struct store_reader *reader, struct rowjson_query query)
{
    char why[256] = "";
    char *text = rowjson_answer(reader, &query, why, sizeof why);
    if (text == NULL)
        fail_msg("%s", why);
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(root);
    free(text);
    return root;
}

static void is_page(json_t *root, const char *rows, size_t count, json_int_t first, bool more)
{
    const json_t *list = json_object_get(root, rows);
    assert_int_equal(json_array_size(list), count);
    if (count > 0)
        assert_int_equal(json_integer_value(json_object_get(json_array_get(list, 0), "number")), first);
    assert_int_equal(json_is_true(json_object_get(root, "more")), more);
    json_decref(root);
}

static void answers_come_in_pages(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader = small_dive(f);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_MARKERS}), "markers", 4, 1, false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_MARKERS, .limit = 3}), "markers", 3, 1,
            true);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_MARKERS, .limit = 3, .after = 3}),
            "markers", 1, 4, false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_MARKERS, .limit = 4}), "markers", 4, 1,
            false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_MARKERS, .limit = 2, .newest = true}),
            "markers", 2, 3, false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_MARKERS, .limit = 9, .newest = true}),
            "markers", 4, 1, false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_SIGHTINGS, .dive = "D007"}), "sightings", 1,
            1, false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_SAMPLES, .limit = 1}), "samples", 1, 1,
            false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_SPANS}), "spans", 0, 0, false);
    is_page(answer(reader, (struct rowjson_query){.kind = ROWJSON_MARKERS, .dive = ""}), "markers", 0, 0,
            false);
    json_t *dives = answer(reader, (struct rowjson_query){.kind = ROWJSON_DIVES});
    assert_int_equal(json_array_size(json_object_get(dives, "dives")), 1);
    json_decref(dives);
    char why[256];
    struct rowjson_query unknown = {.kind = ROWJSON_MARKERS, .dive = "D009"};
    assert_null(rowjson_answer(reader, &unknown, why, sizeof why));
    assert_non_null(strstr(why, "there is no dive D009"));
    assert_int_equal(rowjson_dive_known(reader, "D007"), 1);
    assert_int_equal(rowjson_dive_known(reader, "D009"), 0);
    store_reader_close(reader);
}

static void the_dive_that_is_meant(void **state)
{
    struct fixture *f = *state;
    char dive[DIVE_ID_SIZE];
    fixture_open(f);
    struct store_reader *reader = open_reader(f);
    assert_true(rowjson_default_dive(reader, dive));
    assert_string_equal(dive, "");
    submit(f, make_dive("Z1", "begun", 0));
    submit(f, make_dive("Z1", "ended", 1 * S));
    submit(f, make_dive("A2", "begun", 2 * S));
    submit(f, make_dive("A2", "ended", 3 * S));
    flush(f);
    assert_true(rowjson_default_dive(reader, dive));
    assert_string_equal(dive, "A2"); /* the latest, not the last by name */
    submit(f, make_dive("B3", "begun", 4 * S));
    flush(f);
    assert_true(rowjson_default_dive(reader, dive));
    assert_string_equal(dive, "B3");
    store_reader_close(reader);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(markers_as_csv),
        STORE_TEST(a_dive_as_json),
        STORE_TEST(captions_from_the_dives_begin),
        STORE_TEST(captions_from_the_videos_first_frame),
        STORE_TEST(what_cannot_be_written_leaves_nothing),
        STORE_TEST(answers_come_in_pages),
        STORE_TEST(the_dive_that_is_meant),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
