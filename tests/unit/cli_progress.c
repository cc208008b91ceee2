/* What the line of long work says; where and when it is drawn is for a terminal to show. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "cli/progress.h"

#include <string.h>

#define SECOND INT64_C(1000000000)

static void time_left_is_judged_by_what_was_really_done(void **state)
{
    (void)state;
    char line[PROGRESS_LINE];
    progress_line(line, 25, 100, 0, 10 * SECOND, "D007-S001.CAM1", 120);
    assert_string_equal(line, "[######..................]  25 %  30 s left  D007-S001.CAM1");
    /* the same, but twenty of them were finished by an earlier run */
    progress_line(line, 25, 100, 20, 10 * SECOND, "", 120);
    assert_non_null(strstr(line, " 25 %  2 min 30 s left"));
    progress_line(line, 1, 1000, 0, 10 * SECOND, "", 120);
    assert_non_null(strstr(line, "2 h 46 min left"));
}

static void nothing_is_guessed_from_nothing(void **state)
{
    (void)state;
    char line[PROGRESS_LINE];
    progress_line(line, 0, 100, 0, 10 * SECOND, NULL, 120);
    assert_null(strstr(line, "left"));
    progress_line(line, 20, 100, 20, 10 * SECOND, NULL, 120);
    assert_null(strstr(line, "left"));
    progress_line(line, 1, 100, 0, SECOND / 2, NULL, 120);
    assert_null(strstr(line, "left"));
    progress_line(line, 0, 0, 0, 0, NULL, 120);
    assert_non_null(strstr(line, "100 %"));
}

static void a_line_is_never_wider_than_the_terminal(void **state)
{
    (void)state;
    char line[PROGRESS_LINE];
    progress_line(line, 25, 100, 0, 10 * SECOND, "a-name-that-is-too-long-for-the-terminal", 40);
    assert_int_equal(strlen(line), 40);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(time_left_is_judged_by_what_was_really_done),
        cmocka_unit_test(nothing_is_guessed_from_nothing),
        cmocka_unit_test(a_line_is_never_wider_than_the_terminal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
