#include "cli/options.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

static const struct cli_option DAEMON_OPTIONS[] = {
    {"socket", "PATH", "the daemon's unix socket, or HOST:PORT"},
    {"config", "FILE", "configuration that names socket and database"},
    {"token-file", "FILE", "first token in it is shown to a daemon over TCP"},
    {0}};
static const struct cli_option RECORD_OPTIONS[] = {{"db", "FILE", "read this database, ask no daemon"}, {0}};
static const struct cli_option JSON_OPTION[] = {{"json", NULL, "print JSON"}, {0}};
static const struct cli_option HELP_OPTION[] = {{"help", NULL, "show this"}, {0}};
static const struct cli_option NO_OPTIONS[] = {{0}};

void options_sets(const struct cli_verb *verb, const struct cli_option *set[OPTIONS_SETS])
{
    set[0] = verb->options != NULL ? verb->options : NO_OPTIONS;
    set[1] = verb->prints ? JSON_OPTION : NO_OPTIONS;
    set[2] = verb->needs != CLI_NEEDS_NOTHING ? DAEMON_OPTIONS : NO_OPTIONS;
    set[3] = verb->needs == CLI_NEEDS_RECORD ? RECORD_OPTIONS : NO_OPTIONS;
    set[4] = HELP_OPTION;
}

static const struct cli_option *find(const struct cli_verb *verb, const char *name, size_t len)
{
    const struct cli_option *set[OPTIONS_SETS];
    options_sets(verb, set);
    for (int i = 0; i < OPTIONS_SETS; i++)
        for (const struct cli_option *option = set[i]; option->name != NULL; option++)
            if (strlen(option->name) == len && memcmp(option->name, name, len) == 0)
                return option;
    return NULL;
}

void options_help(const struct cli_verb *verb, FILE *out)
{
    fprintf(out, "bellrope %s%s%s\n%s.\n", verb->name, verb->arguments[0] != '\0' ? " " : "", verb->arguments,
            verb->summary);
    if (verb->details != NULL)
        fprintf(out, "\n%s\n", verb->details);
    fprintf(out, "\nOptions:\n");
    const struct cli_option *set[OPTIONS_SETS];
    options_sets(verb, set);
    for (int i = 0; i < OPTIONS_SETS; i++) {
        for (const struct cli_option *option = set[i]; option->name != NULL; option++) {
            char left[48];
            snprintf(left, sizeof left, "%s%s%s%s", option->name[1] == '\0' ? "-" : "--", option->name,
                     option->value != NULL ? " " : "", option->value != NULL ? option->value : "");
            fprintf(out, "  %-22s %s\n", left, option->help);
        }
    }
    fprintf(out, "\nExamples:\n%s\nExit: 0 done, 1 refused or failed, 2 usage.\n", verb->examples);
}

static bool is_option(const char *word)
{
    if (word[0] != '-' || word[1] == '\0')
        return false;
    return strspn(word + 1, "0123456789.:;") != strlen(word + 1); /* -12 and -00:00:01:00 are arguments */
}

/* Reads the option at argv[*at] and its value. */
static int take_option(struct options *out, int argc, char **argv, int *at)
{
    const char *word = argv[*at];
    const char *name = word[1] == '-' ? word + 2 : word + 1;
    if (word[1] != '-' && strcmp(word, "-o") != 0 && strcmp(word, "-h") != 0)
        return cli_misuse(out->verb, "unknown option %s", word);
    if (strcmp(word, "-h") == 0)
        name = "help";
    size_t len = strcspn(name, "=");
    const struct cli_option *option = find(out->verb, name, len);
    if (option == NULL)
        return cli_misuse(out->verb, "unknown option --%.*s", (int)len, name);
    const char *value = name[len] == '=' ? name + len + 1 : NULL;
    if (option->value == NULL && value != NULL)
        return cli_misuse(out->verb, "--%s takes no value", option->name);
    if (option->value != NULL && value == NULL) {
        if (*at + 1 >= argc)
            return cli_misuse(out->verb, "--%s needs a value: %s", option->name, option->value);
        value = argv[++*at];
    }
    if (out->count == OPTIONS_MAX)
        return cli_misuse(out->verb, "more than %d options", OPTIONS_MAX);
    out->name[out->count] = option->name;
    out->value[out->count++] = value != NULL ? value : "";
    return CLI_DONE;
}

