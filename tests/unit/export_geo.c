/* GeoJSON, GPX and KML of one dive: lines over the antimeridian and drop-outs, escaping, what is struck, what has no place. */
#include "unit/export_dive.h"

#include "export/path.h"

#include <jansson.h>
#include <libxml/parser.h>
#include <libxml/xpath.h>
#include <libxml/xpathInternals.h>

static const struct dive_plan PLAN = {.rate = TC_RATE_25};

static json_t *as_json(struct fixture *f, const struct export_options *options)
{
    json_error_t error;
    char *text = dive_exported(f, "geojson", options, NULL);
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, &error);
    if (root == NULL)
        fail_msg("line %d: %s", error.line, error.text);
    free(text);
    return root;
}

static const json_t *feature(const json_t *root, const char *id)
{
    size_t i;
    const json_t *each;
    json_array_foreach(json_object_get(root, "features"), i, each)
    {
        if (strcmp(json_string_value(json_object_get(each, "id")), id) == 0)
            return each;
    }
    fail_msg("no feature %s", id);
    return NULL;
}

static double number(const json_t *line, size_t point, size_t axis)
{
    return json_number_value(json_array_get(json_array_get(line, point), axis));
}

/* No piece jumps over the antimeridian, each has two points, and neighbours meet there. */
static void check_pieces(const json_t *lines, size_t *crossings)
{
    size_t i;
    const json_t *line;
    *crossings = 0;
    json_array_foreach(lines, i, line)
    {
        assert_true(json_array_size(line) >= 2);
        for (size_t k = 1; k < json_array_size(line); k++)
            assert_true(fabs(number(line, k, 0) - number(line, k - 1, 0)) < 1);
        if (i == 0)
            continue;
        const json_t *before = json_array_get(lines, i - 1);
        size_t last = json_array_size(before) - 1;
        if (fabs(number(before, last, 0)) == 180 && number(before, last, 0) == -number(line, 0, 0)) {
            assert_true(fabs(number(before, last, 1) - number(line, 0, 1)) < 1e-9);
            (*crossings)++;
        }
    }
}

static void a_track_is_split_at_the_antimeridian(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    size_t crossings;
    dive_make(f, &PLAN);
    json_t *root = as_json(f, &options);
    const json_t *geometry = json_object_get(feature(root, "track"), "geometry");
    const json_t *lines = json_object_get(geometry, "coordinates");
    assert_string_equal(json_string_value(json_object_get(geometry, "type")), "MultiLineString");
    assert_int_equal(json_array_size(lines), 3); /* two over the crossing, one behind the drop-out */
    check_pieces(lines, &crossings);
    assert_int_equal(crossings, 1);
    assert_true(number(json_array_get(lines, 0), 0, 0) > 179);
    /* the smoothed way is within centimetres of the straight one that the fixes lie on */
    double lat, lon;
    dive_place(0.3, &lat, &lon);
    assert_true(fabs(number(json_array_get(lines, 0), 0, 1) - lat) < 1e-5);
    json_decref(root);
}

static void a_transect_is_its_piece_of_track(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    size_t crossings;
    dive_make(f, &PLAN);
    json_t *root = as_json(f, &options);
    const json_t *lines =
        json_object_get(json_object_get(feature(root, "D007-T002"), "geometry"), "coordinates");
    double lat, lon;
    check_pieces(lines, &crossings);
    assert_int_equal(crossings, 1);
    dive_place(100, &lat, &lon);
    assert_true(fabs(number(json_array_get(lines, 0), 0, 1) - lat) < 2e-5);
    const json_t *last = json_array_get(lines, json_array_size(lines) - 1);
    dive_place(400, &lat, &lon);
    assert_true(fabs(number(last, json_array_size(last) - 1, 1) - lat) < 2e-5);
    json_decref(root);
}

static void struck_markers_are_nowhere_on_a_map(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    dive_make(f, &PLAN);
    json_t *root = as_json(f, &options);
    const json_t *struck = feature(root, "D007-M0007");
    assert_true(json_is_null(json_object_get(struck, "geometry")));
    assert_true(json_is_true(json_object_get(json_object_get(struck, "properties"), "struck")));
    const json_t *good = feature(root, "D007-M0003");
    assert_string_equal(json_string_value(json_object_get(json_object_get(good, "geometry"), "type")),
                        "Point");
    assert_true(json_is_null(json_object_get(feature(root, "D007-M0013"), "geometry")));
    json_decref(root);
}

static xmlXPathContext *xml_of(struct fixture *f, const char *format, const char *space)
{
    struct export_options options = {0};
    size_t len;
    char *text = dive_exported(f, format, &options, &len);
    xmlDoc *doc = xmlReadMemory(text, (int)len, format, NULL, XML_PARSE_NONET | XML_PARSE_NOERROR);
    if (doc == NULL)
        fail_msg("%s is no XML: %.2000s", format, text);
    free(text);
    xmlXPathContext *context = xmlXPathNewContext(doc);
    xmlXPathRegisterNs(context, BAD_CAST "x", BAD_CAST space);
    return context;
}

