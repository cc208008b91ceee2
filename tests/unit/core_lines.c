/* lines: every way a stream can be cut and ended gives the same lines. */
#include <string.h>

#include "core/lines.h"
#include "core_near.h"

struct got {
    int count;
    char text[64][LINES_MAX + 1];
    size_t len[64];
};

static void collect(void *ctx, const char *line, size_t len)
{
    struct got *got = ctx;

    assert_in_range(len, 1, LINES_MAX);
    assert_in_range(got->count, 0, 63);
    memcpy(got->text[got->count], line, len);
    got->text[got->count][len] = '\0';
    got->len[got->count++] = len;
}

static struct got got;
static struct lines lines;

static void fresh(void)
{
    memset(&got, 0, sizeof got);
    memset(&lines, 0, sizeof lines);
}

static void every_terminator_ends_a_line(void **state)
{
    static const char text[] = "one\r\ntwo\nthree\rfour\n\n\r\r\nfive\r\n";
    static const char *const want[] = {"one", "two", "three", "four", "five"};

    (void)state;
    for (size_t cut = 1; cut <= sizeof text; cut++) {
        fresh();
        for (size_t at = 0; at < sizeof text - 1; at += cut) {
            size_t rest = sizeof text - 1 - at;
            lines_feed(&lines, text + at, rest < cut ? rest : cut, collect, &got);
        }
        assert_int_equal(got.count, 5);
        assert_int_equal(lines.lines, 5);
        for (int i = 0; i < 5; i++) {
            assert_string_equal(got.text[i], want[i]);
        }
    }
}

static void any_byte_passes(void **state)
{
    static const char text[] = "a\0b\xff\x80\n";

    (void)state;
    fresh();
    lines_feed(&lines, text, 6, collect, &got);
    assert_int_equal(got.count, 1);
    assert_int_equal(got.len[0], 5);
    assert_memory_equal(got.text[0], text, 5);
}

static void overlong_is_dropped_to_its_end(void **state)
{
    static char text[3 * LINES_MAX];

    (void)state;
    for (size_t over = 0; over <= 1; over++) {
        for (size_t cut = 100; cut < 2000; cut += 333) {
            size_t len = LINES_MAX + over;
            fresh();
            memset(text, 'x', sizeof text);
            (void)snprintf(text + len, 8, "\r\nnext\n");
            for (size_t at = 0; at < len + 7; at += cut) {
                size_t rest = len + 7 - at;
                lines_feed(&lines, text + at, rest < cut ? rest : cut, collect, &got);
            }
            assert_int_equal(lines.overlong, over);
            assert_int_equal(got.count, over == 0 ? 2 : 1);
            assert_string_equal(got.text[got.count - 1], "next");
        }
    }
}

static void end_of_datagram_ends_the_line(void **state)
{
    (void)state;
    fresh();
    lines_feed(&lines, "first\r\nsecond", 13, collect, &got);
    assert_int_equal(got.count, 1);
    lines_end(&lines, collect, &got);
    lines_end(&lines, collect, &got);
    assert_int_equal(got.count, 2);
    assert_string_equal(got.text[1], "second");
    static char text[2 * LINES_MAX];
    memset(text, 'y', sizeof text);
    lines_feed(&lines, text, sizeof text, collect, &got);
    lines_end(&lines, collect, &got);
    assert_int_equal(lines.overlong, 1);
    lines_feed(&lines, "after\n", 6, collect, &got);
    assert_string_equal(got.text[2], "after");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_terminator_ends_a_line),
        cmocka_unit_test(any_byte_passes),
        cmocka_unit_test(overlong_is_dropped_to_its_end),
        cmocka_unit_test(end_of_datagram_ends_the_line),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
