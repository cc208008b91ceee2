/* The Darwin Core Archive of one dive, unpacked by libarchive: rows, keys, names, depths, what is struck; and the list of what is missing. */
#include "unit/export_dive.h"

#include "export/dataset.h"
#include "export/dwcacheck.h"
#include "export/dwctable.h"

#include <archive.h>
#include <archive_entry.h>

static const struct dive_plan PLAN = {.rate = TC_RATE_25};
#define FILES_MAX 16

struct unpacked {
    size_t count;
    char name[FILES_MAX][64];
    char *text[FILES_MAX];
};

static void unpack(struct fixture *f, const struct export_options *options, struct unpacked *out)
{
    size_t len;
    struct archive_entry *entry;
    char *bytes = dive_exported(f, "dwca", options, &len);
    struct archive *zip = archive_read_new();
    memset(out, 0, sizeof *out);
    archive_read_support_format_zip(zip);
    assert_int_equal(archive_read_open_memory(zip, bytes, len), ARCHIVE_OK);
    while (archive_read_next_header(zip, &entry) == ARCHIVE_OK) {
        assert_true(out->count < FILES_MAX);
        snprintf(out->name[out->count], sizeof out->name[0], "%s", archive_entry_pathname(entry));
        out->text[out->count] = calloc(1, 1 << 20);
        assert_true(archive_read_data(zip, out->text[out->count], (1 << 20) - 1) > 0);
        out->count++;
    }
    archive_read_free(zip);
    free(bytes);
}

static void unpacked_free(struct unpacked *files)
{
    for (size_t i = 0; i < files->count; i++)
        free(files->text[i]);
}

static const char *file_of(const struct unpacked *files, const char *name)
{
    for (size_t i = 0; i < files->count; i++)
        if (strcmp(files->name[i], name) == 0)
            return files->text[i];
    fail_msg("no %s in the archive", name);
    return NULL;
}

/* The field of a row, by the header's name; the row is the first whose field `key` is `value`. Static room; NULL: no such row. */
static const char *field_of(const struct unpacked *files, const char *file, const char *key,
                            const char *value, const char *name)
{
    static char row[16384];
    char *field[DWCTABLE_COLUMNS_MAX];
    int key_at = -1, name_at = -1;
    const char *line = file_of(files, file);
    for (bool header = true; *line != '\0'; header = false) {
        const char *end = strchr(line, '\n');
        assert_non_null(end);
        assert_true((size_t)(end - line) < sizeof row);
        snprintf(row, sizeof row, "%.*s", (int)(end - line), line);
        line = end + 1;
        int fields = 0;
        for (char *at = row; at != NULL; fields++) {
            field[fields] = strsep(&at, "\t");
            key_at = header && strcmp(field[fields], key) == 0 ? fields : key_at;
            name_at = header && strcmp(field[fields], name) == 0 ? fields : name_at;
        }
        assert_true(key_at >= 0 && name_at >= 0);
        if (!header && strcmp(field[key_at], value) == 0)
            return field[name_at];
    }
    return NULL;
}

static void is(const struct unpacked *files, const char *file, const char *key, const char *value,
               const char *name, const char *expected)
{
    const char *got = field_of(files, file, key, value, name);
    if (got == NULL || strcmp(got, expected) != 0)
        fail_msg("%s, %s %s: %s is \"%s\", not \"%s\"", file, key, value, name,
                 got != NULL ? got : "(no row)", expected);
}

static void every_table_is_there(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct unpacked files;
    dive_make(f, &PLAN);
    unpack(f, &options, &files);
    assert_int_equal(files.count, 2 + DWC_TABLES);
    assert_string_equal(files.name[0], "meta.xml");
    for (size_t i = 0; i < DWC_TABLES; i++) {
        assert_non_null(strstr(file_of(&files, "meta.xml"), dwctables[i].row_type));
        file_of(&files, dwctables[i].file);
    }
    unpacked_free(&files);
}

