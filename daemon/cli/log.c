#include "cli/ask.h"
#include "cli/show.h"
#include "cli/table.h"
#include "cli/target.h"
#include "cli/verbs.h"

#include "core/event.h"
#include "export/rowjson.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* What a change of a record says, in order; the first words are the ones people look for. */
static const struct {
    const char *member, *before;
} TOLD[] = {{"state", ""},
            {"label", ""},
            {"cause", ""},
            {"name", ""},
            {"qualifier", ""},
            {"rank", ""},
            {"text", ""},
            {"closed_by", "closed by "},
            {"container", "in "},
            {"sighting", "in "},
            {"tied_to", "tied to "},
            {"again_of", "again of "},
            {"struck_by", "struck by "},
            {"advice", ""},
            {"note", "note: "},
            {"who", "at the seat: "},
            {"by", "by "},
            {"why", "because: "}};

#define SAYS_WIDTH 40

struct change {
    int64_t seq;
    struct when at;
    json_t *event;
    char *text; /* as it was published */
};

struct life {
    struct change *change;
    size_t count, room;
    char maker[REF_SIZE]; /* the marker that a sighting, span or sample came of */
    bool failed;
};

static const struct table_column COLUMNS[] = {{"SEQ", true, false, false},
                                              {"WHEN", false, false, false},
                                              {"WHAT", false, false, false},
                                              {"TIME", false, false, true},
                                              {"SAYS", false, true, false}};

static void add(char *says, size_t size, const char *before, const char *text)
{
    size_t len = strlen(says);
    snprintf(says + len, size - len, "%s%s%s", len > 0 ? ", " : "", before, text);
}

static void tell(const json_t *event, char *says, size_t size)
{
    const json_t *individuals = json_object_get(event, "individuals"),
                 *length = json_object_get(event, "value_m");
    char number[48];
    says[0] = '\0';
    if (json_is_true(json_object_get(event, "restored")))
        add(says, size, "", "stands again");
    for (size_t i = 0; i < sizeof TOLD / sizeof TOLD[0]; i++) {
        const char *text = show_text(event, TOLD[i].member);
        if (text[0] != '\0')
            add(says, size, TOLD[i].before, text);
    }
    if (json_is_integer(individuals)) {
        json_int_t count = json_integer_value(individuals);
        snprintf(number, sizeof number, "%" JSON_INTEGER_FORMAT " individual%s", count,
                 count == 1 ? "" : "s");
        add(says, size, "", number);
    }
    if (json_is_number(length)) {
        snprintf(number, sizeof number, "%.3f m ± %.3f m", json_number_value(length),
                 json_number_value(json_object_get(event, "sigma_m")));
        add(says, size, "", number);
    }
    if (json_is_true(json_object_get(event, "recomputed")))
        add(says, size, "", "worked out anew");
}

/* The time that the change gives the record, where it gives one: of a press, or the beginning of a sighting. */
static const char *time_of(const json_t *event, char text[SHOW_SIZE])
{
    static const char *const types[] = {"marker", "settled"};
    const char *type = show_text(event, "type");
    for (size_t i = 0; i < 2; i++)
        if (strcmp(type, types[i]) == 0)
            return show_time(event, "utc", text);
    if (show_text(event, "taken")[0] != '\0')
        return show_time(event, "taken", text);
    return show_text(event, "start")[0] != '\0' ? show_time(event, "start", text) : "";
}

/* A reason is not cut: what does not fit goes on in rows below, parted at blanks. */
static void put_says(struct table *table, const char *says)
{
    char piece[SAYS_WIDTH * 4 + 1];
    for (bool first = true; first || *says != '\0'; first = false) {
        size_t len = 0, letters = 0, blank = 0;
        for (; says[len] != '\0' && letters < SAYS_WIDTH && len + 1 < sizeof piece; len++) {
            letters += ((unsigned char)says[len + 1] & 0xc0) != 0x80;
            blank = says[len] == ' ' ? len : blank;
        }
        if (says[len] != '\0' && blank > 0)
            len = blank;
        memcpy(piece, says, len);
        piece[len] = '\0';
        for (int i = 0; i < 4 && !first; i++)
            table_cell(table, "");
        table_cell(table, piece);
        says += len + (says[len] == ' ' ? 1 : 0);
    }
}

static bool make_room(struct life *life)
{
    size_t room = life->room == 0 ? 32 : life->room * 2;
    if (life->count < life->room)
        return true;
    struct change *change = realloc(life->change, room * sizeof *change);
    if (change == NULL)
        return false;
    life->change = change;
    life->room = room;
    return true;
}

static bool on_event(void *ctx, const struct query_event *row)
{
    struct life *life = ctx;
    struct change change = {.seq = row->seq, .at = row->at, .text = strndup(row->event, row->len)};
    change.event = change.text != NULL ? json_loads(change.text, 0, NULL) : NULL;
    if (change.event == NULL || !make_room(life)) {
        json_decref(change.event);
        free(change.text);
        life->failed = true;
        return false;
    }
    life->change[life->count++] = change;
    const char *type = show_text(change.event, "type");
    const char *maker = show_text(change.event, strcmp(type, "sample") == 0 ? "marker" : "first");
    if (maker[0] != '\0')
        snprintf(life->maker, sizeof life->maker, "%s", maker);
    return true;
}

static int by_seq(const void *a, const void *b)
{
    const struct change *x = a, *y = b;
    return (x->seq > y->seq) - (x->seq < y->seq);
}

