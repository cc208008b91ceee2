/* Any bytes as a configuration file: read to its end, and each problem counted is told, with a text. */
#include "io/config.h"

#include <stdlib.h>
#include <string.h>

static int told;

static void hear(void *ctx, const struct ini_problem *problem)
{
    char text[2048];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    if (problem->line < 0 || problem->text[0] == '\0' || strncmp(text, "fuzz.ini", 8) != 0)
        abort();
    told++;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t len);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t len)
{
    static struct config config;
    struct ini_text_report report = {hear, NULL};
    told = 0;
    int problems = config_parse(&config, "fuzz.ini", (const char *)bytes, len, &report);
    if (problems != told)
        abort();
    if (config.engine.pad_count > ENGINE_PADS_MAX || config.engine.feed_count > ENGINE_FEEDS_MAX)
        abort();
    return 0;
}