static void events_are_nested_and_placed(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct unpacked files;
    dive_make(f, &PLAN);
    unpack(f, &options, &files);
    is(&files, "event.txt", "eventID", "D007", "parentEventID", "");
    is(&files, "event.txt", "eventID", "D007-T002", "parentEventID", "D007");
    is(&files, "event.txt", "eventID", "D007-S001", "parentEventID", "D007-T002");
    is(&files, "event.txt", "eventID", "D007-S005", "parentEventID", "D007");
    is(&files, "event.txt", "eventID", "D007-A001", "parentEventID", "D007-S002");
    is(&files, "event.txt", "eventID", "D007-S001", "eventDate",
       "2031-02-27T23:08:30.000Z/2031-02-27T23:08:50.000Z");
    is(&files, "event.txt", "eventID", "D007-S001", "coordinateUncertaintyInMeters",
       "6.2"); /* 6.14, never less */
    is(&files, "event.txt", "eventID", "D007-S004", "decimalLongitude", "-179.99999");
    /* depths over the whole sighting, from telemetry: it fell all the time */
    char expected[32];
    snprintf(expected, sizeof expected, "%.2f", dive_depth_m(130));
    is(&files, "event.txt", "eventID", "D007-S001", "minimumDepthInMeters", expected);
    snprintf(expected, sizeof expected, "%.2f", dive_depth_m(110));
    is(&files, "event.txt", "eventID", "D007-S001", "maximumDepthInMeters", expected);
    /* the circle around a transect's first place holds its last: 300 s of 0.58 m, by the smoother's own word a little more */
    double reach =
        strtod(field_of(&files, "event.txt", "eventID", "D007-T002", "coordinateUncertaintyInMeters"), NULL);
    assert_true(reach > 165 && reach < 195);
    assert_non_null(strstr(field_of(&files, "event.txt", "eventID", "D007-T002", "footprintWKT"),
                           "180.000000 -12.344400), (-180.000000 -12.344400"));
    unpacked_free(&files);
}

static void nothing_struck_is_an_occurrence(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct unpacked files;
    dive_make(f, &PLAN);
    unpack(f, &options, &files);
    for (size_t i = 0; i < files.count; i++) {
        assert_null(strstr(files.text[i], "D007-S003"));
        assert_null(strstr(files.text[i], "D007-A003"));
        assert_null(strstr(files.text[i], "D007-T003"));
        assert_null(strstr(files.text[i], "Crustaria"));
    }
    unpacked_free(&files);
}

static void names_keep_their_doubt(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct unpacked files;
    dive_make(f, &PLAN);
    unpack(f, &options, &files);
    static const char o[] = "occurrence.txt";
    is(&files, o, "occurrenceID", "D007-S001-O", "scientificName", "Exemplaria ficta");
    is(&files, o, "occurrenceID", "D007-S001-O", "identificationQualifier", "cf.");
    is(&files, o, "occurrenceID", "D007-S001-O", "verbatimIdentification", "Exemplaria ficta cf.");
    is(&files, o, "occurrenceID", "D007-S001-O", "dateIdentified", "2031-02-27T23:09:01.000Z");
    is(&files, o, "occurrenceID", "D007-S001-O", "individualCount", "3");
    is(&files, o, "occurrenceID", "D007-S001-O", "behavior", "feeding");
    is(&files, o, "occurrenceID", "D007-S001-O", "occurrenceRemarks",
       "a <b> & \"c\" ]]>  {d} =;#\\  \xEF\xBF\xBD line --> two | seen well; later again");
    /* nobody named these: the key's own term, or nothing that looks like a name */
    is(&files, o, "occurrenceID", "D007-S002-O", "scientificName", "Porifera");
    is(&files, o, "occurrenceID", "D007-S004-O", "scientificName", "incertae sedis");
    is(&files, o, "occurrenceID", "D007-S004-O", "vernacularName", "jelly");
    is(&files, o, "occurrenceID", "D007-S004-O", "verbatimIdentification",
       "Gro\xC3\x9F"
       "e Qualle");
    /* the same animal again */
    is(&files, o, "occurrenceID", "D007-S005-O", "organismID", "D007-S001-G");
    /* both names that were given, in order */
    is(&files, "identification.txt", "scientificName", "Exemplaria", "occurrenceID", "D007-S001-O");
    is(&files, "identification.txt", "scientificName", "Exemplaria ficta", "occurrenceID", "D007-S001-O");
    unpacked_free(&files);
}

static void samples_and_ties_are_related(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct unpacked files;
    dive_make(f, &PLAN);
    unpack(f, &options, &files);
    is(&files, "occurrence.txt", "occurrenceID", "D007-A001-O", "basisOfRecord", "MaterialSample");
    is(&files, "occurrence.txt", "occurrenceID", "D007-A001-O", "materialSampleID", "D007-A001-M");
    is(&files, "occurrence.txt", "occurrenceID", "D007-A001-O", "organismID", "D007-S002-G");
    assert_null(field_of(&files, "occurrence.txt", "occurrenceID", "D007-A002-O",
                         "eventID")); /* a core: an event alone */
    is(&files, "event.txt", "eventID", "D007-A002", "fieldNumber", "tube 4");
    static const char r[] = "resourcerelationship.txt";
    is(&files, r, "resourceRelationshipID", "D007-S002-R", "resourceID", "D007-S001-O");
    is(&files, r, "resourceRelationshipID", "D007-S002-R", "relationshipOfResource", "lives on");
    is(&files, r, "resourceRelationshipID", "D007-S002-R", "relatedResourceID", "D007-S002-O");
    is(&files, r, "resourceRelationshipID", "D007-A001-R", "relatedResourceID", "D007-S002-O");
    unpacked_free(&files);
}

