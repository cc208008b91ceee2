#include "cli/listing.h"
#include "cli/show.h"
#include "cli/verbs.h"

#include <string.h>

static const struct table_column COLUMNS[] = {
    {"MARKER", false, false, false},  {"UTC", false, false, false}, {"WITHIN", true, false, false},
    {"TIMECODE", false, false, true}, {"SEAT", false, true, false}, {"KEY", false, false, true},
    {"LABEL", false, true, false},    {"SEEN", false, false, true}, {"DEPTH", true, false, true},
    {"STATE", false, false, true},    {"NOTE", false, true, true}};

static const char *state_of(const json_t *row)
{
    if (json_is_true(json_object_get(row, "struck")))
        return "struck";
    const char *origin = show_text(row, "origin");
    return strcmp(origin, "key") == 0 ? "" : origin;
}

static void add_row(struct table *table, const json_t *row)
{
    char text[SHOW_SIZE];
    table_cell(table, show_ref(row, "id"));
    table_cell(table, show_time(row, "utc", text));
    table_cell(table, show_bound(row, text));
    table_cell(table, show_text(row, "timecode"));
    table_cell(table, show_text(row, "seat"));
    table_cell(table, show_text(row, "key"));
    table_cell(table, show_text(row, "label"));
    table_cell(table, show_ref(row, "sighting"));
    table_cell(table, show_channel(row, "vehicle.depth_m", 1, text));
    table_cell(table, state_of(row));
    table_cell(table, show_text(row, "note"));
}

static const struct listing LISTING = {.kind = ROWJSON_MARKERS,
                                       .noun = "marker",
                                       .columns = COLUMNS,
                                       .column_count = sizeof COLUMNS / sizeof COLUMNS[0],
                                       .add_row = add_row};

static int run(const struct options *options)
{
    return listing_run(options, &LISTING);
}

const struct cli_verb verb_markers = {
    .name = "markers",
    .arguments = "[options]",
    .summary = "Lists the markers of a dive",
    .details = "WITHIN is the half width of the interval that holds the true time. SEEN is the sighting. "
               "STATE: soft for a soft\n"
               "key, late for an entry made afterwards, struck for a slip. With --json one row a line.",
    .examples = "  bellrope markers\n"
                "  bellrope markers --dive D007 --last 20\n"
                "  bellrope markers --db dive.db --json | jq .id\n",
    .options = LISTING_OPTIONS,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
