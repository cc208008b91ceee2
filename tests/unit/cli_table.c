/* Tables: what a person sees, line by line; and the parts of a row. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "cli/eventline.h"
#include "cli/show.h"
#include "cli/table.h"

#include <stdlib.h>
#include <string.h>

static char *print(const struct table *table, size_t width)
{
    char *text = NULL;
    size_t len = 0;
    FILE *out = open_memstream(&text, &len);
    table_print(table, width, out);
    fclose(out);
    return text;
}

static size_t places(const char *line, size_t len)
{
    size_t count = 0;
    for (size_t i = 0; i < len; i++)
        count += ((unsigned char)line[i] & 0xc0) != 0x80 ? 1 : 0;
    return count;
}

static void columns_are_aligned(void **state)
{
    (void)state;
    static const struct table_column columns[] = {
        {"KEY", false, false, false}, {"DEPTH", true, false, false}, {"LABEL", false, true, false}};
    struct table *table = table_new(columns, 3);
    table_cell(table, "A1");
    table_cellf(table, "%.1f", 1204.6);
    table_cell(table, "Fish");
    table_cell(table, "A1+B1");
    table_cell(table, NULL);
    table_cell(table, "Großer Schwamm");
    assert_int_equal(table_rows(table), 2);
    char *text = print(table, 100);
    assert_string_equal(text, "KEY     DEPTH  LABEL\n"
                              "A1     1204.6  Fish\n"
                              "A1+B1          Großer Schwamm\n");
    free(text);
    table_free(table);
}

static void what_shrinks_gives_way(void **state)
{
    (void)state;
    static const struct table_column columns[] = {
        {"ID", false, false, false}, {"LABEL", false, true, false}, {"NOTE", false, true, false}};
    struct table *table = table_new(columns, 3);
    table_cell(table, "D007-M0112");
    table_cell(table, "0123456789");
    table_cell(table, "ééééééééééééééééééééééééé"); /* 25 places, 50 bytes */
    char *text = print(table, 30);
    assert_string_equal(text, "ID          LABEL     NOTE\n"
                              "D007-M0112  0123456…  ééééééé…\n");
    free(text);
    text = print(table, 100);
    assert_non_null(strstr(text, "0123456789  ééééééééééééééééééééééééé\n"));
    free(text);
    table_free(table);
}

static void no_line_is_wider_than_asked(void **state)
{
    (void)state;
    static const struct table_column columns[] = {{"MARKER", false, false, false},
                                                  {"SEAT", false, true, false},
                                                  {"LABEL", false, true, false},
                                                  {"NOTE", false, true, false}};
    struct table *table = table_new(columns, 4);
    char long_text[200];
    for (size_t len = 0; len < 180; len += 9) {
        memset(long_text, 'x', len);
        long_text[len] = '\0';
        table_cell(table, "M0001");
        table_cell(table, long_text + (len > 15 ? len - 15 : 0));
        table_cell(table, long_text);
        table_cell(table, long_text);
    }
    char *text = print(table, TABLE_WIDTH);
    for (const char *line = text; *line != '\0';) {
        size_t len = strcspn(line, "\n");
        assert_true(places(line, len) <= TABLE_WIDTH);
        line += len + 1;
    }
    free(text);
    table_free(table);
}

static void nothing_can_move_the_cursor(void **state)
{
    (void)state;
    static const struct table_column columns[] = {{"NOTE", false, true, false}, {"END", false, false, false}};
    struct table *table = table_new(columns, 2);
    table_cell(table, "a\x1b[2Jb\nc\x7f\xc2\x9b"
                      "d");
    table_cell(table, "|");
    char *text = print(table, 100);
    assert_string_equal(text, "NOTE          END\n"
                              "a [2Jb c   d  |\n");
    free(text);
    table_free(table);
}

static void an_empty_table_has_its_head(void **state)
{
    (void)state;
    static const struct table_column columns[] = {
        {"A", false, false, false}, {"B", true, false, false}, {"C", false, false, true}};
    struct table *table = table_new(columns, 3);
    char *text = print(table, 100);
    assert_string_equal(text, "A  B\n"); /* C is spare */
    free(text);
    table_free(table);
}

