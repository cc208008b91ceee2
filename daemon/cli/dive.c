#include "cli/ask.h"
#include "cli/prepared.h"
#include "cli/rows.h"
#include "cli/show.h"
#include "cli/table.h"
#include "cli/target.h"
#include "cli/verbs.h"

#include <string.h>
#include <unistd.h>

/* Who is on watch is said before the dive begins: it is so from its first instant on. */
static int take_seats(const struct options *options, json_t *seats)
{
    struct target target;
    char why[CLIENT_WHY_SIZE];
    json_t *params;
    size_t i;
    if (json_array_size(seats) == 0)
        return CLI_DONE;
    if (target_find(options, &target) != CLI_DONE)
        return CLI_FAILED;
    json_array_foreach(seats, i, params)
    {
        json_t *result = ask_call(options, &target, "seat", json_incref(params), why);
        if (result == NULL)
            return cli_fail(options->verb, "%s", why);
        json_decref(result);
    }
    return CLI_DONE;
}

static int put_minutes(const struct options *options, json_t *params)
{
    long long minutes = 0;
    if (!options_int(options, "planned-bottom-min", 1, 10080, &minutes))
        return CLI_USAGE;
    if (minutes > 0)
        json_object_set_new(params, "planned_bottom_min", json_integer(minutes));
    return CLI_DONE;
}

/* What is said on the command line takes the place of what was prepared. */
static int put_begin(const struct options *options, json_t *params, json_t *seats)
{
    const char *from = options_value(options, "from");
    if (from != NULL && prepared_read(options->verb, from, params, seats) != CLI_DONE)
        return CLI_FAILED;
    ask_put(params, "id", options->argument_count == 2 ? options->argument[1] : NULL);
    ask_put(params, "vehicle", options_value(options, "vehicle"));
    ask_put(params, "ship", options_value(options, "ship"));
    ask_put(params, "site", options_value(options, "site"));
    if (json_object_get(params, "id") == NULL)
        return cli_misuse(options->verb,
                          "begin needs the dive's id, such as D007, or --from a file that has it");
    return put_minutes(options, params);
}

static int begin(const struct options *options)
{
    json_t *params = json_object(), *seats = json_array();
    int done = put_begin(options, params, seats);
    if (done == CLI_DONE)
        done = take_seats(options, seats);
    json_decref(seats);
    if (done == CLI_DONE)
        return ask_command(options, "dive.begin", params, "begun");
    json_decref(params);
    return done;
}

static const struct table_column COLUMNS[] = {
    {"DIVE", false, false, false},   {"BEGUN", false, false, false},    {"LASTED", true, false, false},
    {"VEHICLE", false, true, true},  {"SHIP", false, true, true},       {"SITE", false, true, true},
    {"MARKERS", true, false, false}, {"SIGHTINGS", true, false, false}, {"SAMPLES", true, false, false}};

static void count_cell(struct table *table, const json_t *row, const char *name)
{
    table_cellf(table, "%" JSON_INTEGER_FORMAT, json_integer_value(json_object_get(row, name)));
}

static void add_row(struct table *table, const json_t *row)
{
    char text[SHOW_SIZE];
    bool open = json_is_true(json_object_get(row, "open"));
    table_cell(table, show_text(row, "id"));
    table_cell(table, show_date_time(row, "begun", text));
    table_cell(table, open ? "open" : show_duration(row, "begun", "ended", text));
    table_cell(table, show_text(row, "vehicle"));
    table_cell(table, show_text(row, "ship"));
    table_cell(table, show_text(row, "site"));
    count_cell(table, row, "markers");
    count_cell(table, row, "sightings");
    count_cell(table, row, "samples");
}

static int list(const struct options *options)
{
    struct rows_want want = {.kind = ROWJSON_DIVES};
    json_t *rows = rows_get(options, &want, NULL);
    if (rows == NULL)
        return CLI_FAILED;
    struct table *table = table_new(COLUMNS, sizeof COLUMNS / sizeof COLUMNS[0]);
    const json_t *row;
    size_t i;
    json_array_foreach(rows, i, row)
    {
        if (options->json)
            ask_print_json(row);
        else if (table != NULL)
            add_row(table, row);
    }
    if (!options->json && table != NULL && table_rows(table) > 0)
        table_print(table, TABLE_WIDTH, stdout);
    else if (!options->json)
        puts("no dive yet; `bellrope dive begin ID` begins one");
    table_free(table);
    json_decref(rows);
    return CLI_DONE;
}

static int pack(const struct options *options)
{
    const char *path = options_value(options, "o");
    struct store_reader *reader;
    struct store_error error;
    if (options->argument_count != 2 || path == NULL)
        return cli_misuse(options->verb, "pack needs the dive's id and -o FILE");
    if (target_reader(options, &reader) != CLI_DONE)
        return CLI_FAILED;
    enum store_result result = store_pack(reader, options->argument[1], path, &error);
    store_reader_close(reader);
    if (result != STORE_OK)
        return cli_fail(options->verb, "%s", error.text);
    if (options->json) {
        json_t *made = json_pack("{s:s, s:s}", "dive", options->argument[1], "file", path);
        ask_print_json(made);
        json_decref(made);
    } else {
        printf("packed %s into %s\n", options->argument[1], path);
    }
    return CLI_DONE;
}

static int run(const struct options *options)
{
    const char *what = options->argument[0];
    if (strcmp(what, "begin") == 0)
        return begin(options);
    if (strcmp(what, "pack") == 0)
        return pack(options);
    if (options->argument_count > 1)
        return cli_misuse(options->verb, "'%s' is one argument too many for %s", options->argument[1], what);
    if (strcmp(what, "end") == 0)
        return ask_command(options, "dive.end", json_object(), "ended");
    if (strcmp(what, "list") == 0)
        return list(options);
    return cli_misuse(options->verb, "'%s': it is begin, end, list or pack", what);
}

static const struct cli_option OPTIONS[] = {
    {"vehicle", "NAME", "begin: else the configuration's"},
    {"ship", "NAME", "begin: else the configuration's"},
    {"from", "FILE", "begin: a prepared dive, [dive] and [seats]"},
    {"planned-bottom-min", "MIN", "begin: planned time on the bottom, for status and follow"},
    {"site", "NAME", "begin: else the configuration's"},
    {"o", "FILE", "pack: the database to make"},
    {0}};

const struct cli_verb verb_dive = {
    .name = "dive",
    .arguments = "begin ID | begin --from FILE | end | list | pack ID -o FILE",
    .summary = "Begins and ends a dive, lists dives, packs one into a database of its own",
    .details = "An id is 1 to 31 of A-Z a-z 0-9 _ . - and is used once. Numbers of markers, sightings and "
               "samples run from 1 in\n"
               "each dive. What is still open when a dive ends is closed, and says so.",
    .examples = "  bellrope dive begin D007 --site 'north wall'\n"
                "  bellrope dive begin --from D008.ini\n"
                "  bellrope dive end\n"
                "  bellrope dive list\n"
                "  bellrope dive pack D007 -o D007.db\n",
    .options = OPTIONS,
    .least = 1,
    .most = 2,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
