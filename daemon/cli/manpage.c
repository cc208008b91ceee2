#include "bellrope/version.h"
#include "cli/options.h"
#include "cli/verbs.h"

#include <errno.h>
#include <string.h>

/* Text for roff: hyphens stay hyphens, backslashes show, and a dot or quote at a line's beginning is no request. */
static void put_line(FILE *out, const char *text, size_t len)
{
    if (len > 0 && (text[0] == '.' || text[0] == '\''))
        fputs("\\&", out);
    for (size_t i = 0; i < len; i++) {
        if (text[i] == '\\')
            fputs("\\e", out);
        else if (text[i] == '-')
            fputs("\\-", out);
        else
            fputc(text[i], out);
    }
}

static void put_text(FILE *out, const char *text)
{
    while (*text != '\0') {
        size_t len = strcspn(text, "\n");
        put_line(out, text, len);
        fputc('\n', out);
        text += len + (text[len] == '\n' ? 1 : 0);
    }
}

static void upper(FILE *out, const char *text)
{
    for (; *text != '\0'; text++)
        fputc(*text >= 'a' && *text <= 'z' ? *text - 'a' + 'A' : *text, out);
}

static void head(FILE *out, const char *verb)
{
    fputs(".TH \"BELLROPE", out);
    if (verb != NULL) {
        fputc('-', out);
        upper(out, verb);
    }
    fputs("\" 1 \"\" \"bellrope " BELLROPE_VERSION "\" \"Bellrope\"\n", out);
}

static void put_options(FILE *out, const struct cli_verb *verb)
{
    const struct cli_option *set[OPTIONS_SETS];
    options_sets(verb, set);
    fputs(".SH OPTIONS\n", out);
    for (int i = 0; i < OPTIONS_SETS; i++) {
        for (const struct cli_option *option = set[i]; option->name != NULL; option++) {
            fprintf(out, ".TP\n.B %s", option->name[1] == '\0' ? "\\-" : "\\-\\-");
            put_line(out, option->name, strlen(option->name));
            if (option->value != NULL) {
                fputs(" \\fI", out);
                put_line(out, option->value, strlen(option->value));
                fputs("\\fR", out);
            }
            fputc('\n', out);
            put_text(out, option->help);
        }
    }
}

static void verb_page(FILE *out, const struct cli_verb *verb)
{
    head(out, verb->name);
    fprintf(out, ".SH NAME\nbellrope\\-%s \\- ", verb->name);
    put_text(out, verb->summary);
    fprintf(out, ".SH SYNOPSIS\n.B bellrope %s\n", verb->name);
    put_text(out, verb->arguments);
    if (verb->details != NULL) {
        fputs(".SH DESCRIPTION\n", out);
        put_text(out, verb->details);
    }
    put_options(out, verb);
    fputs(".SH EXIT STATUS\n0 done, 1 refused or failed, 2 usage.\n.SH EXAMPLES\n.nf\n", out);
    put_text(out, verb->examples);
    fputs(".fi\n.SH SEE ALSO\n.BR bellrope (1)\n", out);
}

static void main_page(FILE *out)
{
    head(out, NULL);
    fputs(".SH NAME\nbellrope \\- ask and command the recorder of a dive\n"
          ".SH SYNOPSIS\n.B bellrope\n\\fIVERB\\fR [options]\n"
          ".SH DESCRIPTION\nOne key press on a dive becomes a marker: durable, with its instant, timecode "
          "and place. The\n"
          "daemon bellroped keeps them; this command asks it, presses soft keys, adds to the record, and\n"
          "turns it into tables, files and reports. Not for navigation or vehicle safety.\n.SH VERBS\n",
          out);
    for (size_t i = 0; i < cli_verb_count; i++) {
        if (cli_verbs[i]->hidden)
            continue;
        fprintf(out, ".TP\n.BR bellrope\\-%s (1)\n", cli_verbs[i]->name);
        put_text(out, cli_verbs[i]->summary);
    }
    fputs(".SH FILES\nThe daemon is found by \\-\\-socket PATH, \\-\\-config FILE, $BELLROPE_CONFIG, "
          "./bellrope.ini or\n"
          "/etc/bellrope/bellrope.ini; \\-\\-db FILE reads a database without one.\n"
          ".SH EXIT STATUS\n0 done, 1 refused or failed, 2 usage.\n",
          out);
}

static int write_page(const struct options *options, const char *folder, const struct cli_verb *of)
{
    char path[1024];
    snprintf(path, sizeof path, "%s/bellrope%s%s.1", folder, of != NULL ? "-" : "",
             of != NULL ? of->name : "");
    FILE *out = fopen(path, "we");
    if (out == NULL)
        return cli_fail(options->verb, "%s cannot be made: %s", path, strerror(errno));
    if (of != NULL)
        verb_page(out, of);
    else
        main_page(out);
    bool good = ferror(out) == 0;
    good = fclose(out) == 0 && good;
    return good ? CLI_DONE : cli_fail(options->verb, "%s cannot be written: %s", path, strerror(errno));
}

static int write_all(const struct options *options, const char *folder)
{
    int done = write_page(options, folder, NULL);
    for (size_t i = 0; i < cli_verb_count && done == CLI_DONE; i++)
        if (!cli_verbs[i]->hidden)
            done = write_page(options, folder, cli_verbs[i]);
    return done;
}

static int run(const struct options *options)
{
    if (options_value(options, "o") != NULL)
        return write_all(options, options_value(options, "o"));
    if (options->argument_count == 0) {
        main_page(stdout);
        return CLI_DONE;
    }
    for (size_t i = 0; i < cli_verb_count; i++) {
        if (strcmp(cli_verbs[i]->name, options->argument[0]) == 0) {
            verb_page(stdout, cli_verbs[i]);
            return CLI_DONE;
        }
    }
    return cli_misuse(options->verb, "there is no verb '%s'", options->argument[0]);
}

static const struct cli_option OPTIONS[] = {{"o", "DIR", "write all pages into this folder"}, {0}};

const struct cli_verb verb_manpage = {
    .name = "manpage",
    .arguments = "[VERB] [-o DIR]",
    .summary = "Prints manual pages, made from the verbs' own tables",
    .examples = "  bellrope manpage | man -l -\n"
                "  bellrope manpage press | man -l -\n"
                "  bellrope manpage -o man1\n",
    .options = OPTIONS,
    .most = 1,
    .hidden = true,
    .run = run,
};
