#include "cli/listing.h"
#include "cli/show.h"
#include "cli/verbs.h"

#include <string.h>

static const struct table_column COLUMNS[] = {
    {"SIGHTING", false, false, false}, {"START", false, false, false},  {"LASTED", true, false, true},
    {"SEAT", false, true, false},      {"LABEL", false, true, false},   {"COUNT", true, false, false},
    {"STATE", false, true, false},     {"TIED TO", false, false, true}, {"LENGTH", true, false, true},
    {"ASKED", false, false, true},     {"NAME", false, true, true},     {"LISTED", false, false, true}};

/* How it ended says that it ended. */
static const char *state_of(const json_t *row)
{
    const char *state = show_text(row, "state"), *by = show_text(row, "closed_by");
    return strcmp(state, "closed") == 0 && by[0] != '\0' ? by : state;
}

static void add_length(struct table *table, const json_t *length)
{
    if (json_is_object(length))
        table_cellf(table, "%.3f±%.3f m", json_number_value(json_object_get(length, "value_m")),
                    json_number_value(json_object_get(length, "sigma_m")));
    else
        table_cell(table, "");
}

static void add_row(struct table *table, const json_t *row)
{
    char text[SHOW_SIZE];
    const json_t *name = json_object_get(row, "identification");
    const char *qualifier = show_text(name, "qualifier");
    table_cell(table, show_ref(row, "id"));
    table_cell(table, show_time(row, "start", text));
    table_cell(table, show_duration(row, "start", "end", text));
    table_cell(table, show_text(row, "seat"));
    table_cell(table, show_text(row, "label"));
    table_cellf(table, "%" JSON_INTEGER_FORMAT, json_integer_value(json_object_get(row, "individuals")));
    table_cell(table, state_of(row));
    table_cell(table, show_ref(row, "tied_to"));
    add_length(table, json_object_get(row, "length"));
    table_cell(table, json_is_true(json_object_get(row, "ask_shore")) ? "shore" : "");
    table_cellf(table, "%s%s%s", show_text(name, "name"), qualifier[0] != '\0' ? " " : "", qualifier);
    table_cell(table, json_is_false(json_object_get(name, "listed")) ? "no" : "");
}

static const struct listing LISTING = {.kind = ROWJSON_SIGHTINGS,
                                       .noun = "sighting",
                                       .columns = COLUMNS,
                                       .column_count = sizeof COLUMNS / sizeof COLUMNS[0],
                                       .add_row = add_row,
                                       .only = "ask-shore",
                                       .member = "ask_shore"};

static int run(const struct options *options)
{
    return listing_run(options, &LISTING);
}

static const struct cli_option OPTIONS[] = {
    {"ask-shore", NULL, "only those that shore is asked about"},
    {"dive", "ID", "that dive; without it the open one, else the latest"},
    {"last", "N", "only the newest N"},
    {0}};

const struct cli_verb verb_sightings = {
    .name = "sightings",
    .arguments = "[options]",
    .summary = "Lists the sightings of a dive with their latest identification",
    .details = "START is the first press less the key's lead time. COUNT is individuals. STATE says\n"
               "open, struck, or what ended it. LENGTH is the latest measurement with its standard "
               "deviation. LISTED says\n"
               "no where the name is not on the checklist. With --json one row "
               "a line.",
    .examples = "  bellrope sightings\n"
                "  bellrope sightings --ask-shore\n"
                "  bellrope sightings --dive D007 --json\n",
    .options = OPTIONS,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
