/* bellrope: the command for people. Finds the verb and runs it; all else is in daemon/cli. */
#include "bellrope/version.h"
#include "cli/options.h"
#include "cli/verbs.h"

#include <signal.h>
#include <string.h>

static void print_verbs(FILE *out)
{
    fputs("bellrope VERB [options]: ask and command the recorder of a dive.\n\n", out);
    for (size_t i = 0; i < cli_verb_count; i++)
        if (!cli_verbs[i]->hidden)
            fprintf(out, "  %-10s %s\n", cli_verbs[i]->name, cli_verbs[i]->summary);
    fputs("\n`bellrope VERB --help` shows a verb's options and examples.\n"
          "The daemon is found by --socket PATH, --config FILE, $BELLROPE_CONFIG, ./bellrope.ini or\n"
          "/etc/bellrope/bellrope.ini; --db FILE reads a database without one.\n",
          out);
}

int main(int argc, char **argv)
{
    signal(SIGPIPE, SIG_DFL);
    const char *name = argc > 1 ? argv[1] : "";
    if (strcmp(name, "--version") == 0) {
        puts("bellrope " BELLROPE_VERSION);
        return CLI_DONE;
    }
    if (strcmp(name, "--help") == 0 || strcmp(name, "help") == 0 || strcmp(name, "-h") == 0) {
        print_verbs(stdout);
        return CLI_DONE;
    }
    for (size_t i = 0; i < cli_verb_count; i++)
        if (strcmp(cli_verbs[i]->name, name) == 0)
            return options_run(cli_verbs[i], argc - 1, argv + 1);
    if (name[0] != '\0')
        fprintf(stderr, "bellrope: there is no verb '%s'\n\n", name);
    print_verbs(stderr);
    return CLI_USAGE;
}
