/* Key plans as files: read into the core's plan, mistakes told with their lines. */
#include "io/keyplan_file.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static int told;
static char first[1024];

static void hear(void *ctx, const struct ini_problem *problem)
{
    (void)ctx;
    if (told++ == 0)
        ini_problem_text(problem, first, sizeof first);
}

static const struct ini_text_report report = {hear, NULL};
static struct keyplan plan;

static int parse(const char *text)
{
    told = 0;
    int problems = keyplan_file_parse(&plan, "keys.plan", text, strlen(text), &report);
    assert_int_equal(problems, told);
    return problems;
}

static void test_a_plan_is_read(void **state)
{
    (void)state;
    assert_int_equal(parse("[key A1]\n  kind = subject\n  label = Fish\n  lead_s = 5\n"
                           "[key B1]\nkind = done\nlabel = Done ; closes\n"),
                     0);
    const struct key_def *def = keyplan_find(&plan, 0, KEY_GESTURE_TAP, 0);
    assert_non_null(def);
    assert_string_equal(def->label, "Fish");
    assert_int_equal(def->lead_ms, 5000);
}

static void test_mistakes_in_a_plan_have_lines(void **state)
{
    (void)state;
    assert_true(parse("[key A1]\nkind = fishy\nlabel = Fish\n") > 0);
    assert_memory_equal(first, "keys.plan:2: [key A1] kind: ", 28);
    assert_true(parse("[key A1]\nkind = subject\nlabel = Fish\nnonsense\n") > 0);
    assert_string_equal(first, "keys.plan:4: [key A1] neither [SECTION] nor KEY = VALUE");
}

static void test_a_plan_that_is_not_there(void **state)
{
    (void)state;
    char *text = NULL;
    size_t len = 0;
    told = 0;
    assert_int_equal(keyplan_file_load(&plan, "/nowhere/keys.plan", &text, &len, &report), 1);
    assert_null(text);
    assert_string_equal(
        first,
        "/nowhere/keys.plan: cannot be read: No such file or directory; accepted: a key plan file of at most "
        "262144 bytes");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_plan_is_read),
        cmocka_unit_test(test_mistakes_in_a_plan_have_lines),
        cmocka_unit_test(test_a_plan_that_is_not_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
