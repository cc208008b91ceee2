#include "cli/ask.h"
#include "cli/verbs.h"
#include "core/timecode.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

static const char *complaint(int error)
{
    switch (error) {
    case TIMECODE_ERANGE:
        return "a field is too large for this rate";
    case TIMECODE_EDROPPED:
        return "drop-frame leaves this label out; the next one ends in ;02 (at 59.94 in ;04)";
    default:
        return "not a label such as 05:06:07:02, and not a count of frames";
    }
}

/* A label or a count of frames. 0, or a negative enum timecode_error. */
static int read_frame(const char *text, enum timecode_rate rate, int64_t *frame)
{
    struct timecode tc;
    char *end;
    errno = 0;
    long long count = strtoll(text, &end, 10);
    if (end != text && *end == '\0') {
        bool fits = errno == 0 && count < INT64_C(1000000000000) && count > -INT64_C(1000000000000);
        *frame = count;
        return fits ? 0 : TIMECODE_ERANGE;
    }
    int wrong = timecode_parse(text, rate, &tc);
    return wrong != 0 ? wrong : timecode_to_frame(tc, rate, frame);
}

static void print(const struct options *options, enum timecode_rate rate, int64_t frame)
{
    char text[TIMECODE_TEXT];
    timecode_format(timecode_from_frame(frame, rate), rate, text);
    int64_t in_day = timecode_wrap(frame, rate);
    double seconds = (double)timecode_frame_start_ns(in_day, rate) / 1e9;
    if (options->json)
        printf("{\"timecode\":\"%s\",\"rate\":\"%s\",\"frame\":%" PRId64 ",\"seconds\":%.9f}\n", text,
               timecode_rate_name(rate), in_day, seconds);
    else
        printf("%s  frame %" PRId64 " at %s, %.6f s after 00:00:00:00\n", text, in_day,
               timecode_rate_name(rate), seconds);
}

static int run(const struct options *options)
{
    enum timecode_rate rate;
    int64_t frame, more = 0;
    const char *rate_text = options_value(options, "rate"), *add = options_value(options, "add");
    if (rate_text == NULL)
        return cli_misuse(options->verb,
                          "--rate is needed: 23.976 24 25 29.97df 29.97ndf 30 50 59.94df 59.94ndf 60");
    int wrong = timecode_rate_parse(rate_text, &rate);
    if (wrong == TIMECODE_EAMBIGUOUS)
        return cli_misuse(options->verb, "--rate %s: say %sdf (drop-frame) or %sndf", rate_text, rate_text,
                          rate_text);
    if (wrong != 0)
        return cli_misuse(options->verb,
                          "--rate '%s': 23.976 24 25 29.97df 29.97ndf 30 50 59.94df 59.94ndf 60", rate_text);
    wrong = read_frame(options->argument[0], rate, &frame);
    if (wrong != 0)
        return cli_fail(options->verb, "'%s' at %s: %s", options->argument[0], timecode_rate_name(rate),
                        complaint(wrong));
    const char *magnitude = add != NULL && add[0] == '-' ? add + 1 : add;
    wrong = add != NULL ? read_frame(magnitude, rate, &more) : 0;
    if (wrong != 0)
        return cli_fail(options->verb, "--add '%s' at %s: %s", add, timecode_rate_name(rate),
                        complaint(wrong));
    print(options, rate, magnitude != add ? frame - more : frame + more);
    return CLI_DONE;
}

static const struct cli_option OPTIONS[] = {
    {"rate", "R", "23.976 24 25 29.97df 29.97ndf 30 50 59.94df 59.94ndf 60"},
    {"add", "N|TC", "frames to add; with a minus to take away"},
    {0}};

const struct cli_verb verb_timecode = {
    .name = "timecode",
    .arguments = "TC|N --rate R [--add N|TC]",
    .summary = "Converts between timecode and frames, and adds them (SMPTE ST 12-1)",
    .details =
        "A label that drop-frame leaves out is refused, not bent to a neighbour. Sums wrap at 24 hours.",
    .examples = "  bellrope timecode 00:10:00;00 --rate 29.97df\n"
                "  bellrope timecode 17982 --rate 29.97df\n"
                "  bellrope timecode 23:59:59:24 --rate 25 --add 1\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .prints = true,
    .run = run,
};
