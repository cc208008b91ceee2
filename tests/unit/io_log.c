/* The log: its form, and that nothing from outside can break it. */
#include "io/log.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

struct line {
    int count;
    enum log_level level;
    char text[2 * LOG_LINE_MAX];
};

static void take_line(void *ctx, enum log_level level, const char *text)
{
    struct line *line = ctx;
    line->count++;
    line->level = level;
    snprintf(line->text, sizeof line->text, "%s", text);
}

static void test_a_log_line_cannot_be_forged(void **state)
{
    (void)state;
    struct line line = {0};
    log_divert(take_line, &line);
    log_warning("peer said '%s'", "x\n2031-03-04T05:06:07.089Z error all is lost\x1b[2J\x7f");
    assert_int_equal(line.count, 1);
    assert_int_equal(line.level, LOG_LEVEL_WARNING);
    assert_string_equal(line.text, "peer said 'x?2031-03-04T05:06:07.089Z error all is lost?[2J?'");
    char longer[3000];
    memset(longer, 'x', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    log_text(LOG_LEVEL_ERROR, longer);
    assert_int_equal(strlen(line.text), LOG_LINE_MAX);
    log_divert(NULL, NULL);
}

/* On stderr: UTC, level, text, one line. */
static void test_a_log_line_on_stderr(void **state)
{
    (void)state;
    int ends[2], kept = dup(STDERR_FILENO);
    char got[256] = "";
    assert_int_equal(pipe(ends), 0);
    assert_true(kept >= 0 && dup2(ends[1], STDERR_FILENO) >= 0);
    log_info("feed %s: up", "ship");
    assert_true(dup2(kept, STDERR_FILENO) >= 0);
    close(kept);
    close(ends[1]);
    ssize_t len = read(ends[0], got, sizeof got - 1);
    close(ends[0]);
    assert_int_equal(len, 24 + 1 + 4 + 1 + 13 + 1);
    int year, month, day, hour, minute, second, ms, at = 0;
    assert_int_equal(
        sscanf(got, "%4d-%2d-%2dT%2d:%2d:%2d.%3dZ%n", &year, &month, &day, &hour, &minute, &second, &ms, &at),
        7);
    assert_string_equal(got + at, " info feed ship: up\n");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_log_line_cannot_be_forged),
        cmocka_unit_test(test_a_log_line_on_stderr),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