static void measurements_have_units(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct unpacked files;
    dive_make(f, &PLAN);
    unpack(f, &options, &files);
    static const char m[] = "extendedmeasurementorfact.txt";
    is(&files, m, "measurementType", "practical salinity", "measurementValue", "34.6871");
    is(&files, m, "measurementType", "height above the sea floor", "measurementUnit", "m");
    is(&files, m, "measurementType", "temperature of the water", "measurementUnit", "degrees Celsius");
    is(&files, m, "measurementType", "count of individuals", "measurementValue", "3");
    is(&files, m, "measurementType", "count of individuals", "occurrenceID", "D007-S001-O");
    is(&files, m, "measurementType", "length", "measurementValue", "0.175");
    is(&files, m, "measurementType", "length", "measurementAccuracy", "0.0023");
    is(&files, m, "measurementType", "length", "measurementMethod", "paired lasers");
    is(&files, m, "measurementType", "length", "measurementDeterminedBy", "C. Example");
    is(&files, m, "measurementType", "length", "occurrenceID", "D007-S001-O");
    unpacked_free(&files);
}

static void the_dataset_is_said(void **state)
{
    struct fixture *f = *state;
    struct export_dataset set = {.title = "Dives & more",
                                 .institution_code = "EX",
                                 .license = "http://example.org/by",
                                 .id_prefix = "urn:x:",
                                 .media_base = "https://example.org/m/",
                                 .basis = "HumanObservation"};
    char index[160];
    struct unpacked files;
    dive_make(f, &PLAN);
    snprintf(index, sizeof index, "%s/index.json", f->folder);
    FILE *out = fopen(index, "w");
    fputs(
        "{\"clips\":[{\"sighting\":\"D007-S001\",\"file\":\"a.mov\",\"stills\":[\"b.png\"]},"
        "{\"marker\":\"D007-M0005\",\"still\":\"c.png\"},{\"sighting\":\"D008-S001\",\"file\":\"no.mov\"}]}",
        out);
    fclose(out);
    struct export_options options = {.dataset = &set, .media_index = index};
    unpack(f, &options, &files);
    is(&files, "event.txt", "eventID", "urn:x:D007-S001", "parentEventID", "urn:x:D007-T002");
    is(&files, "event.txt", "eventID", "urn:x:D007-S001", "license", "http://example.org/by");
    is(&files, "occurrence.txt", "eventID", "urn:x:D007-S001", "institutionCode", "EX");
    is(&files, "occurrence.txt", "eventID", "urn:x:D007-S001", "basisOfRecord", "HumanObservation");
    is(&files, "occurrence.txt", "eventID", "urn:x:D007-S001", "associatedMedia",
       "https://example.org/m/a.mov | https://example.org/m/b.png");
    is(&files, "occurrence.txt", "eventID", "urn:x:D007-S002", "associatedMedia",
       "https://example.org/m/c.png");
    assert_non_null(strstr(file_of(&files, "eml.xml"), "<title>Dives &amp; more</title>"));
    /* a box over the antimeridian: west above east */
    assert_non_null(strstr(file_of(&files, "eml.xml"), "<westBoundingCoordinate>179.998800<"));
    assert_non_null(strstr(file_of(&files, "eml.xml"), "<eastBoundingCoordinate>-179.9"));
    unpacked_free(&files);
    unlink(index);
}

static void doubtful_species_give_the_genus_if_asked(void **state)
{
    struct fixture *f = *state;
    struct export_dataset set = {.strict_names = true};
    struct export_options options = {.dataset = &set};
    struct unpacked files;
    f->options.wait_for_room = true;
    fixture_open(f);
    dive_begin(f);
    submit(f, dive_marker(&PLAN, 1, 10, "subject", "Star", "", 1));
    submit(f, dive_sighting(1, "closed", "Star", 8, 12, 1));
    dive_name(f, 20, "D007-S001", "Exemplaria ficta", "inc.", "urn:lsid:example.org:name:17");
    flush(f);
    unpack(f, &options, &files);
    is(&files, "occurrence.txt", "eventID", "D007-S001", "scientificName", "Exemplaria");
    is(&files, "occurrence.txt", "eventID", "D007-S001", "scientificNameID", ""); /* that was the species' */
    is(&files, "occurrence.txt", "eventID", "D007-S001", "identificationQualifier", "inc.");
    unpacked_free(&files);
    set.strict_names = false;
    unpack(f, &options, &files);
    is(&files, "occurrence.txt", "eventID", "D007-S001", "scientificName", "Exemplaria ficta");
    unpacked_free(&files);
}

