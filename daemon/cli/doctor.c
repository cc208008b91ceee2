/* doctor: findings of export/doctor.h as lines or JSON. A tape is first played into a database in a folder of its own, removed afterwards. */
#include "export/doctor.h"

#include "cli/options.h"
#include "cli/playback.h"
#include "cli/verbs.h"
#include "core/event.h"
#include "export/html.h"

#include <inttypes.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct visit {
    const struct options *options;
    struct store_reader *reader;
    const char *dive; /* the one in hand */
    size_t findings, dives;
    bool failed;
    char why[640];
};

/* ---- telling ---- */

static void put_json(struct visit *visit, const struct doctor_finding *finding)
{
    char from[40] = "", to[40] = "";
    if (finding->timed)
        event_utc_text(finding->from, from);
    if (finding->timed && finding->lasting && !finding->unended)
        event_utc_text(finding->to, to);
    json_t *row =
        json_pack("{s:s, s:s, s:s, s:s, s:s*, s:s*, s:b, s:s}", "dive", visit->dive, "weight",
                  finding->weight == DOCTOR_TROUBLE ? "trouble" : "note", "kind", finding->kind, "about",
                  finding->about, "from", from[0] != '\0' ? from : NULL, "to", to[0] != '\0' ? to : NULL,
                  "unended", finding->lasting && finding->unended, "text", finding->text);
    char *text = row != NULL ? json_dumps(row, JSON_COMPACT) : NULL;
    if (text != NULL)
        puts(text);
    free(text);
    json_decref(row);
}

static void put_when(const struct doctor_finding *finding)
{
    char from[HTML_TEXT_SIZE] = "", to[HTML_TEXT_SIZE], length[HTML_TEXT_SIZE];
    if (!finding->timed)
        printf("%-9s", "");
    else if (!finding->lasting)
        printf("%-9s", html_clock(finding->from, from));
    else if (finding->unended)
        printf("%s to the end  ", html_clock(finding->from, from));
    else
        printf("%s to %s (%s)  ", html_clock(finding->from, from), html_clock(finding->to, to),
               html_duration(finding->to.ns - finding->from.ns, length));
}

/* Text from outside must not move the cursor. */
static void put_plain(const char *text)
{
    for (; *text != '\0'; text++)
        putchar((unsigned char)*text < 0x20 || *text == 0x7F ? ' ' : *text);
}

static void on_finding(void *ctx, const struct doctor_finding *finding)
{
    struct visit *visit = ctx;
    visit->findings++;
    if (visit->options->json) {
        put_json(visit, finding);
        return;
    }
    printf("  %s ", finding->weight == DOCTOR_TROUBLE ? "!" : "-");
    put_when(finding);
    printf("%s", finding->kind);
    printf("%s", finding->about[0] != '\0' ? " " : "");
    put_plain(finding->about);
    printf(": ");
    put_plain(finding->text);
    putchar('\n');
}

/* ---- dives ---- */

static void put_heading(const char *dive, const struct query_dive *row)
{
    char text[HTML_TEXT_SIZE];
    if (row == NULL) {
        puts("Without a dive");
        return;
    }
    printf("Dive %s", dive);
    if (row->begun.trust != CLOCK_TRUST_NONE)
        printf(", begun %s UTC", html_date_clock(row->begun.utc, text));
    puts("");
}

static bool on_dive(void *ctx, const struct query_dive *row)
{
    struct visit *visit = ctx;
    size_t before = visit->findings;
    visit->dive = row->id;
    visit->dives++;
    if (!visit->options->json)
        put_heading(row->id, row);
    visit->failed =
        doctor_examine(visit->reader, row->id, row, on_finding, visit, visit->why, sizeof visit->why) != 0;
    if (!visit->options->json && visit->findings == before && !visit->failed)
        puts("  nothing is wrong");
    return !visit->failed;
}

static bool count_row(void *ctx, const struct query_marker *row)
{
    (void)ctx;
    (void)row;
    return false;
}

static void visit_outside(struct visit *visit)
{
    struct query_want want = {.dive = "", .limit = 1};
    visit->dive = "";
    if (query_markers(visit->reader, &want, count_row, NULL) <= 0)
        return;
    if (!visit->options->json)
        put_heading("", NULL);
    visit->failed =
        doctor_examine(visit->reader, "", NULL, on_finding, visit, visit->why, sizeof visit->why) != 0;
}

