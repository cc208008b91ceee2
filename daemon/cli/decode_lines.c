#include "cli/decode.h"

#include "core/columns.h"
#include "core/event.h"
#include "core/jsonout.h"
#include "core/lines.h"
#include "core/nmea.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#define OBJECT_BYTES 16384

/* One run over a file of lines. */
struct decoding {
    const struct options *options;
    uint64_t line, good, passed, bad;
    struct nmea_options nmea;
    enum nmea_as as;
    struct columns columns;
    struct channel_names names;
    struct jsonout out;
    char text[OBJECT_BYTES];
};

static void begin_object(struct decoding *decoding, const char *verdict)
{
    jsonout_begin(&decoding->out, decoding->text, sizeof decoding->text);
    jsonout_open(&decoding->out, NULL, '{');
    jsonout_int(&decoding->out, "line", (int64_t)decoding->line);
    jsonout_text(&decoding->out, "verdict", verdict);
}

/* The line itself goes along where it could not be used, so that one sees what was wrong with it. */
static void end_object(struct decoding *decoding, const char *line, size_t len, bool good)
{
    if (!good) {
        char shown[LINES_MAX + 1];
        memcpy(shown, line, len);
        shown[len] = '\0';
        jsonout_text(&decoding->out, "text", shown);
    }
    jsonout_close(&decoding->out, '}');
    if (jsonout_end(&decoding->out) > 0)
        puts(decoding->text);
}

static void put_value(void *ctx, const char *name, double value)
{
    struct decoding *decoding = ctx;
    jsonout_real(&decoding->out, name, value, 9);
}

static void put_channel(void *ctx, int channel, double value)
{
    struct decoding *decoding = ctx;
    const char *name = channel_name(&decoding->names, channel);
    if (name != NULL)
        jsonout_real(&decoding->out, name, value, 9);
}

static void put_sentence(struct decoding *decoding, const struct nmea_sentence *sentence, bool good)
{
    jsonout_text_or_null(&decoding->out, "talker", sentence->talker);
    jsonout_text_or_null(&decoding->out, "type", nmea_type_name(sentence->type));
    if (!good)
        return;
    if ((sentence->has & NMEA_HAS_TIME) != 0) {
        char time[24];
        snprintf(time, sizeof time, "%02d:%02d:%02d.%03d", sentence->time_of_day_s / 3600 % 100,
                 sentence->time_of_day_s / 60 % 60, sentence->time_of_day_s % 60,
                 sentence->time_of_day_ns / 1000000);
        jsonout_text(&decoding->out, "time", time);
    }
    jsonout_open(&decoding->out, "values", '{');
    nmea_each_value(sentence, put_value, decoding);
    jsonout_close(&decoding->out, '}');
    jsonout_open(&decoding->out, "channels", '{');
    nmea_to_channels(sentence, decoding->as, put_channel, decoding);
    jsonout_close(&decoding->out, '}');
}

static void nmea_line(void *ctx, const char *line, size_t len)
{
    struct decoding *decoding = ctx;
    struct nmea_sentence sentence = {0};
    enum nmea_verdict verdict = nmea_decode(line, len, &decoding->nmea, &sentence);
    bool good = verdict == NMEA_OK || verdict == NMEA_NO_DATA;
    decoding->line++;
    decoding->good += verdict == NMEA_OK ? 1 : 0;
    decoding->passed += verdict == NMEA_NO_DATA || verdict == NMEA_UNKNOWN ? 1 : 0;
    decoding->bad += !good && verdict != NMEA_UNKNOWN ? 1 : 0;
    begin_object(decoding, nmea_verdict_name(verdict));
    put_sentence(decoding, &sentence, good);
    end_object(decoding, line, len, good);
}

static void pass_over(void *ctx, int channel, double value)
{
    (void)ctx;
    (void)channel;
    (void)value;
}

