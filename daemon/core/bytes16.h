/*
 * bytes16: sixteen bytes of a text at once, for finding separators and for sums over bytes.
 *
 * SSE2, which every x86-64 processor has; elsewhere, and with BELLROPE_PLAIN_BYTES16 defined, two 64-bit words do
 * the same in plain C. Both are compared with a loop over bytes in the tests. Nothing here reads beyond the sixteen
 * bytes it is given.
 */
#ifndef BELLROPE_CORE_BYTES16_H
#define BELLROPE_CORE_BYTES16_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#if defined(__SSE2__) && !defined(BELLROPE_PLAIN_BYTES16)

#include <emmintrin.h>

typedef __m128i bytes16;

static inline bytes16 bytes16_load(const char *at)
{
    return _mm_loadu_si128((const __m128i *)(const void *)at);
}

static inline void bytes16_store(char *at, bytes16 bytes)
{
    _mm_storeu_si128((__m128i *)(void *)at, bytes);
}

static inline bytes16 bytes16_none(void)
{
    return _mm_setzero_si128();
}

/* All bits of each byte that is `c`; nothing of the others. */
static inline bytes16 bytes16_equal(bytes16 bytes, char c)
{
    return _mm_cmpeq_epi8(bytes, _mm_set1_epi8(c));
}

static inline bytes16 bytes16_or(bytes16 a, bytes16 b)
{
    return _mm_or_si128(a, b);
}

static inline bytes16 bytes16_and(bytes16 a, bytes16 b)
{
    return _mm_and_si128(a, b);
}

static inline bytes16 bytes16_xor(bytes16 a, bytes16 b)
{
    return _mm_xor_si128(a, b);
}

/* Bit i for byte i, of what bytes16_equal() found. */
static inline unsigned bytes16_bits(bytes16 found)
{
    return (unsigned)_mm_movemask_epi8(found);
}

/* The exclusive-or of the lower eight bytes and the upper eight. */
static inline uint64_t bytes16_fold(bytes16 bytes)
{
    uint64_t half[2];

    _mm_storel_epi64((__m128i *)(void *)&half[0], bytes);
    _mm_storel_epi64((__m128i *)(void *)&half[1], _mm_unpackhi_epi64(bytes, bytes));
    return half[0] ^ half[1];
}

#else

typedef struct {
    uint64_t half[2];
} bytes16;

#define BYTES16_EACH(byte) (UINT64_C(0x0101010101010101) * (uint8_t)(byte))

static inline bytes16 bytes16_load(const char *at)
{
    bytes16 bytes;

    memcpy(&bytes, at, sizeof bytes);
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    bytes.half[0] = __builtin_bswap64(bytes.half[0]);
    bytes.half[1] = __builtin_bswap64(bytes.half[1]);
#endif
    return bytes;
}

static inline void bytes16_store(char *at, bytes16 bytes)
{
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    bytes.half[0] = __builtin_bswap64(bytes.half[0]);
    bytes.half[1] = __builtin_bswap64(bytes.half[1]);
#endif
    memcpy(at, &bytes, sizeof bytes);
}

static inline bytes16 bytes16_none(void)
{
    return (bytes16){{0, 0}};
}

/* The highest bit of each byte that is zero; exact, no borrow goes from byte to byte. */
static inline uint64_t bytes16_zero_bytes(uint64_t word)
{
    const uint64_t low = BYTES16_EACH(0x7f);

    return ~(((word & low) + low) | word | low);
}

/* The highest bit of each byte that is `c`; nothing of the others. */
static inline bytes16 bytes16_equal(bytes16 bytes, char c)
{
    return (bytes16){{bytes16_zero_bytes(bytes.half[0] ^ BYTES16_EACH(c)),
                      bytes16_zero_bytes(bytes.half[1] ^ BYTES16_EACH(c))}};
}

static inline bytes16 bytes16_or(bytes16 a, bytes16 b)
{
    return (bytes16){{a.half[0] | b.half[0], a.half[1] | b.half[1]}};
}

static inline bytes16 bytes16_and(bytes16 a, bytes16 b)
{
    return (bytes16){{a.half[0] & b.half[0], a.half[1] & b.half[1]}};
}

static inline bytes16 bytes16_xor(bytes16 a, bytes16 b)
{
    return (bytes16){{a.half[0] ^ b.half[0], a.half[1] ^ b.half[1]}};
}

/* Bit i for byte i: the product brings the highest bits of eight bytes together in its highest byte. */
static inline unsigned bytes16_bits(bytes16 found)
{
    const uint64_t gather = UINT64_C(0x0102040810204080);

    return (unsigned)((found.half[0] >> 7) * gather >> 56) | (unsigned)((found.half[1] >> 7) * gather >> 56)
                                                                 << 8;
}

static inline uint64_t bytes16_fold(bytes16 bytes)
{
    return bytes.half[0] ^ bytes.half[1];
}

#endif

/* The first `count` bytes, 0..16, and zeros for the others. */
static inline bytes16 bytes16_first(bytes16 bytes, size_t count)
{
    static const char window[32] = "\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff";

    return bytes16_and(bytes, bytes16_load(window + 16 - count));
}

/* The last `count` bytes, 0..16, and zeros for the others. */
static inline bytes16 bytes16_last(bytes16 bytes, size_t count)
{
    static const char window[33] = "\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0"
                                   "\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff";

    return bytes16_and(bytes, bytes16_load(window + count));
}

#endif
