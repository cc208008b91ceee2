/* utctext_put() writes what event_utc_text() writes, whatever came before: forward, backward, before 1970, at both ends of what an instant holds. */
#include "export/utctext.h"

#include "core/event.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

static void check(struct utctext *kept, int64_t ns)
{
    char expected[32], got[UTCTEXT_SIZE];
    event_utc_text((utc_ns){ns}, expected);
    char *end = utctext_put(kept, got, (utc_ns){ns});
    assert_string_equal(got, expected);
    assert_ptr_equal(end, got + strlen(got));
}

static void each_after_each(void **state)
{
    static const int64_t instants[] = {0,
                                       1,
                                       NS_PER_MS - 1,
                                       NS_PER_MS,
                                       NS_PER_S - 1,
                                       NS_PER_S,
                                       -1,
                                       -NS_PER_MS,
                                       -NS_PER_S,
                                       -NS_PER_S - 1,
                                       INT64_C(1930453567890123456),
                                       INT64_C(1930453568000000000),
                                       INT64_C(1930453567999999999),
                                       INT64_MAX,
                                       INT64_MIN,
                                       INT64_MIN + 1};
    const size_t count = sizeof instants / sizeof instants[0];
    (void)state;
    for (size_t i = 0; i < count; i++) {
        for (size_t k = 0; k < count; k++) {
            struct utctext kept = {0};
            check(&kept, instants[i]);
            check(&kept, instants[k]);
        }
    }
}

static void a_dive_at_10_hz(void **state)
{
    struct utctext kept = {0};
    int64_t ns = INT64_C(1930435199000000000); /* over a midnight */
    (void)state;
    for (int i = 0; i < 20000; i++) {
        ns += 100 * NS_PER_MS + (int64_t)i * 7919 % 400 * 1000 - 200000;
        check(&kept, ns);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(each_after_each), cmocka_unit_test(a_dive_at_10_hz)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
