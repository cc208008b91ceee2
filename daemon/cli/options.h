/*
 * options: a verb's command line read against its table. Options and arguments may mix; "--" ends options; "--name=value" and
 * "--name value" are the same; a name may not be shortened, so that scripts keep their meaning when options are added. A
 * negative number is an argument, not an option.
 */
#ifndef BELLROPE_CLI_OPTIONS_H
#define BELLROPE_CLI_OPTIONS_H

#include "cli/cli.h"

#define OPTIONS_MAX 64
#define OPTIONS_ARGUMENTS_MAX 64

struct options {
    const struct cli_verb *verb;
    const char *name[OPTIONS_MAX];  /* as in the table */
    const char *value[OPTIONS_MAX]; /* "" for a flag */
    size_t count;
    const char *argument[OPTIONS_ARGUMENTS_MAX];
    size_t argument_count;
    bool json;
};

#define OPTIONS_HELPED (-1)

/* Reads argv[1..]. CLI_DONE: go on; OPTIONS_HELPED: help was asked for and printed, end with CLI_DONE; CLI_USAGE: said why. */
int options_read(struct options *out, const struct cli_verb *verb, int argc, char **argv);

/* Reads argv[1..] and runs the verb. Its exit code. */
int options_run(const struct cli_verb *verb, int argc, char **argv);

/* NULL where it was not given; the last one wins. */
const char *options_value(const struct options *options, const char *name);
bool options_flag(const struct options *options, const char *name);
/* The i-th of an option that may be given several times; NULL beyond the last. */
const char *options_each(const struct options *options, const char *name, size_t i);
/* `out` is left alone where the option is absent. False: not a whole number in [least, most], said so. */
bool options_int(const struct options *options, const char *name, long long least, long long most,
                 long long *out);
/* A number of nanoseconds from "20", "20s", "1.5s", "2m30s", "1h05m", "3d". False: it is none. */
bool options_duration(const char *text, long long *ns);

/* The tables of a verb: its own options and those it shares with others, each ended by a zeroed entry. */
#define OPTIONS_SETS 5
void options_sets(const struct cli_verb *verb, const struct cli_option *set[OPTIONS_SETS]);

void options_help(const struct cli_verb *verb, FILE *out);

#endif
