#include "cli/dataset.h"
#include "cli/options.h"
#include "cli/table.h"
#include "cli/target.h"
#include "cli/verbs.h"
#include "export/dwcacheck.h"

#include <jansson.h>
#include <string.h>

struct listing_check {
    bool json;
    struct table *table;
    int64_t required;
};

static void put_json(const struct dwcacheck_item *item)
{
    json_t *row = json_pack("{s:b, s:s, s:s, s:s, s:s}", "required", (int)item->required, "id", item->ref,
                            "term", item->term, "missing", item->what, "todo", item->todo);
    json_dumpf(row, stdout, JSON_COMPACT);
    putchar('\n');
    json_decref(row);
}

static void on_item(void *ctx, const struct dwcacheck_item *item)
{
    struct listing_check *listing = ctx;
    listing->required += item->required;
    if (listing->json) {
        put_json(item);
        return;
    }
    table_cell(listing->table, item->required ? "must" : "should");
    table_cell(listing->table, item->ref);
    table_cell(listing->table, item->term);
    table_cell(listing->table, item->what);
    table_cell(listing->table, item->todo);
}

static int list_items(const struct options *options, const struct export_options *how,
                      struct listing_check *listing)
{
    struct store_reader *reader;
    char why[EXPORT_WHY_SIZE] = "";
    if (target_reader(options, &reader) != CLI_DONE)
        return CLI_FAILED;
    int64_t items = dwcacheck(reader, how, on_item, listing, why);
    store_reader_close(reader);
    if (items < 0)
        return cli_fail(options->verb, "%s", why);
    if (!listing->json && items > 0)
        table_print(listing->table, 200, stdout);
    if (!listing->json && items == 0)
        puts("nothing is missing");
    return listing->required > 0 ? CLI_FAILED : CLI_DONE;
}

static int run(const struct options *options)
{
    static const struct table_column columns[] = {{"", false, false, false},
                                                  {"RECORD", false, false, false},
                                                  {"TERM", false, false, false},
                                                  {"MISSING", false, true, false},
                                                  {"WHAT TO DO", false, true, false}};
    struct export_dataset dataset = {0};
    const char *file = options_value(options, "dataset");
    struct export_options how = {.dive = options_value(options, "dive"),
                                 .media_index = options_value(options, "media"),
                                 .dataset = file != NULL ? &dataset : NULL};
    if (file != NULL && !dataset_read(options->verb, file, &dataset))
        return CLI_FAILED;
    struct listing_check listing = {.json = options->json, .table = table_new(columns, 5)};
    if (listing.table == NULL)
        return cli_fail(options->verb, "out of memory");
    int result = list_items(options, &how, &listing);
    table_free(listing.table);
    return result;
}

static const struct cli_option OPTIONS[] = {
    {"dive", "ID", "that dive; without it the open one, else the latest"},
    {"dataset", "FILE", "the [dataset] section that goes with the archive"},
    {"media", "FILE", "the index.json of the clips"},
    {0}};

const struct cli_verb verb_check = {
    .name = "check",
    .arguments = "[options]",
    .summary = "Lists what an archive of occurrences would still ask of a dive",
    .details =
        "Names without an identifier, positions without an uncertainty, no licence ... each with what to do "
        "about it. Exits 1\n"
        "while something that archives require is missing. docs/formats.md lists the keys of [dataset].",
    .examples = "  bellrope check --dive D007 --dataset cruise.ini\n"
                "  bellrope check --json | jq 'select(.required)'\n",
    .options = OPTIONS,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
