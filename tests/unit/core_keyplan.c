/* keyplan: lines of a plan become meanings of keys, and every mistake is told with its line, its key and what is accepted. */
#include "core/keyplan.h"

#include "core/keyterm.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct keyplan plan;
static struct keyplan_error last_error;

/* Feeds a plan's text as a shell would: sections and "name = value" lines. Returns how many lines were refused. */
static int feed(const char *text)
{
    char section[64] = "", line[512];
    uint32_t number = 0;
    int refused = 0;
    keyplan_begin(&plan);
    for (const char *at = text; *at != '\0'; at += strcspn(at, "\n") + (at[strcspn(at, "\n")] == '\n')) {
        size_t length = strcspn(at, "\n");
        struct keyplan_error error;
        number++;
        assert_true(length < sizeof line);
        memcpy(line, at, length);
        line[length] = '\0';
        char *equals = strstr(line, " = ");
        if (line[0] == '[') {
            line[length - 1] = '\0';
            snprintf(section, sizeof section, "%.60s", line + 1);
        } else if (equals != NULL) {
            *equals = '\0';
            if (!keyplan_set(&plan, section, line, equals + 3, number, &error)) {
                refused++;
                last_error = error;
            }
        }
    }
    return refused;
}

static size_t finish(void)
{
    struct keyplan_error errors[4];
    size_t count = keyplan_finish(&plan, errors, 4);
    if (count > 0)
        last_error = errors[0];
    return count;
}

static const char good_plan[] = "[plan]\n"
                                "title = Science\n"
                                "rows = 4\n"
                                "columns = 4\n"
                                "hold_ms = 700\n"
                                "chord_ms = 90\n"
                                "[container BOX-1]\n"
                                "label = Bio box, port\n"
                                "capacity = 6\n"
                                "[container JAR]\n"
                                "capacity = 1\n"
                                "[key A1]\n"
                                "kind = subject\n"
                                "label = Fish\n"
                                "term = dwc:vernacularName=fish\n"
                                "lead_s = 2.5\n"
                                "hold.kind = detail\n"
                                "hold.label = Feeding\n"
                                "hold.term = dwc:behavior=feeding\n"
                                "[key b2]\n"
                                "kind = subject\n"
                                "label = Crab\n"
                                "[keys D4+A1]\n"
                                "kind = relation\n"
                                "label = Eats\n"
                                "[key C1]\n"
                                "kind = sample\n"
                                "container = BOX-1\n"
                                "gear = Claw\n"
                                "[key C2]\n"
                                "kind = phase\n"
                                "phase = off bottom\n"
                                "[key D1]\n"
                                "kind = done\n";

static void good_plan_is_read(void **state)
{
    (void)state;
    assert_int_equal(feed(good_plan), 0);
    assert_int_equal(finish(), 0);
    assert_string_equal(plan.title, "Science");
    assert_int_equal(plan.hold_ms, 700);
    assert_int_equal(plan.chord_ms, 90);
    const struct key_def *fish = keyplan_find(&plan, 0, KEY_GESTURE_TAP, 0);
    assert_non_null(fish);
    assert_string_equal(fish->label, "Fish");
    assert_string_equal(fish->term, "dwc:vernacularName=fish");
    assert_int_equal(fish->lead_ms, 2500);
    assert_int_equal(fish->line, 13);
    const struct key_def *held = keyplan_find(&plan, 0, KEY_GESTURE_HOLD, 0);
    assert_string_equal(held->label, "Feeding");
    assert_int_equal(held->lead_ms, 0);
    const struct key_def *crab = keyplan_find(&plan, 5, KEY_GESTURE_TAP, 99);
    assert_string_equal(crab->name, "B2");
    assert_int_equal(crab->lead_ms, 5000); /* a subject's lead unless the plan says otherwise */
    const struct key_def *eats = keyplan_find(&plan, 15, KEY_GESTURE_CHORD, 0);
    assert_ptr_equal(eats, keyplan_find(&plan, 0, KEY_GESTURE_CHORD, 15));
    assert_string_equal(eats->name, "A1+D4");
    assert_null(keyplan_find(&plan, 0, KEY_GESTURE_CHORD, 14));
    assert_null(keyplan_find(&plan, 3, KEY_GESTURE_TAP, 3));
    assert_string_equal(keyplan_find(&plan, 9, KEY_GESTURE_TAP, 9)->label, "Off bottom");
    assert_string_equal(keyplan_find(&plan, 12, KEY_GESTURE_TAP, 12)->label, "Done");
    assert_string_equal(keyplan_find(&plan, 8, KEY_GESTURE_TAP, 8)->gear, "Claw");
    assert_int_equal(keyplan_find_container(&plan, "BOX-1")->capacity, 6);
    assert_string_equal(keyplan_find_container(&plan, "JAR")->label, "JAR");
    assert_null(keyplan_find_container(&plan, "BOX"));
}

