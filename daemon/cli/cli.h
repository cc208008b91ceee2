/*
 * cli: what the verbs of `bellrope` share. A verb is one file with one `const struct cli_verb`; daemon/bellrope.c lists
 * them. Exit codes: CLI_DONE, CLI_FAILED (refused or failed, with a sentence on stderr that says what to do), CLI_USAGE.
 */
#ifndef BELLROPE_CLI_CLI_H
#define BELLROPE_CLI_CLI_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

enum cli_exit { CLI_DONE = 0, CLI_FAILED = 1, CLI_USAGE = 2 };

enum cli_needs { CLI_NEEDS_NOTHING, CLI_NEEDS_DAEMON, CLI_NEEDS_RECORD };

/* One option of a verb. The table of a verb ends with a zeroed entry. */
struct cli_option {
    const char *name;  /* "seat": --seat S or --seat=S */
    const char *value; /* what it takes, for help: "SEAT"; NULL: a flag */
    const char *help;
};

struct options; /* cli/options.h */

struct cli_verb {
    const char *name;
    const char *arguments; /* "KEY [options]" */
    const char *summary;   /* one line */
    const char *details;   /* may be NULL */
    const char *examples;  /* whole lines */
    const struct cli_option *options;
    unsigned least, most; /* positional arguments */
    enum cli_needs
        needs;   /* --socket and --config, and --db where the record alone will do; see cli/target.h */
    bool prints; /* takes --json */
    bool hidden; /* not listed: for packaging */
    int (*run)(const struct options *options);
};

/* stderr: "bellrope VERB: ..." and a newline. Returns CLI_FAILED, or CLI_USAGE for the second. */
int cli_fail(const struct cli_verb *verb, const char *format, ...) __attribute__((format(printf, 2, 3)));
int cli_misuse(const struct cli_verb *verb, const char *format, ...) __attribute__((format(printf, 2, 3)));

/*
 * Whether a file that takes the place of what is there may be written to `path`: nothing is there, or a file, or it is "-". Else, said so: a
 * device would be replaced by a file, and a folder cannot be.
 */
bool cli_may_replace(const struct cli_verb *verb, const char *path);

/* Whether colours are wanted on that stream: a terminal, NO_COLOR unset (no-color.org) and TERM not "dumb". */
bool cli_colours(FILE *stream);

#endif
