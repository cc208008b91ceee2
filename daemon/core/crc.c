/*
 * crc: table[k][b] is what the byte b does to the sum when k more bytes follow it (Kounavis & Berry, "A systematic approach to building high
 * performance software-based CRC generators", 2005). The sum is linear: what a byte does is the exclusive or of what its bits do, so eight
 * constants a table say it all, and the tables are made when this is compiled.
 */
#include "core/crc.h"

#define BIT(b, i, c) (((b) >> (i)&1) != 0 ? UINT32_C(c) : 0)
#define BYTE(b, c0, c1, c2, c3, c4, c5, c6, c7)                                                              \
    (BIT(b, 0, c0) ^ BIT(b, 1, c1) ^ BIT(b, 2, c2) ^ BIT(b, 3, c3) ^ BIT(b, 4, c4) ^ BIT(b, 5, c5) ^         \
     BIT(b, 6, c6) ^ BIT(b, 7, c7))
#define FOUR(b, ...)                                                                                         \
    BYTE((b), __VA_ARGS__), BYTE((b) + 1, __VA_ARGS__), BYTE((b) + 2, __VA_ARGS__), BYTE((b) + 3, __VA_ARGS__)
#define SIXTEEN(b, ...)                                                                                      \
    FOUR((b), __VA_ARGS__), FOUR((b) + 4, __VA_ARGS__), FOUR((b) + 8, __VA_ARGS__),                          \
        FOUR((b) + 12, __VA_ARGS__)
#define SIXTYFOUR(b, ...)                                                                                    \
    SIXTEEN((b), __VA_ARGS__), SIXTEEN((b) + 16, __VA_ARGS__), SIXTEEN((b) + 32, __VA_ARGS__),               \
        SIXTEEN((b) + 48, __VA_ARGS__)
#define TABLE(...)                                                                                           \
    {                                                                                                        \
        SIXTYFOUR(0, __VA_ARGS__), SIXTYFOUR(64, __VA_ARGS__), SIXTYFOUR(128, __VA_ARGS__),                  \
            SIXTYFOUR(192, __VA_ARGS__)                                                                      \
    }

typedef const uint32_t crc_tables[8][256];

static crc_tables iso_hdlc = {
    TABLE(0x77073096, 0xee0e612c, 0x076dc419, 0x0edb8832, 0x1db71064, 0x3b6e20c8, 0x76dc4190, 0xedb88320),
    TABLE(0x191b3141, 0x32366282, 0x646cc504, 0xc8d98a08, 0x4ac21251, 0x958424a2, 0xf0794f05, 0x3b83984b),
    TABLE(0x01c26a37, 0x0384d46e, 0x0709a8dc, 0x0e1351b8, 0x1c26a370, 0x384d46e0, 0x709a8dc0, 0xe1351b80),
    TABLE(0xb8bc6765, 0xaa09c88b, 0x8f629757, 0xc5b428ef, 0x5019579f, 0xa032af3e, 0x9b14583d, 0xed59b63b),
    TABLE(0x3d6029b0, 0x7ac05360, 0xf580a6c0, 0x30704bc1, 0x60e09782, 0xc1c12f04, 0x58f35849, 0xb1e6b092),
    TABLE(0xcb5cd3a5, 0x4dc8a10b, 0x9b914216, 0xec53826d, 0x03d6029b, 0x07ac0536, 0x0f580a6c, 0x1eb014d8),
    TABLE(0xa6770bb4, 0x979f1129, 0xf44f2413, 0x33ef4e67, 0x67de9cce, 0xcfbd399c, 0x440b7579, 0x8816eaf2),
    TABLE(0xccaa009e, 0x4225077d, 0x844a0efa, 0xd3e51bb5, 0x7cbb312b, 0xf9766256, 0x299dc2ed, 0x533b85da)};

static crc_tables castagnoli = {
    TABLE(0xf26b8303, 0xe13b70f7, 0xc79a971f, 0x8ad958cf, 0x105ec76f, 0x20bd8ede, 0x417b1dbc, 0x82f63b78),
    TABLE(0x13a29877, 0x274530ee, 0x4e8a61dc, 0x9d14c3b8, 0x3fc5f181, 0x7f8be302, 0xff17c604, 0xfbc3faf9),
    TABLE(0xa541927e, 0x4f6f520d, 0x9edea41a, 0x38513ec5, 0x70a27d8a, 0xe144fb14, 0xc76580d9, 0x8b277743),
    TABLE(0xdd45aab8, 0xbf672381, 0x7b2231f3, 0xf64463e6, 0xe964b13d, 0xd725148b, 0xaba65fe7, 0x52a0c93f),
    TABLE(0x38116fac, 0x7022df58, 0xe045beb0, 0xc5670b91, 0x8f2261d3, 0x1ba8b557, 0x37516aae, 0x6ea2d55c),
    TABLE(0xef306b19, 0xdb8ca0c3, 0xb2f53777, 0x6006181f, 0xc00c303e, 0x85f4168d, 0x0e045beb, 0x1c08b7d6),
    TABLE(0x68032cc8, 0xd0065990, 0xa5e0c5d1, 0x4e2dfd53, 0x9c5bfaa6, 0x3d5b83bd, 0x7ab7077a, 0xf56e0ef4),
    TABLE(0x493c7d27, 0x9278fa4e, 0x211d826d, 0x423b04da, 0x847609b4, 0x0d006599, 0x1a00cb32, 0x34019664)};

static uint32_t little_endian(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

static uint32_t go_on(crc_tables table, uint32_t crc, const uint8_t *at, size_t len)
{
    crc = ~crc;
    for (; len >= 8; at += 8, len -= 8) {
        uint32_t low = crc ^ little_endian(at), high = little_endian(at + 4);
        crc = table[7][low & 0xff] ^ table[6][low >> 8 & 0xff] ^ table[5][low >> 16 & 0xff] ^
              table[4][low >> 24] ^ table[3][high & 0xff] ^ table[2][high >> 8 & 0xff] ^
              table[1][high >> 16 & 0xff] ^ table[0][high >> 24];
    }
    for (; len > 0; at++, len--)
        crc = (crc >> 8) ^ table[0][(crc ^ *at) & 0xff];
    return ~crc;
}

uint32_t crc_iso_hdlc(uint32_t crc, const void *bytes, size_t len)
{
    return go_on(iso_hdlc, crc, bytes, len);
}

uint32_t crc_castagnoli(uint32_t crc, const void *bytes, size_t len)
{
    return go_on(castagnoli, crc, bytes, len);
}