static void keys_are_found_by_what_a_person_says(void **state)
{
    (void)state;
    assert_int_equal(feed(good_plan), 0);
    assert_int_equal(finish(), 0);
    assert_string_equal(keyplan_find_name(&plan, "A1", KEY_GESTURE_TAP)->label, "Fish");
    assert_string_equal(keyplan_find_name(&plan, "a1", KEY_GESTURE_HOLD)->label, "Feeding");
    assert_string_equal(keyplan_find_name(&plan, "A1 hold", KEY_GESTURE_TAP)->label, "Feeding");
    assert_string_equal(keyplan_find_name(&plan, "a1.hold", KEY_GESTURE_TAP)->label, "Feeding");
    assert_string_equal(keyplan_find_name(&plan, "d4+a1", KEY_GESTURE_TAP)->label, "Eats");
    assert_string_equal(keyplan_find_name(&plan, "crab", KEY_GESTURE_TAP)->name, "B2");
    assert_string_equal(keyplan_find_name(&plan, "OFF BOTTOM", KEY_GESTURE_TAP)->name, "C2");
    assert_null(keyplan_find_name(&plan, "A1 held", KEY_GESTURE_TAP));
    assert_null(keyplan_find_name(&plan, "A2", KEY_GESTURE_TAP));
    assert_null(keyplan_find_name(&plan, "", KEY_GESTURE_TAP));
}

