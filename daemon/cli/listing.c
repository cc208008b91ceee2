#include "cli/listing.h"

#include "cli/ask.h"

const struct cli_option LISTING_OPTIONS[] = {
    {"dive", "ID", "that dive; without it the open one, else the latest"},
    {"last", "N", "only the newest N"},
    {0}};

static int print_rows(const struct listing *listing, const json_t *rows, const char *dive)
{
    struct table *table = table_new(listing->columns, listing->column_count);
    const json_t *row;
    size_t i;
    if (table == NULL)
        return CLI_FAILED;
    json_array_foreach(rows, i, row) listing->add_row(table, row);
    if (i > 0)
        table_print(table, TABLE_WIDTH, stdout);
    printf("%zu %s%s%s%s\n", i, listing->noun, i == 1 ? "" : "s",
           dive[0] != '\0' ? " of dive " : " without a dive", dive);
    table_free(table);
    return CLI_DONE;
}

static void keep_only(json_t *rows, const char *member)
{
    for (size_t i = json_array_size(rows); i-- > 0;)
        if (!json_is_true(json_object_get(json_array_get(rows, i), member)))
            json_array_remove(rows, i);
}

int listing_run(const struct options *options, const struct listing *listing)
{
    struct rows_want want = {.kind = listing->kind};
    char dive[DIVE_ID_SIZE];
    int done = CLI_DONE;
    if (!rows_want_read(options, &want))
        return CLI_USAGE;
    json_t *rows = rows_get(options, &want, dive);
    if (rows == NULL)
        return CLI_FAILED;
    if (listing->only != NULL && options_flag(options, listing->only))
        keep_only(rows, listing->member);
    if (options->json) {
        const json_t *row;
        size_t i;
        json_array_foreach(rows, i, row) ask_print_json(row);
    } else {
        done = print_rows(listing, rows, dive);
    }
    json_decref(rows);
    return done;
}
