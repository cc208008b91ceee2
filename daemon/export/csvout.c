#include "export/csvout.h"

#include "core/event.h"
#include "export/decimal.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

static void separate(struct csvout *csv)
{
    if (csv->comma)
        fputc(',', csv->out);
    csv->comma = true;
}

void csvout_text(struct csvout *csv, const char *text)
{
    separate(csv);
    if (strpbrk(text, ",\"\r\n") == NULL) {
        fputs(text, csv->out);
        return;
    }
    fputc('"', csv->out);
    for (; *text != '\0'; text++) {
        if (*text == '"')
            fputc('"', csv->out);
        fputc(*text, csv->out);
    }
    fputc('"', csv->out);
}

void csvout_int(struct csvout *csv, int64_t value)
{
    separate(csv);
    fprintf(csv->out, "%" PRId64, value);
}

void csvout_real(struct csvout *csv, double value, int decimals)
{
    char text[DECIMAL_SIZE];
    separate(csv);
    if (!isfinite(value))
        return;
    decimal_put_short(text, value, decimals);
    fputs(text, csv->out);
}

void csvout_empty(struct csvout *csv)
{
    separate(csv);
}

void csvout_bool(struct csvout *csv, bool value)
{
    csvout_text(csv, value ? "yes" : "no");
}

void csvout_utc(struct csvout *csv, utc_ns utc)
{
    char text[32];
    event_utc_text(utc, text);
    csvout_text(csv, text);
}

void csvout_ref(struct csvout *csv, const char *dive, char letter, uint32_t number)
{
    char ref[REF_SIZE] = "";
    if (number != 0)
        entry_ref(ref, dive, letter, number);
    csvout_text(csv, ref);
}

void csvout_end(struct csvout *csv)
{
    fputs("\r\n", csv->out);
    csv->comma = false;
}
