/* timefile: records come back from any instant on, in order, as often as asked, whether few or more than memory holds; a folder that takes no file is said. */
#include "export/timefile.h"

#include <errno.h>
#include <stdint.h>
#include <stdlib.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

struct record {
    utc_ns utc;
    int64_t number;
    char rest[24];
};

/* Three records an instant, instants 10 ns apart. */
static struct timefile *filled(int count)
{
    struct timefile *file = timefile_open(sizeof(struct record));
    assert_non_null(file);
    for (int i = 0; i < count; i++) {
        struct record *record = timefile_add(file);
        *record = (struct record){.utc = {i / 3 * 10}, .number = i, .rest = "kept"};
    }
    return file;
}

static void assert_from(struct timefile *file, int64_t at_ns, int first, int count)
{
    const struct record *record;
    int error, next = first;
    assert_int_equal(timefile_seek(file, (utc_ns){at_ns}), 0);
    for (; (record = timefile_next(file, &error)) != NULL; next++) {
        assert_int_equal(record->number, next);
        assert_int_equal(record->utc.ns, next / 3 * 10);
        assert_string_equal(record->rest, "kept");
    }
    assert_int_equal(error, 0);
    assert_int_equal(next, count);
}

static void reads_from_any_instant(void **state)
{
    static const int counts[] = {0, 1, 3, 100, 1638, 1639, 10000};
    (void)state;
    for (size_t i = 0; i < sizeof counts / sizeof counts[0]; i++) {
        int count = counts[i];
        int64_t end_ns = (count + 2) / 3 * 10;
        struct timefile *file = filled(count);
        assert_from(file, INT64_MIN, 0, count);
        assert_from(file, INT64_MAX, count, count);
        for (int64_t at_ns = -10; at_ns <= end_ns; at_ns += 1 + end_ns / 40) {
            int first = at_ns <= 0 ? 0 : (int)(at_ns + 9) / 10 * 3;
            assert_from(file, at_ns, first < count ? first : count, count);
        }
        timefile_close(file);
    }
}

/* A piece here, a piece there, as spans are, without reading each to its end. */
static void pieces_in_any_order(void **state)
{
    struct timefile *file = filled(9000);
    int error;
    (void)state;
    for (int i = 0; i < 500; i++) {
        int first = i * 7919 % 2900;
        assert_int_equal(timefile_seek(file, (utc_ns){first * 10}), 0);
        for (int k = 0; k < 290; k++) {
            const struct record *record = timefile_next(file, &error);
            assert_non_null(record);
            assert_int_equal(record->number, first * 3 + k);
        }
    }
    timefile_close(file);
    timefile_close(NULL);
}

static void no_room_for_a_file_is_said(void **state)
{
    (void)state;
    assert_int_equal(setenv("TMPDIR", "/nowhere/at/all", 1), 0);
    errno = 0;
    assert_null(timefile_open(sizeof(struct record)));
    assert_int_equal(errno, ENOENT);
    assert_int_equal(unsetenv("TMPDIR"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(reads_from_any_instant),
                                       cmocka_unit_test(pieces_in_any_order),
                                       cmocka_unit_test(no_room_for_a_file_is_said)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