static int visit_database(const struct options *options, const char *path)
{
    struct visit visit = {.options = options};
    struct store_error error;
    struct query_want want = {.dive = options_value(options, "dive")};
    if (store_reader_open(&visit.reader, path, &error) != STORE_OK)
        return cli_fail(options->verb, "%s", error.text);
    if (query_dives(visit.reader, &want, on_dive, &visit) < 0 && !visit.failed) {
        visit.failed = true;
        snprintf(visit.why, sizeof visit.why, "%s", store_reader_error(visit.reader));
    }
    if (!visit.failed && want.dive != NULL && visit.dives == 0) {
        visit.failed = true;
        snprintf(visit.why, sizeof visit.why, "there is no dive %s in it; without --dive all are shown",
                 want.dive);
    }
    if (!visit.failed && want.dive == NULL)
        visit_outside(&visit);
    store_reader_close(visit.reader);
    return visit.failed ? cli_fail(options->verb, "%s", visit.why) : CLI_DONE;
}

/* ---- tapes ---- */

static bool is_tape(const char *path)
{
    char magic[8] = "";
    FILE *in = fopen(path, "rb");
    bool is =
        in != NULL && fread(magic, 1, sizeof magic, in) == sizeof magic && memcmp(magic, "BELLTAPE", 8) == 0;
    if (in != NULL)
        fclose(in);
    return is;
}

static void tell_of_tape(struct visit *visit, uint64_t count, const char *one, const char *many)
{
    char text[160];
    if (count == 0)
        return;
    snprintf(text, sizeof text, "%" PRIu64 " %s", count, count == 1 ? one : many);
    struct doctor_finding finding = {.weight = DOCTOR_TROUBLE, .kind = "tape", .about = "", .text = text};
    on_finding(visit, &finding);
}

static void put_damage(const struct options *options, const struct playback *played)
{
    struct visit visit = {.options = options, .dive = ""};
    const struct tape_damage *damage = &played->damage;
    if (!options->json && damage->places + damage->torn_bytes + played->gaps + played->problems > 0)
        puts("The tape itself");
    tell_of_tape(&visit, damage->places, "damaged place was skipped: what stood there is missing",
                 "damaged places were skipped: what stood there is missing");
    tell_of_tape(&visit, damage->torn_bytes,
                 "byte of a record cut short stands at its end: the daemon was killed",
                 "bytes of a record cut short stand at its end: the daemon was killed");
    tell_of_tape(&visit, played->gaps, "place where the disk was too slow and records are missing",
                 "places where the disk was too slow and records are missing");
    tell_of_tape(&visit, played->problems, "record made no sense and was passed over",
                 "records made no sense and were passed over");
}

static int visit_tape(const struct options *options, const char *tape)
{
    const char *base = getenv("TMPDIR");
    char folder[512], path[600], beside[640];
    struct playback played;
    snprintf(folder, sizeof folder, "%s/bellrope-doctor-XXXXXX",
             base != NULL && base[0] != '\0' ? base : "/tmp");
    if (mkdtemp(folder) == NULL)
        return cli_fail(options->verb,
                        "no folder can be made for the tape's record: set TMPDIR to a place with room");
    snprintf(path, sizeof path, "%s/dive.db", folder);
    int done = playback_run(options->verb, tape, path, &played);
    if (done == CLI_DONE) {
        put_damage(options, &played);
        done = visit_database(options, path);
    }
    static const char *const ends[] = {"", "-wal", "-shm", "-lock"};
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        snprintf(beside, sizeof beside, "%s%s", path, ends[i]);
        unlink(beside);
    }
    rmdir(folder);
    return done;
}

static int run(const struct options *options)
{
    const char *path = options->argument[0];
    return is_tape(path) ? visit_tape(options, path) : visit_database(options, path);
}

static const struct cli_option OPTIONS[] = {{"dive", "ID", "that dive only"}, {0}};

const struct cli_verb verb_doctor = {
    .name = "doctor",
    .arguments = "TAPE|DB [options]",
    .summary = "Says in plain words what went wrong on a dive, and when",
    .details = "Clock never synchronised or stepped, feeds silent, timecode lost or jumped, pads unplugged, "
               "presses that "
               "waited,\n"
               "markers without a position, trouble with the disk. '!' is trouble, '-' good to know; times "
               "are UTC. A tape "
               "is played\n"
               "into a database in $TMPDIR first, which is removed afterwards. Exits 0 whether or not "
               "anything is found; "
               "with --json\n"
               "one finding a line.",
    .examples = "  bellrope doctor dive.db\n"
                "  bellrope doctor dive.tape --dive D007\n"
                "  bellrope doctor dive.db --json | jq 'select(.weight == \"trouble\")'\n",
    .options = OPTIONS,
    .least = 1,
    .most = 1,
    .prints = true,
    .run = run,
};
