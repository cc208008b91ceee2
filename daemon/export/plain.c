#include "export/plain.h"

#include <stdint.h>
#include <string.h>

/* Bytes of the sequence that begins with `lead`; 0: none begins so. */
static size_t length_of(unsigned char lead)
{
    if (lead < 0x80)
        return 1;
    if (lead >= 0xC2 && lead < 0xE0)
        return 2;
    if (lead >= 0xE0 && lead < 0xF0)
        return 3;
    return lead >= 0xF0 && lead < 0xF5 ? 4 : 0;
}

/* The code point of a whole, shortest sequence of `len` bytes; UINT32_MAX: it is none. */
static uint32_t decode(const char *text, size_t len)
{
    static const uint32_t least[] = {0, 0, 0x80, 0x800, 0x10000};
    uint32_t point = (unsigned char)text[0] & (0xFFU >> (len + 1));
    for (size_t i = 1; i < len; i++) {
        if (((unsigned char)text[i] & 0xC0U) != 0x80)
            return UINT32_MAX; /* the terminator ends here too */
        point = point << 6 | ((unsigned char)text[i] & 0x3FU);
    }
    return point >= least[len] && point <= 0x10FFFF && (point < 0xD800 || point > 0xDFFF) ? point
                                                                                          : UINT32_MAX;
}

const char *plain_next(const char *text, char unit[PLAIN_UNIT])
{
    unsigned char lead = (unsigned char)text[0];
    if (lead == '\0')
        return NULL;
    size_t len = length_of(lead);
    uint32_t point = len == 1 ? lead : len == 0 ? UINT32_MAX : decode(text, len);
    if (point == UINT32_MAX) {
        memcpy(unit, "\xEF\xBF\xBD", 4);
        return text + 1;
    }
    if (point < 0x20 || (point >= 0x7F && point < 0xA0) || point == 0xFFFE || point == 0xFFFF) {
        memcpy(unit, " ", 2);
        return text + len;
    }
    memcpy(unit, text, len);
    unit[len] = '\0';
    return text + len;
}

const char *plain_copy(char *out, size_t size, const char *text)
{
    char unit[PLAIN_UNIT];
    size_t used = 0;
    for (const char *next; (next = plain_next(text, unit)) != NULL; text = next) {
        size_t len = strlen(unit);
        if (used + len >= size)
            break;
        memcpy(out + used, unit, len);
        used += len;
    }
    out[used] = '\0';
    return text;
}