static void spare_columns_come_when_needed(void **state)
{
    (void)state;
    static const struct table_column columns[] = {
        {"A", false, false, false}, {"SPARE", true, false, true}, {"C", false, false, false}};
    struct table *table = table_new(columns, 3);
    table_cell(table, "a");
    table_cell(table, "");
    table_cell(table, "");
    char *text = print(table, 100);
    assert_string_equal(text, "A  C\na\n");
    free(text);
    table_cell(table, "a");
    table_cell(table, "1");
    table_cell(table, "c");
    text = print(table, 100);
    assert_string_equal(text, "A  SPARE  C\na\na      1  c\n");
    free(text);
    table_free(table);
}

static void is_line(const char *event, const char *expected)
{
    char line[EVENTLINE_SIZE];
    json_t *json = json_loads(event, 0, NULL);
    assert_non_null(json);
    assert_string_equal(eventline(json, line), expected);
    json_decref(json);
}

static void events_as_lines(void **state)
{
    (void)state;
    is_line("{\"type\":\"marker\",\"utc\":\"2031-03-04T05:06:07.089Z\",\"utc_bound_ms\":1.4,\"timecode\":"
            "\"05:06:07:02\","
            "\"id\":\"D007-M0112\",\"seat\":\"science\",\"key\":\"A1\",\"label\":\"Fish\",\"sighting\":"
            "\"D007-S031\",\"origin\":\"key\","
            "\"channels\":{\"vehicle.depth_m\":{\"v\":1204.6}}}",
            "05:06:07.089  ±1.4 ms 05:06:07:02 M0112  science  A1    Fish                 S031    1204.6");
    is_line("{\"type\":\"marker\",\"utc\":null,\"utc_bound_ms\":null,\"timecode\":null,\"id\":\"M0001\","
            "\"seat\":\"nav\","
            "\"key\":null,\"label\":\"Ein sehr langer Name für "
            "etwas\",\"sighting\":null,\"origin\":\"late\",\"note\":\"a\\nb \"}",
            "-                  ±? -           M0001  nav            Ein sehr langer Name                 "
            "late a b");
    is_line("{\"type\":\"fault\",\"utc\":\"2031-03-04T05:06:07.089Z\",\"about\":\"store\",\"state\":\"full\","
            "\"text\":\"no room\"}",
            "05:06:07.089          fault          store            full, no room");
    assert_int_equal(places(eventline_head(), strlen(eventline_head())), 91);
}

static void parts_of_a_row(void **state)
{
    (void)state;
    char text[SHOW_SIZE];
    json_t *row = json_loads("{\"id\":\"D-007-M0112\",\"sighting\":null,\"utc\":\"2031-03-04T05:06:07.089Z\","
                             "\"utc_bound_ms\":1.44,"
                             "\"start\":\"2031-03-04T23:59:59.000Z\",\"end\":\"2031-03-05T01:02:02.600Z\","
                             "\"position\":{\"lat\":-12.345678,\"lon\":45.678912},"
                             "\"channels\":{\"vehicle.depth_m\":{\"v\":1204.64}}}",
                             0, NULL);
    assert_non_null(row);
    assert_string_equal(show_ref(row, "id"), "M0112");
    assert_string_equal(show_ref(row, "sighting"), "");
    assert_string_equal(show_time(row, "utc", text), "05:06:07.089");
    assert_string_equal(show_time(row, "none", text), "-");
    assert_string_equal(show_date_time(row, "utc", text), "2031-03-04 05:06:07");
    assert_string_equal(show_bound(row, text), "±1.4 ms");
    assert_string_equal(show_duration(row, "start", "end", text), "1:02:04");
    assert_string_equal(show_duration(row, "start", "none", text), "");
    assert_string_equal(show_channel(row, "vehicle.depth_m", 1, text), "1204.6");
    assert_string_equal(show_channel(row, "water.salinity", 1, text), "");
    assert_string_equal(show_position(row, text), "12.34568 S 45.67891 E");
    json_object_set_new(row, "utc_bound_ms", json_null());
    assert_string_equal(show_bound(row, text), "±?");
    json_object_set_new(row, "utc_bound_ms", json_real(250.4));
    assert_string_equal(show_bound(row, text), "±250 ms");
    json_object_set_new(row, "utc_bound_ms", json_real(12345));
    assert_string_equal(show_bound(row, text), "±12 s");
    json_decref(row);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(columns_are_aligned),
        cmocka_unit_test(what_shrinks_gives_way),
        cmocka_unit_test(no_line_is_wider_than_asked),
        cmocka_unit_test(nothing_can_move_the_cursor),
        cmocka_unit_test(an_empty_table_has_its_head),
        cmocka_unit_test(parts_of_a_row),
        cmocka_unit_test(spare_columns_come_when_needed),
        cmocka_unit_test(events_as_lines),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
