#include "io/bytes.h"

#include "core/jsonout.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Room for `more` bytes and a terminator. */
static bool make_room(struct bytes *bytes, size_t more)
{
    if (bytes->failed || more >= SIZE_MAX / 4 - bytes->len) {
        bytes->failed = true;
        return false;
    }
    size_t wanted = bytes->len + more + 1;
    if (wanted <= bytes->size)
        return true;
    size_t size = bytes->size == 0 ? 256 : bytes->size;
    while (size < wanted)
        size *= 2;
    char *at = realloc(bytes->at, size);
    if (at == NULL) {
        bytes->failed = true;
        return false;
    }
    bytes->at = at;
    bytes->size = size;
    return true;
}

void bytes_reserve(struct bytes *bytes, size_t more)
{
    (void)make_room(bytes, more);
}

void bytes_put(struct bytes *bytes, const void *from, size_t len)
{
    if (!make_room(bytes, len))
        return;
    if (len > 0)
        memcpy(bytes->at + bytes->len, from, len);
    bytes->len += len;
    bytes->at[bytes->len] = '\0';
}

void bytes_text(struct bytes *bytes, const char *text)
{
    bytes_put(bytes, text, strlen(text));
}

void bytes_print(struct bytes *bytes, const char *format, ...)
{
    va_list args, again;
    va_start(args, format);
    va_copy(again, args);
    int len = vsnprintf(NULL, 0, format, args);
    if (len < 0)
        bytes->failed = true;
    else if (make_room(bytes, (size_t)len)) {
        vsnprintf(bytes->at + bytes->len, (size_t)len + 1, format, again);
        bytes->len += (size_t)len;
    }
    va_end(again);
    va_end(args);
}

void bytes_json_text(struct bytes *bytes, const char *text)
{
    /* at worst every byte becomes \u00XX, and two quotes come around it */
    size_t most = strlen(text) * 6 + 8;
    if (!make_room(bytes, most))
        return;
    struct jsonout out;
    jsonout_begin(&out, bytes->at + bytes->len, most);
    jsonout_text(&out, NULL, text);
    bytes->len += jsonout_end(&out);
}

void bytes_skip(struct bytes *bytes, size_t len)
{
    if (len == 0)
        return;
    memmove(bytes->at, bytes->at + len, bytes->len - len);
    bytes->len -= len;
    bytes->at[bytes->len] = '\0';
}

void bytes_clear(struct bytes *bytes)
{
    bytes->len = 0;
    if (bytes->at != NULL)
        bytes->at[0] = '\0';
}

void bytes_free(struct bytes *bytes)
{
    free(bytes->at);
    *bytes = (struct bytes){0};
}