/* A sighting, span or sample is struck by striking the marker it came of: who did it and why stands there. 0, or -1. */
static int read_life(struct life *life, struct store_reader *reader, const char *ref)
{
    struct query_journal own = {.ref = ref};
    struct query_journal struck = {.ref = life->maker, .types = QUERY_TYPE(ENTRY_STRIKE)};
    if (query_journal(reader, &own, on_event, life) < 0)
        return -1;
    if (life->maker[0] != '\0' && query_journal(reader, &struck, on_event, life) < 0)
        return -1;
    if (life->count > 0)
        qsort(life->change, life->count, sizeof life->change[0], by_seq);
    return 0;
}

static void free_life(struct life *life)
{
    for (size_t i = 0; i < life->count; i++) {
        json_decref(life->change[i].event);
        free(life->change[i].text);
    }
    free(life->change);
}

static void put_change(struct table *table, const struct change *change)
{
    char says[NOTE_SIZE * 5], text[SHOW_SIZE], when[64] = "-", made[40];
    if (change->at.trust != CLOCK_TRUST_NONE) {
        event_utc_text(change->at.utc, made);
        snprintf(when, sizeof when, "%.10s %.8s", made, made + 11);
    }
    tell(change->event, says, sizeof says);
    table_cellf(table, "%lld", (long long)change->seq);
    table_cell(table, when);
    table_cell(table, show_text(change->event, "type"));
    table_cell(table, time_of(change->event, text));
    put_says(table, says);
}

static void print_life(const struct options *options, const struct life *life, const char *ref)
{
    struct table *table = options->json ? NULL : table_new(COLUMNS, sizeof COLUMNS / sizeof COLUMNS[0]);
    for (size_t i = 0; i < life->count; i++) {
        if (options->json)
            puts(life->change[i].text);
        else if (table != NULL)
            put_change(table, &life->change[i]);
    }
    if (table != NULL) {
        printf("%s\n", ref);
        table_print(table, TABLE_WIDTH, stdout);
    }
    table_free(table);
}

struct last {
    char ref[REF_SIZE];
};

static bool keep_ref(void *ctx, const struct query_marker *row)
{
    struct last *last = ctx;
    snprintf(last->ref, sizeof last->ref, "%s", row->ref);
    return true;
}

/* REF in full. False after saying why. */
static bool full_ref(const struct options *options, struct store_reader *reader, char ref[REF_SIZE])
{
    const char *given = options->argument[0], *named = options_value(options, "dive");
    char dive[DIVE_ID_SIZE] = "", letter = 'M';
    uint32_t number = 0;
    if (strcmp(given, "last") != 0 && !entry_ref_parse(given, dive, &letter, &number)) {
        cli_fail(options->verb,
                 "'%s' is no reference; give one such as M112, S31, A4, T2, D007-M0112 or last", given);
        return false;
    }
    bool last = strcmp(given, "last") == 0;
    if (last || dive[0] == '\0') {
        if (named != NULL)
            snprintf(dive, sizeof dive, "%s", named);
        else if (!rowjson_default_dive(reader, dive))
            dive[0] = '\0';
    }
    if (last) {
        struct last newest = {""};
        struct query_want want = {.dive = dive};
        (void)query_markers(reader, &want, keep_ref, &newest);
        if (newest.ref[0] == '\0') {
            cli_fail(options->verb,
                     "there is no marker yet%s%s; name another --dive, or a record such as S31",
                     dive[0] != '\0' ? " in dive " : "", dive);
            return false;
        }
        snprintf(ref, REF_SIZE, "%s", newest.ref);
    } else {
        entry_ref(ref, dive, letter, number);
    }
    return true;
}

static int show(const struct options *options, struct store_reader *reader)
{
    struct life life = {0};
    char ref[REF_SIZE];
    if (!full_ref(options, reader, ref))
        return CLI_FAILED;
    bool read = read_life(&life, reader, ref) == 0;
    bool found = life.count > 0 && !life.failed;
    if (read && found)
        print_life(options, &life, ref);
    free_life(&life);
    if (!read)
        return cli_fail(options->verb, "%s", store_reader_error(reader));
    if (life.failed)
        return cli_fail(options->verb, "%s: out of memory, or an entry of the journal that is no JSON", ref);
    return found ? CLI_DONE
                 : cli_fail(options->verb,
                            "there is no record %s; `bellrope markers` and `bellrope sightings` list them",
                            ref);
}

static int run(const struct options *options)
{
    struct store_reader *reader;
    if (target_reader(options, &reader) != CLI_DONE)
        return CLI_FAILED;
    int done = show(options, reader);
    store_reader_close(reader);
    return done;
}

static const struct cli_option OPTIONS[] = {
    {"dive", "ID", "the dive of a short REF; without it the open one, else the latest"}, {0}};

const struct cli_verb verb_log = {
    .name = "log",
    .arguments = "REF [options]",
    .summary = "Shows the life of a record: every change, when, by whom and why",
    .details =
        "REF is M112, S31, A4, T2, D007-M0112, or `last` for the newest marker. Read from the journal in\n"
        "the database, also while the daemon writes. TIME is what the change gives the record. A sighting, "
        "span\n"
        "or sample is struck by striking the marker it came of: such strikes are shown with it. With --json "
        "the\n"
        "events themselves, one a line.",
    .examples = "  bellrope log S31\n"
                "  bellrope log D007-M0112 --db dive.db --json\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .needs = CLI_NEEDS_RECORD,
    .prints = true,
    .run = run,
};
