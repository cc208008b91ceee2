#include "cli/ask.h"
#include "cli/lastref.h"
#include "cli/verbs.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* Puts a number, where it was given. */
static bool put_number(const struct options *options, const char *name, const char *param, bool above,
                       json_t *params)
{
    const char *text = options_value(options, name);
    if (text == NULL)
        return true;
    char *end;
    errno = 0;
    double value = strtod(text, &end);
    if (end == text || *end != '\0' || errno != 0 || !isfinite(value) || value < 0 || (above && value <= 0)) {
        cli_misuse(options->verb, "--%s '%s': must be a number%s", name, text,
                   above ? " above 0" : ", 0 or more");
        return false;
    }
    json_object_set_new(params, param, json_real(value));
    return true;
}

static bool put_numbers(const struct options *options, json_t *params)
{
    return put_number(options, "pixels", "pixels", true, params) &&
           put_number(options, "laser-pixels", "laser_pixels", true, params) &&
           put_number(options, "spacing-m", "spacing_m", true, params) &&
           put_number(options, "spacing-error-m", "spacing_sigma_m", false, params) &&
           put_number(options, "pixel-error", "pixel_sigma", false, params);
}

static int run(const struct options *options)
{
    if (options_value(options, "pixels") == NULL || options_value(options, "laser-pixels") == NULL)
        return cli_misuse(options->verb,
                          "--pixels (of the object) and --laser-pixels (between the dots) are needed");
    json_t *params = json_object();
    ask_put(params, "note", options_value(options, "note"));
    ask_put(params, "by", options_value(options, "by"));
    bool sound = put_numbers(options, params);
    if (!sound || !lastref_put(options, params)) {
        json_decref(params);
        return sound ? CLI_FAILED : CLI_USAGE;
    }
    return ask_command(options, "size", params, "measured");
}

static const struct cli_option OPTIONS[] = {
    {"pixels", "P", "length of the object in the picture"},
    {"laser-pixels", "Q", "distance between the two dots in the same picture"},
    {"spacing-m", "S", "distance between the lasers, metres; 0.10 unless given"},
    {"spacing-error-m", "S", "its standard deviation; 0.001 unless given"},
    {"pixel-error", "P", "how well one end can be set, pixels; 1 unless given"},
    {"note", "TEXT", "which frame, from where to where"},
    {"by", "WHO", "who measured"},
    {"dive", "ID", "that dive, ended perhaps; without it the open one, else the latest"},
    {0}};

const struct cli_verb verb_size = {
    .name = "size",
    .arguments = "REF --pixels P --laser-pixels Q [options]",
    .summary = "Measures a length in a picture by two parallel laser dots, with its error",
    .details =
        "REF is a sighting (S31, `last`) or a sample (A4). Length = spacing times P / Q, in the plane of\n"
        "the dots and square to the camera. The error is the random one (one standard deviation); an\n"
        "object that is slanted, or nearer than the dots, is off by more: 20 degrees make it 6 % too\n"
        "short. Each measurement is kept; the latest counts. Lasers hurt eyes: under water only, never\n"
        "on deck.",
    .examples = "  bellrope size S31 --pixels 350 --laser-pixels 200\n"
                "  bellrope size last --pixels 812 --laser-pixels 164 --note 'snout to tail'\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
