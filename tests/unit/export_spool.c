/* spool: what was put comes out, once and in order, whether memory held it or a file had to; and a folder that takes no file is said. */
#include "export/spool.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

static struct spool spool;
static char *out_text;
static size_t out_len;

static void put_numbers(int from, int to)
{
    for (int i = from; i < to; i++) {
        char text[16];
        spool_put(&spool, text, (size_t)snprintf(text, sizeof text, "%d ", i));
    }
}

static void assert_pours_numbers(int from, int to)
{
    FILE *out = open_memstream(&out_text, &out_len);
    assert_non_null(out);
    assert_int_equal(spool_pour(&spool, out), 0);
    assert_int_equal(fclose(out), 0);
    char *at = out_text;
    for (int i = from; i < to; i++) {
        assert_int_equal(strtol(at, &at, 10), i);
        assert_int_equal(*at++, ' ');
    }
    assert_ptr_equal(at, out_text + out_len);
    free(out_text);
}

/* Numbers of up to 7 bytes: 20,000 are more than memory takes, 200,000 many times that. */
static void comes_out_as_it_went_in(void **state)
{
    static const int counts[] = {1, 0, 9000, 200000, 10, 20000, 0, 200000};
    (void)state;
    spool = (struct spool){0};
    assert_true(spool_empty(&spool));
    for (size_t i = 0; i < sizeof counts / sizeof counts[0]; i++) {
        put_numbers(1000, 1000 + counts[i]);
        assert_int_equal(spool_empty(&spool), counts[i] == 0);
        assert_pours_numbers(1000, 1000 + counts[i]);
        assert_true(spool_empty(&spool));
    }
    spool_close(&spool);
}

static void every_size_around_that_of_the_memory(void **state)
{
    static char text[2 * SPOOL_BYTES + 2];
    (void)state;
    for (size_t i = 0; i < sizeof text; i++)
        text[i] = (char)('a' + i * i % 23);
    spool = (struct spool){0};
    for (int pieces = 1; pieces <= 2; pieces++) {
        for (int off = -1; off <= 1; off++) {
            size_t len = (size_t)(pieces * SPOOL_BYTES + off);
            FILE *out = open_memstream(&out_text, &out_len);
            assert_non_null(out);
            spool_put(&spool, text, len);
            assert_int_equal(spool_pour(&spool, out), 0);
            assert_int_equal(fclose(out), 0);
            assert_int_equal(out_len, len);
            assert_memory_equal(out_text, text, len);
            free(out_text);
        }
    }
    spool_close(&spool);
}

static void no_room_for_a_file_is_said(void **state)
{
    (void)state;
    assert_int_equal(setenv("TMPDIR", "/nowhere/at/all", 1), 0);
    FILE *out = open_memstream(&out_text, &out_len);
    assert_non_null(out);
    spool = (struct spool){0};
    put_numbers(0, 100); /* needs no file */
    assert_int_equal(spool_pour(&spool, out), 0);
    put_numbers(0, 200000);
    errno = 0;
    assert_int_equal(spool_pour(&spool, out), -1);
    assert_int_equal(errno, ENOENT);
    spool_close(&spool);
    assert_int_equal(fclose(out), 0);
    free(out_text);
    assert_int_equal(unsetenv("TMPDIR"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(comes_out_as_it_went_in),
                                       cmocka_unit_test(every_size_around_that_of_the_memory),
                                       cmocka_unit_test(no_room_for_a_file_is_said)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
