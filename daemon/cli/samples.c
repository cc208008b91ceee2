#include "cli/listing.h"
#include "cli/show.h"
#include "cli/verbs.h"

static const struct table_column COLUMNS[] = {
    {"SAMPLE", false, false, false},  {"TAKEN", false, false, false}, {"CONTAINER", false, true, false},
    {"LABEL", false, true, false},    {"SEEN", false, false, true},   {"DEPTH", true, false, true},
    {"POSITION", false, false, true}, {"WITHIN", true, false, true},  {"STATE", false, false, false},
    {"NOTE", false, true, true}};

static void add_row(struct table *table, const json_t *row)
{
    char text[SHOW_SIZE];
    const json_t *depth = json_object_get(row, "depth_m");
    const json_t *within = json_object_get(json_object_get(row, "position"), "uncertainty_m");
    table_cell(table, show_ref(row, "id"));
    table_cell(table, show_time(row, "taken", text));
    table_cell(table, show_text(row, "container"));
    table_cell(table, show_text(row, "label"));
    table_cell(table, show_ref(row, "sighting"));
    if (json_is_number(depth))
        table_cellf(table, "%.1f", json_number_value(depth));
    else
        table_cell(table, "");
    table_cell(table, show_position(row, text));
    if (json_is_number(within))
        table_cellf(table, "±%.0f m", json_number_value(within));
    else
        table_cell(table, "");
    table_cell(table, show_text(row, "state"));
    table_cell(table, show_text(row, "note"));
}

static const struct listing LISTING = {.kind = ROWJSON_SAMPLES,
                                       .noun = "sample",
                                       .columns = COLUMNS,
                                       .column_count = sizeof COLUMNS / sizeof COLUMNS[0],
                                       .add_row = add_row};

static int run(const struct options *options)
{
    return listing_run(options, &LISTING);
}

const struct cli_verb verb_samples = {
    .name = "samples",
    .arguments = "[options]",
    .summary = "Lists the samples of a dive with container, depth and position",
    .details =
        "A struck sample is shown as retired: its number is not used again. With --json one row a line.",
    .examples = "  bellrope samples\n"
                "  bellrope samples --dive D007 --json\n",
    .options = LISTING_OPTIONS,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
