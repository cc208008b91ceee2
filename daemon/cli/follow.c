#include "cli/ask.h"
#include "cli/divestate.h"
#include "cli/eventline.h"
#include "cli/show.h"
#include "cli/verbs.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define RETRY_FIRST_MS 250
#define RETRY_MOST_MS 4000
#define STATE_EVERY_MS 1000
#define STATE_LINE_MS 60000

struct following {
    const struct options *options;
    struct target target;
    json_int_t last_seq; /* -1: none yet */
    long long to_come;   /* markers; -1: without end */
    bool all;
    bool colours;
    bool shows_state; /* not with --json */
    bool headed;      /* the names of the columns stand above */
    bool terminal;    /* the state of the dive stands below the markers, renewed each second */
    bool below;       /* and it stands there now */
    char told[DIVESTATE_SIZE];
    int64_t told_ms;
};

/* What a watcher is shown without --all; every change of a sighting would drown the markers. */
static const char *const SHOWN[] = {"marker", "settled", "strike", "sample", "identification", "remark",
                                    "dive",   "seat",    "pad",    "fault",  "clock",          "timecode"};

/* That a marker settled is no news; that its time or timecode was found or changed afterwards is. */
static bool is_routine(const json_t *event)
{
    const char *cause = show_text(event, "cause");
    return strcmp(show_text(event, "type"), "settled") == 0 &&
           (strcmp(cause, "bracketed") == 0 || strcmp(cause, "waited") == 0);
}

/* Takes the state's line away again. */
static void wipe(struct following *following)
{
    if (following->below)
        fputs("\r\033[K", stdout);
    following->below = false;
}

static void print_event(struct following *following, const json_t *event)
{
    char line[EVENTLINE_SIZE];
    const char *type = show_text(event, "type");
    if (!following->all && is_routine(event))
        return;
    wipe(following);
    if (following->options->json) {
        ask_print_json(event);
    } else {
        bool plain = !following->colours || strcmp(type, "marker") == 0;
        const char *colour = strcmp(type, "fault") == 0 ? "\033[1;31m" : "\033[2m";
        printf("%s%s%s\n", plain ? "" : colour, eventline(event, line), plain ? "" : "\033[0m");
    }
    fflush(stdout);
}

static json_t *params_of(const struct following *following)
{
    json_t *params = json_object();
    if (following->last_seq >= 0)
        json_object_set_new(params, "since", json_integer(following->last_seq));
    if (!following->all) {
        json_t *types = json_array();
        for (size_t i = 0; i < sizeof SHOWN / sizeof SHOWN[0]; i++)
            json_array_append_new(types, json_string(SHOWN[i]));
        json_object_set_new(params, "types", types);
    }
    return params;
}

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/*
 * Time on the bottom, time left, and time on the sighting in hand. On a terminal it stands below the markers and is renewed each second;
 * elsewhere it is a line of its own, at the beginning and then once a minute.
 */
static bool show_state(struct following *following, struct client *client, char *why)
{
    int64_t now = now_ms(), every = following->terminal ? STATE_EVERY_MS : STATE_LINE_MS;
    if (!following->shows_state || (following->told_ms != 0 && now - following->told_ms < every))
        return true;
    json_t *status = client_call(client, "status", NULL, why);
    if (status == NULL)
        return false;
    following->told_ms = now;
    divestate(json_object_get(status, "lines"), following->told);
    json_decref(status);
    wipe(following);
    if (following->told[0] == '\0')
        return true;
    printf(following->terminal ? "%.99s" : "%s\n", following->told);
    following->below = following->terminal;
    fflush(stdout);
    return true;
}

/* Until the connection ends or all is seen. True: all is seen. */
static bool listen_to(struct following *following, struct client *client, char *why)
{
    while (following->to_come != 0) {
        if (!show_state(following, client, why))
            return false;
        json_t *message = client_next(client, following->shows_state ? STATE_EVERY_MS : -1, why);
        if (message == NULL && why[0] == '\0')
            continue;
        if (message == NULL)
            return false;
        const char *method = show_text(message, "method");
        const json_t *params = json_object_get(message, "params");
        if (strcmp(method, "event") == 0) {
            following->last_seq = json_integer_value(json_object_get(params, "seq"));
            print_event(following, params);
            bool marker = strcmp(show_text(params, "type"), "marker") == 0;
            following->to_come -= marker && following->to_come > 0 ? 1 : 0;
        } else if (strcmp(method, "dropped") == 0) {
            following->last_seq = json_integer_value(json_object_get(params, "last_seq"));
        }
        json_decref(message);
    }
    return true;
}

