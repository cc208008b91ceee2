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
    return problems == 0 ? CLI_DONE
                         : cli_fail(options->verb, "%s: %d problem%s; see above", path, problems,
                                    problems == 1 ? "" : "s");
}

/* Takes over the value of an option. False where it is longer than any such path can be. */
static bool take(const struct options *options, const char *name, char *to, size_t size)
{
    const char *value = options_value(options, name);
    if (value == NULL)
        return true;
    if (strlen(value) >= size) {
        cli_fail(options->verb, "--%s: a path of at most %zu bytes, not of %zu", name, size - 1,
                 strlen(value));
        return false;
    }
    snprintf(to, size, "%s", value);
    return true;
}

int target_find(const struct options *options, struct target *out)
{
    *out = (struct target){0};
    if (!take(options, "db", out->db, sizeof out->db) ||
        !take(options, "socket", out->socket, sizeof out->socket) ||
        !take(options, "token-file", out->token_file, sizeof out->token_file))
        return CLI_FAILED;
    out->db_only = options_flag(options, "db");
    if (out->db_only)
        return take(options, "config", out->config, sizeof out->config) ? CLI_DONE : CLI_FAILED;
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

int target_reader(const struct options *options, struct store_reader **out)
{
    struct target target;
    struct store_error error;
    if (target_find(options, &target) != CLI_DONE)
        return CLI_FAILED;
    if (target.db[0] == '\0')
        return cli_fail(options->verb,
                        "this is read from the database; name it with --db FILE or --config FILE");
    if (store_reader_open(out, target.db, &error) != STORE_OK)
        return cli_fail(options->verb, "%s", error.text);
    return CLI_DONE;
}
