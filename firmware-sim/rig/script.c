#include "script.h"

#include "bellrope/wire.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

enum { WORDS_MAX = 32, LINE_SIZE = 512 };

static const int64_t SECOND_NS = 1000000000;

/* One statement being read. */
struct statement {
    struct script *script;
    script_problem *problem;
    void *ctx;
    size_t problems;
    int line;
    char text[LINE_SIZE]; /* as written, for `say` */
    char cut[LINE_SIZE];  /* the words, each terminated */
    const char *word[WORDS_MAX];
    size_t word_at[WORDS_MAX]; /* where it begins in `text` */
    int words;
    int next;
};

static void complain(struct statement *s, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void complain(struct statement *s, const char *format, ...)
{
    char text[256];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    s->problems++;
    s->problem(s->ctx, s->line, text);
}

static const char *take(struct statement *s)
{
    return s->next < s->words ? s->word[s->next++] : NULL;
}

/* Takes the next word if it is `word`. */
static bool take_word(struct statement *s, const char *word)
{
    if (s->next >= s->words || strcmp(s->word[s->next], word) != 0)
        return false;
    s->next++;
    return true;
}

const char *script_feed_name(enum script_feed feed)
{
    static const char *const name[SCRIPT_FEEDS] = {"ship", "acoustic", "vehicle", "ctd"};
    return (unsigned)feed < SCRIPT_FEEDS ? name[feed] : "";
}

int script_pad_find(const struct script *script, const char *name)
{
    for (int i = 0; i < script->pad_count; i++)
        if (strcmp(script->pad[i].name, name) == 0)
            return i;
    return -1;
}

/* ---- words with values ---- */

/* A number and the unit behind it; false without a number. */
static bool number_unit(const char *text, double *number, const char **unit)
{
    char *end = NULL;
    if (!text || !strchr("+-.0123456789", text[0]))
        return false;
    *number = strtod(text, &end);
    *unit = end;
    return end != text && isfinite(*number);
}

bool script_duration(const char *text, int64_t *ns)
{
    static const struct {
        const char *unit;
        double ns;
    } units[] = {{"", 1e9}, {"s", 1e9}, {"ms", 1e6}, {"us", 1e3}, {"m", 60e9}, {"h", 3600e9}};
    double number = 0;
    const char *unit = NULL;
    if (!number_unit(text, &number, &unit) || number < 0 || number > 1e6)
        return false;
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
        if (strcmp(unit, units[i].unit) == 0) {
            *ns = llround(number * units[i].ns);
            return true;
        }
    return false;
}

static bool take_duration(struct statement *s, const char *what, int64_t *ns)
{
    const char *word = take(s);
    if (word && script_duration(word, ns))
        return true;
    complain(s, "%s: '%s' is no length of time; write 3.25, 700ms, 2m or 5h", what, word ? word : "");
    return false;
}

/* A number with the unit given, or bare. */
static bool take_number(struct statement *s, const char *what, const char *unit, double lo, double hi,
                        double *out)
{
    const char *word = take(s);
    const char *end = NULL;
    double number = 0;
    if (number_unit(word, &number, &end) && (*end == 0 || strcmp(end, unit) == 0) && number >= lo &&
        number <= hi) {
        *out = number;
        return true;
    }
    complain(s, "%s: '%s' is not a number from %g to %g%s", what, word ? word : "", lo, hi, unit);
    return false;
}

static bool take_count(struct statement *s, const char *what, int64_t lo, int64_t hi, int64_t *out)
{
    const char *word = take(s);
    char *end = NULL;
    long long number = word ? strtoll(word, &end, 10) : 0;
    if (word && end != word && *end == 0 && number >= lo && number <= hi) {
        *out = number;
        return true;
    }
    complain(s, "%s: '%s' is not a whole number from %lld to %lld", what, word ? word : "", (long long)lo,
             (long long)hi);
    return false;
}

static bool take_switch(struct statement *s, const char *what, bool *on)
{
    const char *word = take(s);
    if (word && (strcmp(word, "on") == 0 || strcmp(word, "off") == 0)) {
        *on = word[1] == 'n';
        return true;
    }
    complain(s, "%s: '%s' is neither 'on' nor 'off'", what, word ? word : "");
    return false;
}

static bool take_name(struct statement *s, const char *what, char *out, size_t size)
{
    const char *word = take(s);
    if (word && strlen(word) < size && wire_serial_valid(word)) {
        snprintf(out, size, "%s", word);
        return true;
    }
    complain(s, "%s: '%s' is no name of 1 to %zu of 0-9 A-Z a-z - _", what, word ? word : "", size - 1);
    return false;
}

static bool take_pad(struct statement *s, int *pad)
{
    const char *word = take(s);
    *pad = word ? script_pad_find(s->script, word) : -1;
    if (*pad >= 0)
        return true;
    complain(s, "'%s' is no pad declared above; declare it with: pad NAME serial SERIAL", word ? word : "");
    return false;
}

static bool find_feed(const char *word, int *feed)
{
    for (int i = 0; i < SCRIPT_FEEDS; i++)
        if (word && strcmp(word, script_feed_name((enum script_feed)i)) == 0) {
            *feed = i;
            return true;
        }
    return false;
}

/* ---- declarations ---- */

static void pad_defaults(struct script_pad *pad)
{
    memset(pad, 0, sizeof *pad);
    pad->rows = 4;
    pad->cols = 4;
    pad->diodes = true;
    pad->latch = true;
    pad->bounces = true;
    pad->keeps = true;
    pad->swing_period_s = 300;
    pad->baud = 115200;
    pad->turn_ns = 200000;
}

static bool pad_size(struct statement *s, struct script_pad *pad)
{
    int rows = 0;
    int cols = 0;
    char tail = 0;
    const char *word = take(s);
    if (word && sscanf(word, "%dx%d%c", &rows, &cols, &tail) == 2 && rows >= 1 && rows <= 8 && cols >= 1 &&
        cols <= 8) {
        pad->rows = (uint8_t)rows;
        pad->cols = (uint8_t)cols;
        return true;
    }
    complain(s, "keys: '%s' is no size from 1x1 to 8x8, rows first", word ? word : "");
    return false;
}

static bool pad_clock(struct statement *s, struct script_pad *pad, const char *option)
{
    double number = 0;
    if (strcmp(option, "clock") == 0)
        return take_number(s, "clock", "ppm", -20000, 20000, &pad->clock_ppm);
    if (strcmp(option, "swing") == 0)
        return take_number(s, "swing", "ppm", 0, 5000, &pad->swing_ppm);
    if (strcmp(option, "period") == 0)
        return take_number(s, "period", "s", 1, 1e6, &pad->swing_period_s);
    if (strcmp(option, "begins") == 0 && take_number(s, "begins", "s", 0, 1e8, &number)) {
        pad->tick0_us = (uint64_t)(number * 1e6);
        return true;
    }
    return false;
}

static bool pad_option(struct statement *s, struct script_pad *pad, const char *option)
{
    int64_t count = 0;
    if (strcmp(option, "serial") == 0)
        return take_name(s, "serial", pad->serial, sizeof pad->serial);
    if (strcmp(option, "keys") == 0)
        return pad_size(s, pad);
    if (strcmp(option, "batch") == 0)
        return take_duration(s, "batch", &pad->batch_ns);
    if (strcmp(option, "turn") == 0)
        return take_duration(s, "turn", &pad->turn_ns);
    if (strcmp(option, "diodes") == 0)
        return take_switch(s, "diodes", &pad->diodes);
    if (strcmp(option, "latch") == 0)
        return take_switch(s, "latch", &pad->latch);
    if (strcmp(option, "bounce") == 0)
        return take_switch(s, "bounce", &pad->bounces);
    if (strcmp(option, "eeprom") == 0)
        return take_switch(s, "eeprom", &pad->keeps);
    if (strcmp(option, "baud") == 0 && take_count(s, "baud", 0, 4000000, &count)) {
        pad->baud = (uint32_t)count;
        return true;
    }
    return pad_clock(s, pad, option);
}

static void read_pad(struct statement *s)
{
    struct script_pad pad;
    pad_defaults(&pad);
    if (!take_name(s, "pad", pad.name, sizeof pad.name))
        return;
    if (script_pad_find(s->script, pad.name) >= 0) {
        complain(s, "pad %s is declared already", pad.name);
        return;
    }
    if (s->script->pad_count == SCRIPT_PADS_MAX) {
        complain(s, "no room for pad %s: at most %d pads", pad.name, SCRIPT_PADS_MAX);
        return;
    }
    for (const char *option = take(s); option; option = take(s)) {
        size_t before = s->problems;
        if (pad_option(s, &pad, option))
            continue;
        if (s->problems == before)
            complain(s,
                     "pad %s: '%s' is none of serial, keys, clock, swing, period, begins, batch, baud, turn, "
                     "diodes, "
                     "latch, bounce, eeprom",
                     pad.name, option);
        return;
    }
    if (pad.turn_ns < 10000 || pad.turn_ns > 50000000) {
        complain(s, "turn: one turn of the firmware's loop takes from 10us to 50ms");
        return;
    }
    s->script->pad[s->script->pad_count++] = pad;
}

static bool feed_address(struct statement *s, struct script_feed_plan *feed)
{
    const char *word = take(s);
    const char *colon = word ? strrchr(word, ':') : NULL;
    long port = colon ? strtol(colon + 1, NULL, 10) : 0;
    if (colon && (size_t)(colon - word) < sizeof feed->host && port >= 1 && port <= 65535) {
        snprintf(feed->host, sizeof feed->host, "%.*s", (int)(colon - word), word);
        feed->port = (uint16_t)port;
        return true;
    }
    complain(s, "to: '%s' is no HOST:PORT", word ? word : "");
    return false;
}

static bool feed_option(struct statement *s, struct script_feed_plan *feed, const char *option)
{
    int64_t count = 0;
    if (strcmp(option, "to") == 0)
        return feed_address(s, feed);
    if (strcmp(option, "every") == 0)
        return take_duration(s, "every", &feed->every_ns);
    if (strcmp(option, "late") == 0)
        return take_duration(s, "late", &feed->late_ns);
    if (strcmp(option, "jitter") == 0)
        return take_duration(s, "jitter", &feed->jitter_ns);
    if (strcmp(option, "noise") == 0)
        return take_number(s, "noise", "m", 0, 1000, &feed->noise_m);
    if (strcmp(option, "extra") == 0 && take_count(s, "extra", 0, 8, &count)) {
        feed->extra = (int)count;
        return true;
    }
    if (strcmp(option, "outliers") == 0 && take_number(s, "outliers", "%", 0, 100, &feed->outliers)) {
        feed->outliers /= 100;
        return true;
    }
    return false;
}

static void read_feed(struct statement *s, int index)
{
    struct script_feed_plan *feed = &s->script->feed[index];
    feed->used = true;
    for (const char *option = take(s); option; option = take(s)) {
        size_t before = s->problems;
        if (feed_option(s, feed, option))
            continue;
        if (s->problems == before)
            complain(s, "%s: '%s' is none of to, every, late, jitter, noise, outliers, extra",
                     script_feed_name((enum script_feed)index), option);
        return;
    }
    if (feed->every_ns < 10000000)
        complain(s, "every: at least 10ms");
}

static bool recorder_rate(struct statement *s, struct script_recorder_plan *recorder)
{
    const char *word = take(s);
    if (word && timecode_rate_parse(word, &recorder->rate) == 0)
        return true;
    complain(s, "rate: '%s' is none of 23.976 24 25 29.97df 29.97ndf 30 50 59.94df 59.94ndf 60",
             word ? word : "");
    return false;
}

static bool take_label(struct statement *s, const char *word, int64_t *frame)
{
    struct timecode label;
    enum timecode_rate rate = s->script->recorder.rate;
    if (word && timecode_parse(word, rate, &label) == 0 && timecode_to_frame(label, rate, frame) == 0)
        return true;
    complain(s, "'%s' is no timecode label at %s frames a second", word ? word : "",
             timecode_rate_name(rate));
    return false;
}

static bool recorder_option(struct statement *s, struct script_recorder_plan *recorder, const char *option)
{
    if (strcmp(option, "rate") == 0)
        return recorder_rate(s, recorder);
    if (strcmp(option, "start") == 0)
        return take_label(s, take(s), &recorder->start_frame);
    if (strcmp(option, "clock") == 0)
        return take_number(s, "clock", "ppm", -1000, 1000, &recorder->clock_ppm);
    if (strcmp(option, "level") == 0)
        return take_number(s, "level", "dB", -60, 0, &recorder->level_db);
    if (strcmp(option, "noise") == 0)
        return take_number(s, "noise", "dB", 0, 100, &recorder->noise_db);
    if (strcmp(option, "to") == 0 && s->next < s->words) {
        snprintf(recorder->path, sizeof recorder->path, "%s", take(s));
        return true;
    }
    return false;
}

static void read_recorder(struct statement *s)
{
    struct script_recorder_plan *recorder = &s->script->recorder;
    recorder->used = true;
    for (const char *option = take(s); option; option = take(s)) {
        size_t before = s->problems;
        if (recorder_option(s, recorder, option))
            continue;
        if (s->problems == before)
            complain(
                s, "recorder: '%s' is none of to, rate, start, clock, level, noise; rate comes before start",
                option);
        return;
    }
}

static void read_world(struct statement *s)
{
    struct world *world = &s->script->world;
    for (const char *option = take(s); option; option = take(s)) {
        int64_t ns = 0;
        double *part = strcmp(option, "descent") == 0  ? &world->descent_s
                       : strcmp(option, "bottom") == 0 ? &world->bottom_s
                       : strcmp(option, "ascent") == 0 ? &world->ascent_s
                                                       : NULL;
        if (!part) {
            complain(s, "world: '%s' is none of descent, bottom, ascent", option);
            return;
        }
        if (!take_duration(s, option, &ns))
            return;
        *part = (double)ns / 1e9;
    }
}

/* ---- actions ---- */

bool script_add(struct script *script, const struct script_action *action)
{
    if (script->action_count == script->action_room) {
        size_t room = script->action_room ? 2 * script->action_room : 64;
        struct script_action *bigger = realloc(script->action, room * sizeof *bigger);
        if (!bigger)
            return false;
        script->action = bigger;
        script->action_room = room;
    }
    /* Insertion keeps what stands at one instant in the order in which it was written. */
    size_t i = script->action_count++;
    for (; i > 0 && script->action[i - 1].at_ns > action->at_ns; i--)
        script->action[i] = script->action[i - 1];
    script->action[i] = *action;
    return true;
}

static void add(struct statement *s, const struct script_action *action)
{
    if (!script_add(s->script, action))
        complain(s, "no memory for another action");
}

static bool take_keys(struct statement *s, struct script_action *action)
{
    const struct script_pad *pad = &s->script->pad[action->pad];
    const char *word = take(s);
    for (const char *from = word; from && action->key_count < SCRIPT_CHORD_MAX;) {
        char name[8];
        size_t n = strcspn(from, "+");
        snprintf(name, sizeof name, "%.*s", n < sizeof name ? (int)n : 0, from);
        uint8_t key = wire_key_index(name, pad->rows, pad->cols);
        if (key == WIRE_NO_KEY)
            break;
        action->key[action->key_count++] = key;
        if (from[n] == 0)
            return true;
        from += n + 1;
    }
    complain(s, "key: '%s' is no key of pad %s (A1 to %c%d), nor up to %d of them joined by '+'",
             word ? word : "", pad->name, 'A' + pad->rows - 1, pad->cols, SCRIPT_CHORD_MAX);
    return false;
}

/* pad NAME key B2 [hold 700ms] [times 3 every 400ms] */
static void read_key(struct statement *s, struct script_action *action)
{
    int64_t times = 1;
    int64_t every_ns = SECOND_NS / 2;
    if (!take_pad(s, &action->pad))
        return;
    if (!take_word(s, "key")) {
        complain(s, "after the pad's name comes: key KEY [hold TIME] [times N every TIME]");
        return;
    }
    if (!take_keys(s, action))
        return;
    action->span_ns = 110000000;
    if (take_word(s, "hold") && !take_duration(s, "hold", &action->span_ns))
        return;
    if (take_word(s, "times") && !take_count(s, "times", 1, 100000, &times))
        return;
    if (take_word(s, "every") && !take_duration(s, "every", &every_ns))
        return;
    if (times > 1 && every_ns < action->span_ns + 60000000) {
        int64_t held_ms = action->span_ns / 1000000;
        complain(
            s, "every: a key held for %" PRId64 "ms can be pressed again after %" PRId64 "ms at the earliest",
            held_ms, held_ms + 60);
        return;
    }
    for (int64_t i = 0; i < times; i++, action->at_ns += every_ns)
        add(s, action);
}

/* "A1,A2,B4" of each pad named */
static bool take_random_keys(struct statement *s, struct script_action *action)
{
    char list[LINE_SIZE];
    snprintf(list, sizeof list, "%s", s->next < s->words ? take(s) : "");
    char *rest = NULL;
    for (char *name = strtok_r(list, ",", &rest); name; name = strtok_r(NULL, ",", &rest))
        for (int pad = 0; pad < s->script->pad_count; pad++) {
            uint8_t key = wire_key_index(name, s->script->pad[pad].rows, s->script->pad[pad].cols);
            if (!(action->pads >> pad & 1))
                continue;
            if (key == WIRE_NO_KEY) {
                complain(s, "keys: '%s' is no key of pad %s", name, s->script->pad[pad].name);
                return false;
            }
            action->keys[pad] |= UINT64_C(1) << key;
        }
    return true;
}

/* random 50 pads science,nav [keys A1,B2] for 30s */
static void read_random(struct statement *s, struct script_action *action)
{
    if (!take_count(s, "random", 1, 1000000, &action->count))
        return;
    const char *names = take_word(s, "pads") ? take(s) : NULL;
    char list[LINE_SIZE];
    snprintf(list, sizeof list, "%s", names ? names : "");
    char *rest = NULL;
    for (char *name = strtok_r(list, ",", &rest); name; name = strtok_r(NULL, ",", &rest)) {
        int pad = script_pad_find(s->script, name);
        if (pad < 0) {
            complain(s, "'%s' is no pad declared above", name);
            return;
        }
        action->pads |= UINT32_C(1) << pad;
    }
    if (take_word(s, "keys") && !take_random_keys(s, action))
        return;
    if (!action->pads || !take_word(s, "for")) {
        complain(s, "write: random N pads NAME[,NAME] [keys KEY[,KEY]] for TIME");
        return;
    }
    if (take_duration(s, "for", &action->span_ns))
        add(s, action);
}

static void read_pull(struct statement *s, struct script_action *action)
{
    if (!take_pad(s, &action->pad))
        return;
    if (action->verb == SCRIPT_PULL) {
        if (!take_word(s, "power")) {
            complain(s, "pull: say whether the pad stays powered: pull %s power on|off",
                     s->script->pad[action->pad].name);
            return;
        }
        if (!take_switch(s, "power", &action->on))
            return;
    }
    add(s, action);
}

static void read_garble(struct statement *s, struct script_action *action)
{
    const char *word = take(s);
    action->pad = word ? script_pad_find(s->script, word) : -1;
    if (action->pad < 0 && !find_feed(word, &action->feed)) {
        complain(s, "garble: '%s' is neither a pad nor one of ship, acoustic, vehicle, ctd",
                 word ? word : "");
        return;
    }
    if (take_count(s, "garble", 1, 100000, &action->count))
        add(s, action);
}

static void read_jump(struct statement *s, struct script_action *action)
{
    const char *word = take(s);
    action->verb = SCRIPT_JUMP;
    action->relative = word && (word[0] == '+' || word[0] == '-');
    if (!take_label(s, action->relative ? word + 1 : word, &action->count))
        return;
    if (action->relative && word[0] == '-')
        action->count = -action->count;
    add(s, action);
}

static void read_recorder_action(struct statement *s, struct script_action *action)
{
    const char *word = take(s);
    if (word && strcmp(word, "jump") == 0) {
        read_jump(s, action);
    } else if (word && strcmp(word, "silent") == 0) {
        action->verb = SCRIPT_SILENT;
        if (take_duration(s, "silent", &action->span_ns))
            add(s, action);
    } else if (word && strcmp(word, "level") == 0) {
        action->verb = SCRIPT_LEVEL;
        if (take_number(s, "level", "dB", -60, 0, &action->number))
            add(s, action);
    } else if (word && strcmp(word, "noise") == 0) {
        action->verb = SCRIPT_NOISE;
        action->number = (double)NAN;
        if (take_word(s, "off") || take_number(s, "noise", "dB", 0, 100, &action->number))
            add(s, action);
    } else if (word && (strcmp(word, "stop") == 0 || strcmp(word, "start") == 0)) {
        action->on = word[2] == 'a';
        add(s, action);
    } else {
        complain(s, "recorder: '%s' is none of jump, silent, level, noise, stop, start", word ? word : "");
    }
}

static void read_signal(struct statement *s, struct script_action *action)
{
    if (take_name(s, "signal", action->text, sizeof action->text))
        add(s, action);
}

static void read_say(struct statement *s, struct script_action *action)
{
    if (s->next >= s->words) {
        complain(s, "say: what?");
        return;
    }
    snprintf(action->text, sizeof action->text, "%s", s->text + s->word_at[s->next]);
    s->next = s->words;
    add(s, action);
}

static void read_feed_action(struct statement *s, struct script_action *action)
{
    if (take_switch(s, script_feed_name((enum script_feed)action->feed), &action->on))
        add(s, action);
}

static void read_end(struct statement *s, struct script_action *action)
{
    add(s, action);
}

static void read_at(struct statement *s)
{
    static const struct {
        const char *word;
        enum script_verb verb;
        void (*read)(struct statement *, struct script_action *);
    } verbs[] = {{"pad", SCRIPT_KEY, read_key},          {"random", SCRIPT_RANDOM, read_random},
                 {"pull", SCRIPT_PULL, read_pull},       {"plug", SCRIPT_PLUG, read_pull},
                 {"garble", SCRIPT_GARBLE, read_garble}, {"recorder", SCRIPT_RECORDER, read_recorder_action},
                 {"signal", SCRIPT_SIGNAL, read_signal}, {"say", SCRIPT_SAY, read_say},
                 {"end", SCRIPT_END, read_end}};
    struct script_action action = {.pad = -1, .feed = -1, .line = s->line};
    if (!take_duration(s, "at", &action.at_ns))
        return;
    const char *word = take(s);
    for (size_t i = 0; word && i < sizeof verbs / sizeof verbs[0]; i++)
        if (strcmp(word, verbs[i].word) == 0) {
            action.verb = verbs[i].verb;
            verbs[i].read(s, &action);
            return;
        }
    action.verb = SCRIPT_FEED;
    if (find_feed(word, &action.feed))
        read_feed_action(s, &action);
    else
        complain(
            s,
            "'%s' is none of pad, random, pull, plug, garble, recorder, ship, vehicle, ctd, signal, say, end",
            word ? word : "");
}

/* ---- the text ---- */

static void read_limit(struct statement *s)
{
    (void)take_duration(s, "limit", &s->script->limit_ns);
}

static void read_seed(struct statement *s)
{
    int64_t seed = 0;
    if (take_count(s, "seed", 0, INT64_MAX, &seed))
        s->script->seed = (uint64_t)seed;
}

static void read_statement(struct statement *s)
{
    static const struct {
        const char *word;
        void (*read)(struct statement *);
    } statements[] = {{"at", read_at},     {"pad", read_pad},     {"recorder", read_recorder},
                      {"seed", read_seed}, {"limit", read_limit}, {"world", read_world}};
    const char *word = take(s);
    size_t before = s->problems;
    int feed = 0;
    size_t i = 0;
    const size_t count = sizeof statements / sizeof statements[0];
    while (i < count && strcmp(word, statements[i].word) != 0)
        i++;
    if (i < count)
        statements[i].read(s);
    else if (find_feed(word, &feed))
        read_feed(s, feed);
    else
        complain(s, "'%s' is none of seed, limit, world, pad, ship, acoustic, vehicle, ctd, recorder, at",
                 word);
    if (s->problems == before && s->next < s->words)
        complain(s, "'%s' is more than this line takes", s->word[s->next]);
}

/* Cuts the line into words; a '#' at the start of a word ends it. */
static void cut_words(struct statement *s)
{
    snprintf(s->cut, sizeof s->cut, "%s", s->text);
    s->words = 0;
    s->next = 0;
    for (size_t i = 0; s->cut[i];) {
        i += strspn(s->cut + i, " \t\r");
        if (!s->cut[i] || s->cut[i] == '#' || s->words == WORDS_MAX)
            return;
        s->word[s->words] = s->cut + i;
        s->word_at[s->words++] = i;
        i += strcspn(s->cut + i, " \t\r");
        if (s->cut[i])
            s->cut[i++] = 0;
    }
}

/* A press needs a pad with power; what cannot be pressed is a mistake of the script. */
static void check_power(struct statement *s)
{
    bool powered[SCRIPT_PADS_MAX];
    bool plugged[SCRIPT_PADS_MAX];
    for (int i = 0; i < SCRIPT_PADS_MAX; i++)
        powered[i] = plugged[i] = true;
    for (size_t i = 0; i < s->script->action_count; i++) {
        const struct script_action *action = &s->script->action[i];
        s->line = action->line;
        if (action->pad < 0)
            continue;
        const char *name = s->script->pad[action->pad].name;
        if (action->verb == SCRIPT_KEY && !powered[action->pad])
            complain(s, "pad %s has no power at that time: it was pulled with power off", name);
        if (action->verb == SCRIPT_PULL && !plugged[action->pad])
            complain(s, "pad %s is pulled already", name);
        if (action->verb == SCRIPT_PLUG && plugged[action->pad])
            complain(s, "pad %s is plugged in already", name);
        if (action->verb == SCRIPT_PULL) {
            plugged[action->pad] = false;
            powered[action->pad] = action->on;
        } else if (action->verb == SCRIPT_PLUG) {
            plugged[action->pad] = powered[action->pad] = true;
        }
    }
}

void script_init(struct script *script)
{
    memset(script, 0, sizeof *script);
    script->seed = 1;
    script->limit_ns = 30 * SECOND_NS;
    script->world.bottom_s = 1e9;
    for (int i = 0; i < SCRIPT_FEEDS; i++) {
        struct script_feed_plan *feed = &script->feed[i];
        snprintf(feed->host, sizeof feed->host, "127.0.0.1");
        feed->port = (uint16_t)(5501 + i);
        feed->every_ns = SECOND_NS / 5;
    }
    script->feed[SCRIPT_SHIP].every_ns = SECOND_NS;
    script->feed[SCRIPT_SHIP].late_ns = 120000000;
    script->feed[SCRIPT_ACOUSTIC].every_ns = 2 * SECOND_NS;
    script->feed[SCRIPT_ACOUSTIC].late_ns = 1600000000;
    script->feed[SCRIPT_ACOUSTIC].noise_m = 4;
    script->feed[SCRIPT_ACOUSTIC].outliers = 0.03;
    script->recorder.rate = TC_RATE_25;
    script->recorder.start_frame = -1;
    script->recorder.level_db = -12;
    script->recorder.noise_db = (double)NAN;
    snprintf(script->recorder.path, sizeof script->recorder.path, "ltc.fifo");
}

size_t script_parse(struct script *script, const char *text, size_t len, script_problem *problem, void *ctx)
{
    struct statement *s = calloc(1, sizeof *s);
    size_t problems = 1;
    if (!s)
        return problems;
    s->script = script;
    s->problem = problem;
    s->ctx = ctx;
    for (size_t at = 0; at < len;) {
        const char *end = memchr(text + at, '\n', len - at);
        size_t n = end ? (size_t)(end - text) - at : len - at;
        s->line++;
        if (n >= LINE_SIZE || memchr(text + at, 0, n)) {
            complain(s, "a line has at most %d characters, and no NUL", LINE_SIZE - 1);
        } else {
            memcpy(s->text, text + at, n);
            s->text[n] = 0;
            cut_words(s);
            if (s->words > 0)
                read_statement(s);
        }
        at += n + 1;
    }
    if (script->recorder.start_frame < 0)
        (void)timecode_to_frame((struct timecode){10, 0, 0, 0}, script->recorder.rate,
                                &script->recorder.start_frame);
    if (s->problems == 0)
        check_power(s);
    problems = s->problems;
    free(s);
    return problems;
}

void script_free(struct script *script)
{
    free(script->action);
    script->action = NULL;
    script->action_count = script->action_room = 0;
}

int64_t script_length_ns(const struct script *script)
{
    int64_t end_ns = 0;
    for (size_t i = 0; i < script->action_count; i++) {
        const struct script_action *action = &script->action[i];
        int64_t last_ns = action->at_ns + (action->verb == SCRIPT_FEED ? 0 : action->span_ns);
        if (last_ns > end_ns)
            end_ns = last_ns;
    }
    return end_ns;
}
