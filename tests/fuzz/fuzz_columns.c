/*
 * fuzz_columns: the first lines are a layout as a configuration would have it (separator, prefix, then "N CHANNEL [unit]"), a line "-" ends it, and
 * what follows is read by it. Aborts on a channel that is none, a value that is not finite, or an error without a sentence.
 */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/columns.h"
#include "core/lines.h"

struct run {
    struct columns columns;
    struct channel_names names;
    int line;
    bool reading;
};

static void on_channel(void *ctx, int channel, double value)
{
    const struct run *run = ctx;

    if (channel_name(&run->names, channel) == NULL || !isfinite(value)) {
        abort();
    }
}

static void must_say(bool ok, const char *error)
{
    if (!ok && (strlen(error) < 10 || strlen(error) >= COLUMNS_ERROR_MAX)) {
        abort();
    }
}

static void configure(struct run *run, char *text)
{
    char error[COLUMNS_ERROR_MAX] = "";

    if (run->line == 0) {
        must_say(columns_set_separator(&run->columns, text, error), error);
    } else if (run->line == 1) {
        must_say(columns_set_prefix(&run->columns, text, error), error);
    } else {
        char *what = strchr(text, ' ');
        if (what != NULL) {
            *what++ = '\0';
        }
        must_say(columns_set_column(&run->columns, &run->names, text, what != NULL ? what : "", error),
                 error);
    }
    run->line++;
}

static void on_line(void *ctx, const char *line, size_t len)
{
    struct run *run = ctx;
    char *exact = malloc(len + 1);

    if (exact == NULL) {
        abort();
    }
    memcpy(exact, line, len);
    exact[len] = '\0';
    if (!run->reading && len == 1 && line[0] == '-') {
        char error[COLUMNS_ERROR_MAX] = "";
        must_say(columns_check(&run->columns, error), error);
        run->reading = true;
    } else if (run->reading) {
        char *only = malloc(len); /* without room for a terminator: a byte too far is seen */
        if (only == NULL) {
            abort();
        }
        memcpy(only, line, len);
        (void)columns_verdict_name(columns_decode(&run->columns, only, len, on_channel, run));
        free(only);
    } else {
        configure(run, exact);
    }
    free(exact);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct lines lines;
    struct run *run = calloc(1, sizeof *run);

    if (run == NULL) {
        abort();
    }
    memset(&lines, 0, sizeof lines);
    lines_feed(&lines, data, size, on_line, run);
    lines_end(&lines, on_line, run);
    free(run);
    return 0;
}
