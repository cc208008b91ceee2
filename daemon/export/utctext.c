#include "export/utctext.h"

#include "core/event.h"

#include <string.h>

char *utctext_put(struct utctext *kept, char *out, utc_ns utc)
{
    int64_t second = utc.ns / NS_PER_S, rest_ns = utc.ns % NS_PER_S;
    if (rest_ns < 0) { /* before 1970: rounded down */
        second--;
        rest_ns += NS_PER_S;
    }
    if (second != kept->second || kept->text[0] == '\0') {
        event_utc_text(utc, kept->text);
        kept->second = second;
    }
    int64_t ms = rest_ns / NS_PER_MS;
    kept->text[20] = (char)('0' + ms / 100);
    kept->text[21] = (char)('0' + ms / 10 % 10);
    kept->text[22] = (char)('0' + ms % 10);
    memcpy(out, kept->text, UTCTEXT_SIZE);
    return out + UTCTEXT_SIZE - 1;
}
