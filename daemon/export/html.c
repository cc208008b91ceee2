#include "export/html.h"

#include "core/event.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

/* The length of the UTF-8 character at `text`, 0 where there is none (RFC 3629: no overlong forms, no surrogates). */
static int utf8_length(const unsigned char *text)
{
    unsigned char lead = text[0], second = text[1];
    int length = lead < 0x80 ? 1 : lead >= 0xC2 && lead < 0xE0 ? 2 : (lead & 0xF0) == 0xE0 ? 3 : 0;
    if (lead >= 0xF0 && lead <= 0xF4)
        length = 4;
    for (int i = 1; i < length; i++)
        if ((text[i] & 0xC0) != 0x80) /* the terminator is none either */
            return 0;
    if ((lead == 0xE0 && second < 0xA0) || (lead == 0xED && second > 0x9F))
        return 0;
    if ((lead == 0xF0 && second < 0x90) || (lead == 0xF4 && second > 0x8F))
        return 0;
    return length;
}

static const char *entity(unsigned char byte)
{
    switch (byte) {
    case '&':
        return "&amp;";
    case '<':
        return "&lt;";
    case '>':
        return "&gt;";
    case '"':
        return "&quot;";
    case '\'':
        return "&#39;";
    default:
        return NULL;
    }
}

/* U+FFFE and U+FFFF may not stand in XML, nor may the controls of U+0080 to U+009F in good HTML. */
static bool unfit(const unsigned char *at, int length)
{
    return (length == 3 && at[0] == 0xEF && at[1] == 0xBF && at[2] >= 0xBE) ||
           (length == 2 && at[0] == 0xC2 && at[1] < 0xA0);
}

void html_text(FILE *out, const char *text)
{
    const unsigned char *at = (const unsigned char *)text;
    while (*at != '\0') {
        int length = utf8_length(at);
        const char *word = entity(*at);
        if (word != NULL)
            fputs(word, out);
        else if (length == 0 || unfit(at, length))
            fputs("\xEF\xBF\xBD", out);
        else if (*at < 0x20 || *at == 0x7F)
            fputc(' ', out);
        else
            fwrite(at, 1, (size_t)length, out);
        at += length == 0 ? 1 : length;
    }
}

const char *html_duration(int64_t ns, char out[HTML_TEXT_SIZE])
{
    int64_t s = ns / NS_PER_S;
    if (ns < 0)
        snprintf(out, HTML_TEXT_SIZE, "-");
    else if (ns < NS_PER_S)
        snprintf(out, HTML_TEXT_SIZE, "%" PRId64 " ms", ns / NS_PER_MS);
    else if (s < 60)
        snprintf(out, HTML_TEXT_SIZE, "%.1f s", floor((double)ns / 1e8) / 10);
    else if (s < 3600)
        snprintf(out, HTML_TEXT_SIZE, "%" PRId64 " min %02" PRId64 " s", s / 60, s % 60);
    else
        snprintf(out, HTML_TEXT_SIZE, "%" PRId64 " h %02" PRId64 " min", s / 3600, s / 60 % 60);
    return out;
}

const char *html_clock(utc_ns utc, char out[HTML_TEXT_SIZE])
{
    char text[40];
    event_utc_text(utc, text);
    snprintf(out, HTML_TEXT_SIZE, "%.8s", text + 11);
    return out;
}

const char *html_date_clock(utc_ns utc, char out[HTML_TEXT_SIZE])
{
    char text[40];
    event_utc_text(utc, text);
    snprintf(out, HTML_TEXT_SIZE, "%.10s %.8s", text, text + 11);
    return out;
}

const char *html_position(double lat_deg, double lon_deg, double uncertainty_m, char out[HTML_TEXT_SIZE])
{
    /* a unit of the fifth decimal is about a metre */
    int decimals = uncertainty_m < 30 ? 5 : 4;
    snprintf(out, HTML_TEXT_SIZE, "%.*f° %c %.*f° %c", decimals, fabs(lat_deg), lat_deg < 0 ? 'S' : 'N',
             decimals, fabs(lon_deg), lon_deg < 0 ? 'W' : 'E');
    return out;
}

const char *html_length(double m, char out[HTML_TEXT_SIZE])
{
    if (m < 100)
        snprintf(out, HTML_TEXT_SIZE, "%.1f m", m);
    else if (m < 2000)
        snprintf(out, HTML_TEXT_SIZE, "%.0f m", m);
    else
        snprintf(out, HTML_TEXT_SIZE, "%.2f km", m / 1000);
    return out;
}
