/* crc: check values that go with the published parameters, and every length up to 200 against the sum a bit at a time. */
#include "core/crc.h"
#include "core_near.h"

static void published_check_values(void **state)
{
    (void)state;
    assert_int_equal(crc_iso_hdlc(0, "123456789", 9), 0xcbf43926);
    assert_int_equal(crc_castagnoli(0, "123456789", 9), 0xe3069283);
    assert_int_equal(crc_iso_hdlc(0, "", 0), 0);
    assert_int_equal(crc_castagnoli(0, "", 0), 0);
}

static uint32_t bit_by_bit(uint32_t polynomial, const uint8_t *bytes, size_t len)
{
    uint32_t crc = UINT32_MAX;
    for (size_t i = 0; i < len; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc >> 1 ^ ((crc & 1) != 0 ? polynomial : 0);
    }
    return ~crc;
}

/* Bytes that go through all 256 values, so that every entry of every table is used. */
static void every_length_and_begin(void **state)
{
    uint8_t bytes[256 * 9];
    (void)state;
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (uint8_t)(i / 9 * 167 + i % 9 * 31);
    for (size_t len = 0; len <= 200; len++) {
        const uint8_t *at = bytes + len;
        assert_int_equal(crc_iso_hdlc(0, at, len), bit_by_bit(0xedb88320, at, len));
        assert_int_equal(crc_castagnoli(0, at, len), bit_by_bit(0x82f63b78, at, len));
    }
    for (size_t cut = 0; cut <= sizeof bytes; cut += 61) {
        assert_int_equal(crc_iso_hdlc(crc_iso_hdlc(0, bytes, cut), bytes + cut, sizeof bytes - cut),
                         bit_by_bit(0xedb88320, bytes, sizeof bytes));
        assert_int_equal(crc_castagnoli(crc_castagnoli(0, bytes, cut), bytes + cut, sizeof bytes - cut),
                         bit_by_bit(0x82f63b78, bytes, sizeof bytes));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(published_check_values),
                                       cmocka_unit_test(every_length_and_begin)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