static void show_head(struct following *following)
{
    if (!following->options->json && !following->headed)
        puts(eventline_head());
    fflush(stdout);
    following->headed = true;
}

/* One connection. True: all is seen. False with a sentence; `refused` where trying again is of no use. */
static bool follow_once(struct following *following, bool *refused, char *why)
{
    struct client *client = client_open(&following->target, why);
    *refused = false;
    if (client == NULL)
        return false;
    json_t *result = client_call(client, "subscribe", params_of(following), why);
    bool all = false;
    if (result == NULL) {
        *refused = true;
    } else {
        show_head(following);
        if (following->last_seq < 0)
            following->last_seq = json_integer_value(json_object_get(result, "since"));
        all = listen_to(following, client, why);
    }
    json_decref(result);
    client_close(client);
    return all;
}

static void pause_ms(long ms)
{
    struct timespec wait = {.tv_sec = ms / 1000, .tv_nsec = ms % 1000 * 1000000};
    nanosleep(&wait, NULL);
}

static int follow(struct following *following)
{
    char why[CLIENT_WHY_SIZE] = "";
    bool refused = false, told = false;
    long wait_ms = RETRY_FIRST_MS;
    for (;;) {
        json_int_t before = following->last_seq;
        if (follow_once(following, &refused, why))
            return CLI_DONE;
        bool moved = following->last_seq != before;
        if (refused || options_flag(following->options, "no-retry"))
            return cli_fail(following->options->verb, "%s; seen up to seq %" JSON_INTEGER_FORMAT, why,
                            following->last_seq);
        if (before < 0 && !moved)
            return cli_fail(following->options->verb, "%s", why);
        if (moved || !told)
            fprintf(stderr, "%s; trying again after seq %" JSON_INTEGER_FORMAT "\n", why,
                    following->last_seq);
        told = true;
        wait_ms = moved ? RETRY_FIRST_MS : wait_ms * 2 < RETRY_MOST_MS ? wait_ms * 2 : RETRY_MOST_MS;
        pause_ms(wait_ms);
    }
}

static int run(const struct options *options)
{
    struct following following = {.options = options, .last_seq = -1, .to_come = -1};
    long long since = -1, count = -1;
    if (!options_int(options, "since", 0, INT64_MAX, &since) ||
        !options_int(options, "count", 1, INT64_MAX, &count))
        return CLI_USAGE;
    if (target_find(options, &following.target) != CLI_DONE)
        return CLI_FAILED;
    following.last_seq = since;
    following.to_come = count;
    following.all = options_flag(options, "all");
    following.colours = cli_colours(stdout);
    following.terminal = isatty(STDOUT_FILENO) == 1;
    following.shows_state = !options->json;
    return follow(&following);
}

static const struct cli_option OPTIONS[] = {
    {"since", "SEQ", "everything after that journal number first; 0: from the beginning"},
    {"all", NULL, "every event: settled values, sightings, spans, feeds too"},
    {"count", "N", "end after N markers"},
    {"no-retry", NULL, "end when the connection ends"},
    {0}};

const struct cli_verb verb_follow = {
    .name = "follow",
    .arguments = "[options]",
    .summary = "Shows markers as they come",
    .details =
        "When the daemon goes away it waits and goes on where it was, so nothing is missed or shown twice.\n"
        "Below stand the time on the bottom, what is left of the plan, and how long the present sighting\n"
        "has lasted; where the output is no terminal, as a line once a minute.\n"
        "With --json one event a line, as docs/schema has them.",
    .examples = "  bellrope follow\n"
                "  bellrope follow --since 0 --all --json > dive.ndjson\n"
                "  bellrope follow --count 1 && echo 'the first marker is there'\n",
    .options = OPTIONS,
    .needs = CLI_NEEDS_DAEMON,
    .prints = true,
    .run = run,
};
