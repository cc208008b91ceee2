#include "cli/cli.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static void tell(const struct cli_verb *verb, const char *format, va_list args)
{
    fprintf(stderr, "bellrope %s: ", verb->name);
    vfprintf(stderr, format, args);
    fputc('\n', stderr);
}

int cli_fail(const struct cli_verb *verb, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    tell(verb, format, args);
    va_end(args);
    return CLI_FAILED;
}

int cli_misuse(const struct cli_verb *verb, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    tell(verb, format, args);
    va_end(args);
    fprintf(stderr, "`bellrope %s --help` shows how it is used\n", verb->name);
    return CLI_USAGE;
}

bool cli_may_replace(const struct cli_verb *verb, const char *path)
{
    struct stat info;
    if (strcmp(path, "-") == 0 || stat(path, &info) != 0 || S_ISREG(info.st_mode))
        return true;
    cli_fail(verb, "%s is %s, not a file; give another name, or - for standard output", path,
             S_ISDIR(info.st_mode) ? "a folder" : "a device or pipe");
    return false;
}

bool cli_colours(FILE *stream)
{
    const char *none = getenv("NO_COLOR"), *term = getenv("TERM");
    bool unwanted = (none != NULL && none[0] != '\0') || term == NULL || strcmp(term, "dumb") == 0;
    return !unwanted && isatty(fileno(stream)) == 1;
}
