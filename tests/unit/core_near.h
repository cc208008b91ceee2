/* core_near: cmocka with a comparison of doubles that prints both and the tolerance. */
#ifndef TESTS_UNIT_CORE_NEAR_H
#define TESTS_UNIT_CORE_NEAR_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#define assert_near(value, wanted, tolerance)                                                                \
    near_at((value), (wanted), (tolerance), #value, __FILE__, __LINE__)

static inline void near_at(double value, double wanted, double tolerance, const char *what, const char *file,
                           int line)
{
    if (!(fabs(value - wanted) <= tolerance)) {
        print_error("%s is %.12g, wanted %.12g within %g\n", what, value, wanted, tolerance);
        _fail(file, line);
    }
}

#endif
