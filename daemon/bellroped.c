/* bellroped: the daemon's command line. What it does is in app/daemon.c. */
#include "app/check.h"
#include "app/daemon.h"
#include "bellrope/version.h"
#include "io/log.h"

#include <getopt.h>
#include <malloc.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: bellroped --config FILE [--check] [--tape FILE]\n"
    "\n"
    "Keeps what happens on a dive: key presses, with their instant, timecode and place.\n"
    "\n"
    "  --config FILE   the configuration (docs/configuration.md)\n"
    "  --check         read it, open what can be opened, say what is wrong, and end:\n"
    "                  0 when the daemon would start, 1 when it would not\n"
    "  --tape FILE     record all input on this tape; takes the place of [store] tape\n"
    "  --version       print the version and end\n"
    "  --help          print this and end\n"
    "\n"
    "Runs in the foreground and logs to stderr. SIGTERM or SIGINT: end cleanly. SIGHUP: read the key plans "
    "again.\n"
    "Exit: 0 ended cleanly, 1 refused or failed, 2 wrong usage.\n";

struct options {
    const char *config, *tape;
    bool check;
};

/* -1: go on; else the exit code. */
static int read_options(int argc, char **argv, struct options *out)
{
    static const struct option known[] = {
        {"config", required_argument, NULL, 'c'}, {"check", no_argument, NULL, 'k'},
        {"tape", required_argument, NULL, 't'},   {"version", no_argument, NULL, 'v'},
        {"help", no_argument, NULL, 'h'},         {NULL, 0, NULL, 0}};
    int option;
    while ((option = getopt_long(argc, argv, "", known, NULL)) != -1) {
        if (option == 'c') {
            out->config = optarg;
        } else if (option == 'k') {
            out->check = true;
        } else if (option == 't') {
            out->tape = optarg;
        } else if (option == 'v') {
            puts("bellroped " BELLROPE_VERSION);
            return 0;
        } else if (option == 'h') {
            fputs(usage, stdout);
            return 0;
        } else {
            fputs(usage, stderr);
            return 2;
        }
    }
    if (optind == argc && out->config != NULL)
        return -1;
    if (optind < argc)
        fprintf(stderr, "bellroped: '%s': no such argument\n", argv[optind]);
    else
        fputs("bellroped: --config FILE is missing\n", stderr);
    fputs(usage, stderr);
    return 2;
}

static void print_problem(void *ctx, const struct ini_problem *problem)
{
    char text[2048];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "%s\n", text);
}

static int run(const struct options *options, struct config *config)
{
    static const struct ini_text_report report = {print_problem, NULL};
    char *text = NULL;
    size_t len = 0;
    int problems = config_load(config, options->config, &text, &len, &report);
    if (text != NULL)
        problems += config_check_exec(config, &report);
    if (options->tape != NULL)
        snprintf(config->tape_file, sizeof config->tape_file, "%s", options->tape);
    int result = 1;
    if (options->check)
        result = check_run(config, problems, &report);
    else if (problems == 0)
        result = daemon_run(config, text, len);
    free(text);
    return result;
}

/*
 * What is large goes back to the system when it is freed. By itself the library would learn from the first large block it frees to keep such
 * blocks, and what one burst took would stay for the voyage.
 */
static void keep_memory_small(void)
{
    (void)mallopt(M_MMAP_THRESHOLD, 64 << 10);
}

int main(int argc, char **argv)
{
    struct options options = {0};
    keep_memory_small();
    int result = read_options(argc, argv, &options);
    if (result >= 0)
        return result;
    struct config *config = calloc(1, sizeof *config);
    if (config == NULL)
        return 1;
    result = run(&options, config);
    free(config);
    return result;
}