struct items {
    size_t count, required;
    char text[8192];
};

static void on_item(void *ctx, const struct dwcacheck_item *item)
{
    struct items *items = ctx;
    size_t len = strlen(items->text);
    items->count++;
    items->required += item->required;
    snprintf(items->text + len, sizeof items->text - len, "%s %s %s\n", item->required ? "must" : "should",
             item->ref, item->term);
}

static void the_check_lists_what_to_do(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct items items = {0};
    char why[EXPORT_WHY_SIZE];
    dive_make(f, &PLAN);
    struct store_reader *reader = open_reader(f);
    assert_true(dwcacheck(reader, &options, on_item, &items, why) == (int64_t)items.count);
    assert_non_null(strstr(items.text, "must dataset license\nmust dataset institutionCode\n"));
    assert_non_null(strstr(items.text, "should D007-S002 scientificNameID\n")); /* the key's name */
    assert_non_null(strstr(items.text, "must D007-S004 scientificName\n"));
    assert_non_null(strstr(items.text, "should D007-A002 materialSampleID\n"));
    assert_null(strstr(items.text, "D007-S001")); /* it has all */
    assert_null(strstr(items.text, "D007-S003")); /* struck */
    struct export_dataset set = {.title = "T",
                                 .abstract = "A",
                                 .institution_code = "I",
                                 .dataset_id = "D",
                                 .license = "L",
                                 .rights_holder = "R",
                                 .creator = "C",
                                 .email = "E",
                                 .id_prefix = "P"};
    options.dataset = &set;
    items = (struct items){0};
    assert_true(dwcacheck(reader, &options, on_item, &items, why) > 0);
    assert_null(strstr(items.text, "dataset"));
    options.dive = "D009";
    assert_int_equal(dwcacheck(reader, &options, on_item, &items, why), -1);
    assert_non_null(strstr(why, "D009"));
    store_reader_close(reader);
}

static void a_press_without_utc_has_no_date(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct items items = {0};
    struct unpacked files;
    char why[EXPORT_WHY_SIZE];
    f->options.wait_for_room = true;
    fixture_open(f);
    dive_begin(f);
    struct entry *entry = dive_marker(&PLAN, 1, 10, "subject", "Star", "", 1);
    entry->of.marker.when = (struct when){.mono = {1000}, .mono_bound_ns = -1, .utc_bound_ns = -1};
    submit(f, entry);
    entry = dive_sighting(1, "closed", "Star", 8, 12, 1);
    entry->of.sighting.start = entry->of.sighting.end = (utc_ns){0};
    submit(f, entry);
    flush(f);
    unpack(f, &options, &files);
    is(&files, "event.txt", "eventID", "D007-S001", "eventDate", "");
    unpacked_free(&files);
    struct store_reader *reader = open_reader(f);
    assert_true(dwcacheck(reader, &options, on_item, &items, why) > 0);
    assert_non_null(strstr(items.text, "must D007-S001 eventDate\n"));
    store_reader_close(reader);
}

static void a_dive_without_anything(void **state)
{
    struct fixture *f = *state;
    struct export_options options = {0};
    struct unpacked files;
    fixture_open(f);
    submit(f, make_dive("E1", "begun", 0));
    flush(f);
    unpack(f, &options, &files);
    is(&files, "event.txt", "eventID", "E1", "eventType", "Dive");
    is(&files, "event.txt", "eventID", "E1", "decimalLatitude", "");
    assert_null(strstr(file_of(&files, "eml.xml"), "geographicCoverage"));
    unpacked_free(&files);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(every_table_is_there),
        STORE_TEST(events_are_nested_and_placed),
        STORE_TEST(nothing_struck_is_an_occurrence),
        STORE_TEST(names_keep_their_doubt),
        STORE_TEST(samples_and_ties_are_related),
        STORE_TEST(measurements_have_units),
        STORE_TEST(the_dataset_is_said),
        STORE_TEST(doubtful_species_give_the_genus_if_asked),
        STORE_TEST(the_check_lists_what_to_do),
        STORE_TEST(a_press_without_utc_has_no_date),
        STORE_TEST(a_dive_without_anything),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
