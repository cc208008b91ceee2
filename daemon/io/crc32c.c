#include "io/crc32c.h"

#include <pthread.h>

/*
 * Eight bytes a step: table[k][b] is what the byte b does to the sum when k more bytes follow it (Kounavis & Berry, "A systematic approach to
 * building high performance software-based CRC generators", 2005). Of a replay a quarter of the time went into four bits a step.
 */
#define POLYNOMIAL UINT32_C(0x82f63b78) /* reflected */

static uint32_t table[8][256];
static pthread_once_t made = PTHREAD_ONCE_INIT;

static void make_tables(void)
{
    for (uint32_t byte = 0; byte < 256; byte++) {
        uint32_t crc = byte;
        for (int bit = 0; bit < 8; bit++)
            crc = (crc >> 1) ^ ((crc & 1) != 0 ? POLYNOMIAL : 0);
        table[0][byte] = crc;
    }
    for (int k = 1; k < 8; k++)
        for (uint32_t byte = 0; byte < 256; byte++)
            table[k][byte] = (table[k - 1][byte] >> 8) ^ table[0][table[k - 1][byte] & 0xff];
}

static uint32_t little_endian(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

uint32_t crc32c(uint32_t crc, const void *bytes, size_t len)
{
    const uint8_t *at = bytes;
    pthread_once(&made, make_tables);
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