static int check_count(const struct options *options)
{
    const struct cli_verb *verb = options->verb;
    if (options->argument_count < verb->least)
        return cli_misuse(verb, "too few arguments; it takes: %s", verb->arguments);
    if (options->argument_count > verb->most)
        return cli_misuse(verb, "'%s' is one argument too many; it takes: %s", options->argument[verb->most],
                          verb->arguments[0] != '\0' ? verb->arguments : "none");
    return CLI_DONE;
}

int options_read(struct options *out, const struct cli_verb *verb, int argc, char **argv)
{
    *out = (struct options){.verb = verb};
    bool ended = false;
    for (int i = 1; i < argc; i++) {
        if (!ended && strcmp(argv[i], "--") == 0) {
            ended = true;
        } else if (!ended && is_option(argv[i])) {
            int wrong = take_option(out, argc, argv, &i);
            if (wrong != CLI_DONE)
                return wrong;
        } else if (out->argument_count < OPTIONS_ARGUMENTS_MAX) {
            out->argument[out->argument_count++] = argv[i];
        } else {
            return cli_misuse(verb, "more than %d arguments", OPTIONS_ARGUMENTS_MAX);
        }
    }
    if (options_flag(out, "help")) {
        options_help(verb, stdout);
        return OPTIONS_HELPED;
    }
    out->json = options_flag(out, "json");
    return check_count(out);
}

int options_run(const struct cli_verb *verb, int argc, char **argv)
{
    struct options options;
    int wrong = options_read(&options, verb, argc, argv);
    if (wrong != CLI_DONE)
        return wrong == OPTIONS_HELPED ? CLI_DONE : wrong;
    return verb->run(&options);
}

const char *options_value(const struct options *options, const char *name)
{
    const char *value = NULL;
    for (size_t i = 0; i < options->count; i++)
        if (strcmp(options->name[i], name) == 0)
            value = options->value[i];
    return value;
}

bool options_flag(const struct options *options, const char *name)
{
    return options_value(options, name) != NULL;
}

const char *options_each(const struct options *options, const char *name, size_t i)
{
    for (size_t k = 0; k < options->count; k++)
        if (strcmp(options->name[k], name) == 0 && i-- == 0)
            return options->value[k];
    return NULL;
}

bool options_int(const struct options *options, const char *name, long long least, long long most,
                 long long *out)
{
    const char *text = options_value(options, name);
    if (text == NULL)
        return true;
    char *end;
    errno = 0;
    long long value = strtoll(text, &end, 10);
    if (end == text || *end != '\0' || errno != 0 || value < least || value > most) {
        cli_misuse(options->verb, "--%s '%s': must be a whole number, %lld to %lld", name, text, least, most);
        return false;
    }
    *out = value;
    return true;
}

bool options_duration(const char *text, long long *ns)
{
    static const struct {
        const char *name;
        double s;
    } units[] = {{"ms", 0.001}, {"d", 86400}, {"h", 3600}, {"m", 60}, {"s", 1}};
    double sum = 0;
    const char *at = text;
    while (*at != '\0') {
        char *end;
        if (strchr("0123456789.", *at) == NULL)
            return false;
        double value = strtod(at, &end);
        if (end == at || strspn(at, "0123456789.") != (size_t)(end - at))
            return false;
        double unit = 0;
        for (size_t i = 0; i < sizeof units / sizeof units[0] && unit == 0; i++) {
            if (strncmp(end, units[i].name, strlen(units[i].name)) == 0) {
                unit = units[i].s;
                end += strlen(units[i].name);
            }
        }
        if (unit == 0 && (*end != '\0' || at != text))
            return false;
        sum += value * (unit == 0 ? 1 : unit);
        at = end;
    }
    if (at == text || sum > 3.2e8)
        return false;
    *ns = (long long)(sum * 1e9 + 0.5);
    return true;
}