static void key_names_and_indices(void **state)
{
    char name[KEY_SIZE];
    uint8_t key;
    (void)state;
    for (uint8_t columns = 1; columns <= KEYPLAN_COLUMNS_MAX; columns++) {
        uint8_t rows = (uint8_t)(KEYPLAN_KEYS_MAX / columns);
        rows = rows > KEYPLAN_ROWS_MAX ? KEYPLAN_ROWS_MAX : rows;
        for (uint8_t k = 0; k < rows * columns; k++) {
            assert_true(keyplan_key_name(k, rows, columns, name));
            assert_true(keyplan_key_index(name, rows, columns, &key));
            assert_int_equal(key, k);
        }
        assert_false(keyplan_key_name((uint8_t)(rows * columns), rows, columns, name));
    }
    assert_false(keyplan_key_name(0, 4, 0, name));
    static const char *const bad[] = {"",   "A",   "A0",  "A5",  "E1",   "Q1",
                                      "1A", "A1x", "A01", "A17", "A100", "A1+B1"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        assert_false(keyplan_key_index(bad[i], 4, 4, &key));
    assert_true(keyplan_key_index("b16", 16, 16, &key));
    assert_int_equal(key, 31);
    assert_false(keyplan_key_index("P16", 16, 16, &key)); /* beyond the keys that the wire can name */
}

struct bad_line {
    const char *section, *name, *value, *says;
};

static void bad_lines_say_what_is_accepted(void **state)
{
    static const struct bad_line lines[] = {
        {"keypad", "kind", "subject", "[key A1]"},
        {"key A", "kind", "subject", "row letter"},
        {"key A1 B1", "kind", "subject", "row letter"},
        {"keys A1", "kind", "subject", "two different keys"},
        {"keys A1+A1", "kind", "subject", "two different keys"},
        {"keys A1+B1+C1", "kind", "subject", "two different keys"},
        {"key A1", "sort", "subject", "kind, label, term, lead_s"},
        {"key A1", "hold.sort", "subject", "kind, label, term, lead_s"},
        {"key A1", "kind", "subjekt",
         "subject, detail, relation, again, done, strike, span, transect, phase, sample, gear, waypoint, "
         "note, badge"},
        {"key A1", "kind", "", "subject, detail"},
        {"key A1", "label", "", "1 to 47 bytes"},
        {"key A1", "label", "123456789012345678901234567890123456789012345678", "1 to 47 bytes"},
        {"key A1", "label", "a\tb", "control character"},
        {"key A1", "label", "\xff\xfe", "UTF-8"},
        {"key A1", "label", "\xc3", "UTF-8"},
        {"key A1", "label", "\xe2\x82", "UTF-8"},
        {"key A1", "term", "feeding", "PREFIX:NAME"},
        {"key A1", "term", "dwc:", "PREFIX:NAME"},
        {"key A1", "term", "dwc:behavior=", "PREFIX:NAME"},
        {"key A1", "term", "DWC:behavior", "PREFIX:NAME"},
        {"key A1", "term", "dwc:beha vior", "PREFIX:NAME"},
        {"key A1", "term", "dwc:behaviour=feeding", "dwc:behavior"},
        {"key A1", "term", "dwc:lifestage=juvenile", "dwc:lifeStage"},
        {"key A1", "term", "rope:asks", "ask, view, scale"},
        {"key A1", "lead_s", "61", "0 to 60"},
        {"key A1", "lead_s", "-1", "0 to 60"},
        {"key A1", "lead_s", "2.", "0 to 60"},
        {"key A1", "lead_s", "2.0001", "0 to 60"},
        {"key A1", "lead_s", "2,5", "0 to 60"},
        {"key A1", "lead_s", "", "0 to 60"},
        {"key A1", "phase", "landed", "in water, on bottom, off bottom, on deck"},
        {"key A1", "container", "my box", "letters, digits"},
        {"key A1", "gear", "123456789012345678901234", "1 to 23 bytes"},
        {"container my box", "capacity", "1", "letters, digits"},
        {"container ", "capacity", "1", "letters, digits"},
        {"container BOX", "size", "1", "label, capacity"},
        {"container BOX", "capacity", "0", "1 to 9999"},
        {"container BOX", "capacity", "six", "1 to 9999"},
        {"container BOX", "capacity", "123456", "1 to 9999"},
        {"plan", "rows", "17", "1 to 16"},
        {"plan", "columns", "0", "1 to 16"},
        {"plan", "hold_ms", "100", "200 to 5000"},
        {"plan", "chord_ms", "1000", "20 to 500"},
        {"plan", "subjects", "yes", "here, elsewhere"},
        {"plan", "colour", "red", "title, rows, columns, hold_ms, chord_ms, subjects"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        struct keyplan_error error;
        char text[600];
        keyplan_begin(&plan);
        assert_false(keyplan_set(&plan, lines[i].section, lines[i].name, lines[i].value, 7, &error));
        assert_int_equal(error.line, 7);
        assert_string_equal(error.section, lines[i].section);
        if (strstr(error.text, lines[i].says) == NULL)
            fail_msg("'%s' does not say '%s'", error.text, lines[i].says);
        keyplan_error_text(&error, "science.plan", text, sizeof text);
        assert_memory_equal(text, "science.plan:7: [", 17);
        assert_non_null(strstr(text, lines[i].name));
    }
}

static void doubled_lines_and_keys_name_the_first(void **state)
{
    (void)state;
    assert_int_equal(feed("[key A1]\nkind = subject\nkind = detail\n"), 1);
    assert_non_null(strstr(last_error.text, "line 2"));
    assert_int_equal(last_error.line, 3);
    assert_int_equal(
        feed("[key A1]\nkind = subject\nlabel = Fish\n[key A2]\nkind = done\n[key A1]\nlead_s = 3\n"), 1);
    assert_int_equal(last_error.line, 7);
    assert_non_null(strstr(last_error.text, "A1 is there twice: line 2"));
    assert_int_equal(feed("[keys A1+B1]\nkind = done\n[keys B1+A1]\nlabel = Finish\n"), 1);
    assert_non_null(strstr(last_error.text, "A1+B1 is there twice"));
    assert_int_equal(feed("[container B]\ncapacity = 1\n[container B]\ncapacity = 2\n"), 1);
    assert_non_null(strstr(last_error.text, "line 2"));
    assert_int_equal(feed("[plan]\ntitle = x\ntitle = y\n"), 1);
}

struct bad_plan {
    const char *text, *section, *name, *says;
};

static void plans_that_do_not_hang_together(void **state)
{
    static const struct bad_plan plans[] = {
        {"", "", "", "no key"},
        {"[key A1]\nlabel = Fish\n", "key A1", "kind", "no kind"},
        {"[key A1]\nkind = subject\n", "key A1", "label", "needs a label"},
        {"[key A1]\nkind = badge\n", "key A1", "label", "needs a label"},
        {"[key A1]\nkind = phase\n", "key A1", "phase", "in water"},
        {"[key A1]\nkind = waypoint\nphase = on deck\n", "key A1", "phase", "belongs to kind = phase"},
        {"[key A1]\nkind = waypoint\ncontainer = BOX\n", "key A1", "container", "belongs to kind = sample"},
        {"[key A1]\nkind = waypoint\ngear = Net\n", "key A1", "gear", "belongs to kind = sample"},
        {"[key A1]\nkind = sample\ncontainer = BOX\n", "key A1", "container", "[container BOX]"},
        {"[key A1]\nkind = waypoint\nlead_s = 1\n", "key A1", "lead_s", "subject, span, transect"},
        {"[key E1]\nkind = waypoint\n", "key E1", "", "4 rows and 4 columns"},
        {"[keys A1+A5]\nkind = waypoint\n", "keys A1+A5", "", "4 rows and 4 columns"},
        {"[plan]\nrows = 16\ncolumns = 16\n[key A1]\nkind = waypoint\n", "", "", "more than 64"},
        {"[key A1]\nkind = relation\nlabel = Eats\n", "key A1", "kind", "nothing to tie"},
        {"[key A1]\nkind = waypoint\nhold.kind = relation\nhold.label = Eats\n", "key A1", "hold.kind",
         "nothing to tie"},
        {"[key A1]\nkind = done\n", "key A1", "kind", "no subject"},
        {"[key A1]\nkind = subject\nlabel = Fish\n[key A2]\nkind = subject\nlabel = Fish\n", "key A2",
         "label", "key A1 on line 2"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof plans / sizeof plans[0]; i++) {
        assert_int_equal(feed(plans[i].text), 0);
        assert_true(finish() >= 1);
        assert_string_equal(last_error.section, plans[i].section);
        assert_string_equal(last_error.name, plans[i].name);
        if (strstr(last_error.text, plans[i].says) == NULL)
            fail_msg("'%s' does not say '%s'", last_error.text, plans[i].says);
    }
    char text[600];
    keyplan_error_text(&(struct keyplan_error){.text = "the plan has no key"}, "x.plan", text, sizeof text);
    assert_string_equal(text, "x.plan: the plan has no key");
}

static void every_fault_is_counted_and_the_first_are_told(void **state)
{
    struct keyplan_error errors[2];
    (void)state;
    assert_int_equal(feed("[key A1]\nlabel = a\n[key A2]\nlabel = b\n[key A3]\nlabel = c\n"), 0);
    assert_int_equal(keyplan_finish(&plan, errors, 2), 3);
    assert_string_equal(errors[1].section, "key A2");
    assert_int_equal(keyplan_finish(&plan, NULL, 0), 3);
}

static void keys_that_need_no_label_have_one(void **state)
{
    static const char *const kinds[][2] = {
        {"again", "Again"},   {"strike", "Strike"}, {"transect", "Transect"}, {"waypoint", "Waypoint"},
        {"sample", "Sample"}, {"note", "Note"},     {"done", "Done"}};
    (void)state;
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        char text[160];
        snprintf(text, sizeof text, "[key A1]\nkind = subject\nlabel = Fish\n[key A2]\nkind = %s\n",
                 kinds[i][0]);
        assert_int_equal(feed(text), 0);
        assert_int_equal(finish(), 0);
        assert_string_equal(keyplan_find(&plan, 1, KEY_GESTURE_TAP, 1)->label, kinds[i][1]);
    }
}

static void subjects_may_be_on_another_pad(void **state)
{
    (void)state;
    assert_int_equal(
        feed(
            "[plan]\nsubjects = elsewhere\n[key A1]\nkind = relation\nlabel = Eats\n[key A2]\nkind = done\n"),
        0);
    assert_int_equal(finish(), 0);
    assert_int_equal(feed("[plan]\nsubjects = here\n[key A2]\nkind = done\n"), 0);
    assert_int_equal(finish(), 1);
}

static void there_is_room_for_every_key_and_no_more(void **state)
{
    char section[32];
    struct keyplan_error error;
    (void)state;
    keyplan_begin(&plan);
    for (int i = 0; i < KEYPLAN_DEFS_MAX; i++) {
        snprintf(section, sizeof section, "key %c%d", 'A' + i / 16, i % 16 + 1);
        assert_true(keyplan_set(&plan, section, "kind", "waypoint", (uint32_t)i + 1, &error));
    }
    assert_false(keyplan_set(&plan, "key P16", "kind", "waypoint", 999, &error));
    for (int i = 0; i < KEYPLAN_CONTAINERS_MAX; i++) {
        snprintf(section, sizeof section, "container B%d", i);
        assert_true(keyplan_set(&plan, section, "capacity", "1", 1000 + (uint32_t)i, &error));
    }
    assert_false(keyplan_set(&plan, "container ONE-MORE", "capacity", "1", 2000, &error));
}

static void names_of_kinds_go_both_ways(void **state)
{
    (void)state;
    for (int kind = 1; kind < KEY_KINDS; kind++)
        assert_int_equal(key_kind_find(key_kind_name((enum key_kind)kind)), kind);
    for (int phase = 1; phase < DIVE_PHASES; phase++)
        assert_int_equal(dive_phase_find(dive_phase_name((enum dive_phase)phase)), phase);
    assert_int_equal(key_kind_find(""), KEY_KIND_NONE);
    assert_int_equal(key_kind_find("Subject"), KEY_KIND_NONE);
    assert_int_equal(dive_phase_find("moored"), DIVE_PHASE_NONE);
    assert_string_equal(key_kind_name(KEY_KINDS), "");
    assert_string_equal(dive_phase_name((enum dive_phase)17), "");
    assert_string_equal(key_gesture_name(KEY_GESTURE_HOLD), "hold");
    assert_string_equal(key_gesture_name((enum key_gesture)17), "");
}

static void terms_are_checked_but_not_fenced_in(void **state)
{
    static const char *const good[] = {"dwc:sex=female",
                                       "dwc:behavior",
                                       "rope:ask",
                                       "rope:view",
                                       "dwc:earliestEraOrLowestErathem",
                                       "x.y",
                                       "ac:subjectPart=head"};
    char why[320];
    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        assert_int_equal(keyterm_check(good[i], why, sizeof why), strchr(good[i], ':') != NULL);
    assert_false(keyterm_check("", why, sizeof why));
    assert_false(keyterm_check(":a", why, sizeof why));
}

/* The plans that come with the program are plans: read here as the shell reads them. */
static void read_file(const char *path, char *out, size_t size)
{
    FILE *file = fopen(path, "r");
    if (file == NULL)
        fail_msg("cannot open %s", path);
    size_t length = fread(out, 1, size - 1, file);
    fclose(file);
    out[length] = '\0';
}

static void default_plans_are_sound(void **state)
{
    static char text[32768];
    (void)state;
    read_file(TEST_DATA_DIR "/../../docs/plans/science.plan", text, sizeof text);
    assert_int_equal(feed(text), 0);
    assert_int_equal(finish(), 0);
    for (uint8_t key = 0; key < 16; key++)
        assert_non_null(keyplan_find(&plan, key, KEY_GESTURE_TAP, key));
    assert_int_equal(keyplan_find_name(&plan, "Done", KEY_GESTURE_TAP)->kind, KEY_KIND_DONE);
    read_file(TEST_DATA_DIR "/../../docs/plans/navigator.plan", text, sizeof text);
    assert_int_equal(feed(text), 0);
    assert_int_equal(finish(), 0);
    for (uint8_t key = 0; key < 16; key++)
        assert_non_null(keyplan_find(&plan, key, KEY_GESTURE_TAP, key));
    assert_true(plan.container_count > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_plan_is_read),
        cmocka_unit_test(keys_are_found_by_what_a_person_says),
        cmocka_unit_test(key_names_and_indices),
        cmocka_unit_test(bad_lines_say_what_is_accepted),
        cmocka_unit_test(doubled_lines_and_keys_name_the_first),
        cmocka_unit_test(plans_that_do_not_hang_together),
        cmocka_unit_test(every_fault_is_counted_and_the_first_are_told),
        cmocka_unit_test(keys_that_need_no_label_have_one),
        cmocka_unit_test(subjects_may_be_on_another_pad),
        cmocka_unit_test(there_is_room_for_every_key_and_no_more),
        cmocka_unit_test(names_of_kinds_go_both_ways),
        cmocka_unit_test(terms_are_checked_but_not_fenced_in),
        cmocka_unit_test(default_plans_are_sound),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