static void xml_done(xmlXPathContext *context)
{
    xmlFreeDoc(context->doc);
    xmlXPathFreeContext(context);
}

static double count_of(xmlXPathContext *context, const char *path)
{
    xmlXPathObject *found = xmlXPathEvalExpression(BAD_CAST path, context);
    assert_non_null(found);
    double count = xmlXPathCastToNumber(found);
    xmlXPathFreeObject(found);
    return count;
}

static void text_is(xmlXPathContext *context, const char *path, const char *expected)
{
    xmlXPathObject *found = xmlXPathEvalExpression(BAD_CAST path, context);
    xmlChar *text = xmlXPathCastToString(found);
    assert_string_equal((const char *)text, expected);
    xmlFree(text);
    xmlXPathFreeObject(found);
}

static void gpx_has_waypoints_and_tracks(void **state)
{
    struct fixture *f = *state;
    dive_make(f, &PLAN);
    xmlXPathContext *xml = xml_of(f, "gpx", "http://www.topografix.com/GPX/1/1");
    /* 14 markers, less one struck and one without a place */
    assert_true(count_of(xml, "count(/x:gpx/x:wpt)") == 12);
    assert_true(count_of(xml, "count(/x:gpx/x:wpt[x:name='D007-M0007'])") == 0);
    text_is(xml, "string(/x:gpx/x:wpt[x:name='D007-M0003']/x:cmt)",
            "a <b> & \"c\" ]]>  {d} =;#\\  \xEF\xBF\xBD line --> two");
    text_is(xml, "string(/x:gpx/x:wpt[x:name='D007-M0003']/x:time)", "2031-02-27T23:08:32.000Z");
    text_is(xml, "string(/x:gpx/x:wpt[x:name='D007-M0014']/x:time)", ""); /* its clock was not known */
    assert_true(count_of(xml, "number(/x:gpx/x:wpt[x:name='D007-M0003']/x:ele)") < -1200);
    assert_true(count_of(xml, "count(/x:gpx/x:trk)") == 2);
    assert_true(count_of(xml, "count(/x:gpx/x:trk[1]/x:trkseg)") == 2); /* one drop-out */
    assert_true(count_of(xml, "count(/x:gpx/x:trk[1]//x:trkpt)") == 500);
    assert_true(count_of(xml, "count(/x:gpx/x:trk[2]//x:trkpt)") == 1200);
    assert_true(count_of(xml, "count(//x:trkpt[@lon < -180 or @lon >= 180])") == 0);
    xml_done(xml);
}

static void kml_has_as_many_times_as_places(void **state)
{
    struct fixture *f = *state;
    dive_make(f, &PLAN);
    xmlXPathContext *xml = xml_of(f, "kml", "http://www.opengis.net/kml/2.3");
    assert_true(count_of(xml, "count(//x:Track)") == 2);
    assert_true(count_of(xml, "count(//x:Track[count(x:when) = count(x:coord)])") == 2);
    assert_true(count_of(xml, "count(//x:Track/x:when)") == 500);
    assert_true(count_of(xml, "count(//x:LineString)") == 3); /* the crossing splits the first */
    /* 13 markers stand, 2 samples stand */
    assert_true(count_of(xml, "count(//x:Folder[x:name='Markers']/x:Placemark)") == 13);
    assert_true(count_of(xml, "count(//x:Folder[x:name='Samples']/x:Placemark)") == 2);
    assert_true(count_of(xml, "count(//x:Placemark[x:name='Crab'])") == 0);
    text_is(xml, "string(/x:kml/x:Document/x:description)", "Hollin Bank <north> & co");
    xml_done(xml);
}

static void a_dive_without_anything(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    fixture_open(f);
    submit(f, make_dive("E1", "begun", 0));
    flush(f);
    json_t *root = as_json(f, &options);
    assert_true(json_is_null(json_object_get(feature(root, "track"), "geometry")));
    json_decref(root);
    xmlXPathContext *xml = xml_of(f, "gpx", "http://www.topografix.com/GPX/1/1");
    assert_true(count_of(xml, "count(//x:trkpt)") == 0);
    xml_done(xml);
    xml = xml_of(f, "kml", "http://www.opengis.net/kml/2.3");
    assert_true(count_of(xml, "count(//x:Placemark)") == 0);
    xml_done(xml);
}

static void lines_cross_where_a_ruler_says(void **state)
{
    (void)state;
    struct path_point east = {.lat_deg = 10, .lon_deg = 179.5}, west = {.lat_deg = 12, .lon_deg = -179};
    double lat;
    assert_true(path_crossing(&east, &west, &lat));
    assert_true(fabs(lat - (10 + 2.0 / 3)) < 1e-9);
    assert_true(path_crossing(&west, &east, &lat));
    assert_true(fabs(lat - (10 + 2.0 / 3)) < 1e-9);
    west.lon_deg = 178;
    assert_false(path_crossing(&east, &west, &lat));
    east.lon_deg = -0.5;
    west.lon_deg = 0.5;
    assert_false(path_crossing(&east, &west, &lat));
}

struct count {
    size_t points, runs;
    int64_t last_ns;
    double worst_deg;
};