static void columns_line(void *ctx, const char *line, size_t len)
{
    struct decoding *decoding = ctx;
    decoding->line++;
    /* the verdict comes before the values: read twice, the first time without looking at them */
    enum columns_verdict verdict = columns_decode(&decoding->columns, line, len, pass_over, decoding);
    bool good = verdict == COLUMNS_OK || verdict == COLUMNS_NO_DATA;
    decoding->good += verdict == COLUMNS_OK ? 1 : 0;
    decoding->passed += verdict == COLUMNS_NO_DATA || verdict == COLUMNS_PASSED_OVER ? 1 : 0;
    decoding->bad += verdict == COLUMNS_TOO_SHORT || verdict == COLUMNS_NOT_NUMBER ? 1 : 0;
    begin_object(decoding, columns_verdict_name(verdict));
    if (good) {
        jsonout_open(&decoding->out, "channels", '{');
        columns_decode(&decoding->columns, line, len, put_channel, decoding);
        jsonout_close(&decoding->out, '}');
    }
    end_object(decoding, line, len, good);
}

static int read_lines(struct decoding *decoding, FILE *in, lines_fn *sink)
{
    struct lines *lines = calloc(1, sizeof *lines);
    char bytes[16384];
    size_t got;
    if (lines == NULL)
        return cli_fail(decoding->options->verb, "out of memory");
    while ((got = fread(bytes, 1, sizeof bytes, in)) > 0) {
        lines_feed(lines, bytes, got, sink, decoding);
        fflush(stdout);
    }
    lines_end(lines, sink, decoding);
    fprintf(stderr,
            "%" PRIu64 " lines: %" PRIu64 " good, %" PRIu64 " passed over, %" PRIu64 " bad, %" PRIu64
            " too long\n",
            decoding->line, decoding->good, decoding->passed, decoding->bad, lines->overlong);
    free(lines);
    return CLI_DONE;
}

int decode_nmea(const struct options *options, FILE *in)
{
    const char *as = options_value(options, "as");
    if (as != NULL && strcmp(as, "ship") != 0 && strcmp(as, "vehicle") != 0)
        return cli_misuse(options->verb, "--as '%s': ship or vehicle", as);
    struct decoding *decoding = calloc(1, sizeof *decoding);
    if (decoding == NULL)
        return cli_fail(options->verb, "out of memory");
    decoding->options = options;
    decoding->as = as != NULL && strcmp(as, "vehicle") == 0 ? NMEA_AS_VEHICLE : NMEA_AS_SHIP;
    decoding->nmea.checksum_optional = options_flag(options, "checksum-optional");
    int done = read_lines(decoding, in, nmea_line);
    free(decoding);
    return done;
}

/* --separator, --prefix and every --column N=CHANNEL [unit]. */
static int read_layout(struct decoding *decoding)
{
    const struct options *options = decoding->options;
    const char *separator = options_value(options, "separator"), *prefix = options_value(options, "prefix"),
               *column;
    char why[COLUMNS_ERROR_MAX], which[32];
    if (separator != NULL && !columns_set_separator(&decoding->columns, separator, why))
        return cli_misuse(options->verb, "--separator: %s", why);
    if (prefix != NULL && !columns_set_prefix(&decoding->columns, prefix, why))
        return cli_misuse(options->verb, "--prefix: %s", why);
    for (size_t i = 0; (column = options_each(options, "column", i)) != NULL; i++) {
        size_t len = strcspn(column, "=");
        if (column[len] != '=' || len >= sizeof which)
            return cli_misuse(options->verb, "--column '%s': give N=CHANNEL, such as 3=water.temperature_C",
                              column);
        memcpy(which, column, len);
        which[len] = '\0';
        if (!columns_set_column(&decoding->columns, &decoding->names, which, column + len + 1, why))
            return cli_misuse(options->verb, "--column %s: %s", column, why);
    }
    if (!columns_check(&decoding->columns, why))
        return cli_misuse(options->verb, "%s", why);
    return CLI_DONE;
}

int decode_columns(const struct options *options, FILE *in)
{
    struct decoding *decoding = calloc(1, sizeof *decoding);
    if (decoding == NULL)
        return cli_fail(options->verb, "out of memory");
    decoding->options = options;
    int done = read_layout(decoding);
    if (done == CLI_DONE)
        done = read_lines(decoding, in, columns_line);
    free(decoding);
    return done;
}
