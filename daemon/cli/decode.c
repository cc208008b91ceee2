#include "cli/decode.h"

#include "cli/verbs.h"

#include <errno.h>
#include <string.h>

static int run(const struct options *options)
{
    static const struct {
        const char *name;
        int (*decode)(const struct options *options, FILE *in);
    } formats[] = {{"nmea", decode_nmea}, {"columns", decode_columns}, {"ltc", decode_ltc}};
    const char *format = options_value(options, "format");
    size_t which = 0;
    while (which < 3 && (format == NULL || strcmp(formats[which].name, format) != 0))
        which++;
    if (which == 3)
        return cli_misuse(options->verb, "--format must be nmea, columns or ltc");
    const char *path = options->argument_count > 0 ? options->argument[0] : "-";
    FILE *in = strcmp(path, "-") == 0 ? stdin : fopen(path, "rbe");
    if (in == NULL)
        return cli_fail(options->verb, "%s: %s", path, strerror(errno));
    int done = formats[which].decode(options, in);
    if (ferror(in))
        done = cli_fail(options->verb, "%s: %s", path, strerror(errno));
    if (in != stdin)
        fclose(in);
    return done;
}

static const struct cli_option OPTIONS[] = {
    {"format", "F", "nmea, columns or ltc; needed"},
    {"as", "ship|vehicle", "nmea: whose sentences; default ship"},
    {"checksum-optional", NULL, "nmea: take lines without a checksum"},
    {"separator", "S", "columns: comma semicolon tab space fixed, or a character"},
    {"prefix", "TEXT", "columns: only lines that begin so"},
    {"column", "N=CHANNEL [unit]", "columns: once for each column wanted"},
    {"rate", "R", "ltc: 25, 29.97df ...; default 25"},
    {"sample-rate", "HZ", "ltc: default 48000"},
    {0}};

const struct cli_verb verb_decode = {
    .name = "decode",
    .arguments = "--format nmea|columns|ltc [options] [FILE]",
    .summary = "Shows what the daemon would make of an input: one JSON object a line",
    .details =
        "Reads FILE, or standard input. LTC is audio: mono, signed 16 bits, little-endian, no header.\n"
        "Ends with a count on stderr. NOT FOR NAVIGATION OR VEHICLE SAFETY.",
    .examples =
        "  bellrope decode --format nmea --as vehicle ship.log\n"
        "  bellrope decode --format columns --separator tab --column '3=water.temperature_C' ctd.txt\n"
        "  arecord -t raw -f S16_LE -r 48000 -c 1 | bellrope decode --format ltc --rate 25\n",
    .options = OPTIONS,
    .most = 1,
    .prints = true,
    .run = run,
};