static bool keep_uncertainty(void *ctx, const struct path_point *point)
{
    double *uncertainty_m = ctx;
    *uncertainty_m = point->uncertainty_m;
    return true;
}

static double uncertainty_claimed_by(struct fixture *f, const char *feed)
{
    double uncertainty_m = 0;
    fixture_open(f);
    dive_sample(f, "vehicle.lat_deg", "acoustic", S, 47);
    dive_sample(f, "vehicle.lon_deg", "acoustic", S, -15);
    dive_sample(f, "vehicle.depth_m", "vehicle", S, 2000);
    dive_sample(f, "vehicle.position_uncertainty_m", feed, S, 8);
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(
        path_walk(reader, PATH_VEHICLE, (utc_ns){T0}, (utc_ns){T0 + 2 * S}, keep_uncertainty, &uncertainty_m),
        0);
    store_reader_close(reader);
    return uncertainty_m;
}

/* The radius that a positioning system claims for its fixes counts instead of a share of depth. */
static void a_claimed_uncertainty_counts(void **state)
{
    assert_true(fabs(uncertainty_claimed_by(*state, "acoustic") - 8) < 0.1);
}

static void the_claim_of_another_feed_does_not(void **state)
{
    assert_true(fabs(uncertainty_claimed_by(*state, "bridge") - 56.57) < 0.1); /* 1 % of 2,000 m an axis */
}

static bool count_point(void *ctx, const struct path_point *point)
{
    struct count *count = ctx;
    double lat, lon;
    assert_true(point->utc.ns > count->last_ns);
    count->last_ns = point->utc.ns;
    count->points++;
    count->runs += point->new_run;
    dive_place((double)(point->utc.ns - T0) / 1e9 - 0.3, &lat, &lon);
    count->worst_deg = fmax(count->worst_deg, fabs(point->lat_deg - lat));
    return true;
}

static bool add_one(void *ctx, const struct path_point *point)
{
    int *points = ctx;
    (void)point;
    ++*points;
    return true;
}

/* Ten fixes a second, and one point of them, for the vehicle and the ship; and a fix in two seconds stays what it is. */
static void no_more_than_a_point_a_second(void **state)
{
    struct fixture *f = *state;
    static const char *const channels[] = {"vehicle.lat_deg", "vehicle.lon_deg", "ship.lat_deg",
                                           "ship.lon_deg"};
    static const enum path_of ways[] = {PATH_VEHICLE, PATH_SHIP};
    fixture_open(f);
    for (int i = 0; i < 200; i++)
        for (int c = 0; c < 4; c++)
            dive_sample(f, channels[c], "nav", i * (S / 10), c % 2 == 0 ? 47 : -15);
    for (int i = 0; i < 10; i++)
        for (int c = 0; c < 4; c++)
            dive_sample(f, channels[c], "nav", (30 + 2 * i) * S, c % 2 == 0 ? 47 : -15);
    flush(f);
    struct store_reader *reader = open_reader(f);
    for (int way = 0; way < 2; way++) {
        int points = 0;
        assert_int_equal(path_walk(reader, ways[way], (utc_ns){T0}, (utc_ns){T0 + 100 * S}, add_one, &points),
                         0);
        assert_int_equal(points, 20 + 10);
    }
    store_reader_close(reader);
}

/* Longer than what is smoothed at once: the pieces join without a gap, a repeat or a new run. */
static void a_long_track_joins(void **state)
{
    struct fixture *f = *state;
    struct count count = {0};
    f->options.wait_for_room = true;
    fixture_open(f);
    dive_begin(f);
    for (int i = 0; i < 5000; i++) {
        double lat, lon;
        dive_place(i, &lat, &lon);
        dive_sample(f, "vehicle.lat_deg", "acoustic", i * S + 300 * NS_PER_MS, lat);
        dive_sample(f, "vehicle.lon_deg", "acoustic", i * S + 300 * NS_PER_MS, lon);
        dive_sample(f, "vehicle.depth_m", "vehicle", i * S + 200 * NS_PER_MS, 80);
    }
    flush(f);
    struct store_reader *reader = open_reader(f);
    assert_int_equal(
        path_walk(reader, PATH_VEHICLE, (utc_ns){T0}, (utc_ns){T0 + 5000 * S}, count_point, &count), 0);
    assert_int_equal(count.points, 5000);
    assert_int_equal(count.runs, 1);
    assert_true(count.worst_deg < 1e-6);
    store_reader_close(reader);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(a_track_is_split_at_the_antimeridian),
        STORE_TEST(a_transect_is_its_piece_of_track),
        STORE_TEST(struck_markers_are_nowhere_on_a_map),
        STORE_TEST(gpx_has_waypoints_and_tracks),
        STORE_TEST(kml_has_as_many_times_as_places),
        STORE_TEST(a_dive_without_anything),
        cmocka_unit_test(lines_cross_where_a_ruler_says),
        STORE_TEST(a_claimed_uncertainty_counts),
        STORE_TEST(the_claim_of_another_feed_does_not),
        STORE_TEST(no_more_than_a_point_a_second),
        STORE_TEST(a_long_track_joins),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
