#include "cli/target.h"

#include "io/config.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SYSTEM_CONFIG "/etc/bellrope/bellrope.ini"

static void print_problem(void *ctx, const struct ini_problem *problem)
{
    char text[512];
    (void)ctx;
    ini_problem_text(problem, text, sizeof text);
    fprintf(stderr, "%s\n", text);
}

/* The configuration that counts; NULL: there is none. */
static const char *config_path(const struct options *options)
{
    const char *path = options_value(options, "config");
    if (path == NULL)
        path = getenv("BELLROPE_CONFIG");
    if (path != NULL && path[0] != '\0')
        return path;
    if (access("bellrope.ini", F_OK) == 0)
        return "bellrope.ini";
    return access(SYSTEM_CONFIG, F_OK) == 0 ? SYSTEM_CONFIG : NULL;
}

static int read_config(const struct options *options, const char *path, struct target *out)
{
    struct config *config = calloc(1, sizeof *config);
    char *text = NULL;
    size_t len = 0;
    const struct ini_text_report report = {.fn = print_problem};
    if (config == NULL)
        return cli_fail(options->verb, "out of memory");
    int problems = config_load(config, path, &text, &len, &report);
    free(text);
    if (problems == 0) {
        const struct config_socket *from = &config->socket;
        if (out->socket[0] == '\0' && from->unix_path[0] != '\0')
            snprintf(out->socket, sizeof out->socket, "%s", from->unix_path);
        else if (out->socket[0] == '\0' && from->tcp_host[0] != '\0')
            snprintf(out->socket, sizeof out->socket, "%s:%u", from->tcp_host, from->tcp_port);
        if (out->token_file[0] == '\0')
            snprintf(out->token_file, sizeof out->token_file, "%s", from->token_file);
        snprintf(out->db, sizeof out->db, "%s", config->store_file);
        snprintf(out->config, sizeof out->config, "%s", path);
    }
    free(config);
    return problems == 0 ? CLI_DONE : cli_fail(options->verb, "%s: %d problems; see above", path, problems);
}

static bool take(char *to, size_t size, const char *value)
{
    if (value == NULL)
        return true;
    int len = snprintf(to, size, "%s", value);
    return len >= 0 && (size_t)len < size;
}

int target_find(const struct options *options, struct target *out)
{
    *out = (struct target){0};
    const char *db = options_value(options, "db");
    if (!take(out->db, sizeof out->db, db) ||
        !take(out->socket, sizeof out->socket, options_value(options, "socket")) ||
        !take(out->token_file, sizeof out->token_file, options_value(options, "token-file")))
        return cli_misuse(options->verb, "a path is too long");
    out->db_only = db != NULL;
    if (db != NULL && !take(out->config, sizeof out->config, options_value(options, "config")))
        return cli_misuse(options->verb, "a path is too long");
    if (db != NULL)
        return CLI_DONE;
    const char *path = config_path(options);
    if (out->socket[0] != '\0' && options_value(options, "config") == NULL)
        return CLI_DONE; /* named outright: a configuration that lies around does not matter */
    if (path != NULL)
        return read_config(options, path, out);
    if (out->socket[0] != '\0')
        return CLI_DONE;
    return cli_fail(options->verb, "which daemon? There is no ./bellrope.ini and no " SYSTEM_CONFIG
                                   "; name one with --config FILE, --socket PATH or --db FILE");
}
