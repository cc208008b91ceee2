/* bytes16 against a loop over bytes: any bytes, and every byte value at every place. core_bytes16_plain does the same with the plain version. */
#include <stdlib.h>
#include <string.h>

#include "core/bytes16.h"
#include "property/core_random.h"
#include "unit/core_near.h"

enum { ROUNDS = 20000 };

/* In memory of just their size, so that a sanitizer sees a byte too far. */
static bytes16 load(const unsigned char bytes[16])
{
    char *exact = malloc(16);
    assert_non_null(exact);
    memcpy(exact, bytes, 16);
    bytes16 loaded = bytes16_load(exact);
    free(exact);
    return loaded;
}

static void assert_holds(bytes16 bytes, const unsigned char wanted[16])
{
    char stored[16];
    bytes16_store(stored, bytes);
    assert_memory_equal(stored, wanted, 16);
}

/* Few different values, so that equal ones are common. */
static void fill(unsigned char bytes[16])
{
    static const unsigned char likely[] = {',', '*', ',' ^ 1, ',' ^ 0x80, 0, 1, 0x7f, 0x80, 0xff, '\r', '\n'};
    for (int i = 0; i < 16; i++)
        bytes[i] = random_below(2) == 0 ? (unsigned char)random_bits() : likely[random_below(sizeof likely)];
}

static void equal_bytes_are_found(void **state)
{
    (void)state;
    for (int round = 0; round < ROUNDS; round++) {
        unsigned char a[16], b[16];
        unsigned wanted = 0;
        fill(a);
        fill(b);
        const unsigned char x = a[random_below(16)], y = b[random_below(16)];
        for (unsigned i = 0; i < 16; i++)
            wanted |= (unsigned)(a[i] == x || b[i] == y) << i;
        const bytes16 found = bytes16_or(bytes16_equal(load(a), (char)x), bytes16_equal(load(b), (char)y));
        assert_int_equal(bytes16_bits(found), wanted);
    }
}

static void every_value_is_told_from_every_other(void **state)
{
    (void)state;
    for (unsigned value = 0; value < 256; value++) {
        for (unsigned other = 0; other < 256; other++) {
            unsigned char bytes[16];
            memset(bytes, (int)other, sizeof bytes);
            bytes[(value + other) % 16] = (unsigned char)value;
            assert_int_equal(bytes16_bits(bytes16_equal(load(bytes), (char)value)),
                             value == other ? 0xffffU : 1U << (value + other) % 16);
        }
    }
}

static void parts_and_sums_are_those_of_the_bytes(void **state)
{
    (void)state;
    for (int round = 0; round < ROUNDS; round++) {
        unsigned char a[16], b[16], first[16] = {0}, last[16] = {0}, both[16], none[16] = {0};
        const size_t count = (size_t)random_below(17);
        uint64_t low = 0, high = 0;
        fill(a);
        fill(b);
        memcpy(first, a, count);
        memcpy(last + 16 - count, a + 16 - count, count);
        for (unsigned i = 0; i < 16; i++)
            both[i] = a[i] ^ b[i];
        for (unsigned i = 0; i < 8; i++) {
            low |= (uint64_t)a[i] << 8 * i;
            high |= (uint64_t)a[8 + i] << 8 * i;
        }
        assert_holds(load(a), a);
        assert_holds(bytes16_none(), none);
        assert_holds(bytes16_first(load(a), count), first);
        assert_holds(bytes16_last(load(a), count), last);
        assert_holds(bytes16_xor(load(a), load(b)), both);
        assert_true(bytes16_fold(load(a)) == (low ^ high));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(equal_bytes_are_found),
        cmocka_unit_test(every_value_is_told_from_every_other),
        cmocka_unit_test(parts_and_sums_are_those_of_the_bytes),
    };
    random_begin(20310416);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
